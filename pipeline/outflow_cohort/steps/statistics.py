"""Step 6: statistics of the cohort and agreement of its readers. Units are those of the measurements."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.files import read_json, write_csv, write_parquet
from outflow_cohort.study.table_schema import write_table_schema

if TYPE_CHECKING:
    import pandas as pd


def statistics(*, results: Path, study: Path, scheduler: str | None = None, part: str | None = None) -> None:
    """Write the tables of statistics of a study to RESULTS/tables/, each as Parquet and CSV with NAME.schema.json.

    results : RESULTS, with tables/measurements/ and work/{cases,readings}.parquet. study : the validated settings
    (RESULTS/work/study.json). scheduler : address of a dask.distributed scheduler; else that of the settings; else
    this process. part : `cohort` or `readers` (`table_meanings.PARTS`); None = both.

    Raises FileNotFoundError where the measurements are not there.
    """
    from outflow_cohort.stats.study_statistics import study_tables

    for name, frame in study_tables(results, read_json(study), scheduler, part).items():
        _write(results / "tables", name, frame)


def _write(folder: Path, name: str, frame: pd.DataFrame) -> None:
    write_parquet(folder / f"{name}.parquet", frame)
    write_csv(folder / f"{name}.csv", frame)
    write_table_schema(folder, name)
