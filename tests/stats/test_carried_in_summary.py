"""Cohort summaries keep values from carried landmarks apart from marked ones, and count them."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outflow_cohort.stats.cohort.summary import cohort_summary
from outflow_cohort.stats.data.case_reduction import Rules, case_values
from outflow_cohort.stats.data.one_value import one_value_a_case
from outflow_cohort.stats.data.settings import StatisticsSettings
from outflow_cohort.study.outputs import MEASUREMENTS, typed_frame

RULES = Rules("mean_over_readers", None, "first_read", ("ok",), 5.0)


def row(case: str, reader: str, phase: float | None, value: float, origin: str, status: str = "ok") -> dict:
    return {
        "case_id": case, "phase_pct": phase, "reader_id": reader, "read_no": 1, "plan_id": "P1",
        "measure": "neo_lvot_area", "variant": "full_frame", "method": "automatic_path", "value": value, "unit": "mm2",
        "status": status, "landmark_origin": origin,
    }  # fmt: skip


ROWS = [
    # one reader marked 40 %, the other's landmarks were carried there: the marked value alone counts
    row("C1", "ash", 40.0, 200.0, "marked"),
    row("C1", "birch", 40.0, 260.0, "carried"),
    row("C1", "ash", 60.0, 180.0, "carried"),
    row("C1", "birch", 60.0, 190.0, "carried"),
    # a marked value that does not count leaves the carried one
    row("C2", "ash", 40.0, 300.0, "marked", "landmark_suspect"),
    row("C2", "birch", 40.0, 310.0, "carried"),
    row("C3", "ash", 40.0, 400.0, "marked"),
]


@pytest.fixture
def values(tmp_path) -> pd.DataFrame:
    table = pa.Table.from_pandas(typed_frame(ROWS, MEASUREMENTS), preserve_index=False)
    pq.write_table(table, tmp_path / "part.parquet")
    return case_values(tmp_path, RULES)


def test_marked_and_carried_readings_are_never_averaged_with_each_other(values) -> None:
    found = {(r.case_id, r.phase_pct): (r.value, r.n_readings, r.n_carried) for r in values.itertuples()}
    assert found == {
        ("C1", 40.0): (200.0, 1, 0),
        ("C1", 60.0): (185.0, 2, 2),
        ("C2", 40.0): (310.0, 1, 1),
        ("C3", 40.0): (400.0, 1, 0),
    }


@pytest.mark.parametrize(
    ("rule", "carried"),
    [("min_over_phases", {"C1": True, "C2": True, "C3": False}), ("mean_over_phases", {"C1": True, "C2": True, "C3": False})],
)  # fmt: skip
def test_the_value_of_a_case_says_whether_it_was_carried(values, rule, carried) -> None:
    chosen = one_value_a_case(values, rule)
    assert dict(zip(chosen["case_id"], chosen["carried"].astype(bool), strict=True)) == carried


def test_the_summary_counts_carried_values(values) -> None:
    groups = pd.Series({"C1": "native", "C2": "native", "C3": "native"})
    chosen = one_value_a_case(values, "min_over_phases")
    summary = cohort_summary(values, chosen, groups, StatisticsSettings(phase_rule="min_over_phases"), RULES.text)
    counts = {
        (r.phase_rule, None if pd.isna(r.phase_pct) else r.phase_pct): (r.n, r.n_carried) for r in summary.itertuples()
    }
    assert counts == {("each_phase", 40.0): (3, 1), ("each_phase", 60.0): (1, 1), ("min_over_phases", None): (3, 2)}
