"""Where the others of a curve foretell each of its points: all splines with one point left out, solved at once.

All points LPS, mm, float64.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray

GAP_SAMPLES = 91
"""Places tried along the gap that a point leaves, and as wide again on either side: a point slid past its neighbour is
a matter of order, not of distance."""


def spline_weights(knots: FloatArray, at: FloatArray, closed: bool) -> FloatArray:
    """Weights (b, k, m) of m nodes in the value at `at` (b, k) of the cubic splines over b rows of rising knots.

    knots : (b, m) of open curves (natural ends), (b, m + 1) of closed ones (the last knot is the first node again).

    >>> knots = np.array([[0.0, 1.0, 2.0, 4.0]])
    >>> weights = spline_weights(knots, np.array([[1.0, 3.0]]), closed=False)
    >>> weights[0, 0].round(9).tolist(), float((weights[0, 1] @ knots[0]).round(9))
    ([0.0, 1.0, 0.0, 0.0], 3.0)
    """
    rows, m = knots.shape[0], knots.shape[1] - (1 if closed else 0)
    second = _second_derivatives(np.diff(knots, axis=1), m, closed)
    interval = np.clip((knots[:, None, :] <= at[:, :, None]).sum(axis=2) - 1, 0, knots.shape[1] - 2)
    row = np.arange(rows)[:, None]
    left, right = knots[row, interval], knots[row, interval + 1]
    width = right - left
    a, b = (right - at) / width, (at - left) / width
    after = (interval + 1) % m
    # Numerical Recipes, 3rd ed., eq. 3.3.3: the cubic by values and second derivatives at both ends
    result: FloatArray = ((a**3 - a) * width**2 / 6.0)[..., None] * second[row, interval] + (
        (b**3 - b) * width**2 / 6.0
    )[..., None] * second[row, after]
    place = np.indices(interval.shape)
    result[place[0], place[1], interval] += a
    result[place[0], place[1], after] += b
    return result


def _second_derivatives(steps: FloatArray, m: int, closed: bool) -> FloatArray:
    """(b, m, m): second derivatives at the nodes for unit values at each node."""
    rows = len(steps)
    left, right = np.zeros((rows, m, m)), np.zeros((rows, m, m))
    places: NDArray[np.intp] = np.arange(m) if closed else np.arange(1, m - 1)
    before, after = (places - 1) % m, (places + 1) % m
    low, high = steps[:, before], steps[:, places]
    # eq. 3.3.7 of the same
    for place, value in ((before, low), (after, high)):
        left[:, places, place] += value / 6.0
        right[:, places, place] += 1.0 / value
    left[:, places, places] += (low + high) / 3.0
    right[:, places, places] -= 1.0 / low + 1.0 / high
    if not closed:
        left[:, [0, m - 1], [0, m - 1]] = 1.0
    return np.asarray(np.linalg.solve(left, right), dtype=np.float64)


def distance_at_gaps(points: FloatArray, places: NDArray[np.intp], closed: bool) -> tuple[FloatArray, FloatArray]:
    """Distances (k,), mm, of points from the spline through the others, and by how much one point's scatter enters.

    points : (n, 3) in order along the curve. places : (k,) of the points that are left out, inner ones where open.
    """
    departure, share = departure_at_gaps(points, places, closed)
    return np.linalg.norm(departure, axis=1), share


def departure_at_gaps(points: FloatArray, places: NDArray[np.intp], closed: bool) -> tuple[FloatArray, FloatArray]:
    """Vectors (k, 3), mm, from the spline through the others to each point; else as `distance_at_gaps`."""
    n = len(points)
    others = (places[:, None] + 1 + np.arange(n - 1)) % n if closed else np.arange(n - 1)[None] + 0 * places[:, None]
    if not closed:
        others = others + (others >= places[:, None])
    nodes = points[others]
    ends = np.concatenate([nodes, nodes[:, :1]], axis=1) if closed else nodes
    steps = np.maximum(np.linalg.norm(np.diff(ends, axis=1), axis=2), 1e-6)
    knots = np.concatenate([np.zeros((len(places), 1)), np.cumsum(steps, axis=1)], axis=1)
    row = np.arange(len(places))
    low = knots[:, -2] if closed else knots[row, places - 1]
    high = knots[:, -1] if closed else knots[row, places]
    width = (high - low)[:, None]
    fine = low[:, None] + width * np.linspace(-1.0, 2.0, GAP_SAMPLES)
    fine = np.mod(fine, knots[:, -1:]) if closed else np.clip(fine, 0.0, knots[:, -1:])
    weights = spline_weights(knots, fine, closed)
    away = points[places][:, None] - weights @ nodes
    nearest = np.argmin(np.linalg.norm(away, axis=2), axis=1)
    share: FloatArray = np.sqrt(1.0 + np.sum(weights[row, nearest] ** 2, axis=1))
    departure: FloatArray = away[row, nearest]
    return departure, share
