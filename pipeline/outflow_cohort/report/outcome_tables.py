"""Baseline, sizes, endpoints and classes as a reader wants them. The files under tables/ have every row and digit."""

from __future__ import annotations

import pandas as pd

from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.headline import of_headline_plan
from outflow_cohort.report.labels import column_label
from outflow_cohort.report.numbers import MISSING, estimate, is_number, number, significant
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.statistic_tables import QUANTITY_HEADER, p_text, quantity_cells
from outflow_cohort.report.wording import variant_text, words
from outflow_cohort.stats.data.one_value import ALL_GROUPS

TEST_NAMES = {"fisher_exact": "Fisher exact", "kruskal_wallis": "Kruskal-Wallis", "mann_whitney": "Mann-Whitney"}
"""Tests that bear their authors' names."""


def baseline_overview(cohort: Cohort) -> Table | None:
    """One line per column (and level), a column per group; difference and test at the end."""
    rows = cohort.table("baseline")
    if not has(rows, ["column", "kind", "level", "group", "n", "count", "share", "median", "q1", "q3", "p_value"]):
        return None
    groups = sorted(set(rows["group"]), key=lambda g: (g != ALL_GROUPS, g))
    lines: list[tuple[str, ...]] = []
    for column in dict.fromkeys(rows["column"]):
        mine = rows[rows["column"] == column]
        first = mine.iloc[0]
        difference = number(first["standardised_difference"], digits=2)
        test = (
            difference,
            p_text(first["p_value"]),
            TEST_NAMES.get(str(first["test"]), words(first["test"])) or MISSING,
        )
        for level in dict.fromkeys(mine["level"]):
            part = mine[mine["level"] == level].set_index("group")
            cells = [baseline_cell(part.loc[g]) if g in part.index else MISSING for g in groups]
            name = (
                f"{column_label(cohort.statistics, str(column))}: {level}"
                if level
                else column_label(cohort.statistics, str(column))
            )
            lines.append((name, *cells, *test))
            test = ("", "", "")
    if not lines:
        return None
    header = ("", *(words(g).capitalize() for g in groups), "Standardised difference", "p", "Test")
    note = (
        "Numbers: median (quartiles). Categories: cases (share). Standardised difference: the largest of two groups. "
        "A p-value describes the groups and selects nothing. tables/baseline.csv has means, SD and missing cells."
    )
    return table_of(header, lines, note)


def baseline_cell(row: pd.Series) -> str:
    """Median and quartiles of a number, count and share of a level."""
    if row["kind"] == "number":
        if not is_number(row["median"]):
            return MISSING
        digits = min(significant(float(row["median"])), 2)
        return estimate(row["median"], row["q1"], row["q3"], digits=digits)
    share = f" ({number(100 * row['share'], digits=0)} %)" if is_number(row["share"]) else ""
    return f"{number(row['count'], digits=0)}{share}"


def size_statistics(cohort: Cohort) -> Table | None:
    """Kappa and exact agreement on the size."""
    rows = cohort.table("size_agreement")
    if not has(rows, ["statistic", "kind", "comparison", "estimate", "ci_low", "ci_high"]):
        return None
    rows = rows[rows["statistic"].notna() & (rows["statistic"] != "") & rows["estimate"].notna()]
    lines = [
        (
            words(r["kind"]), str(r["comparison"]).replace("_", " "), words(r["statistic"]),
            estimate(r["estimate"], r["ci_low"], r["ci_high"], digits=2), number(r.get("n_cases"), digits=0),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = ("Kind", "Comparison", "Statistic", "Estimate (95 %)", "Cases")
    note = "tables/size_agreement.csv has definitions and sources, tables/sizes.csv the size of every reading."
    return table_of(header, lines, note) if lines else None


def size_share_table(cohort: Cohort) -> Table | None:
    """How many cases lead to each size, a column per group."""
    rows = cohort.table("size_shares")
    if not has(rows, ["group", "size", "count", "n", "estimate"]):
        return None
    groups = sorted(set(rows["group"]), key=lambda g: (g != ALL_GROUPS, g))
    lines = []
    for size in dict.fromkeys(rows["size"]):
        part = rows[rows["size"] == size].set_index("group")
        if not int(part["count"].fillna(0).sum()):
            continue
        cells = [f"{part.loc[g, 'count']} of {part.loc[g, 'n']}" if g in part.index else MISSING for g in groups]
        lines.append((str(size).replace("_", " "), *cells))
    header = ("Size", *(words(g).capitalize() for g in groups))
    return table_of(header, lines, str(rows["readings_rule"].iloc[0]).capitalize() + ".") if lines else None


SHOWN_STATISTICS = ("auc", "sensitivity", "specificity", "youden_cutoff", "model_auc_corrected")


STATISTIC_WORDS = {
    "auc": "area under the curve", "youden_cutoff": "Youden's cut-off",
    "model_auc_corrected": "area of the model, less optimism",
}  # fmt: skip


def headline_quantities(cohort: Cohort, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows whose predictor is the headline variant and method of its measure, of the headline plan."""
    if not has(rows, ["measure", "variant", "method", "plan_id"]):
        return rows.head(0)
    keep = []
    chosen: dict[str, tuple[str, str]] = {}
    for measure, variant in rows[["measure", "variant"]].itertuples(index=False):
        if measure not in chosen:
            solids = "/" not in str(variant) and measure.startswith(("neo_lvot", "lvot", "native_lvot"))
            chosen[measure] = cohort.variant_of(measure if solids else f"{measure}/{variant}")[1:]
        keep.append(chosen[measure])
    wanted = pd.DataFrame(keep, columns=["variant", "method"], index=rows.index)
    mine = rows[(rows["variant"] == wanted["variant"]) & (rows["method"] == wanted["method"])]
    return of_headline_plan(mine, ["measure"])


def endpoint_overview(cohort: Cohort) -> Table | None:
    """Area under the curve and the accuracy of cut-offs, a line per statistic."""
    rows = cohort.table("endpoints")
    if not has(rows, ["outcome", "statistic", "estimate", "ci_low", "ci_high", "n", "n_events", "compared_with"]):
        return None
    rows = rows[rows["statistic"].isin(SHOWN_STATISTICS) & (rows["compared_with"] == "")]
    rows = headline_quantities(cohort, rows)
    lines = []
    for r in rows.to_dict("records"):
        unit = r["unit"] if r["statistic"] == "youden_cutoff" else "1"
        value = estimate(r["estimate"], r["ci_low"], r["ci_high"], unit)
        if value == MISSING:
            value = words(r["status"])
        lines.append(
            (
                column_label(cohort.statistics, str(r["outcome"])),
                *quantity_cells([r["measure"], r["variant"], r["method"], r["plan_id"]]),
                STATISTIC_WORDS.get(r["statistic"], words(r["statistic"])),
                f"{r['cutoff']:g}" if is_number(r["cutoff"]) else MISSING, value, number(r["n"], digits=0),
                number(r["n_events"], digits=0), words(r.get("warning")) or "",
            )
        )  # fmt: skip
    header = ("Outcome", *QUANTITY_HEADER, "Statistic", "Cut-off", "Estimate (95 %)", "Cases", "Events", "Warning")
    note = (
        "Few events: every figure here is uncertain, and nothing is a validation. tables/endpoints.csv, "
        "roc_curves.csv, decision_curves.csv and dose_response.csv have all predictors, definitions and sources."
    )
    return table_of(header, lines, note) if lines else None


def class_overview(cohort: Cohort) -> Table | None:
    """Agreement of readers on the side of the cut-offs."""
    rows = cohort.table("categorical_agreement")
    if not has(rows, ["measure", "variant", "method", "statistic", "kind", "comparison", "estimate"]):
        return None
    _, solid, method = cohort.variant_of("neo_lvot_area")
    rows = rows[(rows["variant"] == solid) & (rows["method"] == method) & rows["estimate"].notna()]
    lines = [
        (
            r["plan_id"], str(r.get("cutoff_id", "")).replace("_", " "), words(r["kind"]),
            str(r["comparison"]).replace("_", " "), words(r["statistic"]),
            estimate(r["estimate"], r["ci_low"], r["ci_high"], digits=2), number(r.get("n_cases"), digits=0),
        )
        for r in rows.to_dict("records")
    ]  # fmt: skip
    header = ("Plan", "Cut-off", "Kind", "Comparison", "Statistic", "Estimate (95 %)", "Cases")
    note = f"{variant_text(solid).capitalize()}. tables/categorical_agreement.csv has the rest, with definitions."
    return table_of(header, lines, note, "On which side of a cut-off a case is") if lines else None
