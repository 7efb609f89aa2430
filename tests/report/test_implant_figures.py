"""The map of implants: the worst phase of each cell, lines between sides of a cut-off, plan and best implant marked."""

from __future__ import annotations

import dataclasses
import re
from types import SimpleNamespace

import pandas as pd

from outflow_cohort.handover.request import CaseFacts, CutoffRow, PlanRow, Request, StudySettings
from outflow_cohort.report.case_data import read_implants
from outflow_cohort.report.charts_implants import implant_maps, worst_grid

AREAS = {("d26", 8.0): (260.0, 300.0), ("d26", 16.0): (150.0, 280.0), ("d29", 8.0): (210.0, 240.0), ("d29", 16.0): None}


def rows() -> pd.DataFrame:
    out = []
    for (device, depth), areas in AREAS.items():
        for reader, shift in (("ash", -10.0), ("birch", 10.0)):
            for phase, area in zip((40.0, 75.0), areas or (None, None), strict=True):
                for read, more in ((1, 0.0), (2, 500.0)):
                    out.append(
                        {
                            "case_id": "C1", "phase_pct": phase, "reader_id": reader, "read_no": read,
                            "device_id": device, "nominal_diameter_mm": float(device[1:]), "tilt_ap_deg": 0.0,
                            "fits_targets": device == "d26", "ventricular_depth_mm": depth, "tilt_ic_deg": 0.0,
                            "solid": "full_frame", "method": "automatic_path", "chance_below_A": 0.2,
                            "area_mm2": None if area is None else area + shift + more,
                            "status": "no_channel" if area is None else "ok",
                        }
                    )  # fmt: skip
    frame = pd.DataFrame(out)
    frame["fits_targets"] = frame["fits_targets"].astype("boolean")
    return frame


def test_a_cell_is_the_worst_phase_of_first_reads(tmp_path):
    rows().to_parquet(tmp_path / "implants.parquet")
    grid = worst_grid(read_implants(tmp_path / "implants.parquet"))
    found = {(r.device_id, r.ventricular_depth_mm): r.area_mm2 for r in grid.itertuples()}
    assert found["d26", 8.0] == 260.0
    assert found["d26", 16.0] == 150.0
    assert pd.isna(found["d29", 16.0])
    doubtful = grid[(grid["device_id"] == "d29") & (grid["ventricular_depth_mm"] == 16.0)]
    assert doubtful["chance_below_A"].isna().all()
    assert grid.drop_duplicates("device_id").set_index("device_id")["fits"].to_dict() == {"d26": True, "d29": False}
    assert not len(read_implants(tmp_path / "none.parquet"))


def test_the_map_marks_plan_cutoff_and_best_implant(tmp_path):
    rows().to_parquet(tmp_path / "implants.parquet")
    data = SimpleNamespace(
        implants=read_implants(tmp_path / "implants.parquet"),
        settings=SimpleNamespace(main_method="reader_path"),
        request=Request(
            study=StudySettings(study_id="S", cutoffs=(CutoffRow(cutoff_id="A", area_mm2=200.0),)),
            case=CaseFacts(case_id="C1", key="C1"),
            plans=(PlanRow(plan_id="P1", device_id="d26", ventricular_depth_mm=12.0),),
        ),
    )
    area, chance = implant_maps(data)
    svg = str(area.drawing.inline())
    assert [re.sub(r"<.*?>", "", t) for t in re.findall(r"<text.*?</text>", svg)].count("260") == 1
    # one line between 260 and 150 of d26; 210 of d29 is above 200 as 260 is
    assert svg.count('stroke-width="2.4"') == 1
    assert svg.count("<title>plan</title>") == 1
    assert area.table.rows[0] == ("d26", "yes", "260", "150")
    assert area.table.rows[1] == ("d29", "no", "210", "–")
    assert chance.table.rows[0][2:] == ("0.20", "0.20")
    # the ring is drawn about the cell of 260 mm2, the largest that fits
    (x,) = re.findall(r'<circle cx="([\d.]+)" cy="[\d.]+" r="13"', svg)
    assert float(x) == 110.0 + 40.0 * 0.5
    assert dataclasses.is_dataclass(area)
