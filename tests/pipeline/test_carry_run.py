"""A small study whose readers marked two of three phases, through the real Snakefile."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pyarrow.dataset as ds
import pytest
from workflow_runs import snakemake

SETTINGS = """\
study_id: small_carried_study
title: One invented case, two phases of three marked
seed: 5
phases_pct: [40, 60, 75]
marked_phases_pct: [40, 75]
readers: [ash]
reads: 1
sites: [Aldermoor]
cases:
  - {case_id: S01, group: native, seed: 11}
scan: {matrix: 128, pixel_mm: 1.25, slice_mm: 1.25, slices: 100, supersample: 1}
"""


@pytest.fixture(scope="module")
def carried_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from outflow_cohort.demo.study import write_case_series, write_tables

    folder = tmp_path_factory.mktemp("carried") / "study"
    settings = folder.parent / "demo.yaml"
    settings.write_text(SETTINGS, encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    write_case_series(folder=folder, case_id="S01")
    text = (folder / "study.yaml").read_text(encoding="utf-8").replace("{draws: 50}", "{draws: 0}")
    plans = (folder / "plans.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "plans.csv").write_text("".join(plans[:2]), encoding="utf-8")
    # one plan, no intervals and a coarse grid: enough to see everything go through, not for the sake of exact numbers
    (folder / "study.yaml").write_text(f"{text}carry: {{grid_mm: 2.0, from_phases: [40, 75]}}\n", encoding="utf-8")
    snakemake(folder / "study.yaml")
    return folder


def table(folder: Path, name: str) -> pd.DataFrame:
    return ds.dataset(folder / "results/tables" / name).to_table().to_pandas()


@pytest.mark.parametrize("name", ["measurements", "curves", "views"])
def test_each_row_says_whether_its_landmarks_were_carried(carried_study: Path, name: str) -> None:
    rows = table(carried_study, name)
    rows = rows[rows["phase_pct"].notna()]
    carried = rows["phase_pct"] == 60.0
    assert carried.any()
    assert set(rows.loc[carried, "landmark_origin"]) == {"carried"}
    assert set(rows.loc[~carried, "landmark_origin"]) == {"marked"}
    assert set(rows.loc[carried, "carried_from_pct"]) <= {40.0, 75.0}
    assert (rows.loc[carried, "carry_error_mm"] > 0).all()
    assert rows.loc[~carried, ["carried_from_pct", "carry_error_mm"]].isna().all(axis=None)


def test_a_carried_native_ring_is_no_evidence_of_change(carried_study: Path) -> None:
    rows = table(carried_study, "measurements").query("measure == 'mitral_area' and phase_pct == 60")
    assert len(rows)
    assert "ok" not in set(rows["status"])


def test_rows_over_phases_count_the_carried_one(carried_study: Path) -> None:
    rows = table(carried_study, "measurements")
    over = rows[rows["phase_pct"].isna() & rows["variant"].str.endswith("min_over_phases")]
    assert len(over)
    assert set(over["phases_used"]) == {3}
    assert set(over["phases_carried"]) == {1}


def test_the_path_is_found_anew_and_the_account_balances(carried_study: Path) -> None:
    rows = table(carried_study, "measurements")
    carried = rows[(rows["phase_pct"] == 60.0) & (rows["measure"] == "neo_lvot_area")]
    assert set(carried["method"]) == {"automatic_path"}
    counts = json.loads((carried_study / "results/run.json").read_text())["counts"]
    assert counts["readings"] == {"in": 2, "measured": 2, "set_aside": 0}
    assert counts["carried"] == {"measured": 1, "set_aside": 0}
    sheet = (carried_study / "results/report/cases/S01.html").read_text()
    assert "carried" in sheet


def test_two_phases_are_registered_once(carried_study: Path) -> None:
    found = json.loads((carried_study / "results/work/carried/S01.json").read_text())
    pairs = [(p["from_pct"], p["to_pct"]) for p in found["pairs"]]
    assert sorted(pairs) == [(40.0, 60.0), (40.0, 75.0), (75.0, 40.0), (75.0, 60.0)]
    assert all(p["likeness"] > 0.5 for p in found["pairs"])
