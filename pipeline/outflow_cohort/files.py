"""Atomic, deterministic writing: a file is whole or absent, and the same content gives the same bytes."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


CSV_ROWS = 10_000
"""Rows turned into text at a time, so that a large table needs little memory."""


class DamagedFile(ValueError):
    """A file that a step of this run wrote cannot be read any more; the message names it and the remedy."""

    def __init__(self, path: Path, reason: str) -> None:
        place = Path(*path.parts[-3:])
        super().__init__(
            f"{place}: found a file that cannot be read ({reason}); needed the file as its step wrote it. "
            "Remedy: delete that file (or its folder) and start the run again, which makes it anew."
        )


@contextmanager
def fresh_folder(path: Path) -> Iterator[Path]:
    """Give an empty folder beside `path` to be filled; it takes the place of `path` where the block ends well.

    A reader of `path` sees the whole folder or none; a killed process leaves only `.NAME.PID.part`.
    """
    fresh = path.with_name(f".{path.name}.{os.getpid()}.part")
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(parents=True)
    try:
        yield fresh
        if path.exists():
            shutil.rmtree(path)
        os.replace(fresh, path)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def write_atomically(path: Path, write: Callable[[Path], object]) -> None:
    """Call `write` on a temporary name in the same folder, flush it to disk, then move it to `path`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(temporary)
        with temporary.open("rb+") as handle:
            os.fsync(handle.fileno())
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 with newline ends."""
    write_atomically(path, lambda p: p.write_bytes(text.encode("utf-8")))


def write_json(path: Path, content: Any, *, indent: int | None = 1) -> None:
    """Write `content` as JSON with sorted keys; NaN and infinity are refused (ValueError).

    indent : None for large files of numbers, which are some ten times faster to write in one line.
    """
    write_text(path, json.dumps(content, sort_keys=True, indent=indent, ensure_ascii=False, allow_nan=False) + "\n")


def read_json(path: Path) -> Any:
    """Read a JSON file; raises DamagedFile where it is not JSON."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise DamagedFile(path, type(error).__name__) from None


def write_parquet(path: Path, frame: pd.DataFrame, *, group_rows: int | None = None) -> None:
    """Write `frame` without its index; fixed compression, no pandas metadata, so that bytes repeat.

    group_rows : rows in a row group; small ones let a reader skip what it does not need.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.Table.from_pandas(frame, preserve_index=False).replace_schema_metadata(None)
    write_atomically(path, lambda p: pq.write_table(table, p, row_group_size=group_rows, compression="zstd"))


def read_parquet_table(path: Path) -> pa.Table:
    """Read one Parquet file as it is; raises DamagedFile where it is not one, FileNotFoundError where it is gone."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.read_table(path)
    except FileNotFoundError:
        raise
    except (pa.ArrowException, OSError) as error:
        raise DamagedFile(path, type(error).__name__) from None


def write_csv(path: Path, frame: pd.DataFrame) -> None:
    """Write `frame` as CSV; a cell that a spreadsheet would run as a formula gets a leading apostrophe.

    Source: OWASP, CSV injection (cells starting with = + - @ tab or carriage return). A carriage return within a cell
    becomes a line feed: readers take it for the end of the row where it is not quoted.
    """

    def write(target: Path) -> None:
        with target.open("w", encoding="utf-8", newline="") as handle:
            for start in range(0, max(len(frame), 1), CSV_ROWS):
                safe = frame.iloc[start : start + CSV_ROWS].copy()
                for name in safe.columns:
                    column = safe[name]
                    if column.dtype == object or str(column.dtype) in ("str", "string"):
                        cells = column.astype("object")
                        safe[name] = cells.map({cell: _disarmed(cell) for cell in cells.unique()})
                safe.to_csv(handle, index=False, header=start == 0, lineterminator="\n")

    write_atomically(path, write)


def _disarmed(cell: Any) -> Any:
    """Text that no spreadsheet runs; anything but text as it is."""
    if not isinstance(cell, str):
        return cell
    risky = cell[:1] in ("=", "+", "-", "@", "\t", "\r")
    text = cell.replace("\r\n", "\n").replace("\r", "\n")
    return f"'{text}" if risky else text
