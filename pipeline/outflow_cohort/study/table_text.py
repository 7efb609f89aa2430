"""Tables as text: what a file is, where it cannot be read, and how it should have been saved. One reason a file."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

HEAD_BYTES = 65_536
"""Enough of a file to know what it is."""
WORKBOOKS = (
    (b"PK\x03\x04", "an Excel workbook (.xlsx), or another zip file"),
    (b"\xd0\xcf\x11\xe0", "an Excel workbook"),
)
UTF16 = (b"\xff\xfe", b"\xfe\xff")
SAVE_AS = "Save it from the spreadsheet as CSV UTF-8 (comma-separated)."
SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True)
class UnreadableTable(Exception):
    """A file that is no comma-separated UTF-8 table: row (1 = header; None = the file), found, needed, remedy."""

    row: int | None
    found: str
    needed: str
    remedy: str


def read_csv_text(path: Path) -> pd.DataFrame:
    """All cells of a CSV file as text, '' where empty; raises UnreadableTable or OSError."""
    _look_at_head(path)
    try:
        with warnings.catch_warnings():
            # Pandas drops the cells of rows that are longer than the header, and only warns.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            return pd.read_csv(
                path, dtype="str", keep_default_na=False, encoding="utf-8-sig", skip_blank_lines=False, index_col=False
            ).fillna("")
    except UnicodeDecodeError:
        row = _first_row(path, lambda line: not _is_utf8(line))
        raise UnreadableTable(
            row, "letters that are not UTF-8 (Latin-1 or another old encoding)", "text in UTF-8", SAVE_AS
        ) from None
    except (pd.errors.ParserError, pd.errors.ParserWarning):
        raise _wrong_row(path) from None


def _look_at_head(path: Path) -> None:
    with path.open("rb") as handle:
        head = handle.read(HEAD_BYTES)
    for start, name in WORKBOOKS:
        if head.startswith(start):
            raise UnreadableTable(None, name, "a CSV file", SAVE_AS)
    if head.startswith(UTF16) or b"\0" in head:
        found = "text in UTF-16" if head.startswith(UTF16) or _looks_wide(head) else "a binary file"
        raise UnreadableTable(None, found, "text in UTF-8", SAVE_AS)
    if not head.strip(b"\xef\xbb\xbf \t\r\n"):
        raise UnreadableTable(
            None, "an empty file", "a header and rows", "Write the table; delete the file where it is optional."
        )
    header = head.splitlines()[0].decode("utf-8", "replace")
    counts = {sign: header.count(sign) for sign in (",", *SEPARATORS)}
    most = max(counts, key=lambda sign: counts[sign])
    if most != "," and counts[most] > counts[","]:
        # With such files the decimal sign is often a comma too.
        comma = most == ";" and b"," in head
        raise UnreadableTable(
            1,
            f"columns parted by {SEPARATORS[most]}{', and commas in the cells (decimal commas?)' if comma else ''}",
            "columns parted by commas, numbers with a decimal point",
            "Save it again as comma-separated CSV with decimal points; landmark_files in study.yaml takes landmarks in"
            " other forms.",
        )


def _looks_wide(head: bytes) -> bool:
    """Whether every other byte is zero, as in UTF-16 of Latin letters."""
    zeros = max(head[0::2].count(0), head[1::2].count(0))
    return zeros > 0.6 * len(head) / 2


def _is_utf8(line: bytes) -> bool:
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _first_row(path: Path, is_wrong: Callable[[bytes], bool]) -> int | None:
    with path.open("rb") as handle:
        return next((row for row, line in enumerate(handle, start=1) if is_wrong(line)), None)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Row as a spreadsheet counts, and its cells."""
    with io.TextIOWrapper(path.open("rb"), encoding="utf-8-sig", errors="replace", newline="") as handle:
        yield from enumerate(csv.reader(handle), start=1)


def _wrong_row(path: Path) -> UnreadableTable:
    """The first row that does not fit its header."""
    rows = _rows(path)
    width: int | None = None
    try:
        for row, cells in rows:
            if width is None:
                width = len(cells)
            elif len(cells) > width and any(cell.strip() for cell in cells[width:]):
                return UnreadableTable(
                    row,
                    f"{len(cells)} cells under {width} columns",
                    "one cell per column, numbers with a decimal point",
                    "Replace decimal commas by points, and put quotes around cells that hold a comma.",
                )
    except csv.Error:
        pass
    return UnreadableTable(None, "rows that do not fit the header", "one cell per column", SAVE_AS)
