"""Points of two readings of one phase that are farther from where they are expected than the readers scatter.

All points LPS, mm, float64. The largest of a reading's misfits is compared with a bound that the largest of an honest
reading's passes once in 200 readings, all points together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.scatter.expected_places import (
    Curve,
    Misfit,
    misfit_of_points,
    misfits_of_curves,
    same_scheme,
)
from outflow_geometry.scatter.redrawing import CLOSED_STRUCTURES, OPEN_STRUCTURES

FARTHEST: Mapping[int, float] = {2: 4.6, 3: 4.9}
"""Scatters by which points may be off in 2 or 3 coordinates. Of 65 points with a known scatter one passes 4.3 and 4.6
once in 200 readings (chi distribution); the rest is for the scatter, which is itself estimated."""
HARDER: Mapping[str, float] = {"lv_apex": 1.3}
"""Structures that scatter more than the rest, and how much (set on invented readers)."""
CHI_MEDIAN = {2: 1.1774, 3: 1.5382}
"""Median of the distance in 2, 3 coordinates of unit standard deviation."""
OWN_SCALE_POINTS, OWN_SHARE = 6, 0.75
"""Points of a structure from which it shows a scatter of its own, and the share of that which counts beside the common
one: two readers who draw a leaflet differently differ all along it, but so do few points by chance."""
CORNERED = ("outflow_trace",)
"""Curves with corners: an outline of the outflow tract has them where the device cuts it."""
HUBER = 3.0
"""Scatters beyond which misfits are not counted in full in the common scatter."""
NEARLY = 0.6
"""Where the other reading's point of the same number is off by this share too, neither is known to be right."""

Points = Mapping[str, FloatArray]


@dataclass(frozen=True)
class OddPoint:
    """A point, numbered from 1, mm from where it is expected, and mm that it may be."""

    structure: str
    number: int
    distance: float
    bound: float


@dataclass(frozen=True)
class _Marked:
    """One structure in two readings: what of its points is still believed."""

    name: str
    first: FloatArray
    second: FloatArray
    kept: tuple[tuple[int, ...], tuple[int, ...]]

    def without(self, first: int | None, second: int | None) -> _Marked:
        """Less a point of each."""
        kept = tuple(tuple(i for i in own if i != gone) for own, gone in zip(self.kept, (first, second), strict=True))
        return _Marked(self.name, self.first, self.second, (kept[0], kept[1]))

    def misfits(self, scatter: float) -> tuple[Misfit, Misfit] | None:
        """Misfits of the points of both; None where these cannot be compared."""
        closed = self.name in CLOSED_STRUCTURES
        if closed or self.name in OPEN_STRUCTURES:
            both = ((self.first, self.kept[0]), (self.second, self.kept[1]))
            smooth = self.name not in CORNERED
            first, second = (Curve.of(p[list(kept)], kept, closed, scatter, smooth=smooth) for p, kept in both)
            return misfits_of_curves(first, second, scatter)
        if not same_scheme(self.first, self.second, is_open=False):
            return None
        found = misfit_of_points(self.first, self.second, scatter)
        return found, found


def _marked(first: Points, second: Points) -> list[_Marked]:
    return [
        _Marked(name, first[name], second[name], (tuple(range(len(first[name]))), tuple(range(len(second[name])))))
        for name in sorted(set(first) & set(second))
    ]


def common_scatter(pairs: Sequence[tuple[Points, Points]], guess: float) -> float:
    """Scatter, mm, of one coordinate of one reading, from the misfits of all pairs of readings; `guess` without any.

    Huber 1981, Robust statistics, 5.2, proposal 2, over squares of 2 and 3 coordinates.
    """
    known = guess
    # a second round with what the first found: what curves foretell depends on the scatter
    for _ in range(2):
        known *= _scale(pairs, known)
    return known


def _scale(pairs: Sequence[tuple[Points, Points]], scatter: float) -> float:
    """By how much misfits are larger than `scatter`, mm, makes them; 1 without any."""
    sizes: list[FloatArray] = []
    coordinates: list[FloatArray] = []
    for first, second in pairs:
        for marked in _marked(first, second):
            both = marked.misfits(scatter)
            if both is None:
                continue
            # points that are compared one by one tell the same from either side
            for misfit in both if both[0] is not both[1] else both[:1]:
                harder = HARDER.get(marked.name, 1.0)
                sizes.append(misfit.scaled / harder)
                coordinates.append(np.full(len(misfit.scaled), misfit.coordinates))
    if not sizes:
        return 1.0
    scaled, degrees = np.concatenate(sizes), np.concatenate(coordinates)
    most = HUBER**2
    # mean of a chi-square of k degrees, its values beyond `most` cut: k F(most; k + 2) + most (1 - F(most; k))
    usual = {k: k * chi2.cdf(most, k + 2) + most * chi2.sf(most, k) for k in CHI_MEDIAN}
    expected = sum(usual[int(k)] for k in degrees)
    scale = max(float(np.median(scaled / np.where(degrees == 3, CHI_MEDIAN[3], CHI_MEDIAN[2]))), 1e-3)
    for _ in range(12):
        scale *= float(np.sqrt(np.sum(np.minimum((scaled / scale) ** 2, most)) / expected))
        scale = max(scale, 1e-3)
    return scale


def odd_points(first: Points, second: Points, scatter: float) -> tuple[list[OddPoint], list[OddPoint]]:
    """Points of either reading that are off. scatter : standard deviation of one coordinate of one reading, mm."""
    found: tuple[list[OddPoint], list[OddPoint]] = ([], [])
    for marked in _marked(first, second):
        for side, points in zip(found, _odd(marked, scatter), strict=True):
            side += points
    return found


def _odd(marked: _Marked, scatter: float) -> tuple[list[OddPoint], list[OddPoint]]:
    """The odd points of one structure: the farthest first, and the rest judged again without it."""
    found: tuple[list[OddPoint], list[OddPoint]] = ([], [])
    curve = marked.name in CLOSED_STRUCTURES or marked.name in OPEN_STRUCTURES
    for _ in range(max(len(marked.first), len(marked.second)) // 4 + 1):
        misfits = marked.misfits(scatter)
        if misfits is None:
            break
        shares = [m.scaled / _limit(marked.name, m) for m in misfits]
        if not curve:
            for side, misfit, share in zip(found, misfits, shares, strict=True):
                side += [_told(marked.name, misfit, share, int(i)) for i in np.flatnonzero(share > 1.0)]
            break
        own = 0 if shares[0].max() >= shares[1].max() else 1
        place = int(np.argmax(shares[own]))
        worst = float(shares[own][place])
        if worst <= 1.0:
            break
        found[own].append(_told(marked.name, misfits[own], shares[own], place))
        number, other = misfits[own].numbers[place], 1 - own
        gone: list[int | None] = [None, None]
        gone[own] = number
        if misfits[own].coordinates == 3:
            gone[other] = number
            beside = misfits[other].numbers.index(number)
            if shares[other][beside] > max(1.0, NEARLY * worst):
                found[other].append(_told(marked.name, misfits[other], shares[other], beside))
        marked = marked.without(gone[0], gone[1])
    return found


def _limit(name: str, misfit: Misfit) -> float:
    """Scatters by which points of a structure may be off."""
    own = 0.0
    if len(misfit.scaled) >= OWN_SCALE_POINTS:
        own = OWN_SHARE * float(np.median(misfit.scaled)) / CHI_MEDIAN[misfit.coordinates]
    return FARTHEST[misfit.coordinates] * max(1.0, own) * HARDER.get(name, 1.0)


def _told(name: str, misfit: Misfit, share: FloatArray, place: int) -> OddPoint:
    distance = float(misfit.distance[place])
    return OddPoint(name, misfit.numbers[place] + 1, distance, distance / float(share[place]))
