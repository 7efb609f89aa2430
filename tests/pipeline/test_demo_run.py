"""The committed run of the demonstration against a fresh one, where that is in demo_study/."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from workflow_runs import PROJECT

FRESH = PROJECT / "demo_study" / "results"
COMMITTED = PROJECT / "results_demo"
RELATIVE = 2e-3
"""Largest relative difference of a table value: sums are rounded otherwise on another processor, and a smallest
section may settle on a neighbouring place."""

pytestmark = [
    pytest.mark.demo_run,
    pytest.mark.skipif(not (FRESH / "run.json").exists(), reason="no finished demonstration run: snakemake --cores 2"),
]


def counts(folder: Path) -> dict[str, object]:
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))["counts"]


def test_the_same_cases_and_readings_come_out():
    assert counts(FRESH) == counts(COMMITTED)
    assert counts(FRESH)["cases"] == {"in": 12, "measured": 10, "set_aside": 2}


def test_what_is_set_aside_is_the_same():
    fresh, committed = (pd.read_parquet(f / "tables" / "set_aside.parquet") for f in (FRESH, COMMITTED))
    pd.testing.assert_frame_equal(fresh, committed)


@pytest.mark.parametrize("name", ["recovered.csv", "cohort_summary.parquet"])
def test_numbers_agree_with_the_committed_ones(name: str):
    read = pd.read_csv if name.endswith(".csv") else pd.read_parquet
    fresh, committed = (read(f / "tables" / name) for f in (FRESH, COMMITTED))
    assert list(fresh.columns) == list(committed.columns)
    assert len(fresh) == len(committed)
    column = "true_median" if name == "recovered.csv" else "median"
    a, b = fresh[column].to_numpy(float), committed[column].to_numpy(float)
    assert np.array_equal(np.isnan(a), np.isnan(b))
    agree = np.isclose(a, b, rtol=RELATIVE, atol=1e-6, equal_nan=True)
    assert agree.mean() > 0.99, fresh[~agree].head()


def test_recovered_values_lie_at_the_true_ones():
    """Medians over readers: their bias and scatter are invented, and known (truth_readers.csv)."""
    table = pd.read_csv(FRESH / "tables" / "recovered.csv").fillna({"variant": ""})
    rows = table.set_index(["measure", "variant", "method"])
    assert abs(rows.loc[("lv_volume", "", "image_edge"), "median_difference"]) < 0.2
    assert abs(rows.loc[("aortic_area", "", "image_edge"), "median_difference"]) < 3.0
    assert abs(rows.loc[("aorto_mitral_angle", "opening", "reader_points"), "median_difference"]) < 2.0
    neo = rows.loc[("neo_lvot_area", "full_frame", "reader_path")]
    assert abs(neo["median_difference"]) < 0.03 * neo["true_median"]
