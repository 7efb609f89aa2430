"""The interval check as the cohort report shows it: what is not as expected first, the rest below."""

from __future__ import annotations

from outflow_cohort.report.cohort_data import Cohort, has
from outflow_cohort.report.numbers import estimate, number
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.statistic_tables import QUANTITY_HEADER, quantity_cells
from outflow_cohort.report.wording import measure_title, words
from outflow_cohort.stats.agreement.interval_check import COLUMNS, READERS_OVERLAP, remark

COMPARED = ("second read in first interval", "two readers' intervals overlap")
ORDER = ("too_narrow", "too_wide", "as_expected", "too_few_cases")


def interval_remark(cohort: Cohort) -> str:
    """One sentence on the study's intervals; empty where the table was not computed."""
    rows = cohort.table("interval_check")
    return remark(rows, measure_title) if has(rows, COLUMNS) else ""


def interval_overview(cohort: Cohort) -> Table | None:
    """Observed and expected share of each comparison."""
    rows = cohort.table("interval_check")
    if not has(rows, COLUMNS) or not len(rows):
        return None
    rows = rows.assign(rank=rows["finding"].map(ORDER.index)).sort_values("rank", kind="stable")
    lines = [
        (
            *quantity_cells((row.measure, row.variant, row.method, row.plan_id)),
            COMPARED[row.comparison == READERS_OVERLAP],
            number(row.n_cases, digits=0),
            number(row.n_pairs, digits=0),
            estimate(row.share, row.ci_low, row.ci_high, digits=2),
            number(row.expected_share, digits=2),
            words(row.finding),
        )
        for row in rows.itertuples()
    ]
    header = (*QUANTITY_HEADER, "Compared", "Cases", "Pairs", "Share", "Expected", "Finding")
    note = (
        "Share of pairs (95 % interval, by cases) against the share that theory gives for intervals of 95 %. What two "
        "readings have in common, such as the image's noise, makes the share higher. tables/interval_check.csv."
    )
    return table_of(header, lines, note)
