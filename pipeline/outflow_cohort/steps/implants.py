"""Implants that the measure step tries in every reading of a case, and their rows. mm, mm2, degrees."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from outflow_cohort.handover.request import Request
from outflow_cohort.phases import PhaseMatch
from outflow_cohort.study import core_inputs
from outflow_cohort.study.outputs import CHANCE_BELOW
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.inputs import ImplantGrid, Placement
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.sizing import fits
from outflow_geometry.measures.implants import Implant
from outflow_geometry.measures.reading import ReadingResult


class TriedImplants:
    """The implants of one case; none where study.yaml has no `implants` for it, or no device fits."""

    def __init__(self, request: Request, readings: Sequence[Mapping[str, np.ndarray]], match: PhaseMatch) -> None:
        """readings : landmarks of every reading of the case."""
        settings = request.study.implants
        wanted = settings is not None and (settings.cases == "all" or request.case.case_id in settings.cases)
        self._settings = settings if wanted else None
        self._match = match
        self._devices = core_inputs.devices(request)
        self._targets = core_inputs.sizing_targets(request)
        self._grid = self._whole_grid([ring for r in readings if (ring := _ring(r)) is not None])

    def in_phase(self, phase: float | None) -> ImplantGrid | None:
        """The grid of a phase, or None where nothing is tried in it."""
        if self._settings is None or self._grid is None:
            return None
        wanted = self._settings.phases
        return self._grid if wanted == "all" or any(self._match.same(phase, one) for one in wanted) else None

    def rows(self, place: Mapping[str, Any], result: ReadingResult) -> Iterator[dict[str, Any]]:
        """Rows of implants/ of one reading; `place` is what each of its rows begins with."""
        sizes = {(v.measure, v.variant): v.value for v in result.values}
        area, perimeter = sizes.get(("mitral_area", "spline")), sizes.get(("mitral_perimeter", "projected"))
        ring = (area, perimeter) if area and perimeter else None
        for one in result.implants:
            yield {**place, **self._row(one, ring)}

    def _row(self, one: Implant, ring: tuple[float, float] | None) -> dict[str, Any]:
        diameter = self._devices[one.device_id].nominal_diameter
        return {
            "device_id": one.device_id,
            "nominal_diameter_mm": diameter,
            "fits_targets": fits(diameter, *ring, one.device_id, self._targets) if ring else None,
            "ventricular_depth_mm": one.depth,
            "tilt_ap_deg": one.tilt_ap,
            "tilt_ic_deg": one.tilt_ic,
            "solid": one.solid,
            "method": one.method,
            "area_mm2": one.area,
            "native_area_mm2": one.native_area,
            "residual_fraction": one.area / one.native_area if one.area is not None and one.native_area else None,
            "station_mm": one.station,
            "device_septum_mm": one.septum_distance,
            "landmark_sd_mm2": one.landmark_sd,
            "placement_sd_mm2": one.placement_sd,
            "status": one.status,
            **{f"{CHANCE_BELOW}{name}": chance for name, chance in one.chance_below.items()},
        }

    def _whole_grid(self, rings: Sequence[tuple[float, float]]) -> ImplantGrid | None:
        chosen = self._settings
        if chosen is None:
            return None
        named = list(self._devices if chosen.devices == "fitting" else chosen.devices)
        if chosen.devices == "fitting":
            named = [name for name in named if any(self._fits(name, ring) for ring in rings)]
        devices = sorted((self._devices[name] for name in named), key=lambda d: (d.nominal_diameter, d.device_id))
        if not devices:
            return None
        placed = chosen.placement
        return ImplantGrid(
            devices=tuple(devices),
            depths=chosen.depths(),
            tilts_ap=chosen.tilts_ap_deg,
            tilts_ic=chosen.tilts_ic_deg,
            solids=chosen.solids,
            placement=Placement(placed.depth_sd_mm, placed.tilt_sd_deg, placed.offset_sd_mm),
        )

    def _fits(self, name: str, ring: tuple[float, float]) -> bool:
        return fits(self._devices[name].nominal_diameter, *ring, name, self._targets) is True


def _ring(landmarks: Mapping[str, np.ndarray]) -> tuple[float, float] | None:
    """Area, mm2, and perimeter, mm, of a reading's ring; None where it has none."""
    try:
        contour = build_anatomy(landmarks).ring_contour
    except GeometryError:
        return None
    return contour.area, contour.perimeter
