"""Measured minus true of the demonstration: pairs, differences, and coverage only where there is an interval."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outflow_cohort.steps.recovered import recovered
from outflow_cohort.study.outputs import measurements_frame


def row(value: float | None, low: float | None, high: float | None, status: str = "ok") -> dict[str, object]:
    return {
        "case_id": "C1",
        "phase_pct": 40.0,
        "reader_id": "ash",
        "read_no": 1,
        "plan_id": "",
        "measure": "aortic_area",
        "variant": "",
        "method": "image_edge",
        "value": value,
        "unit": "mm2",
        "std_error": None,
        "ci_low": low,
        "ci_high": high,
        "status": status,
    }


def test_differences_and_coverage(tmp_path: Path):
    rows = [
        row(101, 99, 103),
        row(97, 96, 98),
        row(102, None, None),
        row(None, None, None, "no_section"),
        row(500, 1, 2, "leak"),
    ]
    folder = tmp_path / "results/tables/measurements"
    folder.mkdir(parents=True)
    measurements_frame(rows).to_parquet(folder / "part-00000.parquet")
    truth = tmp_path / "truth"
    truth.mkdir()
    header = "case_id,phase_pct,plan_id,measure,variant,value,unit\n"
    (truth / "C1.csv").write_text(f"{header}C1,40,,aortic_area,,100,mm2\n")
    (truth / "C2.csv").write_text(header)
    recovered(results=tmp_path / "results", truth=truth)
    summary = pd.read_csv(tmp_path / "results/tables/recovered.csv").iloc[0]
    assert summary["n"] == 3
    assert summary["median_difference"] == pytest.approx(1.0)
    assert summary["worst_difference"] == pytest.approx(-3.0)
    assert summary["covered_by_interval"] == pytest.approx(0.5)
