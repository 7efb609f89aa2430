"""What one reading gives: rows of measured values, area curves, C-arm views. Lengths mm, areas mm2, angles degrees.

Whoever measures and whoever shows what was measured use these same types.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from outflow_geometry.base.frames import FloatArray


@dataclass(frozen=True, kw_only=True)
class MeasuredValue:
    """One row of the measurements table (study contract); `plan_id` is empty for plan-free measures.

    std_error, ci_low, ci_high : None where no interval is known; ci_low and ci_high are the ends of 95 %.
    """

    plan_id: str
    measure: str
    variant: str
    method: str
    value: float | None
    unit: str
    std_error: float | None = None
    ci_low: float | None = None
    ci_high: float | None = None
    status: str

    @property
    def ends(self) -> tuple[float, float] | None:
        """Both ends of the 95 % interval; None where it is not known."""
        return None if self.ci_low is None or self.ci_high is None else (self.ci_low, self.ci_high)


@dataclass(frozen=True, kw_only=True)
class AreaCurve:
    """Area along the path of one plan, solid and method; stations (n,) mm, areas and native_areas (n,) mm2."""

    plan_id: str
    variant: str
    method: str
    stations: FloatArray
    areas: FloatArray
    native_areas: FloatArray

    def rows(self) -> list[dict[str, Any]]:
        """Rows of the curves table (study contract)."""
        return [
            {
                "plan_id": self.plan_id,
                "variant": self.variant,
                "method": self.method,
                "station_mm": station,
                "area_mm2": area,
                "native_area_mm2": native,
            }
            for station, area, native in zip(
                self.stations.tolist(), self.areas.tolist(), self.native_areas.tolist(), strict=True
            )
        ]


@dataclass(frozen=True, kw_only=True)
class View:
    """One C-arm view, by the columns of the views table (study contract); the angles are None where it has none.

    residual_tilt_deg : by which the planes of the view miss what it asks for (the largest, of several).
    reachable : whether the gantry box holds it.
    status : `ok`, or why the angles are None; empty where the view was read from a table, which has no such column.
    """

    view: str
    lao_rao_deg: float | None = None
    cra_cau_deg: float | None = None
    residual_tilt_deg: float | None = None
    reachable: bool | None = None
    status: str = ""

    def row(self) -> dict[str, Any]:
        """Its columns of the views table."""
        return {name: value for name, value in vars(self).items() if name != "status"}
