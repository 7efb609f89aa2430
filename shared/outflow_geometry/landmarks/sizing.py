"""Oversizing of a device over the ring it sits in.

Percent of the ring (the denominator): 10 = the device is 10 % larger. Diameters mm, areas mm2. Targets belong to
the study's own table; none is built in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from outflow_geometry.base.errors import GeometryError


def _percent_over(device: float, ring: float) -> float:
    if not (device > 0.0 and ring > 0.0):
        raise GeometryError(
            "bad_size", f"device size {device:g} and ring size {ring:g} must both be above 0; correct the tables"
        )
    return 100.0 * (device / ring - 1.0)


def area_oversizing(device_diameter: float, ring_area: float) -> float:
    """100 (A_device / A_ring - 1), percent; the device counts as a circle of its nominal diameter.

    >>> round(area_oversizing(22.0, math.pi * 20.0**2 / 4.0), 6)
    21.0
    """
    return _percent_over(math.pi * device_diameter**2 / 4.0, ring_area)


def perimeter_oversizing(device_diameter: float, ring_perimeter: float) -> float:
    """100 (P_device / P_ring - 1), percent; the device counts as a circle of its nominal diameter.

    >>> round(perimeter_oversizing(22.0, 20.0 * math.pi), 6)
    10.0
    """
    return _percent_over(math.pi * device_diameter, ring_perimeter)


def diameter_oversizing(device_diameter: float, ring_diameter: float) -> float:
    """100 (D_device / D_ring - 1), percent.

    >>> round(diameter_oversizing(22.0, 20.0), 6)
    10.0
    """
    return _percent_over(device_diameter, ring_diameter)


@dataclass(frozen=True)
class SizingTarget:
    """A row of the study's targets: oversizing of a device over the ring, percent, by `basis` area, perimeter or
    diameter (of the circle of the ring's area)."""

    device_id: str
    basis: str
    low: float
    high: float


def fits(
    device_diameter: float, ring_area: float, ring_perimeter: float, device_id: str, targets: Sequence[SizingTarget]
) -> bool | None:
    """Whether a device meets all of its targets on a ring (mm2, mm); None where it has no target.

    >>> fits(22.0, math.pi * 100.0, 20.0 * math.pi, "invented-22", [SizingTarget("invented-22", "diameter", 5.0, 15.0)])
    True
    """
    own = [target for target in targets if target.device_id == device_id]
    if not own:
        return None
    over = {
        "area": area_oversizing(device_diameter, ring_area),
        "perimeter": perimeter_oversizing(device_diameter, ring_perimeter),
        "diameter": diameter_oversizing(device_diameter, 2.0 * math.sqrt(ring_area / math.pi)),
    }
    return all(target.low <= over[target.basis] <= target.high for target in own)
