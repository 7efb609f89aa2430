"""Measurements in wide form: one row per reading and plan, one column per measured quantity.

Units are those of the registry and are in the schema beside the table: mm, mm2, deg, ml, pct, 1.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.datasets import count_rows_by
from outflow_cohort.files import fresh_folder, write_csv, write_json

if TYPE_CHECKING:
    import pandas as pd

KEYS = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id"]
PARTS = {"value": "", "ci_low": ".low", "ci_high": ".high", "status": ".status"}
"""Columns of the long table and the endings of their columns in the table of one measure."""


def write_wide(*, results: Path, output: Path) -> tuple[int, int]:
    """Write `output` (CSV) and its Table Schema from RESULTS/tables/measurements; returns rows and columns.

    Columns are measure.variant.method (empty parts left out); a missing value is an empty cell, and its status is in
    the long table. Measures that need no plan fill the rows with an empty plan_id. Raises FileNotFoundError where the
    measurements are missing.
    """
    import pandas as pd
    import pyarrow.dataset as ds

    folder = results / "tables" / "measurements"
    if not folder.is_dir():
        raise FileNotFoundError("tables/measurements")
    needed = [*KEYS, "measure", "variant", "method", "value", "unit"]
    long = ds.dataset(folder).to_table(columns=needed).to_pandas()
    long["column"] = _joined(long["measure"], long["variant"], long["method"])
    long["phase_pct"] = long["phase_pct"].astype("float64")
    wide = long.set_index([*KEYS, "column"])["value"].unstack("column").reset_index()  # noqa: PD010 (rows are unique)
    wide["read_no"] = wide["read_no"].astype("Int64")
    wide = wide.sort_values(KEYS, kind="stable", na_position="last")
    wide.columns.name = None
    units = long.drop_duplicates("column").set_index("column")["unit"]
    write_csv(output, pd.DataFrame(wide))
    fields = [
        {"name": "case_id", "type": "string", "description": "pseudonym of the case"},
        {"name": "phase_pct", "type": "number", "description": "cardiac phase, %; empty = over the phases of a case"},
        {"name": "reader_id", "type": "string", "description": "reader"},
        {"name": "read_no", "type": "integer", "description": "which read of this reader"},
        {"name": "plan_id", "type": "string", "description": "plan; empty where the measure needs none"},
    ]
    fields += [{"name": n, "type": "number", "description": f"[{units[n]}]"} for n in wide.columns if n not in KEYS]
    write_json(output.with_suffix(".schema.json"), {"fields": fields, "missingValues": [""]})
    result: tuple[int, int] = wide.shape
    return result


def write_reading_tables(tables: Path) -> None:
    """Write TABLES/readings/MEASURE.parquet: one row per case, phase, reader, read and plan.

    Of each variant and method four columns: VARIANT.METHOD (the value), and the same with .low, .high and .status. One
    part of the measurements is in memory at a time.
    """
    import pyarrow as pa
    import pyarrow.dataset as ds
    import pyarrow.parquet as pq

    dataset = tables / "measurements"
    quantities = _quantities(dataset)
    with fresh_folder(tables / "readings") as fresh:
        writers = {
            measure: pq.ParquetWriter(fresh / f"{measure}.parquet", _schema(columns), compression="zstd")
            for measure, columns in quantities.items()
        }
        needed = [*KEYS, "measure", "variant", "method", *PARTS]
        for fragment in ds.dataset(dataset, format="parquet").get_fragments():
            long = fragment.to_table(columns=needed).to_pandas()
            for measure, rows in long.groupby("measure", sort=False):
                schema = writers[str(measure)].schema
                frame = reading_table(rows).reindex(columns=schema.names)
                writers[str(measure)].write_table(pa.Table.from_pandas(frame, schema, preserve_index=False))
        for writer in writers.values():
            writer.close()


def reading_table(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows of one measure with one row per reading and plan."""
    import pandas as pd

    column = _joined(rows["variant"], rows["method"])
    keyed = rows.assign(column=column, phase_pct=rows["phase_pct"].astype("float64")).set_index([*KEYS, "column"])
    blocks = []
    for name, ending in PARTS.items():
        block = keyed[name].unstack("column")  # noqa: PD010 (rows are unique)
        blocks.append(block.rename(columns=lambda c, ending=ending: f"{c}{ending}"))
    wide = pd.concat(blocks, axis=1).reset_index()
    wide["read_no"] = wide["read_no"].astype("Int64")
    return wide.sort_values(KEYS, kind="stable", na_position="last")


def _joined(*parts: pd.Series) -> pd.Series:
    """Texts joined by dots, empty ones left out."""
    first, *rest = parts
    return first.str.cat(rest, sep=".").str.replace(r"\.+", ".", regex=True).str.strip(".")


def _quantities(dataset: Path) -> dict[str, list[str]]:
    """VARIANT.METHOD of each measure in the dataset, in order."""
    found = count_rows_by(dataset, ["measure", "variant", "method"])
    found["column"] = _joined(found["variant"], found["method"])
    return {str(m): sorted(set(rows["column"])) for m, rows in found.groupby("measure", sort=True)}


def _schema(columns: list[str]) -> object:
    import pyarrow as pa

    keys = [pa.string(), pa.float64(), pa.string(), pa.int64(), pa.string()]
    fields = list(zip(KEYS, keys, strict=True))
    for column in columns:
        fields += [(f"{column}{e}", pa.string() if n == "status" else pa.float64()) for n, e in PARTS.items()]
    return pa.schema(fields)
