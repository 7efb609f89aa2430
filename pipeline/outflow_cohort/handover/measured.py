"""What was set aside in a case, beside its measured tables (RESULTS/work/measured/KEY/set_aside.json)."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar

from outflow_cohort.handover.base import AsideRow, HandOver, read_handover, write_handover
from outflow_cohort.handover.inventory import SeriesRow
from outflow_cohort.handover.volumes import SeriesQuality

FILE = "set_aside.json"


class MeasuredAside(HandOver):
    """rows : what was not measured. case_set_aside : whether nothing was. series_quality : for series.parquet."""

    VERSION: ClassVar[int] = 2

    version: int = VERSION
    rows: tuple[AsideRow, ...] = ()
    case_set_aside: bool = False
    series_quality: tuple[SeriesQuality, ...] = ()


def read_measured_aside(folder: Path) -> MeasuredAside:
    """The file in a case's folder of measurements."""
    return read_handover(folder / FILE, MeasuredAside)


def write_measured_aside(folder: Path, content: MeasuredAside) -> None:
    """Write the file into a case's folder of measurements."""
    write_handover(folder / FILE, content)


def series_record(row: SeriesRow, quality: SeriesQuality | None) -> dict[str, Any]:
    """A row of tables/series.parquet: what the headers say, and the figures that needed pixels; columns by name."""
    figures = {} if quality is None else quality.model_dump()
    fields = row.model_dump()
    return {name: fields[name] for name in sorted(fields)} | {name: figures[name] for name in sorted(figures)}
