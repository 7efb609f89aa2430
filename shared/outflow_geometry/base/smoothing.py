"""The smoothest curve that marked points support: a penalised spline whose penalty the points themselves choose.

All points mm, float64. A reader's curve is a smooth course plus an independent scatter of each point. The course is
a cubic smoothing spline, taken as a random effect; its size and that of the points' scatter are found by restricted
maximum likelihood (Wahba 1985, Ann Stat 13:1378; Wood 2011, J R Stat Soc B 73:3), the scatter being at most twice what
the reader is known for. Points that are on a smooth curve leave no scatter and are passed through; ragged ones are
smoothed, however many there are. Scatter that moves all points together leaves no trace in them and is no part of this.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from outflow_geometry.base.frames import FloatArray

ORDER = 3
"""Derivative of an open curve that is penalised: change of bending. Of 2 and 3, with as many or one more free power, on
16 invented hearts clicked with 13 points and a scatter of 0.5 mm: directions are right to 2.2 to 2.9 degrees (root mean
square) 10 mm below the annulus with 3, to 3.5 to 4.1 with 2; exact points are passed through as well."""

CLOSED_ORDER = 2
"""The same of a closed curve: bending."""

FREE_POWERS = 4
"""Of an open curve constant, slope, an even bend and an even change of it cost nothing: an outflow path turns once,
and more at one end."""

FREE_HARMONICS = 2
"""Of a closed curve the first harmonic, a tilted ellipse, and the second, a saddle, cost nothing."""

REPEATED_POINT = 1e-3
"""mm; consecutive points nearer than this are one point written twice (files carry 3 decimals)."""

EXACT = 0.03
"""Share of the reader's scatter below which points count as exact: 0.02 mm at 0.7 mm."""

FEWEST_LEFT = 2
"""Points beyond the free terms with which course and scatter can be told apart."""

SEEN = 2.0 / 3.0
"""Share of the scatter's variance that shows: what moves a point along its curve does not."""

LARGEST_REST = 2.0
"""Largest scatter of the points that is looked for, in units of the reader's."""

REST_GRID, COURSE_GRID = 33, 57
"""Places of the first, logarithmic grid of the search for scatter and size of the course."""


@dataclass(frozen=True)
class SmoothedCurve:
    """A curve's settled points and how they follow from the marked ones.

    points : (n, 3) mm.
    smoother : (n, n): points = smoother @ marked points, to first order in the scatter.
    rest : standard deviation of one coordinate of the points about the course, mm.
    freedom : degrees of freedom behind `rest`; 0 = the points cannot tell.
    share : (n,) of the chord length, 0 to 1, at each point.
    length : chord length, mm, of the whole (closed) curve.
    """

    points: FloatArray
    smoother: FloatArray
    rest: float
    freedom: float
    share: FloatArray
    length: float


def smoothed_curve(points: FloatArray, scatter: float, *, closed: bool = False) -> SmoothedCurve:
    """Settle `points` (n, 3), mm, on a smooth curve within the reader's `scatter`, mm per coordinate; 0 = exact points.

    Points too few to show a course stay as they are; a point written twice counts once.

    Points on a smooth curve stay where they are; of forty scattered by 0.5 mm most of the scatter goes (invented):

    >>> t = np.linspace(0.0, 1.0, 40)
    >>> true = np.stack([30.0 * t, 8.0 * t**2, 0.0 * t], axis=1)
    >>> bool(np.abs(smoothed_curve(true, 0.5).points - true).max() < 1e-6)
    True
    >>> marked = true + 0.5 * np.random.default_rng(3).standard_normal(true.shape)
    >>> settled = smoothed_curve(marked, 0.5).points
    >>> bool(np.linalg.norm(settled - true) < 0.5 * np.linalg.norm(marked - true))
    True
    """
    array = np.asarray(points, dtype=np.float64)
    once = np.concatenate([[True], np.linalg.norm(np.diff(array, axis=0), axis=1) > REPEATED_POINT])
    if closed and len(array) > 1 and float(np.linalg.norm(array[-1] - array[0])) <= REPEATED_POINT:
        once[-1] = False
    if not bool(once.all()):
        found = smoothed_curve(array[once], scatter, closed=closed)
        place = np.cumsum(once) - 1
        place[-1] = place[-1] if once[-1] or not closed else 0
        smoother = np.zeros((len(array), len(array)))
        smoother[:, once] = found.smoother[place]
        return SmoothedCurve(
            points=found.points[place],
            smoother=smoother,
            rest=found.rest,
            freedom=found.freedom,
            share=found.share[place],
            length=found.length,
        )
    ring = np.vstack([array, array[:1]]) if closed else array
    gaps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    length = float(gaps.sum())
    share = np.concatenate([[0.0], np.cumsum(gaps)])[: len(array)] / max(length, REPEATED_POINT)
    as_marked = SmoothedCurve(
        points=array, smoother=np.eye(len(array)), rest=0.0, freedom=0.0, share=share, length=length
    )
    free = _free_terms(share, closed)
    if scatter <= 0.0 or len(array) < free.shape[1] + FEWEST_LEFT or not bool(np.all(np.isfinite(array))):
        return as_marked
    return _restricted_likelihood(as_marked, free, _covariance(share, closed), scatter)


def _restricted_likelihood(
    marked: SmoothedCurve, free: FloatArray, covariance: FloatArray, scatter: float
) -> SmoothedCurve:
    """Points = free terms + course (size^2 `covariance`) + rest; sizes by restricted maximum likelihood."""
    aside = np.linalg.qr(free, mode="complete")[0][:, free.shape[1] :]
    spread, turn = np.linalg.eigh(aside.T @ covariance @ aside)
    spread, basis = np.maximum(spread, 0.0), aside @ turn
    squares = ((basis.T @ marked.points) ** 2).sum(axis=1)
    seen = math.sqrt(SEEN) * scatter

    def best(rests: FloatArray, sizes: FloatArray) -> tuple[float, float]:
        variance = sizes[None, :, None] ** 2 * spread + rests[:, None, None] ** 2
        cost = (3.0 * np.log(variance) + squares / variance).sum(axis=2)
        row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
        return float(rests[row]), float(sizes[column])

    rests = seen * np.geomspace(0.1 * EXACT, LARGEST_REST, REST_GRID)
    sizes = scatter * np.geomspace(1e-3, 1e4, COURSE_GRID)
    rest, size = best(rests, sizes)
    finer = np.linspace(-1.0, 1.0, 17)
    rest, size = best(rest * (rests[1] / rests[0]) ** finer, size * (sizes[1] / sizes[0]) ** finer)
    if rest < EXACT * seen:
        return replace(marked, rest=rest / math.sqrt(SEEN), freedom=2.0 * len(spread))
    taken = rest**2 / (size**2 * spread + rest**2)
    smoother = np.eye(len(marked.points)) - (basis * taken) @ basis.T
    return replace(
        marked,
        points=smoother @ marked.points,
        smoother=smoother,
        rest=rest / math.sqrt(SEEN),
        freedom=2.0 * float(taken.sum()),
    )


def _free_terms(share: FloatArray, closed: bool) -> FloatArray:
    """Terms (n, p) that cost no penalty."""
    if not closed:
        return np.vander(share, FREE_POWERS)
    angle = 2.0 * math.pi * share[:, None] * np.arange(1, FREE_HARMONICS + 1)
    return np.hstack([np.ones((len(share), 1)), np.cos(angle), np.sin(angle)])


def _covariance(share: FloatArray, closed: bool) -> FloatArray:
    """Covariance (n, n) of a course of unit size: integrated Wiener process (Wahba 1990, Spline Models, chapter 1);
    around a closed curve harmonics whose variance falls with the fourth power of their number."""
    if not closed:
        # the integrand is a polynomial: eight nodes are exact
        nodes, weights = np.polynomial.legendre.leggauss(8)
        low = np.minimum(share[:, None], share)
        at = low[..., None] * 0.5 * (nodes + 1.0)
        one, two = share[:, None, None] - at, share[None, :, None] - at
        inside = (one * two) ** (ORDER - 1) / math.factorial(ORDER - 1) ** 2
        result: FloatArray = 0.5 * low * (inside @ weights)
        return result
    number = np.arange(FREE_HARMONICS + 1, max(len(share) // 2, FREE_HARMONICS + 1) + 1)
    apart = 2.0 * math.pi * (share[:, None] - share)[..., None] * number
    around: FloatArray = (np.cos(apart) / number ** (2.0 * CLOSED_ORDER)).sum(axis=2)
    return around
