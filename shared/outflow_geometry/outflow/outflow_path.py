"""The outflow path: a smooth curve from the ventricle to the aorta with stations along its length.

All points LPS, mm, float64. Station 0 is the crossing of the aortic plane, negative stations lie upstream.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.planes import checked_points
from outflow_geometry.base.smoothing import REPEATED_POINT, smoothed_curve
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.path_course import PathCourse, path_course

PATH_STEP = 0.25
"""mm between the stored stations; Hermite cubics through them depart from the curve by less than 1e-6 mm."""

ARC_STEP = 0.05
"""mm between the points over which arc length is summed."""

BEYOND_EXTENSION = 1.0
"""mm; a path that is run on to the aortic plane ends that far beyond it."""

LONGEST_EXTENSION = 15.0
"""mm; a path that ends further from the aortic plane was not drawn to the annulus."""


@dataclass(frozen=True)
class OutflowPath:
    """A path with stations.

    method : `reader_path` or `automatic_path`.
    stations : (n,) mm, rising; points : (n, 3) mm; tangents : (n, 3) unit, downstream.
    """

    method: str
    stations: FloatArray
    points: FloatArray
    tangents: FloatArray

    @property
    def first(self) -> float:
        """Most upstream station, mm."""
        return float(self.stations[0])

    def at(self, stations: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Points (..., 3) and unit tangents (..., 3) at `stations` (...), mm; straight beyond the ends."""
        s = np.asarray(stations, dtype=np.float64)
        inside = np.clip(s, self.stations[0], self.stations[-1])
        left = np.clip(np.searchsorted(self.stations, inside, side="right") - 1, 0, len(self.stations) - 2)
        step = (self.stations[left + 1] - self.stations[left])[..., None]
        x = (inside - self.stations[left])[..., None] / step
        points, tangents = _hermite(
            x, step, self.points[left], self.points[left + 1], self.tangents[left], self.tangents[left + 1]
        )
        return points + (s - inside)[..., None] * tangents, tangents

    def plane(self, station: float, toward: ArrayLike | None = None) -> Plane:
        """The plane at right angles to the path at `station`, mm, normal downstream."""
        point, tangent = self.at(station)
        return Plane.from_normal(point, tangent, toward)


@dataclass(frozen=True)
class PathStack:
    """Many paths on one grid of stations, to be asked all at once.

    first : most upstream station, mm, of the grid; known : (n,) whether there is a path.
    points, tangents : (n, k, 3) at first, first + PATH_STEP, ...
    """

    first: float
    known: NDArray[np.bool_]
    points: FloatArray
    tangents: FloatArray

    @classmethod
    def of(cls, paths: Sequence[OutflowPath | None]) -> PathStack:
        """Stack `paths` (n,), of which the first is there, from its first station to the annulus."""
        own = paths[0]
        if own is None:
            raise GeometryError("no_path", "a stack of paths begins with the reading's own")
        count = math.ceil(-own.first / PATH_STEP) + 1
        stations = -PATH_STEP * np.arange(count - 1, -1, -1)
        points, tangents = np.zeros((len(paths), count, 3)), np.zeros((len(paths), count, 3))
        for n, path in enumerate(paths):
            if path is not None:
                points[n], tangents[n] = path.at(stations)
        return cls(float(stations[0]), np.asarray([path is not None for path in paths]), points, tangents)

    def of_one(self, row: int) -> PathStack:
        """As many paths, all of them the one of `row`."""
        like = np.full(len(self.known), row)
        return PathStack(self.first, self.known[like], self.points[like], self.tangents[like])

    def at(self, rows: NDArray[np.int64], stations: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Points (m, s, 3) and unit tangents of the paths `rows` (m,) at `stations` (m, s), mm, within the grid."""
        place = np.clip((stations - self.first) / PATH_STEP, 0.0, self.points.shape[1] - 1.0)
        left = np.minimum(place.astype(np.int64), self.points.shape[1] - 2)
        x = (place - left)[..., None]
        row = rows[:, None]
        return _hermite(
            x,
            PATH_STEP,
            self.points[row, left],
            self.points[row, left + 1],
            self.tangents[row, left],
            self.tangents[row, left + 1],
        )


def _hermite(
    x: FloatArray, step: FloatArray | float, p: FloatArray, q: FloatArray, before: FloatArray, after: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points and unit tangents at shares `x` between p and q, `step` mm apart along the path, and their tangents.

    Cubic Hermite interpolation: stations are arc lengths, so the unit tangents are the derivatives.
    """
    m, n = step * before, step * after
    bend, twist = 3.0 * (q - p) - 2.0 * m - n, 2.0 * (p - q) + m + n
    return p + x * (m + x * (bend + x * twist)), unit(m + x * (2.0 * bend + 3.0 * x * twist))


def path_through(points: ArrayLike, aortic_plane: Plane, method: str) -> OutflowPath:
    """Smooth curve through `points` (n >= 2, 3), mm, ordered from ventricle to aorta, as an OutflowPath.

    A cubic spline over chord length (not-a-knot ends), re-stationed by arc length. Where it ends short of the
    aortic plane it runs on straight (at most 15 mm); where it goes beyond, its stations turn positive. Of several
    crossings the last is taken.
    Raises GeometryError `too_few_points`, `bad_points`, `path_reversed`, `path_short_of_annulus`.

    Straight up to an aortic plane 40 mm above the start: stations run from -40 to 0 there:

    >>> plane = Plane.from_normal([0, 0, 40], [0, 0, 1])
    >>> path = path_through([[0, 0, 0], [0, 0, 20], [0, 0, 40]], plane, "reader_path")
    >>> points, tangents = path.at([-40.0, -10.0])
    >>> round(path.first, 3), points.round(3)[:, 2].tolist()
    (-40.0, [0.0, 30.0])
    """
    array = checked_points(points, "outflow_path", 2)
    array = without_repeats(array)
    if len(array) < 2:
        raise GeometryError("too_few_points", "outflow_path has one distinct point; 2 are needed; add the others")
    height = aortic_plane.height(array)
    if height[0] >= height[-1]:
        raise GeometryError(
            "path_reversed",
            "outflow_path does not run from the ventricle to the aorta; its points must be ordered downstream",
        )
    if height[0] >= 0.0:
        raise GeometryError("path_beyond_annulus", "outflow_path starts beyond the aortic plane; add upstream points")
    chord = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(array, axis=0), axis=1))]
    straight = len(array) == 2
    curve = CubicSpline(chord, array) if not straight else None
    # arc length by the sum of chords on a fine grid: relative error (step / radius)^2 / 24 < 1e-6
    parameter = chord if curve is None else np.linspace(0.0, chord[-1], max(int(chord[-1] / ARC_STEP), 8) + 1)
    fine = array if curve is None else curve(parameter)
    arc = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))]
    heights = aortic_plane.height(fine)
    crossing = np.flatnonzero((heights[:-1] < 0.0) & (heights[1:] >= 0.0))
    beyond = 0.0
    if len(crossing) > 0:
        k = int(crossing[-1])
        zero = float(arc[k] + (arc[k + 1] - arc[k]) * heights[k] / (heights[k] - heights[k + 1]))
    else:
        end_tangent = unit(fine[-1] - fine[-2]) if curve is None else unit(curve(chord[-1], 1))
        rise = float(end_tangent @ aortic_plane.normal)
        missing = -float(heights[-1]) / rise if rise > 0.0 else np.inf
        if missing > LONGEST_EXTENSION:
            raise GeometryError(
                "path_short_of_annulus",
                f"outflow_path ends {-float(heights[-1]):.1f} mm before the aortic plane; draw it to the annulus",
            )
        zero, beyond = float(arc[-1]) + missing, missing + BEYOND_EXTENSION
    stations: FloatArray
    places: FloatArray
    if curve is None:
        stations, places = arc, array
        tangents = np.tile(unit(array[1] - array[0]), (2, 1))
    else:
        stations = np.linspace(0.0, arc[-1], max(int(arc[-1] / PATH_STEP), 4) + 1)
        at = np.interp(stations, arc, parameter)
        places, tangents = np.asarray(curve(at)), unit(curve(at, 1))
    if beyond > 0.0:
        # run on straight to just beyond the plane, so that station 0 is on the path
        stations = np.append(stations, stations[-1] + beyond)
        places = np.vstack([places, places[-1] + beyond * tangents[-1]])
        tangents = np.vstack([tangents, tangents[-1]])
    return OutflowPath(method, stations - zero, places, tangents)


def reader_path_and_course(points: ArrayLike, anatomy: Anatomy, scatter: float = 0.0) -> tuple[OutflowPath, PathCourse]:
    """`reader_path`, and how it follows from its clicks."""
    curve = smoothed_curve(without_repeats(checked_points(points, "outflow_path", 2)), scatter)
    path_through(curve.points, anatomy.aortic_plane, "reader_path")  # for what it raises
    settled = without_repeats(curve.points)
    course = path_course(settled, anatomy.aortic_plane, curve.rest, LONGEST_EXTENSION)
    places = course.places(settled[:, None], anatomy.aortic_plane.normal[None])
    return path_through(places[:, 0], anatomy.aortic_plane, "reader_path"), course


def reader_path(points: ArrayLike, anatomy: Anatomy, scatter: float = 0.0) -> OutflowPath:
    """The smoothest curve that the reader's centreline (n >= 2, 3), mm, supports; see `base.smoothing`, `path_course`.

    scatter : the reader's, mm per coordinate; 0 = unknown: it passes through the points. Raises as `path_through`.

    Eight points on a straight line, the first 24 mm upstream of the aortic plane:

    >>> from outflow_geometry import build_anatomy, straight_tract
    >>> landmarks, _ = straight_tract()
    >>> path = reader_path(landmarks["outflow_path"], build_anatomy(landmarks))
    >>> round(path.first, 3), path.method
    (-24.0, 'reader_path')
    """
    return reader_path_and_course(points, anatomy, scatter)[0]


def without_repeats(points: FloatArray) -> FloatArray:
    """`points` (n, 3), mm, less those that repeat the one before them.

    >>> without_repeats(np.array([[0.0, 0, 0], [0, 0, 0], [0, 0, 20]])).tolist()
    [[0.0, 0.0, 0.0], [0.0, 0.0, 20.0]]
    """
    gaps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    result: FloatArray = points[np.r_[True, gaps > REPEATED_POINT]]
    return result
