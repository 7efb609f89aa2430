"""Step 7: one final value per case, phase and measure, and the list of what a further reader must settle."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import read_json, write_csv, write_parquet
from outflow_cohort.study.outputs import FINAL
from outflow_cohort.study.table_schema import write_table_schema


def final(*, results: Path) -> None:
    """Write RESULTS/tables/final.parquet and adjudication.csv from the measurements and the study's settings."""
    from outflow_cohort.handover.settings import frozen_section
    from outflow_cohort.stats.data.adjudication_settings import AdjudicationSettings
    from outflow_cohort.stats.data.final_values import final_tables
    from outflow_cohort.stats.data.settings import StatisticsSettings

    study = read_json(results / "work" / "study.json")
    settled, asked = final_tables(
        results / "tables" / "measurements",
        frozen_section(study, "adjudication", AdjudicationSettings),
        frozen_section(study, "statistics", StatisticsSettings),
    )
    write_parquet(
        results / "tables" / "final.parquet", settled.astype({c.name: c.dtype for c in FINAL})[[c.name for c in FINAL]]
    )
    write_csv(results / "tables" / "adjudication.csv", asked)
    write_table_schema(results / "tables", "final")
