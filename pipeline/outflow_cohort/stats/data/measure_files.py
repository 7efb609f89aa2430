"""The usable readings of a study, one temporary file a measure. Values in the units of their measures.

The measurements come in parts of some cases each, while agreement is computed one quantity at a time. One pass over
the parts sorts the readings by measure; then each quantity is read from a small file, and no step holds the readings
of all measures at once.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.stats.data.case_reduction import partitions, read_partition

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from outflow_cohort.stats.data.settings import StatisticsSettings

READING_COLUMNS = [
    "case_id", "phase_pct", "reader_id", "read_no", "plan_id", "measure", "variant", "method", "value", "unit",
]  # fmt: skip
INTERVAL_COLUMNS = ("ci_low", "ci_high")
"""Kept for the interval check alone: agreement reads values."""
ORDER = ["variant", "method", "plan_id", "case_id", "phase_pct", "reader_id", "read_no", "value"]
READS = ["case_id", "reader_id", "read_no"]
NO_QUANTITY = ("", "")
"""Measure and variant of nothing: a table without rows, with its columns."""


@dataclass(frozen=True)
class MeasureFiles:
    """Usable readings by named readers, sorted by measure; small enough to be sent to a worker.

    folder : NNN.parquet a measure, none.parquet without rows, reads.parquet (distinct case, reader and read of all
    readings, usable or not). measures : their names, in the order of the files. variants : (measure, variant) that
    have usable readings, sorted.
    """

    folder: Path
    measures: tuple[str, ...]
    variants: tuple[tuple[str, str], ...]

    def quantities(self, *measures: str) -> list[tuple[str, str]]:
        """(measure, variant) of all measures or those named; NO_QUANTITY alone where there is none."""
        found = [pair for pair in self.variants if not measures or pair[0] in measures]
        return found or [NO_QUANTITY]

    def readings(self, measure: str, variant: str | None = None, *, intervals: bool = False) -> pd.DataFrame:
        """Readings of one measure (and variant), in a fixed order, with their `intervals` where asked for.

        No rows where there are none.
        """
        import pyarrow.parquet as pq

        name = f"{self.measures.index(measure):03d}" if measure in self.measures else "none"
        wanted = None if variant is None else [("variant", "==", variant)]
        columns = [*READING_COLUMNS, *INTERVAL_COLUMNS] if intervals else READING_COLUMNS
        path = self.folder / f"{name}.parquet"
        frame = pq.read_table(path, columns=columns, filters=wanted, use_threads=False).to_pandas()
        return frame.sort_values(ORDER, kind="stable").reset_index(drop=True)

    def reads(self) -> pd.DataFrame:
        """Distinct case, reader and read, sorted."""
        import pandas as pd

        return pd.read_parquet(self.folder / "reads.parquet")


@contextmanager
def measure_files(folder: Path, work: Path, settings: StatisticsSettings) -> Iterator[MeasureFiles]:
    """Sort the dataset `folder` by measure into a temporary folder below `work`, gone at the end of the block.

    Memory is bounded by one part. Raises FileNotFoundError where there is no dataset.
    """
    with tempfile.TemporaryDirectory(prefix=".statistics.", suffix=".part", dir=work) as temporary:
        yield _sorted_by_measure(folder, Path(temporary), settings)


def _sorted_by_measure(folder: Path, target: Path, settings: StatisticsSettings) -> MeasureFiles:
    import pyarrow as pa
    import pyarrow.parquet as pq

    parts = partitions(folder)
    whole = pq.read_schema(parts[0].path)
    schema = pa.schema([pa.field(name, whole.field(name).type) for name in (*READING_COLUMNS, *INTERVAL_COLUMNS)])
    pq.write_table(schema.empty_table(), target / "none.parquet")
    writers: dict[str, pq.ParquetWriter] = {}
    variants: set[tuple[str, str]] = set()
    reads = []
    try:
        for part in parts:
            table = read_partition(part, INTERVAL_COLUMNS)
            reads.append(_distinct(table.select(READS).cast(pa.schema([whole.field(name) for name in READS]))))
            table = _usable(table, settings).select(schema.names).cast(schema)
            pairs = [tuple(row.values()) for row in _distinct(table.select(["measure", "variant"])).to_pylist()]
            variants.update(pairs)
            for measure in sorted({measure for measure, _ in pairs}):
                if measure not in writers:
                    writers[measure] = pq.ParquetWriter(target / f"new-{len(writers)}.parquet", schema)
                writers[measure].write_table(_where(table, "measure", [measure]))
    finally:
        for writer in writers.values():
            writer.close()
    measures = tuple(sorted(writers))
    for number, measure in enumerate(writers):
        (target / f"new-{number}.parquet").rename(target / f"{measures.index(measure):03d}.parquet")
    named = _distinct(pa.concat_tables(reads))
    named = named.filter(pa.compute.not_equal(named["reader_id"], ""))
    pq.write_table(named.sort_by([(name, "ascending") for name in READS]), target / "reads.parquet")
    return MeasureFiles(target, measures, tuple(sorted(variants)))


def _distinct(table: pa.Table) -> pa.Table:
    return table.group_by(table.column_names).aggregate([])


def _where(table: pa.Table, name: str, values: list[str]) -> pa.Table:
    """Rows whose text column `name` is one of `values`."""
    import pyarrow as pa
    import pyarrow.compute as pc

    return table.filter(pc.is_in(table[name], pa.array(values, table[name].type)))


def _usable(table: pa.Table, settings: StatisticsSettings) -> pa.Table:
    """Rows with a value that counts, by a named reader, none of it carried over from another phase.

    Carried values of several readers move with one and the same image, so they agree more than their readers do.
    Text columns of `table` are dictionaries.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    status = pc.is_in(pc.cast(table["status"], pa.string()), pa.array(list(settings.usable_statuses)))
    reader = pc.cast(table["reader_id"], pa.string())
    named = pc.and_(pc.is_valid(reader), pc.not_equal(reader, ""))
    carried = pc.equal(pc.cast(table["landmark_origin"], pa.string()), pa.scalar("carried"))
    some_carried = pc.greater(pc.fill_null(table["phases_carried"], 0), 0)
    marked = pc.invert(pc.or_(pc.fill_null(carried, False), some_carried))
    return table.filter(pc.and_(pc.and_(pc.and_(status, pc.is_valid(table["value"])), named), marked))
