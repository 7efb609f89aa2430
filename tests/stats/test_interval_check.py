"""Intervals of readings of known error: what theory expects is what is found, and wrong intervals are named."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from outflow_cohort.stats.agreement.interval_check import (
    COLUMNS,
    READERS_OVERLAP,
    SECOND_READ,
    interval_check,
    remark,
)


def readings(told: float, cases: int = 400, bias: float = 0.0, seed: int = 1) -> pd.DataFrame:
    """Two readers with two reads of each case, error SD 10; intervals say `told` instead. The second is off by `bias`."""
    rng = np.random.default_rng(seed)
    rows = []
    for case in range(cases):
        true = rng.uniform(100.0, 400.0)
        for reader in ("R1", "R2"):
            for read in (1, 2):
                value = true + 10.0 * rng.standard_normal() + (bias if reader == "R2" else 0.0)
                rows.append((f"C{case}", 30.0, reader, read, value, value - 1.96 * told, value + 1.96 * told))
    frame = pd.DataFrame(rows, columns=["case_id", "phase_pct", "reader_id", "read_no", "value", "ci_low", "ci_high"])
    return frame.assign(plan_id="P", measure="neo_lvot_area", variant="full_frame", method="reader_path")


def found(frame: pd.DataFrame) -> pd.DataFrame:
    return interval_check(frame).set_index("comparison")


def test_right_intervals_hold_83_percent_of_second_reads_and_99_percent_overlap() -> None:
    table = found(readings(10.0))
    # Cumming & Maillardet 2006: 83.4 % for two equal, independent means; Goldstein & Healy 1995: 99.4 %
    assert table.loc[SECOND_READ, "expected_share"] == pytest.approx(0.834, abs=0.001)
    assert table.loc[READERS_OVERLAP, "expected_share"] == pytest.approx(0.994, abs=0.001)
    assert (table["finding"] == "as_expected").all()
    assert table.loc[SECOND_READ, ["n_cases", "n_pairs"]].tolist() == [400, 800]
    assert table.loc[SECOND_READ, "share"] == pytest.approx(0.834, abs=0.03)
    assert "hold what theory expects in all 2" in remark(table.reset_index())


@pytest.mark.parametrize(("told", "finding", "words"), [(5.0, "too_narrow", "narrow"), (20.0, "too_wide", "wide")])
def test_wrong_intervals_are_found(told: float, finding: str, words: str) -> None:
    table = found(readings(told))
    assert table.loc[SECOND_READ, "finding"] == finding
    assert words in remark(table.reset_index())
    assert "neo_lvot_area" in remark(table.reset_index())


def test_a_bias_between_readers_shows_in_their_overlap_alone() -> None:
    table = found(readings(10.0, bias=40.0))
    assert table["finding"].to_dict() == {SECOND_READ: "as_expected", READERS_OVERLAP: "too_narrow"}


def test_unequal_intervals_are_expected_by_their_own_widths() -> None:
    frame = readings(10.0)
    wide = frame["read_no"] == 2
    frame.loc[wide, "ci_low"], frame.loc[wide, "ci_high"] = frame["value"] - 1.96 * 30.0, frame["value"] + 1.96 * 30.0
    # 2 Phi(1.96 * 10 / sqrt(10^2 + 30^2)) - 1
    assert found(frame).loc[SECOND_READ, "expected_share"] == pytest.approx(0.4646, abs=1e-3)


def test_few_cases_missing_intervals_and_values_over_phases_tell_nothing() -> None:
    few = found(readings(10.0, cases=6))
    assert (few["finding"] == "too_few_cases").all()
    assert "Have some cases read twice" in remark(few.reset_index())
    frame = readings(10.0, cases=20)
    assert not len(interval_check(frame.assign(ci_low=np.nan)))
    assert not len(interval_check(frame.assign(phase_pct=np.nan)))
    assert list(interval_check(frame.iloc[:0]).columns) == COLUMNS


def test_the_interval_of_a_share_is_wilsons() -> None:
    frame = readings(10.0, cases=50)
    frame = frame[frame["reader_id"] == "R1"]
    row = found(frame).loc[SECOND_READ]
    wanted = proportion_confint(round(row["share"] * 50), 50, method="wilson")
    assert (row["ci_low"], row["ci_high"]) == pytest.approx(wanted)
