"""From a case's request (JSON) to the geometry core's inputs. Lengths mm, angles deg."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from outflow_geometry.base.inputs import (
    Cutoff,
    Definitions,
    Device,
    GantryBox,
    Plan,
    Prosthesis,
    RepeatShift,
)
from outflow_geometry.landmarks.sizing import SizingTarget

if TYPE_CHECKING:
    from outflow_cohort.handover.request import Points, Request


def landmarks(structures: Mapping[str, Points]) -> dict[str, np.ndarray]:
    """Points (n, 3), mm, by structure."""
    return {name: np.asarray(points, dtype=np.float64) for name, points in structures.items()}


def devices(request: Request) -> dict[str, Device]:
    """Devices by id."""
    return {
        name: Device(
            device_id=name,
            nominal_diameter=row.nominal_diameter_mm,
            height=row.height_mm,
            covered_from=row.covered_from_mm,
            covered_to=row.covered_to_mm,
            profile=row.profile,
        )
        for name, row in request.devices.items()
    }


def plans(request: Request) -> tuple[Plan, ...]:
    """Plans in the order of plan_id; empty tilts and offsets are 0."""
    known = devices(request)
    return tuple(
        Plan(
            plan_id=row.plan_id,
            device=known[row.device_id],
            ventricular_depth=row.ventricular_depth_mm,
            anchor=row.anchor or "ring",
            tilt_ap=row.tilt_ap_deg or 0.0,
            tilt_ic=row.tilt_ic_deg or 0.0,
            offset_ap=row.offset_ap_mm or 0.0,
            offset_ic=row.offset_ic_mm or 0.0,
        )
        for row in request.plans
    )


def prosthesis(request: Request) -> Prosthesis | None:
    """The surgical valve or ring in place."""
    row = request.prosthesis
    if row is None:
        return None
    return Prosthesis(
        prosthesis_id=row.prosthesis_id,
        labelled_size=row.labelled_size_mm,
        true_inner_diameter=row.true_inner_diameter_mm,
        wall=row.wall_mm,
        post_height=row.post_height_mm,
        leaflet_height=row.leaflet_height_mm,
    )


def definitions(
    request: Request, landmark_sd: Mapping[str, float], repeat_shifts: Mapping[str, RepeatShift] | None = None
) -> Definitions:
    """The study's named choices, with the landmark scatter (mm by structure) and the common shifts of this case."""
    study = request.study
    chosen, uncertainty, gantry = study.definitions, study.uncertainty, study.gantry
    return Definitions(
        section_rule=chosen.section_rule,
        search_upstream=chosen.search_upstream_mm,
        station_step=chosen.station_step_mm,
        beyond_aortic_plane=chosen.beyond_aortic_plane_mm,
        solids=chosen.solids,
        systolic_window=chosen.systolic_window_pct,
        draws=uncertainty.draws,
        seed=uncertainty.seed,
        cutoffs=tuple(Cutoff(row.cutoff_id, row.area_mm2) for row in study.cutoffs),
        landmark_sd=dict(landmark_sd),
        repeat_shifts=dict(repeat_shifts or {}),
        gantry=GantryBox(gantry.lao_rao_limit_deg, gantry.cra_cau_limit_deg),
    )


def sizing_targets(request: Request) -> tuple[SizingTarget, ...]:
    """The study's targets for the case: those of its own group, else those for all."""
    rows = [row for row in request.sizing_targets if row.group] or request.sizing_targets
    return tuple(SizingTarget(row.device_id, row.basis, row.min_pct, row.max_pct) for row in rows)
