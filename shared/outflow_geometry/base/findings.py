"""What image and sections give to the measures, and a measured value with its draws.

Lengths mm, areas mm2. Implemented by the floors above; measures depend on these types alone.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass
from typing import Protocol

import numpy as np

from outflow_geometry.base.contours import Contour
from outflow_geometry.base.frames import FloatArray

TINY_DEVIATION = 1e-9
"""Draws that all agree leave a chance of 0 or 1, not a division by zero."""

BOTTLENECK_EVERY = 4
"""A bottleneck is taken of one draw in that many: each costs as much as the whole curve."""

AT_THE_ENDS = ("smallest_at_annulus", "smallest_at_upstream_end")
"""Statuses of a section at an end of its range: the true smallest section may be there too."""

UNTROUBLED = ("ok", *AT_THE_ENDS)
"""Statuses of sections that stand as they are."""

Value = float | tuple[float, str]
Key = tuple[str, str, str]
"""Measure, variant, method."""


@dataclass(frozen=True, kw_only=True)
class SectionNumbers:
    """The smallest section of one solid along one path, as far as it is numbers.

    area, native_area : mm2; station : mm; residual_fraction : area / native_area.
    septum_distance : smallest distance in the plane from the solid to the blood edge on the aortic side, mm.
    diameter_max, diameter_min : largest and smallest caliper width (Feret) of the section, mm.
    jumping : names of the numbers here that would be others at a second smallest section (`outflow.rival_places`,
        `scatter.drawn_places`).
    unsure : names of those that depend on the direction of the automatic path (`outflow.turned_plane`).
    """

    area: float
    station: float
    native_area: float
    residual_fraction: float
    septum_distance: float
    diameter_max: float
    diameter_min: float
    status: str = "ok"
    jumping: frozenset[str] = frozenset()
    unsure: frozenset[str] = frozenset()


class ImageFindings(Protocol):
    """What the image of the phase shows about one reading; each raises GeometryError where it cannot."""

    def aortic_contour(self) -> Contour: ...
    def ring_inner_diameter(self, variant: str) -> Value: ...
    def septal_thickness(self) -> Value: ...
    def lv_volume(self) -> Value: ...
    def lumen_status(self) -> str: ...
    def annulus_noise(self, length: float) -> float: ...


class SectionFindings(Protocol):
    """Smallest sections of one plan, by solid and method; each raises GeometryError where there is none."""

    def smallest(self, solid: str, method: str) -> SectionNumbers: ...
    def bottleneck(self, solid: str, method: str) -> Value: ...
    def area_noise(self, solid: str, method: str) -> AreaNoise: ...


@dataclass(frozen=True)
class PathSpread:
    """Standard deviations that the automatic path itself gives to numbers of its smallest section, mm2 and mm."""

    native_area: float = 0.0
    septum_distance: float = 0.0
    diameter_max: float = 0.0
    diameter_min: float = 0.0

    def with_more(self, other: PathSpread) -> PathSpread:
        """Both together, independent of each other."""
        return PathSpread(*(math.hypot(one, two) for one, two in zip(astuple(self), astuple(other), strict=True)))


@dataclass(frozen=True)
class AreaNoise:
    """Standard deviations, mm2, that the image's noise gives to a smallest section and to its native section; and mm by
    which it moves one place of the blood edge. path : what the automatic path, also the image's, adds of its own."""

    area: float
    native_area: float
    edge: float = 0.0
    path: PathSpread = PathSpread()


@dataclass(frozen=True)
class Draws:
    """A measured value and its redrawn estimates, and what the truth may be by them.

    image_sd : standard deviation that the image's noise adds, in the unit of the value.
    """

    value: float
    redrawn: FloatArray
    image_sd: float = 0.0

    def chance_below(self, limit: float) -> float:
        """Chance that the truth is below `limit`: normal about the value less the draws' shift, with their SD."""
        from scipy.special import ndtr  # on first use: whoever only lists the measures needs no scipy

        likeliest = 2.0 * self.value - float(np.mean(self.redrawn))
        deviation = math.hypot(float(np.std(self.redrawn, ddof=1)), self.image_sd)
        return float(ndtr((limit - likeliest) / max(deviation, TINY_DEVIATION)))
