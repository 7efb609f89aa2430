"""Where a point of one reading is expected, by its own neighbours and by another reading of the phase together.

All points LPS, mm, float64. Two readings differ by sqrt(2) scatters in each coordinate. Across a curve more is known:
the spline through a reading's other points foretells each of them, and the other reader's curve, settled by its own
neighbours, foretells it too. Both are weighted by their variances; what is left of a point's departure is its own
scatter and little more, so that a smaller slip stands out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.foretelling import departure_at_gaps
from outflow_geometry.landmarks.judging_curves import LEAST_CLOSED, LEAST_OPEN
from outflow_geometry.scatter.node_spline import node_spline

SAG_SHARE = {True: 0.25, False: 0.6}
"""Share of the sag of a bend that the spline across a gap may miss, of closed and of open curves."""
TIGHTEST_BEND = 15.0
"""mm; radius of the bend in which a curve may run between its points, and an open one beyond its end."""
LEAST = {True: LEAST_CLOSED, False: LEAST_OPEN}
SAME_PLACE = 0.35
"""Share of the usual gap by which points of equal number may lie apart along a curve and still mean one place."""
UNEVEN_SHARE = 0.8
"""Share of a curve's own unevenness that counts beside the scatter: few points look uneven by chance."""
NORMAL_MEDIAN = 0.6745
"""Median of the size of a normal deviate."""
PAIRED_SHARE, PAIRED_SHARE_OPEN = 0.35, 0.5
"""Two readers follow the same scheme of points where the median distance of points of equal number is below this share
of the distance of neighbours. An open curve has a first point, so equal numbers mean equal places more surely than
around a ring."""
NEARER, NEARER_POINTS = 0.6, 6
"""Or where points of equal number are, in the median, below this share as far apart as those of the next number, of
structures of this many points: readers who scatter by more than their points are dense still count alike."""
SAME_POINT = 0.4
"""mm; points of equal number this near mean one place, however dense they are."""
CURVE_SAMPLES = 20
SAME_NODE = 1e-3
"""mm; points of a settled curve this near are one place, through which no spline goes twice."""


@dataclass(frozen=True)
class Misfit:
    """Departures of some points of one reading.

    numbers : (n,) places in the structure, from 0.
    distance : (n,) mm from where they are expected.
    scaled : (n,) the same in scatters of one coordinate.
    coordinates : 2 or 3 in which a point can depart.
    """

    numbers: tuple[int, ...]
    distance: FloatArray
    scaled: FloatArray
    coordinates: int


def same_scheme(first: FloatArray, second: FloatArray, is_open: bool) -> bool:
    """Whether points (n, 3) of equal number mean the same place in both readings."""
    if len(first) != len(second):
        return False
    if len(first) == 1:
        return True
    apart = np.concatenate([np.linalg.norm(np.diff(p, axis=0), axis=1) for p in (first, second)])
    unshifted = second - np.median(second - first, axis=0)
    distance = float(np.median(np.linalg.norm(unshifted - first, axis=1)))
    share = PAIRED_SHARE_OPEN if is_open else PAIRED_SHARE
    if distance < share * float(np.median(apart)) or distance < SAME_POINT:
        return True
    if len(first) < NEARER_POINTS:
        return False
    pairs = ((unshifted[1:], first[:-1]), (unshifted[:-1], first[1:]))
    following = min(float(np.median(np.linalg.norm(a - b, axis=1))) for a, b in pairs)
    return distance < NEARER * following


def misfit_of_points(first: FloatArray, second: FloatArray, scatter: float) -> Misfit:
    """Points of equal number of which nothing else is known."""
    distance = np.linalg.norm(second - first, axis=1)
    return Misfit(tuple(range(len(first))), distance, distance / (np.sqrt(2.0) * scatter), 3)


@dataclass(frozen=True)
class Curve:
    """A curve settled by its own neighbours.

    points : (n, 3), mm, as marked, in order. numbers : their places in the structure.
    departure : (n, 3) from the spline through the others; variance : (n,) of what that foretells, in squares of one
    coordinate's scatter, infinite where nothing is.
    settled : (n, 3) means of each point and what is foretold; left : (n,) their variance.
    """

    points: FloatArray
    numbers: tuple[int, ...]
    closed: bool
    departure: FloatArray
    variance: FloatArray
    settled: FloatArray
    left: FloatArray

    @classmethod
    def of(
        cls, points: FloatArray, numbers: Sequence[int], closed: bool, scatter: float, *, smooth: bool = True
    ) -> Curve:
        """From points (n, 3), mm. smooth : False where it has corners, of which neighbours say nothing."""
        n = len(points)
        departure, variance = np.zeros((n, 3)), np.full(n, np.inf)
        if smooth and n >= LEAST[closed]:
            inner = np.arange(n) if closed else np.arange(1, n - 1)
            departure[inner], share = departure_at_gaps(points, inner, closed)
            gap = np.linalg.norm(points[(inner + 1) % n] - points[inner - 1], axis=1)
            sag = SAG_SHARE[closed] * gap**2 / (8.0 * TIGHTEST_BEND)
            variance[inner] = share**2 - 1.0 + (sag / scatter) ** 2
        # of two estimates with variances 1 and v the mean has v / (1 + v)
        weight = 1.0 / (1.0 + variance)
        left = 1.0 - weight
        return cls(points, tuple(numbers), closed, departure, variance, points - weight[:, None] * departure, left)

    @property
    def tangents(self) -> FloatArray:
        """(n, 3) unit vectors along the curve."""
        p = self.settled
        along = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0) if self.closed else np.gradient(p, axis=0)
        result: FloatArray = along / np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        return result

    @property
    def gap(self) -> float:
        """Median distance of neighbours, mm."""
        return float(np.median(np.linalg.norm(np.diff(self.points, axis=0), axis=1)))


def misfits_of_curves(first: Curve, second: Curve, scatter: float) -> tuple[Misfit, Misfit] | None:
    """Misfits of the points of two readings of one curve; None where one has too few points or repeats one."""
    across = [_across(a, b, scatter) for a, b in ((first, second), (second, first))]
    if across[0] is None or across[1] is None:
        return None
    along = _along(first, second, scatter)
    found = []
    for curve, seen in ((first, across[0]), (second, across[1])):
        distance, scaled = seen
        if along is not None:
            distance, scaled = np.hypot(distance, along[0]), np.hypot(scaled, along[1])
        found.append(Misfit(curve.numbers, distance, scaled, 2 if along is None else 3))
    return found[0], found[1]


def _across(own: Curve, other: Curve, scatter: float) -> tuple[FloatArray, FloatArray] | None:
    """Distances (n,) across the curve, mm and in scatters, from what both readings foretell."""
    toward = from_curve(own, other, scatter)
    if toward is None:
        return None
    vector, variance = toward
    # mean of two independent estimates, weighted by their precisions
    precision = 1.0 / own.variance + 1.0 / variance
    both = (own.departure / own.variance[:, None] + vector / variance[:, None]) / precision[:, None]
    distance = np.linalg.norm(both, axis=1)
    return distance, distance / (scatter * np.sqrt(1.0 + 1.0 / precision))


def from_curve(own: Curve, other: Curve, scatter: float) -> tuple[FloatArray, FloatArray] | None:
    """Vectors (n, 3), mm, from the other's settled curve to each point, and the variance of its place (n,)."""
    nodes, left, closed = other.settled, other.left, other.closed
    spline = node_spline(nodes, closed, SAME_NODE)
    if spline is None:
        return None
    knots, steps, fine = spline.knots, spline.steps, spline.fine(CURVE_SAMPLES)
    weights = spline.weights(fine)
    away = own.points[:, None] - (weights @ nodes)[None]
    nearest = np.argmin(np.linalg.norm(away, axis=2), axis=1)
    vector = away[np.arange(len(own.points)), nearest]
    gap = steps[np.clip(np.searchsorted(knots, fine[nearest]) - 1, 0, len(steps) - 1)]
    miss = SAG_SHARE[closed] * gap**2 / (8.0 * TIGHTEST_BEND)
    variance: FloatArray = np.sum(weights[nearest] ** 2 * left, axis=1)
    if not closed:
        # beyond its ends the curve goes straight on, or bends: readers end their lines at different places
        for place, end, inner in ((0, 0, 1), (len(fine) - 1, -1, -2)):
            step = float(np.linalg.norm(nodes[end] - nodes[inner]))
            axis = (nodes[end] - nodes[inner]) / step
            onward = (own.points - nodes[end]) @ axis
            beyond = (nearest == place) & (onward > 0.0)
            vector = np.where(beyond[:, None], own.points - nodes[end] - onward[:, None] * axis, vector)
            # a bend turns from the chord between the last two points, half a step back
            miss = np.where(beyond, onward * (onward + step) / (2.0 * TIGHTEST_BEND), miss)
            share = onward / step
            variance = np.where(beyond, (1.0 + share) ** 2 * left[end] + share**2 * left[inner], variance)
    variance = variance + (miss / scatter) ** 2
    return vector, variance


def _along(first: Curve, second: Curve, scatter: float) -> tuple[FloatArray, FloatArray] | None:
    """Distances (n,) along the curve, mm and in scatters, of points of equal number; None where these mean other
    places. Readers who set them less evenly than they click are judged by their own unevenness."""
    if first.numbers != second.numbers:
        return None
    tangents = first.tangents + second.tangents
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-9)
    ahead = np.sum((second.points - first.points) * tangents, axis=1)
    middle = float(np.median(ahead))
    if abs(middle) > SAME_PLACE * min(first.gap, second.gap):
        return None
    distance = np.abs(ahead - middle)
    usual = max(np.sqrt(2.0) * scatter, UNEVEN_SHARE * float(np.median(distance)) / NORMAL_MEDIAN)
    return distance, distance / usual
