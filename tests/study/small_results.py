"""A results folder of known numbers, gathered by the real `table` step. Invented cases; areas mm2."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from outflow_cohort.files import write_json, write_parquet
from outflow_cohort.handover.base import AsideRow, write_handover
from outflow_cohort.handover.inventory import Inventory, SeriesRow, write_inventory
from outflow_cohort.handover.judged import Judged, write_judged
from outflow_cohort.handover.measured import MeasuredAside, write_measured_aside
from outflow_cohort.handover.request import CaseFacts, DeviceRow, PlanRow, Request, StudySettings
from outflow_cohort.report.case_table import write_case_table
from outflow_cohort.report.cohort_data import read_cohort
from outflow_cohort.report.settings import read_settings
from outflow_cohort.stats.cohort.phase_table import phase_table
from outflow_cohort.stats.data.case_reduction import case_values, rules_of
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.steps.table import table
from outflow_cohort.study.outputs import VIEWS, curves_frame, implants_frame, measurements_frame, typed_frame

AREAS = {"K1": {30.0: 210.0, 70.0: 260.0}, "K2": {30.0: 150.0, 70.0: 140.0}, "K3": {30.0: 165.0, 70.0: 300.0}}
GROUPS = {"K1": "native", "K2": "failed_ring", "K3": "native", "K4": "native"}
MITRAL = {("K1", "ash"): 900.0, ("K1", "birch"): 880.0, ("K2", "ash"): 1000.0, ("K2", "birch"): 1010.0}


def make_results(root: Path) -> Path:
    """Three measured cases and K4, which was set aside."""
    for key in AREAS:
        _measured(root, key, _values(key), _curves(key), [])
    lost = {"case_id": "K4", "phase_pct": None, "reader_id": None, "read_no": None, "stage": "inventory",
            "code": "missing_slices", "message": "a gap"}  # fmt: skip
    _measured(root, "K4", [], [], [])
    for key in GROUPS:
        series = SeriesRow(
            case_id=key,
            row=2,
            series="ab12",
            verdict="accepted",
            reason_codes="",
            details="",
            remedy="",
            phase_pct=30.0,
        )
        aside = (AsideRow(**lost),) if key == "K4" else ()
        write_inventory(root / "work/inventory" / f"{key}.json", Inventory(series=(series,), set_aside=aside))
        write_handover(root / "work/requests" / f"{key}.json", _request(key))
    write_json(root / "work/plan.json", {"keys": list(GROUPS), "refused": []})
    cases = {"case_id": list(GROUPS), "group": list(GROUPS.values()), "obstruction": [0, 1, 1, None]}
    write_parquet(root / "work/cases.parquet", pd.DataFrame(cases))
    chosen = {"main_solid": "skirt", "primary_measures": ["neo_lvot_area", "mitral_area/spline"]}
    write_json(root / "work/study.json", {"study_id": "small", "report": chosen, "statistics": {"n_boot": 100}})
    table(results=root)
    # as the steps statistics and report do, without the tables that no question asks for
    measurements = root / "tables/measurements"
    values = case_values(measurements, rules_of(StatisticsSettings(n_boot=100)))
    write_parquet(root / "tables/phases.parquet", phase_table(values))
    write_case_table(read_cohort(root, read_settings(root)))
    return root


def _request(key: str) -> Request:
    plan = PlanRow(plan_id="p1", device_id="Lumen-29", ventricular_depth_mm=12.0)
    device = DeviceRow(device_id="Lumen-29", nominal_diameter_mm=29.0, height_mm=20.0)
    return Request(
        study=StudySettings(study_id="small"),
        case=CaseFacts(case_id=key, key=key),
        plans=(plan,) if key != "K4" else (),
        devices={"Lumen-29": device},
    )


def _row(
    key: str, phase: float | None, measure: str, variant: str, method: str, value: float | None, **more: Any
) -> dict:
    row = {"case_id": key, "phase_pct": phase, "reader_id": "ash", "read_no": 1, "plan_id": "", "measure": measure,
           "variant": variant, "method": method, "value": value, "unit": "mm2", "status": "ok" if value else "leak",
           "ci_low": value and value - 15, "ci_high": value and value + 15}  # fmt: skip
    return row | more


def _values(key: str) -> list[dict]:
    rows = [
        _row(key, phase, "neo_lvot_area", "skirt", "automatic_path", area, plan_id="p1")
        for phase, area in AREAS[key].items()
    ]
    rows.append(_row(key, 30.0, "neo_lvot_area", "full_frame", "automatic_path", None, plan_id="p1"))
    rows.append(_row(key, None, "neo_lvot_area", "skirt/end_systole", "automatic_path", AREAS[key][30.0], plan_id="p1"))
    rows += [
        _row(key, 30.0, "mitral_area", "spline", "reader_points", area, reader_id=reader)
        for (case, reader), area in MITRAL.items()
        if case == key
    ]
    return rows


def _curves(key: str) -> list[dict]:
    place = {"case_id": key, "phase_pct": 30.0, "reader_id": "ash", "read_no": 1, "plan_id": "p1", "variant": "skirt"}
    return [
        place | {"method": "automatic_path", "station_mm": s, "area_mm2": a, "native_area_mm2": 400.0}
        for s, a in ((0.0, 380.0), (-5.0, AREAS[key][30.0]), (-10.0, 390.0))
    ]


def _measured(root: Path, key: str, values: list[dict], curves: list[dict], views: list[dict]) -> None:
    folder = root / "work/measured" / key
    write_parquet(folder / "measurements.parquet", measurements_frame(values))
    write_parquet(folder / "curves.parquet", curves_frame(curves))
    write_parquet(folder / "views.parquet", typed_frame(views, VIEWS))
    write_parquet(folder / "implants.parquet", implants_frame([], []))
    write_measured_aside(folder, MeasuredAside(case_set_aside=not values))
    write_judged(root / "work/judged" / f"{key}.json", Judged())
    if not (root / "work/readings.parquet").exists():
        points = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
        write_parquet(root / "work/readings.parquet", pd.DataFrame(columns=points))
