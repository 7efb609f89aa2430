"""The reader's path of all draws at once: one course through the settled clicks, its draws side by side.

All points LPS, mm, float64. A draw moves the settled clicks by a millimetre, draws the course between them and how the
path meets the annulus (`path_course`); its path is the spline over the places of the settled course, re-stationed by
its own arc length from its own aortic plane. That is what `outflow_path.reader_path` makes of each draw, to first order
in the moves, without a loop over draws.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.smoothing import REPEATED_POINT
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import LONGEST_EXTENSION, PATH_STEP, OutflowPath, PathStack
from outflow_geometry.outflow.path_course import PathCourse

PATH = "outflow_path"


def redrawn_reader_paths(own: OutflowPath, course: PathCourse, anatomies: Sequence[Anatomy]) -> PathStack:
    """Paths of the middle, `anatomies[0]`, and of each draw, from the first station of the reading's `own` path.

    course : of the reading. What its clicks leave open is drawn in the same way for every reading of as many draws.
    A draw whose path does not reach its aortic plane is not known. Raises GeometryError `no_section` where the
    middle's does not.
    """
    settled = anatomies[0].structure(PATH)
    once = np.concatenate([[True], np.linalg.norm(np.diff(settled, axis=0), axis=1) > REPEATED_POINT])
    clicks = np.stack([anatomy.structure(PATH)[once] for anatomy in anatomies], axis=1)
    moved = _drawn_courses(course, clicks, anatomies)
    fine = np.linspace(0.0, course.knots[-1], max(math.ceil(course.knots[-1] / PATH_STEP), 8) + 1)
    curve = CubicSpline(course.knots, moved)
    places, slopes = curve(fine), curve(fine, 1)
    # run on straight beyond the last point, as a path that ends short of the aortic plane does
    onward = PATH_STEP * np.arange(1, math.ceil(LONGEST_EXTENSION / PATH_STEP) + 2)
    end = unit(slopes[-1])
    places = np.concatenate([places, places[-1] + onward[:, None, None] * end])
    tangents = np.concatenate([unit(slopes), np.broadcast_to(end, (len(onward), *end.shape))])
    arc = np.concatenate(
        [np.zeros((1, places.shape[1])), np.cumsum(np.linalg.norm(np.diff(places, axis=0), axis=2), axis=0)]
    )
    zero = _crossings(places, arc, anatomies, len(fine))
    if not np.isfinite(zero[0]):
        raise GeometryError("no_section", "the middle of the draws has no path to the aortic plane")
    count = math.ceil(-own.first / PATH_STEP) + 1
    stations = -PATH_STEP * np.arange(count - 1, -1, -1)
    points, directions = np.zeros((2, len(anatomies), count, 3))
    for draw in np.flatnonzero(np.isfinite(zero)):
        wanted = stations + zero[draw]
        inside = np.clip(wanted, 0.0, arc[-1, draw])
        for axis in range(3):
            points[draw, :, axis] = np.interp(inside, arc[:, draw], places[:, draw, axis])
            directions[draw, :, axis] = np.interp(inside, arc[:, draw], tangents[:, draw, axis])
        directions[draw] = unit(directions[draw])
        points[draw] += (wanted - inside)[:, None] * directions[draw]
    return PathStack(float(stations[0]), np.isfinite(zero), points, directions)


def _drawn_courses(course: PathCourse, clicks: FloatArray, anatomies: Sequence[Anatomy]) -> FloatArray:
    """Knots (k, d, 3) of the middle's path and of the draws', each with a course between its clicks of its own."""
    draws = clicks.shape[1]
    rng = np.random.default_rng(draws)
    between = rng.standard_normal((course.between.shape[1], draws, 3))
    square = rng.standard_normal((draws, 3))
    between[:, 0], square[0] = 0.0, 0.0
    normals = np.zeros((draws, 3))
    for draw, anatomy in enumerate(anatomies):
        try:
            normals[draw] = anatomy.aortic_plane.normal
        except GeometryError:
            continue  # no plane, no crossing: not known
    return course.places(clicks, normals, between, square)


def _crossings(places: FloatArray, arc: FloatArray, anatomies: Sequence[Anatomy], drawn: int) -> FloatArray:
    """Arc length (d,), mm, at which each draw's path crosses its own aortic plane, NaN where it does not.

    The last crossing of the `drawn` part counts; where there is none, the first of what runs on.
    """
    zero = np.full(len(anatomies), np.nan)
    for draw, anatomy in enumerate(anatomies):
        try:
            height = anatomy.aortic_plane.height(places[:, draw])
        except GeometryError:
            continue
        rising = np.flatnonzero((height[:-1] < 0.0) & (height[1:] >= 0.0))
        if len(rising) and height[0] < 0.0:
            within = rising[rising < drawn - 1]
            k = int(within[-1] if len(within) else rising[0])
            zero[draw] = arc[k, draw] + (arc[k + 1, draw] - arc[k, draw]) * height[k] / (height[k] - height[k + 1])
    return zero
