"""The mixed models of a study as one table of a paper: a column per model; tests, means and scatter as lines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from outflow_cohort.paper.rounding import rounded
from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import MISSING, is_number, number, unit_text
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.statistic_tables import p_text
from outflow_cohort.report.wording import measure_title, method_text, words

MODEL = ["measure", "variant", "method", "plan_id"]
PARTS = ("f_test", "mean", "variance")
INTERACTION = "group x phase"


def mixed_models(cohort: Cohort) -> Table | None:
    """Tests of group, phase and covariates, means by group and by phase, and standard deviations, by model.

    Means of each cell and all differences stay in tables/mixed_models.csv. None without a model.
    """
    frame = cohort.table("mixed_models")
    if not has(frame, [*MODEL, "unit", "model", "statistic", "term", "level", "estimate", "df", "df2", "p_value"]):
        return None
    cells = (frame["statistic"] == "mean") & (frame["term"] == INTERACTION)
    frame = frame[frame["statistic"].isin(PARTS) & frame["estimate"].notna() & ~cells]
    if not len(frame):
        return None
    columns: list[str] = []
    lines: dict[tuple[str, str, str], list[str]] = {}
    for _, model in frame.groupby(MODEL, sort=False, dropna=False):
        columns.append(_heading(model.iloc[0]))
        for row in model.to_dict("records"):
            level = str(row["level"]) if isinstance(row["level"], str) else ""
            line = lines.setdefault((row["statistic"], str(row["term"]), level), [])
            line += [MISSING] * (len(columns) - 1 - len(line)) + [_cell(row)]
    order = sorted(lines, key=lambda key: PARTS.index(key[0]))
    rows = [
        (_name(cohort, *key), *lines[key], *[MISSING] * (len(columns) - len(lines[key]))) for key in order
    ]  # fmt: skip
    first = frame.iloc[0]
    models = "; ".join(dict.fromkeys(str(m) for m in frame["model"]))
    note = (
        f"Linear mixed models ({models}), {number(first['n_cases'], digits=0)} cases, "
        f"{number(first['n_readers'], digits=0)} readers. Means (95 % CI) and SD in the unit of the measure. Tests: F "
        "with degrees of freedom after Satterthwaite. SD: root of the variance component; an SD of 0 is at the edge of "
        "what a variance can be. All pairs of groups and phases, with p after Holm: tables/mixed_models.csv of the run."
    )
    return table_of(("", *columns), rows, note, "Mixed models")


def _heading(row: pd.Series) -> str:
    unit = unit_text(row["unit"])
    named = f"{measure_title(row['measure'], row['variant'])}, {unit}" if unit else measure_title(row["measure"])
    plan = f", plan {row['plan_id']}" if row["plan_id"] else ""
    return f"{named} ({method_text(row['method'])}{plan})"


def _name(cohort: Cohort, statistic: str, term: str, level: str) -> str:
    """A line's name: `Test of group`, `Mean, native`, `SD between readers`."""
    if statistic == "variance":
        return "SD, residual" if term == "residual" else f"SD between {words(term)}s"
    if statistic == "mean":
        return f"Mean, {words(level)}"
    known = ("group", "phase", INTERACTION)
    named = term.replace(" x ", " × ") if term in known else column_label(cohort.statistics, term).lower()
    return f"Test of {named}"


def _cell(row: Mapping[str, Any]) -> str:
    if row["statistic"] == "variance":
        return number(math.sqrt(max(float(row["estimate"]), 0.0)), digits=1)
    if row["statistic"] == "mean":
        return rounded(row["estimate"], row["ci_low"], row["ci_high"])
    df2 = f", {number(row['df2'], digits=1)}" if is_number(row["df2"]) else ""
    p = p_text(row["p_value"])
    return (
        f"F({number(row['df'], digits=0)}{df2}) = {number(row['estimate'], digits=1)}; p {p if '<' in p else f'= {p}'}"
    )
