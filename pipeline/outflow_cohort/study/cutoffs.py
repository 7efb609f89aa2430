"""The cut-offs of the neo-LVOT area (mm2): a table that users can edit, each with its endpoint, n and source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from outflow_cohort.study.columns import Column, TableSpec
from outflow_cohort.study.problems import Problem
from outflow_cohort.study.tables import read_table
from outflow_cohort.workflow_files import workflow_file

BUILT_IN = "config/cutoffs.csv"
SPEC = TableSpec(
    "cutoffs",
    (
        Column("cutoff_id", required=True, meaning="name of the cut-off"),
        Column(
            name="area_mm2",
            kind="number",
            required=True,
            unit="mm2",
            low=10,
            high=1000,
            meaning="area below which it counts",
        ),
        Column("use", "choice", choices=("yes", "no"), meaning="whether it is applied; empty = yes"),
    ),
    key=("cutoff_id",),
    open=True,
)


def read_cutoffs(path: Path | None) -> tuple[list[dict[str, Any]], list[Problem]]:
    """Read `path` (the project's own table where None) without the rows of `use` no; further columns stay text."""
    problems: list[Problem] = []
    frame = read_table(path or workflow_file(BUILT_IN), SPEC, problems)
    frame = frame[frame["use"] != "no"] if "use" in frame else frame
    rows: list[dict[str, Any]] = frame.drop(columns=["row", "file"]).to_dict("records")
    return rows, problems
