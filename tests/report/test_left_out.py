"""What the statistics leave out, by status, and which statuses they leave out by default."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pandas as pd

from outflow_cohort.report.asked import left_out_by_status
from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.stats.data.settings import USABLE_STATUSES, StatisticsSettings
from outflow_cohort.study.status_codes import status_code

BELONGS_TO_ANOTHER = {"same_pixels_twice", "landmarks_of_another_case"}


def cohort_of(folder: Path, rows: list[tuple[str, str, float | None]], **settings: Any) -> Cohort:
    """A cohort with measurements of (case, status, value)."""
    target = folder / "tables" / "measurements"
    target.mkdir(parents=True)
    frame = pd.DataFrame(rows, columns=["case_id", "status", "value"]).astype({"value": "float64"})
    frame.to_parquet(target / "part.parquet")
    return cast(Cohort, SimpleNamespace(results=folder, measured=frame, statistics=StatisticsSettings(**settings)))


def test_cases_with_values_left_out_are_named_by_status(tmp_path: Path) -> None:
    rows: list[tuple[str, str, float | None]] = [
        ("A", "ok", 1.0),
        ("A", "path_unsure", 2.0),
        ("A", "paths_differ", 3.0),
        ("A", "paths_differ", 4.0),
        ("B", "paths_differ", 5.0),
        ("B", "leak", 6.0),
        ("B", "no_section", None),
    ]
    table = left_out_by_status(cohort_of(tmp_path / "a", rows))
    assert table is not None
    assert [row[:2] for row in table.rows] == [("Paths differ", "2 cases: A, B"), ("Leak", "1 case: B")]
    assert table.rows[0][2] == status_code("paths_differ").meaning
    strict = left_out_by_status(cohort_of(tmp_path / "b", rows, usable_statuses=("ok",)))
    assert strict is not None
    assert sorted(row[0] for row in strict.rows) == ["Leak", "Path unsure", "Paths differ"]
    assert left_out_by_status(cohort_of(tmp_path / "c", rows[:2])) is None


def test_no_value_that_may_be_wrong_counts_by_default() -> None:
    """Level `act`: the number may be wrong. Whose a value is that two cases hold is another question."""
    levels = {code: status_code(code).level for code in USABLE_STATUSES if code != "ok"}
    assert {code for code, level in levels.items() if level == "act"} <= BELONGS_TO_ANOTHER
    assert {"path_unsure", "two_lobes", "few_systolic_phases", "device_beside_section"} <= set(levels)
