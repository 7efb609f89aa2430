"""Where a path has two smallest sections alike: what would be another number at the other place says so.

Lengths mm, areas mm2.

The annulus may be as narrow as the tract beside the device. The neo-LVOT is right either way; its station, native
area and diameters are those of the place that happens to be the smaller, and noise decides which that is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from outflow_geometry.base.findings import SectionNumbers
from outflow_geometry.base.frames import FloatArray

RIVAL_SHARE, RIVAL_AREA = 0.02, 2.5
"""Share of the smallest area, and mm2, within which another minimum of the curve may be the smallest: on 400 noisy
readings of 40 invented hearts areas changed by 0.6 % (standard deviation), those of some 60 mm2 by 0.6 mm2."""

UNSEEN_DIP = 0.25
"""Share of the rise to its neighbours by which a minimum between two stations may be lower: an eighth for a parabola,
more at a corner."""

APART = 2.0
"""mm between two places: nearer ones are one place, whose station the curve's own ripple moves."""

MOST_RIVALS = 3
"""The smallest of them that are looked at."""

CHANGED_SHARE, CHANGED_LENGTH, CHANGED_AREA = 0.05, 0.5, 5.0
"""A number that differs by less (share of itself, mm, mm2) is the same at both places: the bounds within which a
value in noise counts as right."""


FLOORS = {
    "station": APART,
    "native_area": CHANGED_AREA,
    "residual_fraction": 0.0,
    "septum_distance": CHANGED_LENGTH,
    "diameter_max": CHANGED_LENGTH,
    "diameter_min": CHANGED_LENGTH,
}


def rival_places(stations: FloatArray, areas: FloatArray) -> tuple[float, ...]:
    """Stations, mm, of other minima of a curve (n,) that are as small as its smallest within noise, smallest first.

    The ends count as minima where the curve rises from them:

    >>> rival_places(np.array([-20.0, -15, -10, -5, 0]), np.array([500.0, 474, 530, 500, 475]))
    (0.0,)
    >>> rival_places(np.array([-20.0, -15, -10, -5, 0]), np.array([500.0, 474, 530, 510, 490]))
    ()
    """
    best = int(np.argmin(areas))
    before, after = np.concatenate([[np.inf], areas[:-1]]), np.concatenate([areas[1:], [np.inf]])
    sides = np.stack([before, after])
    dip = UNSEEN_DIP * np.where(np.isfinite(sides), sides - areas, 0.0).max(axis=0)
    reach = areas[best] + max(RIVAL_SHARE * float(areas[best]), RIVAL_AREA)
    minimum = (areas <= before) & (areas <= after) & (areas - dip <= reach)
    minimum &= np.abs(stations - stations[best]) >= APART
    found = np.flatnonzero(minimum)
    return tuple(stations[found[np.argsort(areas[found])[:MOST_RIVALS]]].tolist())


def numbers_that_jump(own: SectionNumbers, others: Iterable[SectionNumbers]) -> frozenset[str]:
    """Names of the numbers that would be others at one of the rival places.

    >>> from dataclasses import replace
    >>> at_annulus = SectionNumbers(
    ...     area=475.0, station=0.0, native_area=475.0, residual_fraction=1.0, septum_distance=3.3,
    ...     diameter_max=27.7, diameter_min=28.2,
    ... )
    >>> beside = replace(at_annulus, station=-17.0, native_area=936.0, residual_fraction=0.51, diameter_max=45.0)
    >>> sorted(numbers_that_jump(at_annulus, [beside]))
    ['diameter_max', 'native_area', 'residual_fraction', 'station']
    """
    return frozenset(
        name
        for other in others
        for name, floor in FLOORS.items()
        if _differ(getattr(own, name), getattr(other, name), floor)
    )


def _differ(own: float, other: float, floor: float) -> bool:
    if math.isnan(own) or math.isnan(other):
        return math.isnan(own) != math.isnan(other)
    return abs(own - other) > max(CHANGED_SHARE * abs(own), floor)
