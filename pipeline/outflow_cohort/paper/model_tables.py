"""The tables of a paper on models, gaps and reporting lists: those of the cohort report, where the study has them."""

from __future__ import annotations

from outflow_cohort.paper.mixed_models import mixed_models
from outflow_cohort.paper.tables import PaperTable
from outflow_cohort.report.charts_survival import at_risk_table
from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.report.model_tables import WITHHELD
from outflow_cohort.report.models_part import models_part
from outflow_cohort.report.page import Table

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
    """Models in the order of the report (m1 ...), then gaps, then the checklists as supplements (s1 ...).

    A table without a single figure is left out; `not_shown` says so.
    """
    part = models_part(cohort, MOST_ROWS)
    out = [
        PaperTable(f"table_m{number}_{NAMES[t.caption]}", t.caption, t.header, t.rows, (t.note,) if t.note else ())
        for number, t in enumerate((t for t in _found(cohort) if not _reasons(t)), start=1)
    ]
    if part.missing is not None:
        t = part.missing
        name = f"table_m{len(out) + 1}_missing_data"
        out.append(PaperTable(name, "Cases without a value, and why", t.header, t.rows, (t.note,)))
    for number, (title, t) in enumerate(part.checklists, start=1):
        name = "".join(c if c.isalnum() else "_" for c in title.partition(":")[0].lower()).strip("_")
        out.append(PaperTable(f"table_s{number}_{name}", title, t.header, t.rows, (t.note,)))
    return out


def not_shown(cohort: Cohort) -> str:
    """A sentence on the tables that are left out since every figure in them is withheld; empty where none is."""
    gone = {t.caption: _reasons(t) for t in _found(cohort) if _reasons(t)}
    if not gone:
        return ""
    reasons = sorted({reason for of in gone.values() for reason in of})
    named = "; ".join(name[:1].lower() + name[1:] if not name.startswith("Cox") else name for name in gone)
    return f"Asked for but not shown, since every figure is withheld ({', '.join(reasons)}): {named}."


def _found(cohort: Cohort) -> list[Table]:
    """The tables of the report's part on models, the mixed models condensed, after the table of cases at risk."""
    part = models_part(cohort, MOST_ROWS)
    survival = at_risk_table(cohort) if part.figures else None
    listed = (survival, *(mixed_models(cohort) if t.caption == "Mixed models" else t for t in part.tables))
    return [t for t in listed if t is not None]


def _reasons(table: Table) -> set[str]:
    """Why each figure of a table is withheld; empty where it shows one."""
    found = [[c.removeprefix(WITHHELD) for c in row if c.startswith(WITHHELD)] for row in table.rows]
    return {reason for row in found for reason in row} if all(found) else set()
