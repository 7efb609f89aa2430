"""What a dataset of Parquet parts holds, a row group at a time: memory does not grow with the number of parts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow.compute as pc


def count_rows_by(dataset: Path, columns: Sequence[str], where: pc.Expression | None = None) -> pd.DataFrame:
    """The distinct combinations of `columns`, sorted (null last), and `rows`, how often each occurs in the dataset.

    dataset : folder of parts, or one file. where : which rows count. Raises FileNotFoundError where there is no
    dataset.
    """
    import pyarrow as pa
    import pyarrow.dataset as ds

    keys = list(columns)
    counted = []
    for fragment in ds.dataset(dataset, format="parquet").get_fragments():
        for piece in fragment.split_by_row_group():
            part = piece.to_table(columns=keys, filter=where)
            counted.append(part.group_by(keys).aggregate([([], "count_all")]))
    if not counted:
        raise FileNotFoundError(f"no Parquet part in {dataset.name}; the table step writes them")
    found = pa.concat_tables(counted).group_by(keys).aggregate([("count_all", "sum")])
    ordered = found.rename_columns([*keys, "rows"]).sort_by([(name, "ascending") for name in keys])
    return ordered.to_pandas()
