"""One row per case: the values of report, sheet and table are the same; nothing in a cell runs as a formula."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from conftest import EVIL

from outflow_cohort.report.case_table import case_state, case_table, write_case_table
from outflow_cohort.report.cohort_data import read_cohort
from outflow_cohort.report.primary import gravest, interval_of_mean, primary_values
from outflow_cohort.report.settings import PRIMARY_MEASURES, ReportSettings
from outflow_cohort.stats.data.settings import StatisticsSettings

SETTINGS, RULES = ReportSettings(), StatisticsSettings()


def test_a_row_per_case_with_the_mean_of_first_reads_at_end_systole(results: Path) -> None:
    """Worked out again from the long table, with pandas alone."""
    cases = pd.read_csv(results / "tables/cases.csv").set_index("case_id")
    assert len(cases) == 11
    long = pd.read_parquet(results / "tables/measurements")
    row = cases.loc["GR-002"]
    volumes = long.query("case_id == 'GR-002' and measure == 'lv_volume' and read_no == 1").groupby("phase_pct")[
        "value"
    ]
    assert row["phase_pct"] == volumes.mean().idxmin()
    assert row["phase_found_by"] == "smallest_lv_volume"
    mine = long.query(
        "case_id == 'GR-002' and measure == 'neo_lvot_area' and variant == 'full_frame' and read_no == 1"
    ).query(f"method == 'reader_path' and phase_pct == {row['phase_pct']}")
    assert len(mine) == 3
    assert row["neo_lvot_area_mm2"] == pytest.approx(mine["value"].mean(), abs=1e-3)
    assert row["neo_lvot_area_low"] <= mine["value"].min()
    assert row["neo_lvot_area_high"] >= mine["value"].max()
    assert row["neo_lvot_area_method"] == "reader_path"
    assert row["neo_lvot_area_status"] == "ok"
    assert row["obstruction"] in (0, 1)


def test_a_case_set_aside_has_a_row_with_the_reason(results: Path) -> None:
    row = pd.read_csv(results / "tables/cases.csv").set_index("case_id").loc["GR-003"]
    assert (row["state"], row["reason"]) == ("set_aside", "missing_slices")
    assert np.isnan(row["neo_lvot_area_mm2"])


def test_the_workbook_holds_the_same_rows_as_text_and_numbers(results: Path, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(results / "tables/cases.xlsx")
    header, *rows = book["cases"].iter_rows(values_only=True)
    table = pd.read_csv(results / "tables/cases.csv")
    assert list(header) == list(table.columns)
    assert len(rows) == len(table)
    assert {r[0] for r in rows} >= {"GR-001", EVIL}
    assert all(cell.data_type != "f" for line in book["cases"].iter_rows() for cell in line)
    at = header.index("neo_lvot_area_mm2")
    assert rows[0][at] == pytest.approx(table["neo_lvot_area_mm2"].iloc[0])
    described = [line[0].value for line in book["columns"].iter_rows(min_row=3)]
    assert described == list(header)
    schema = json.loads((results / "tables/cases.schema.json").read_text())
    assert all(f["description"] for f in schema["fields"])
    before = (results / "tables/cases.xlsx").read_bytes()
    write_case_table(read_cohort(results, SETTINGS))
    assert (results / "tables/cases.xlsx").read_bytes() == before


def test_one_file_of_one_case_gives_the_values_of_the_whole_cohort(results: Path) -> None:
    whole = primary_values(results / "tables/measurements", SETTINGS, RULES)["GR-001"]
    alone = primary_values(results / "work/measured/GR-001/measurements.parquet", SETTINGS, RULES)["GR-001"]
    assert alone == whole
    assert [v.spec for v in whole] == list(PRIMARY_MEASURES)


def test_the_path_that_a_case_has_is_used_and_named(results: Path, tmp_path: Path) -> None:
    """A case whose readers drew no path has a number by the automatic one, not a dash, and the table says so."""
    frame = pd.read_parquet(results / "work/measured/GR-001/measurements.parquet")
    frame.loc[frame["method"] == "reader_path", "method"] = "automatic_path"
    frame.to_parquet(tmp_path / "one.parquet")
    value = primary_values(tmp_path / "one.parquet", SETTINGS, RULES)["GR-001"][0]
    assert value.method == "automatic_path"
    assert value.value is not None


def test_a_value_that_does_not_count_is_empty_with_its_status(results: Path, tmp_path: Path) -> None:
    frame = pd.read_parquet(results / "work/measured/GR-001/measurements.parquet")
    frame.loc[frame["measure"] == "neo_lvot_area", "status"] = "landmark_suspect"
    frame.to_parquet(tmp_path / "one.parquet")
    values = primary_values(tmp_path / "one.parquet", SETTINGS, RULES)["GR-001"]
    assert (values[0].value, values[0].status) == (None, "landmark_suspect")
    assert case_state(values, True) == "measured"
    assert case_state([replace(v, value=None) for v in values], True) == "measured_without_value"
    assert case_state([], False) == "set_aside"


def test_a_plan_in_doubt_does_not_give_way_to_the_next(results: Path, tmp_path: Path) -> None:
    """Else a cohort's areas would be those of the plans that went well: P1 in doubt, P2 twice as wide and sound."""
    long = pd.read_parquet(results / "tables/measurements").query("case_id == 'GR-002'")
    first = long[long["plan_id"] == "P1"]
    second = first.assign(plan_id="P2", value=2 * first["value"])
    doubted = (long["measure"] == "neo_lvot_area") & (long["method"] == "reader_path")
    assert doubted.any()
    rows = pd.concat([long.assign(status=long["status"].where(~doubted, "leak")), second])
    rows.to_parquet(tmp_path / "measurements.parquet")
    (area,) = (v for v in primary_values(tmp_path, SETTINGS, RULES)["GR-002"] if v.measure == "neo_lvot_area")
    assert (area.plan_id, area.method, area.value, area.status) == ("P1", "reader_path", None, "leak")
    known = pd.read_csv(results / "tables/cases.csv").set_index("case_id").loc["GR-002"]
    assert area.doubted == pytest.approx(known["neo_lvot_area_mm2"], abs=1e-3)
    assert (area.n_doubted, area.doubt, area.seen) == (3, "leak", area.doubted)


def test_every_column_is_described(results: Path) -> None:
    frame, meanings = case_table(read_cohort(results, SETTINGS))
    assert list(frame.columns) == list(meanings)
    assert all(meanings.values())


def reading(value: float, half: float) -> dict[str, float]:
    return {"value": value, "ci_low": value - half, "ci_high": value + half}


def test_the_interval_of_a_mean() -> None:
    assert interval_of_mean(10.0, [{"value": 10.0, "ci_low": 7.0, "ci_high": 12.0}]) == (7.0, 12.0)
    # equal readings: independent errors, 3 / sqrt(2)
    low, high = interval_of_mean(10.0, [reading(10.0, 3.0), reading(10.0, 3.0)])
    assert (low, high) == (pytest.approx(10 - 3 / 2**0.5), pytest.approx(10 + 3 / 2**0.5))
    # readers 20 apart with small scatter: the interval holds both
    assert interval_of_mean(10.0, [reading(0.0, 1.0), reading(20.0, 1.0)]) == (0.0, 20.0)
    assert interval_of_mean(10.0, [reading(10.0, 1.0), {"value": 10.0, "ci_low": np.nan, "ci_high": np.nan}]) == (
        None,
        None,
    )
    assert interval_of_mean(10.0, []) == (None, None)


def test_the_gravest_status_is_shown() -> None:
    assert gravest(["ok", "ok"]) == "ok"
    assert gravest([]) == ""
    assert gravest(["ok", "smallest_at_annulus", "leak", "smallest_at_annulus"]) == "leak"
    assert gravest(["two_lobes", "smallest_at_annulus", "smallest_at_annulus"]) == "two_lobes"


def test_adjudicated_values_take_the_place_of_the_readers(results: Path) -> None:
    measurements = results / "work/measured/GR-001/measurements.parquet"
    plain = primary_values(measurements, SETTINGS, RULES)["GR-001"][0]
    key = {"case_id": "GR-001", "phase_pct": 40.0, "plan_id": "P1", "measure": "neo_lvot_area",
           "variant": "full_frame", "method": "reader_path", "unit": "mm2"}  # fmt: skip
    volume = {"plan_id": "", "measure": "lv_volume", "variant": "", "method": "reader_points", "unit": "ml"}
    rows = [key | {"value": 150.0, "ci_low": 140.0, "ci_high": 160.0, "status": "ok"}]
    rows += [key | volume | {"phase_pct": p, "value": v, "status": "ok"} for p, v in ((20.0, 60.0), (40.0, 50.0))]
    final = pd.DataFrame(rows)
    found = primary_values(measurements, SETTINGS, RULES, final)["GR-001"]
    assert plain.value != 150.0
    assert (found[0].value, found[0].low, found[0].high, found[0].status) == (150.0, 140.0, 160.0, "ok")
    assert (found[5].value, found[5].status) == (None, "not_measured")
