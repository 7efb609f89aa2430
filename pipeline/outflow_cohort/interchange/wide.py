"""Measurements in wide form: one row a reading and plan, one column a measured quantity.

Units are those of the registry and stand in the schema beside the table: mm, mm2, deg, ml, pct, 1.
"""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_csv, write_json

KEYS = ["case_id", "phase_pct", "reader_id", "read_no", "plan_id"]


def write_wide(*, results: Path, output: Path) -> tuple[int, int]:
    """Write `output` (CSV) and its Table Schema from RESULTS/tables/measurements; returns rows and columns.

    Columns are measure.variant.method (empty parts left out); a value that cannot be had is an empty cell, and its
    status stands in the long table. Measures that need no plan fill the rows with an empty plan_id. Raises
    FileNotFoundError where the measurements are not there.
    """
    import pandas as pd
    import pyarrow.dataset as ds

    folder = results / "tables" / "measurements"
    if not folder.is_dir():
        raise FileNotFoundError("tables/measurements")
    needed = [*KEYS, "measure", "variant", "method", "value", "unit"]
    long = ds.dataset(folder).to_table(columns=needed).to_pandas()
    column = long["measure"].str.cat([long["variant"], long["method"]], sep=".").str.replace(r"\.+", ".", regex=True)
    long["column"] = column.str.strip(".")
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
    return wide.shape
