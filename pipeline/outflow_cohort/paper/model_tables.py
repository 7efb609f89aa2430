"""The tables of a paper on models, gaps and reporting lists: those of the cohort report, where the study has them."""

from __future__ import annotations

from outflow_cohort.paper.tables import PaperTable
from outflow_cohort.report.charts_survival import at_risk_table
from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.report.models_part import models_part

NAMES = {
    "Share without the event": "survival",
    "Time to the event": "time_to_event",
    "Cox models": "cox_models",
    "Logistic models with covariates": "adjusted_models",
    "Mixed models": "mixed_models",
    "Areas under the curve by reader": "reader_areas",
}
"""Title of a table -> its part of the file name."""
MOST_ROWS = 10_000


def model_tables(cohort: Cohort) -> list[PaperTable]:
    """Models in the order of the report (m1 ...), then gaps, then the checklists as supplements (s1 ...)."""
    part = models_part(cohort, MOST_ROWS)
    survival = at_risk_table(cohort) if part.figures else None
    found = [t for t in (survival, *part.tables) if t is not None]
    out = [
        PaperTable(f"table_m{number}_{NAMES[t.caption]}", t.caption, t.header, t.rows, (t.note,) if t.note else ())
        for number, t in enumerate(found, start=1)
    ]
    if part.missing is not None:
        t = part.missing
        name = f"table_m{len(out) + 1}_missing_data"
        out.append(PaperTable(name, "Cases without a value, and why", t.header, t.rows, (t.note,)))
    for number, (title, t) in enumerate(part.checklists, start=1):
        name = "".join(c if c.isalnum() else "_" for c in title.partition(":")[0].lower()).strip("_")
        out.append(PaperTable(f"table_s{number}_{name}", title, t.header, t.rows, (t.note,)))
    return out
