"""Numbers that redrawn landmarks find at another place: the reading's own sections, told by its draws.

Lengths mm, areas mm2. `outflow.rival_places` sees a second smallest section that is as small within the image's noise;
the landmarks' scatter, and what the path leaves open, may send the smallest section further. Where a share of the draws
has it at a place of its own, apart from the others along the path, the reading's is one of two places as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED, AreaNoise, SectionNumbers, Value
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.outflow.rival_places import APART, numbers_that_jump
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.scanned_draws import NUMBERS

DRAWN_SHARE = 0.05
"""Share of the draws at another place from which it counts: what a 95 % interval leaves out may be elsewhere."""


@dataclass(frozen=True)
class SectionsWithDraws:
    """The reading's own sections of one plan; `jumping` holds what draws find at another place too."""

    redraws: PlanRedraws

    def smallest(self, solid: str, method: str) -> SectionNumbers:
        """Numbers of the smallest section."""
        found = self.redraws.sections.smallest(solid, method)
        if found.status not in UNTROUBLED or not len(self.redraws.anatomies):
            return found
        try:
            drawn = self.redraws.numbers(solid, method)
        except GeometryError:
            return found
        return replace(found, jumping=found.jumping | drawn_elsewhere(found, drawn))

    def bottleneck(self, solid: str, method: str) -> Value:
        """The smallest section over plane orientations, mm2."""
        return self.redraws.sections.bottleneck(solid, method)

    def area_noise(self, solid: str, method: str) -> AreaNoise:
        """What the image's noise gives to the section."""
        return self.redraws.sections.area_noise(solid, method)


def drawn_elsewhere(own: SectionNumbers, drawn: FloatArray) -> frozenset[str]:
    """Names of the numbers that are others in draws (d, 7) of NUMBERS whose section lies at another place.

    Draws about one place are scattered about it, however wide; draws about two leave a gap of APART mm between them:

    >>> own = SectionNumbers(
    ...     area=462.0, station=-0.1, native_area=463.0, residual_fraction=1.0, septum_distance=20.0,
    ...     diameter_max=26.0, diameter_min=22.0,
    ... )
    >>> beside = [450.0, -15.0, 980.0, 0.46, 4.0, 42.0, 25.0]
    >>> here = [462.0, -0.1, 463.0, 1.0, 20.0, 26.0, 22.0]
    >>> sorted(drawn_elsewhere(own, np.array([here] * 90 + [beside] * 10)))[:2]
    ['diameter_max', 'diameter_min']
    >>> drawn_elsewhere(own, np.array([here] * 98 + [beside] * 2))
    frozenset()
    """
    known = drawn[np.isfinite(drawn[:, 0])]
    others = [
        SectionNumbers(**dict(zip(NUMBERS, np.median(known[group], axis=0).tolist(), strict=True)))
        for group in _elsewhere(own.station, known[:, 1])
        if len(group) >= DRAWN_SHARE * len(known)
    ]
    return numbers_that_jump(own, others)


def _elsewhere(station: float, stations: FloatArray) -> Iterator[NDArray[np.int64]]:
    """The draws beyond the first gap of APART upstream of `station`, and those beyond the first downstream."""
    for way in (-1.0, 1.0):
        away = way * (stations - station)
        order = np.argsort(away)
        order = order[away[order] > 0.0]
        gaps = np.flatnonzero(np.diff(np.concatenate([[0.0], away[order]])) >= APART)
        if len(gaps):
            yield order[gaps[0] :]
