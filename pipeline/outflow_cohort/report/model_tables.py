"""Tables of the models that a study asked for: survival, adjusted and mixed models, several readers, gaps, checklists.

A figure that was withheld shows the reason in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import estimate, is_number, number
from outflow_cohort.report.outcome_tables import headline_quantities
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.statistic_tables import QUANTITY_HEADER, checklist_table, p_text, quantity_cells
from outflow_cohort.report.wording import measure_title, method_text, variant_text, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

QUANTITY = ("measure", "variant", "method", "plan_id")
TIME_WORDS = {
    "median_time": "median time", "restricted_mean": "restricted mean time", "log_rank": "log-rank chi-square",
    "restricted_mean_difference": "difference of restricted means", "hazard_ratio": "hazard ratio",
    "proportionality": "proportionality chi-square", "concordance": "concordance",
}  # fmt: skip
WITHHELD = "withheld: "
"""Begins a cell whose figure is not given; the reason follows."""
NOT_GAPS = ("device_id", "prosthesis_id")
"""Columns whose empty cell says that there is none."""
AREA_WORDS = {"auc_of_reader": "area of a reader", "auc_mean": "mean area", "auc_difference": "difference of areas"}


def value_text(row: Mapping[str, Any], digits: int | None = None) -> str:
    """`estimate (low to high)`, or the reason why there is none."""
    if not is_number(row["estimate"]):
        return f"{WITHHELD}{words(row['status'])}"
    text = estimate(row["estimate"], row["ci_low"], row["ci_high"], digits=digits)
    return text if row["status"] == "ok" else f"{text}; {words(row['status'])}"


def time_table(cohort: Cohort) -> Table | None:
    """Times by group with their comparison."""
    rows = cohort.table("time_to_event")
    if not has(rows, ["outcome", "statistic", "term", "group", "estimate", "ci_low", "ci_high", "measure", "status"]):
        return None
    rows = rows[(rows["measure"] == "") & (rows["statistic"] != "restricted_mean_difference")]
    lines = [
        (
            column_label(cohort.statistics, str(r["outcome"])), TIME_WORDS.get(r["statistic"], words(r["statistic"])),
            "all" if r["group"] == ALL_GROUPS else words(r["group"]), value_text(r), p_text(r["p_value"]),
            number(r["n"], digits=0), number(r["n_events"], digits=0),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = ("Outcome", "Statistic", "Group", "Estimate (95 %)", "p", "Cases", "Events")
    note = (
        "Kaplan-Meier; a rival event ends the follow-up of a case. tables/time_to_event.csv has definitions, sources "
        "and differences of restricted means; survival_curves.csv the curves."
    )
    return table_of(header, lines, note, "Time to the event") if lines else None


def regression_table(cohort: Cohort, name: str) -> Table | None:
    """Hazard ratios (`time_to_event`) or odds ratios (`adjusted_models`) of the headline measures."""
    rows = cohort.table(name)
    if not has(rows, ["outcome", *QUANTITY, "model", "statistic", "term", "estimate", "ci_low", "ci_high", "status"]):
        return None
    rows = headline_quantities(cohort, rows[rows["measure"] != ""])
    lines = [
        (
            column_label(cohort.statistics, str(r["outcome"])),
            *quantity_cells([r[c] for c in QUANTITY]), str(r["model"]),
            TIME_WORDS.get(r["statistic"], words(r["statistic"])), str(r["term"] or ""), value_text(r, 2),
            p_text(r["p_value"]), number(r["n"], digits=0), number(r["n_events"], digits=0),
            number(r["n_missing"], digits=0),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = (
        "Outcome", *QUANTITY_HEADER, "Model", "Statistic", "Term", "Estimate (95 %)", "p", "Cases", "Events",
        "Left out",
    )  # fmt: skip
    note = f"Per SD of the measure. tables/{name}.csv has all measures, definitions and sources."
    title = "Cox models" if name == "time_to_event" else "Logistic models with covariates"
    return table_of(header, lines, note, title) if lines else None


def mixed_table(cohort: Cohort) -> Table | None:
    """Tests, means and differences of the mixed models; cells of group and phase are left to the file."""
    rows = cohort.table("mixed_models")
    if not has(rows, [*QUANTITY, "unit", "model", "statistic", "term", "level", "estimate", "df", "status"]):
        return None
    rows = rows[~rows["term"].isin(["group x phase", "group within phase"]) | (rows["statistic"] == "f_test")]
    lines = []
    for r in rows.to_dict("records"):
        squared = r["statistic"] == "variance"
        df = number(r["df"], digits=0 if r["statistic"] == "f_test" else 1)
        if is_number(r["df2"]):
            df += f", {number(r['df2'], digits=1)}"
        kind = {"f_test": "F test"}.get(r["statistic"], words(r["statistic"]))
        lines.append(
            (
                measure_title(r["measure"], r["variant"]), method_text(r["method"]), r["plan_id"] or "", kind,
                str(r["term"]), str(r["level"]).replace("_", " ") if isinstance(r["level"], str) else "",
                value_text(r, None if squared else 1), df, p_text(r["p_value"]), p_text(r["p_holm"]),
            )
        )  # fmt: skip
    models = "; ".join(sorted(set(rows["model"])))
    first = rows.iloc[0]
    note = (
        f"{models}. In the unit of the measure, variances in its square. Degrees of freedom after Satterthwaite. "
        f"{number(first['n_cases'], digits=0)} cases, {number(first['n_readers'], digits=0)} readers. "
        "tables/mixed_models.csv has every cell of group and phase."
    )
    header = ("Measure", "Method", "Plan", "Statistic", "Term", "Level", "Estimate (95 %)", "df", "p", "p after Holm")
    return table_of(header, lines, note, "Mixed models") if lines else None


def reader_areas(cohort: Cohort) -> Table | None:
    """Areas under the curve of each reader and their mean."""
    rows = cohort.table("multi_reader_roc")
    if not has(rows, ["outcome", *QUANTITY, "statistic", "reader", "estimate", "ci_low", "ci_high", "status"]):
        return None
    rows = headline_quantities(cohort, rows)
    lines = [
        (
            column_label(cohort.statistics, str(r["outcome"])), *quantity_cells([r[c] for c in QUANTITY]),
            AREA_WORDS.get(r["statistic"], words(r["statistic"])), str(r["reader"] or ""), value_text(r, 2),
            number(r["df"], digits=1), number(r["n"], digits=0), number(r["n_events"], digits=0),
            number(r["n_readers"], digits=0),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = ("Outcome", *QUANTITY_HEADER, "Statistic", "Reader", "Estimate (95 %)", "df", "Cases", "Events", "Readers")
    note = "Readers and cases are random. tables/multi_reader_roc.csv has all measures and differences of methods."
    return table_of(header, lines, note, "Areas under the curve by reader") if lines else None


def missing_table(cohort: Cohort) -> Table | None:
    """Who has no value of the measures shown, and why, by group."""
    rows = cohort.table("missing_data")
    if not has(rows, ["group", *QUANTITY, "column", "statistic", "reason", "count", "n"]):
        return None
    rows = rows[rows["statistic"] == "share_missing"]
    wanted = {cohort.variant_of(spec) for spec in cohort.settings.distributions}
    mine = [
        not r["measure"] or (r["measure"], r["variant"], r["method"]) in wanted for r in rows.to_dict("records")
    ]  # fmt: skip
    lines = []
    rows = rows[pd.Series(mine, index=rows.index, dtype=bool) & ~rows["column"].isin(NOT_GAPS)]
    for r in of_headline_plan(rows, ["measure"]).to_dict("records"):
        name = column_label(cohort.statistics, str(r["column"])) if r["column"] else measure_title(r["measure"])
        detail = "" if r["column"] else ", ".join(filter(None, (variant_text(r["variant"]), method_text(r["method"]))))
        lines.append(
            (
                name, detail, str(r["plan_id"] or ""), words(r["reason"]),
                "all" if r["group"] == ALL_GROUPS else words(r["group"]),
                f"{number(r['count'], digits=0)} of {number(r['n'], digits=0)}",
                estimate(100 * r["estimate"], 100 * r["ci_low"], 100 * r["ci_high"], "pct"),
            )
        )  # fmt: skip
    header = ("Missing", "Which", "Plan", "Why", "Group", "Cases", "Share, % (95 %)")
    note = (
        "Analyses use complete cases unless a row says that gaps were filled. tables/missing_data.csv has all "
        "measures, and how cases without a value differ from those with one."
    )
    return table_of(header, lines, note) if lines else None


def reporting_lists(cohort: Cohort) -> list[tuple[str, Table]]:
    """Each checklist with what the run or the study answers and what the authors must still write."""
    rows = cohort.table("reporting")
    if not has(rows, ["guideline", "item", "section", "text", "answer", "answered_by", "filled", "source"]):
        return []
    out = []
    for name, part in rows.groupby("guideline", sort=False):
        note = f"{part['source'].iloc[0]}. tables/reporting.csv has the same."
        title = f"{name}: {int(part['filled'].sum())} of {len(part)} items answered by the run or the study"
        out.append((title, checklist_table(part, note)))
    return out
