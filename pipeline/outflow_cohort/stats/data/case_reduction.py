"""One value per case from the partitioned dataset of measurements. Units are those of the rows.

A partition is a row group of a part. It is read with its text columns as codes, reduced to one value per case, phase
and measure, and dropped; a few bytes per case value are kept. A case whose rows are in several partitions is read
again as a whole, so that neither partitioning, row order nor the number of workers changes a digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.stats.data.dask_scheduler import compute_each

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from outflow_cohort.stats.data.settings import StatisticsSettings

LABELS = ("measure", "variant", "method", "unit", "plan_id")
TEXT = (*LABELS, "case_id", "reader_id", "status")
COLUMNS = (*TEXT, "phase_pct", "read_no", "value")
ORIGIN = {"landmark_origin": "string", "phases_carried": "int64"}
"""Which landmarks were carried over from another phase; older tables have neither column."""
NO_PHASE = -1
"""Code of a row without a phase."""
LARGEST_KEY = 2**62


@dataclass(frozen=True)
class Rules:
    """How the readings of a case become one value (see StatisticsSettings)."""

    reader_rule: str
    reference_reader: str | None
    read_rule: str
    usable_statuses: tuple[str, ...]
    phase_step_pct: float

    @property
    def text(self) -> str:
        """The choice in words, for the tables."""
        reads = "first read of each reader" if self.read_rule == "first_read" else "mean of each reader's reads"
        readers = {
            "mean_over_readers": "mean over readers",
            "median_over_readers": "median over readers",
            "reference_reader": f"reader {self.reference_reader} alone",
        }[self.reader_rule]
        return f"{readers}, {reads}"


def rules_of(settings: StatisticsSettings) -> Rules:
    """The rules by which a study makes one value per case out of its readings.

    >>> rules_of(StatisticsSettings()).reader_rule
    'mean_over_readers'
    """
    return Rules(
        settings.reader_rule,
        settings.reference_reader,
        settings.read_rule,
        settings.usable_statuses,
        settings.curve_step_pct,
    )


@dataclass(frozen=True)
class Partition:
    """A row group of a file; `only` names the cases wanted of it (None = all)."""

    path: str
    row_group: int
    only: tuple[str, ...] | None = None


def partitions(folder: Path) -> list[Partition]:
    """The row groups of all parts of a dataset, in the order of their names. Raises FileNotFoundError."""
    import pyarrow.parquet as pq

    paths = [folder] if folder.is_file() else sorted(folder.rglob("*.parquet"))
    if not paths:
        raise FileNotFoundError(f"no Parquet part in {folder.name}/; the table step writes them")
    return [Partition(str(p), i) for p in paths for i in range(pq.ParquetFile(p).metadata.num_row_groups)]


def read_partition(part: Partition, further: tuple[str, ...] = ()) -> pa.Table:
    """The columns that the statistics need, and `further` ones, text as dictionaries."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    file = pq.ParquetFile(part.path, read_dictionary=list(TEXT), pre_buffer=True)
    here = [name for name in ORIGIN if name in file.schema_arrow.names]
    table = file.read_row_group(part.row_group, columns=[*COLUMNS, *further, *here], use_threads=False)
    for name, kind in ORIGIN.items():
        if name not in here:
            table = table.append_column(name, pa.nulls(len(table), kind))
    if part.only is not None:
        wanted = pa.array(list(part.only))
        table = table.filter(pc.is_in(table["case_id"].cast(pa.string()), wanted))
    return table


def case_values(folder: Path, rules: Rules, scheduler: str | None = None) -> pd.DataFrame:
    """One row per case, phase, plan, measure, variant and method: value (NaN = no usable reading), n_readings and
    n_carried.

    Readings whose landmarks were carried from another phase count only where no marked one is usable; n_carried says
    how many of n_readings they are, so that a value rests on marked landmarks or on carried ones, never on both.
    Phases are put into bins of `rules.phase_step_pct` (phase_pct = middle of the bin; NaN = no phase). Columns of text
    are categorical with sorted categories. Raises FileNotFoundError where there is no dataset.

    Two readers of one case, and their mean (invented). RESULTS/tables/measurements is such a folder:

    >>> import tempfile
    >>> rows = pd.DataFrame({"case_id": "C1", "phase_pct": 40.0, "reader_id": ["R1", "R2"], "read_no": 1, "plan_id": "",
    ...                      "measure": "mitral_area", "variant": "spline", "method": "reader_points",
    ...                      "value": [700.0, 720.0], "unit": "mm2", "status": "ok"})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     rows.to_parquet(f"{folder}/part.parquet")
    ...     found = case_values(Path(folder), rules_of(StatisticsSettings()))
    >>> found[["case_id", "phase_pct", "value", "n_readings"]].values.tolist()
    [['C1', 40.0, 710.0, 2]]
    """
    import pandas as pd

    found = partitions(folder)
    frames = compute_each(partial(_reduced, rules=rules), found, scheduler)
    seen: dict[str, int] = {}
    for frame in frames:
        for name in frame["case_id"].cat.categories:
            seen[name] = seen.get(name, 0) + 1
    split = sorted(name for name, times in seen.items() if times > 1)
    if split:
        again = set(split)
        pieces = []
        for part, frame in zip(found, frames, strict=True):
            here = [name for name in frame["case_id"].cat.categories if name in again]
            if here:
                pieces.append(Partition(part.path, part.row_group, tuple(here)))
        frames = [frame[~frame["case_id"].isin(again)] for frame in frames]
        frames.append(_reduced(pieces, rules=rules))
    return _joined(pd, frames)


def _reduced(parts: Partition | Sequence[Partition], *, rules: Rules) -> pd.DataFrame:
    import pyarrow as pa

    tables = [read_partition(p) for p in ([parts] if isinstance(parts, Partition) else parts)]
    return reduce_table(pa.concat_tables(tables), rules)


def _codes(table: pa.Table, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Codes of a dictionary column, in the order of its sorted labels; null counts as ''."""
    import pyarrow as pa

    column = table[name]
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    array = column.unify_dictionaries().combine_chunks()
    array = array.chunk(0) if isinstance(array, pa.ChunkedArray) and array.num_chunks else array
    if isinstance(array, pa.ChunkedArray):
        return np.zeros(0, np.int64), np.zeros(0, object)
    labels = np.array(["" if x is None else x for x in array.dictionary.to_pylist()] + [""], dtype=object)
    raw = array.indices.fill_null(len(labels) - 1).to_numpy(zero_copy_only=False)
    used = np.zeros(len(labels), bool)
    used[raw] = True
    names, where = np.unique(labels[used].astype(str), return_inverse=True)
    position = np.zeros(len(labels), np.int64)
    position[used] = where
    return position[raw], names.astype(object)


def reduce_table(table: pa.Table, rules: Rules) -> pd.DataFrame:
    """One value per case, phase, plan, measure, variant and method of the rows of `table` (whole cases)."""
    import pandas as pd

    coded = {name: _codes(table, name) for name in TEXT}
    value = np.asarray(table["value"].to_numpy(), dtype=np.float64)
    phase = np.asarray(table["phase_pct"].to_numpy(), dtype=np.float64)
    read = np.asarray(table["read_no"].fill_null(0).to_numpy(), dtype=np.int64)
    step = rules.phase_step_pct
    known = np.isfinite(phase)
    bins = np.where(known, np.floor(np.where(known, phase, 0.0) / step + 0.5), NO_PHASE).astype(np.int64)
    status_codes, status_names = coded["status"]
    usable = np.isin(status_names, rules.usable_statuses)[status_codes] & np.isfinite(value)
    reader, reader_names = coded["reader_id"]
    if rules.reader_rule == "reference_reader":
        usable &= np.isin(reader_names, [rules.reference_reader or "", ""])[reader]

    parts: list[tuple[np.ndarray, int | None]] = [
        (coded["case_id"][0], len(coded["case_id"][1])),
        (bins + 1, int(bins.max(initial=0)) + 2),
    ]
    parts += [(coded[name][0], len(coded[name][1])) for name in LABELS]
    unit_key = _mixed(parts)
    row_key = _mixed([(unit_key, None), (reader, len(reader_names)), (read, int(read.max(initial=0)) + 1)])
    order = np.arange(len(row_key))
    if not (row_key[1:] > row_key[:-1]).all():
        order = np.argsort(row_key, kind="quicksort")
        ordered = row_key[order]
        if (ordered[1:] == ordered[:-1]).any():
            # The same reading twice: its values in their own order, so that their mean does not depend on the rows'.
            order = np.lexsort((value, row_key))
        unit_key, row_key, usable = unit_key[order], row_key[order], usable[order]
        value, reader, read = value[order], reader[order], read[order]
    unit_start = _starts(unit_key)
    unit_of_row = np.cumsum(_is_start(unit_key)) - 1
    carried = _carried(table)[order]
    marked_there = np.zeros(len(unit_start), bool)
    marked_there[unit_of_row[usable & ~carried]] = True
    usable &= ~(carried & marked_there[unit_of_row])
    rows = np.flatnonzero(usable)
    reader_value, reader_unit, reader_rows = _one_a_reader(
        value[rows], unit_of_row[rows], reader[rows], read[rows], rules.read_rule
    )
    values, counts = np.full(len(unit_start), np.nan), np.zeros(len(unit_start), np.int32)
    if len(reader_value):
        start = _starts(reader_unit)
        counts[reader_unit[start]] = np.add.reduceat(reader_rows, start)
        if rules.reader_rule == "median_over_readers":
            values[reader_unit[start]] = _segment_quantiles(reader_value, reader_unit, (0.5,))[:, 0]
        else:
            size = np.diff(np.append(start, len(reader_value)))
            values[reader_unit[start]] = np.add.reduceat(reader_value, start) / size
    # after the line above, a quantity's usable readings are all marked or all carried
    carried_there = np.zeros(len(unit_start), bool)
    carried_there[unit_of_row[usable & carried]] = True
    first = order[unit_start]
    frame = {"case_id": pd.Categorical.from_codes(coded["case_id"][0][first], coded["case_id"][1])}
    frame["phase_pct"] = np.where(bins[first] == NO_PHASE, np.nan, bins[first] * step)
    for name in LABELS:
        frame[name] = pd.Categorical.from_codes(coded[name][0][first], coded[name][1])
    n_carried = np.where(carried_there, counts, 0).astype(np.int32)
    return pd.DataFrame(frame | {"value": values, "n_readings": counts, "n_carried": n_carried})


def _carried(table: pa.Table) -> np.ndarray:
    """Whether each row rests on landmarks carried from another phase, its own or one of those it goes over."""
    import pyarrow as pa
    import pyarrow.compute as pc

    found = np.zeros(len(table), bool)
    if "landmark_origin" in table.column_names:
        origin = pc.equal(pc.cast(table["landmark_origin"], pa.string()), pa.scalar("carried"))
        found |= pc.fill_null(origin, False).to_numpy(zero_copy_only=False)
    if "phases_carried" in table.column_names:
        found |= pc.greater(pc.fill_null(table["phases_carried"], 0), 0).to_numpy(zero_copy_only=False)
    return found


def _one_a_reader(
    value: np.ndarray, unit: np.ndarray, reader: np.ndarray, read: np.ndarray, rule: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Value, unit and number of readings of each reader in each unit; rows are ordered by unit, reader, read."""
    if not len(value):
        return value, unit, np.zeros(0, np.int32)
    new_reader = np.append(True, (unit[1:] != unit[:-1]) | (reader[1:] != reader[:-1]))
    if rule == "first_read":
        start = np.flatnonzero(new_reader)
        kept = read == np.repeat(read[start], np.diff(np.append(start, len(value))))
        value, unit, new_reader = value[kept], unit[kept], new_reader[kept]
    start = np.flatnonzero(new_reader)
    size = np.diff(np.append(start, len(value)))
    return np.add.reduceat(value, start) / size, unit[start], size.astype(np.int32)


def _is_start(key: np.ndarray) -> np.ndarray:
    return np.append(np.ones(min(len(key), 1), bool), key[1:] != key[:-1])


def _starts(key: np.ndarray) -> np.ndarray:
    return np.flatnonzero(_is_start(key))


def _mixed(parts: Sequence[tuple[np.ndarray, int | None]]) -> np.ndarray:
    """One whole number a row from codes and their ranges (the first range may be open)."""
    key = parts[0][0].astype(np.int64)
    largest = int(key.max(initial=0)) + 1
    for code, open_size in parts[1:]:
        size = open_size or int(code.max(initial=0)) + 1
        largest *= size
        if largest > LARGEST_KEY:
            # Ranks instead of products: rarely needed, and the order stays.
            key = np.unique(key, return_inverse=True)[1]
            largest = (int(key.max(initial=0)) + 1) * size
        key = key * size + code
    return key


def _segment_quantiles(value: np.ndarray, segment: np.ndarray, probabilities: Sequence[float]) -> np.ndarray:
    """(n_segments, n_probabilities) quantiles of values by (ordered) segment; Hyndman & Fan 1996, definition 7."""
    ordered = value[np.lexsort((value, segment))]
    start = _starts(segment)
    size = np.diff(np.append(start, len(value)))
    out = np.empty((len(start), len(probabilities)))
    for column, probability in enumerate(probabilities):
        place = probability * (size - 1)
        below = np.floor(place).astype(np.int64)
        low = ordered[start + below]
        high = ordered[start + np.minimum(below + 1, size - 1)]
        out[:, column] = low + (place - below) * (high - low)
    return out


def _joined(pd: Any, frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    names = ("case_id", *LABELS)
    data: dict[str, Any] = {}
    for name in ("case_id", "phase_pct", *LABELS, "value", "n_readings", "n_carried"):
        if name not in names:
            data[name] = np.concatenate([f[name].to_numpy() for f in frames])
            continue
        labels = sorted(set().union(*(f[name].cat.categories for f in frames)))
        place = {label: i for i, label in enumerate(labels)}
        codes = [
            np.array([place[c] for c in f[name].cat.categories] or [0], np.int32)[f[name].cat.codes.to_numpy()]
            for f in frames
        ]
        data[name] = pd.Categorical.from_codes(np.concatenate(codes), labels)
    return pd.DataFrame(data)
