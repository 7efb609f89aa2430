"""Shares of cases with an open implant, against a small cohort counted by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats.cohort.implants import implant_tables
from outflow_cohort.stats.data.implant_phases import meets_targets

CUTOFFS = [{"cutoff_id": "A", "area_mm2": 170.0, "rule": "at_or_below"}]
SYSTOLE = pd.Series({"C1": 40.0, "C2": 40.0, "C3": 40.0})
GROUPS = pd.Series({"C1": "native", "C2": "native", "C3": "ring"})


def row(case: str, device: str, depth: float, phase: float, area: float | None, **more: object) -> dict[str, object]:
    common = {"reader_id": "ash", "read_no": 1, "tilt_ap_deg": 0.0, "tilt_ic_deg": 0.0, "method": "automatic_path"}
    given = {"solid": "full_frame", "fits_targets": True, "status": "ok" if area is not None else "no_channel"}
    return common | {
        "case_id": case, "device_id": device, "ventricular_depth_mm": depth, "phase_pct": phase, "area_mm2": area,
        "chance_below_A": 0.1,
    } | given | more  # fmt: skip


@pytest.fixture
def tables(tmp_path: Path) -> dict[str, pd.DataFrame]:
    rows = [
        # open at 10 mm in both phases, at 20 mm in diastole alone
        row("C1", "d26", 10.0, 40.0, 250.0), row("C1", "d26", 10.0, 75.0, 300.0),
        row("C1", "d26", 20.0, 40.0, 150.0), row("C1", "d26", 20.0, 75.0, 280.0),
        # the only open device does not fit
        row("C2", "d26", 10.0, 40.0, 160.0), row("C2", "d26", 10.0, 75.0, 170.0),
        row("C2", "d23", 10.0, 40.0, 400.0, fits_targets=False), row("C2", "d23", 10.0, 75.0, 400.0, fits_targets=False),
        # unknown in one phase, so its worst phase is unknown; a doubtful area counts as unknown
        row("C3", "d26", 10.0, 40.0, 300.0), row("C3", "d26", 10.0, 75.0, None),
        row("C3", "d26", 20.0, 40.0, 310.0, status="leak"), row("C3", "d26", 20.0, 75.0, 320.0),
        # a second read changes nothing
        row("C1", "d26", 10.0, 40.0, 10.0, read_no=2), row("C1", "d26", 10.0, 75.0, 10.0, read_no=2),
    ]  # fmt: skip
    frame = pd.DataFrame(rows)
    frame = pd.concat([frame, frame.assign(solid="skirt", area_mm2=frame["area_mm2"] + 20.0)], ignore_index=True)
    frame["fits_targets"] = frame["fits_targets"].astype("boolean")
    frame.to_parquet(tmp_path / "part-00000.parquet")
    return implant_tables(tmp_path, SYSTOLE, GROUPS, CUTOFFS)


def open_cases(shares: pd.DataFrame, rule: str, group: str, depth: float | None, solid: str = "full_frame") -> tuple:
    at = shares["ventricular_depth_mm"].isna() if depth is None else shares["ventricular_depth_mm"] == depth
    kind = (shares["phase_rule"] == rule) & (shares["group"] == group) & (shares["solid"] == solid)
    (one,) = shares[at & kind & (shares["cutoff_id"] == "A")].itertuples()
    return one.n_open, one.n, one.n_unknown


def test_shares_count_cases_by_their_best_fitting_implant(tables: dict[str, pd.DataFrame]) -> None:
    shares = tables["implant_shares"]
    assert open_cases(shares, "worst_phase", "all", None) == (1, 2, 1)
    assert open_cases(shares, "end_systole", "all", None) == (2, 3, 0)
    assert open_cases(shares, "worst_phase", "all", 20.0) == (0, 1, 1)
    assert open_cases(shares, "worst_phase", "native", 10.0) == (1, 2, 0)
    curve = shares[(shares["cutoff_id"] == "") & (shares["group"] == "all") & (shares["phase_rule"] == "end_systole")]
    for _, part in curve.groupby("solid"):
        assert (np.diff(part.sort_values("area_mm2")["share"]) <= 0).all()


def test_the_choice_is_the_least_obstructive_implant_that_fits(tables: dict[str, pd.DataFrame]) -> None:
    choice = (
        tables["implant_choice"].query("phase_rule == 'worst_phase' and solid == 'full_frame'").set_index("case_id")
    )
    assert choice.loc["C1", ["device_id", "ventricular_depth_mm", "area_mm2"]].tolist() == ["d26", 10.0, 250.0]
    assert choice.loc["C2", ["n_tried", "n_fitting", "area_mm2"]].tolist() == [2, 1, 160.0]
    assert choice.loc["C3", "status"] == "no_value"


def test_cases_that_change_side_between_solids(tables: dict[str, pd.DataFrame]) -> None:
    (one,) = tables["implant_sides"].query("phase_rule == 'worst_phase' and group == 'all'").itertuples()
    # C2: 160 mm2 by the full frame, 180 by the skirt
    assert (one.both_open, one.only_a_open, one.only_b_open, one.none_open, one.n) == (1, 0, 1, 0, 2)


def test_without_targets_every_device_fits_and_without_implants_tables_are_empty(tmp_path: Path) -> None:
    frame = pd.DataFrame([row("C1", "d26", 10.0, 40.0, 250.0, fits_targets=None)])
    frame["fits_targets"] = frame["fits_targets"].astype("boolean")
    frame.to_parquet(tmp_path / "part-00000.parquet")
    assert implant_tables(tmp_path, SYSTOLE, GROUPS, CUTOFFS)["implant_choice"]["n_fitting"].tolist() == [1, 1]
    assert all(len(t) == 0 for t in implant_tables(tmp_path / "none", SYSTOLE, GROUPS, CUTOFFS).values())


def test_an_implant_meets_the_targets_from_half_of_the_readings_on() -> None:
    assert meets_targets(pd.Series([0.5, 0.49, np.nan])).tolist() == [True, False, False]
    assert meets_targets(pd.Series([np.nan, np.nan])).tolist() == [True, True]
