"""The part of the cohort report on models: only what the study asked for."""

from __future__ import annotations

from dataclasses import dataclass

from outflow_cohort.report import model_tables
from outflow_cohort.report.charts_survival import survival_figures
from outflow_cohort.report.cohort_data import Cohort
from outflow_cohort.report.page import Figure, Table, cut


@dataclass(frozen=True)
class ModelsPart:
    """Figures of survival, tables in their order, gaps (None = nobody lacks a value), checklists with titles."""

    figures: tuple[Figure, ...]
    tables: tuple[Table, ...]
    missing: Table | None
    checklists: tuple[tuple[str, Table], ...]


def models_part(cohort: Cohort, most: int) -> ModelsPart:
    """What the study's models say; empty where it asked for none. most : rows of a table."""
    statistics = cohort.study.get("statistics") or {}
    asked = {name for name in ("time_to_event", "adjusted_models", "mixed_models") if statistics.get(name)}
    found = [
        model_tables.time_table(cohort) if "time_to_event" in asked else None,
        model_tables.regression_table(cohort, "time_to_event") if "time_to_event" in asked else None,
        model_tables.regression_table(cohort, "adjusted_models") if "adjusted_models" in asked else None,
        model_tables.mixed_table(cohort) if "mixed_models" in asked else None,
        model_tables.reader_areas(cohort) if statistics.get("outcomes") else None,
    ]
    missing = model_tables.missing_table(cohort)
    return ModelsPart(
        tuple(survival_figures(cohort)) if "time_to_event" in asked else (),
        tuple(cut(t, most) for t in found if t is not None),
        None if missing is None else cut(missing, most),
        tuple(model_tables.reporting_lists(cohort)),
    )
