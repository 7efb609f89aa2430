"""The reader's path between its clicks: what anatomy adds to them, and what they leave open.

All points LPS, mm, float64. Clicks fix a curve where they are; between them it may turn. A prior of its curvature says
how far: normal, of mean 0, with standard deviation CURVATURE in each direction, correlated over CURVATURE_LENGTH.
Given the clicks the curve is then a Gaussian process of known covariance (kriging; Rasmussen & Williams 2006, Gaussian
Processes for Machine Learning, equations 2.23 and 2.24), nothing at exact clicks close together, much between three.
Its mean stays the spline of `outflow_path`.

The annulus is a place where more is known: the tract passes through it at right angles, to SQUARE degrees. That counts
as one more observation, of a direction, beside the clicks: it moves a path of dense, exact clicks by nothing, and one
of few or scattered clicks as far as these do not know better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.frames import FloatArray, Plane, unit

CURVATURE, CURVATURE_LENGTH = 1.0 / 30.0, 10.0
"""1/mm in each of two directions, and mm. Outflow paths of invented hearts have 1/68 to 1/37 in the root mean square
and up to 1/7 where they turn into the annulus; an assumption, no source."""

SQUARE = 5.0
"""degrees; standard deviation, in each of two directions, of the path's direction in the annulus about the normal of
the aortic plane. That centrelines end along it is common practice, how nearly is an assumption, no source."""

KNOT_SPACING = 3.5
"""mm at most between knots of the path: the course between clicks is drawn at knots."""

COURSE_STEP = 0.5
"""mm between the places at which curvature is summed."""

EXACT_CLICK = 0.01
"""mm; scatter of clicks that are passed through, for the sake of the arithmetic."""

WIDE = 100.0
"""mm; standard deviation of where the path as a whole lies before there are clicks; of its slope the same without unit:
nothing is known of both."""


@dataclass(frozen=True)
class PathCourse:
    """How the path follows from its settled clicks. Places along it are chord lengths from the first click, mm.

    knots : (k,) places of the path's knots, the clicks' own among them; past the last click where the annulus is.
    from_clicks : (k, n) the spline: knots = from_clicks @ clicks.
    annulus : place where the path crosses the aortic plane.
    square : (k,) move of the knots for each unit of what the path's direction there lacks to the plane's normal.
    between : (k, m) root of the covariance of the course between exact clicks, one coordinate, mm.
    surprise : how far the clicks' own direction in the annulus is off the plane's normal, in standard deviations.
    tilt : (k,) standard deviation of the path's direction, degrees in each of two directions, that clicks leave open.
    """

    knots: FloatArray
    from_clicks: FloatArray
    annulus: float
    square: FloatArray
    between: FloatArray
    surprise: float
    tilt: FloatArray

    def places(
        self,
        clicks: FloatArray,
        normals: FloatArray,
        open_course: FloatArray | None = None,
        open_square: FloatArray | None = None,
    ) -> FloatArray:
        """Knots (k, d, 3) of `d` paths.

        Parameters
        ----------
        clicks : (n, d, 3) settled clicks; normals : (d, 3) of the aortic plane, downstream.
        open_course : (m, d, 3), open_square : (d, 3) standard normal draws of what is not known; None = the mean.
        """
        knots: FloatArray = np.tensordot(self.from_clicks, clicks, axes=1)
        if open_course is not None:
            knots = knots + np.tensordot(self.between, open_course, axes=1)
        slope = np.asarray(CubicSpline(self.knots, knots)(self.annulus, 1))
        speed = np.linalg.norm(slope, axis=1, keepdims=True)
        lacks = normals * speed - slope
        # a path that does not rise through the plane is no path to be set right
        lacks[np.vecdot(slope, normals) <= 0.0] = 0.0
        if open_square is not None:
            lacks = lacks + math.radians(SQUARE) * speed * open_square
        moved: FloatArray = knots + self.square[:, None, None] * lacks
        return moved

    def tilt_near(self, stations: FloatArray, reach: float) -> FloatArray:
        """Largest `tilt` (n,) within `reach` mm of each of `stations` (n,), mm from the annulus."""
        near = stations[:, None] + np.linspace(-reach, reach, 9) + self.annulus
        result: FloatArray = np.interp(near, self.knots, self.tilt).max(axis=1)
        return result


def path_course(clicks: FloatArray, aortic_plane: Plane, rest: float, longest_extension: float) -> PathCourse:
    """The course of the settled `clicks` (n >= 2, 3), mm, distinct and in order, that cross or nearly reach the plane.

    rest : scatter of one coordinate of the clicks about their course, mm, as `base.smoothing` finds it; 0 = exact.
    longest_extension : mm by which the path is run on, straight, to the plane at most.
    """
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(clicks, axis=0), axis=1))])
    basis = CubicSpline(chord, np.eye(len(chord)))
    annulus = _crossing(basis, clicks, aortic_plane, longest_extension)
    last = max(chord[-1], annulus + COURSE_STEP)
    ends = np.append(chord, last) if last > chord[-1] else chord
    knots = np.unique(np.concatenate([_even(a, b, KNOT_SPACING) for a, b in pairwise(ends)]))
    fine = _even(0.0, last, COURSE_STEP)
    free, noisy = (_posterior(fine, chord, scatter) for scatter in (EXACT_CLICK, max(rest, EXACT_CLICK)))
    direction = _slope_weights(fine, annulus)
    shared = noisy @ direction
    variance = float(direction @ shared) + math.radians(SQUARE) ** 2
    gain = shared / variance
    # covariance with the direction in the annulus seen, for whatever gain (Joseph's form; Bar-Shalom, Li & Kirubarajan
    # 2001, Estimation with Applications to Tracking and Navigation, equation 5.2.3-18)
    keep = np.eye(len(fine)) - np.outer(gain, direction)
    left = keep @ free @ keep.T + math.radians(SQUARE) ** 2 * np.outer(gain, gain)
    slopes = np.gradient(np.eye(len(fine)), fine, axis=0)
    tilt = np.degrees(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, left, slopes, optimize=True), 0.0)))
    at = _weights(fine, knots)
    values, vectors = np.linalg.eigh(at @ free @ at.T)
    shown = values > EXACT_CLICK**2
    from_clicks = _run_on(basis, knots, chord[-1])
    own = unit(CubicSpline(knots, from_clicks @ clicks)(annulus, 1))
    askew = math.acos(min(max(float(own @ aortic_plane.normal), -1.0), 1.0))
    return PathCourse(
        knots=knots,
        from_clicks=from_clicks,
        annulus=annulus,
        square=at @ gain,
        between=vectors[:, shown] * np.sqrt(values[shown]),
        surprise=askew / math.sqrt(variance),
        tilt=np.interp(knots, fine, tilt),
    )


def _even(low: float, high: float, spacing: float) -> FloatArray:
    return np.linspace(low, high, max(math.ceil((high - low) / spacing - 1e-9), 1) + 1)


def _run_on(basis: CubicSpline, places: FloatArray, last: float) -> FloatArray:
    """Values (p, n) of the spline, straight beyond its last click."""
    inside = np.minimum(places, last)
    result: FloatArray = basis(inside) + (places - inside)[:, None] * basis(last, 1)
    return result


def _crossing(basis: CubicSpline, clicks: FloatArray, plane: Plane, longest: float) -> float:
    """Where the path, run on straight, last crosses the plane upward; its last click where it does not."""
    last = float(basis.x[-1])
    fine = np.concatenate([_even(0.0, last, 0.5 * COURSE_STEP), _even(last, last + longest, COURSE_STEP)[1:]])
    height = plane.height(_run_on(basis, fine, last) @ clicks)
    rising = np.flatnonzero((height[:-1] < 0.0) & (height[1:] >= 0.0))
    within = rising[fine[rising] < last]
    if not len(rising):
        return last
    k = int(within[-1] if len(within) else rising[0])
    return float(fine[k] + (fine[k + 1] - fine[k]) * height[k] / (height[k] - height[k + 1]))


def _weights(fine: FloatArray, places: FloatArray) -> FloatArray:
    """(p, f) by which values at `fine` give those at `places`: linear between."""
    step = fine[1] - fine[0]
    at = np.clip(places / step, 0.0, len(fine) - 1.0)
    left = np.minimum(at.astype(np.int64), len(fine) - 2)
    weights = np.zeros((len(places), len(fine)))
    rows = np.arange(len(places))
    weights[rows, left] = 1.0 - (at - left)
    weights[rows, left + 1] += at - left
    return weights


def _slope_weights(fine: FloatArray, place: float) -> FloatArray:
    """(f,) by which values at `fine` give the slope at `place`."""
    step = fine[1] - fine[0]
    at = np.clip(np.array([place - step, place + step]), fine[0], fine[-1])
    low, high = _weights(fine, at)
    result: FloatArray = (high - low) / (at[1] - at[0])
    return result


def _posterior(fine: FloatArray, chord: FloatArray, scatter: float) -> FloatArray:
    """Covariance (f, f), mm2, of one coordinate of the path at `fine`, given clicks at `chord` with `scatter`, mm."""
    step = fine[1] - fine[0]
    curvature = CURVATURE**2 * np.exp(-np.abs(fine[:, None] - fine) / CURVATURE_LENGTH)
    twice = step**2 * np.maximum(np.arange(len(fine))[:, None] - np.arange(len(fine)), 0.0)
    along = (fine - fine.mean())[:, None]
    # far from 0 in neither place nor slope, so that both are known from the clicks alone
    prior = twice @ curvature @ twice.T + WIDE**2 * (1.0 + along @ along.T / fine[-1] ** 2)
    seen = _weights(fine, chord)
    at_clicks = seen @ prior
    noise = scatter**2 * np.eye(len(chord))
    left: FloatArray = prior - at_clicks.T @ np.linalg.solve(at_clicks @ seen.T + noise, at_clicks)
    return left
