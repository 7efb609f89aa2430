"""Reads the study's tables as text, checks every cell, and converts. Lengths in mm, angles in degrees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort.study.columns import Column, TableSpec
from outflow_cohort.study.problems import (
    NO_NUMBER,
    Problem,
    described,
    nearest,
    nearest_name,
    shown,
)
from outflow_cohort.study.table_text import UnreadableTable, read_csv_text

LONGEST_NAME = 128
"""Characters of an identifier; a longer one is not an identifier."""
MOST_PROBLEMS = 20
"""Problems listed for one column; the rest is counted."""


def _no_file(path: Path, needed: str) -> Problem:
    """A missing table, and what is beside it under nearly the same name."""
    beside = sorted(p.name for p in path.parent.iterdir()) if path.parent.is_dir() else []
    found, remedy = "no such file", f"Write {path.name}."
    same_stem = [name for name in beside if Path(name).stem.lower() == path.stem.lower()]
    likely = nearest_name(path.name, beside)
    if same_stem:
        other = shown(same_stem[0])
        found = f"no such file, but {other} beside it"
        remedy = f"Save {other} as {path.name}: CSV in UTF-8, comma-separated."
        if Path(same_stem[0]).suffix.lower() == path.suffix.lower():
            remedy = f"Rename {other} to {path.name}."
    elif likely:
        remedy = f"Write {path.name}, or rename {shown(likely)}."
    return Problem(file=path.name, row=None, column=None, found=found, needed=needed, remedy=remedy)


def read_table(path: Path, spec: TableSpec, problems: list[Problem]) -> pd.DataFrame:
    """Read `path` by `spec`; numbers are float64 (NaN where empty), names are text ('' where empty).

    Adds `row` (as a spreadsheet counts) and `file`. Mistakes go to `problems`; a bad cell becomes NaN or ''.
    """
    if not path.exists():
        if not spec.optional:
            problems.append(_no_file(path, f"the table of {spec.name}"))
        return empty_table(spec)
    try:
        frame = _read_text(path)
    except UnreadableTable as error:
        problems.append(
            Problem(
                file=path.name, row=error.row, column=None, found=error.found, needed=error.needed, remedy=error.remedy
            )
        )
        return empty_table(spec)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "damaged, or of another kind than its name says"
        found = f"a file that cannot be read ({reason})"
        problems.append(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found=found,
                needed="CSV in UTF-8, comma-separated",
                remedy="Save it again as CSV.",
            )
        )
        return empty_table(spec)
    if frame.empty:
        _tell_no_rows(path.name, spec, problems)
    return check_table(frame, path.name, spec, problems)


def _tell_no_rows(file: str, spec: TableSpec, problems: list[Problem]) -> None:
    """A header without rows: an error where nothing can be done without them."""
    if spec.name == "cases":
        problems.append(
            Problem(
                file=file,
                row=None,
                column=None,
                found="a header and no rows",
                needed="one row per case",
                remedy="Write the cases into the table.",
            )
        )
    elif spec.name in ("series", "landmarks"):
        problems.append(
            Problem(
                file=file,
                row=None,
                column=None,
                found="a header and no rows",
                needed=f"the {spec.name} of the cases",
                remedy="Fill the table; without it every case is set aside.",
                severity="warning",
            )
        )


def _read_text(path: Path) -> pd.DataFrame:
    if path.suffix.lower() == ".parquet":
        frame = pd.read_parquet(path)
        for name in frame.columns:
            column = frame[name]
            text = column.map(repr) if column.dtype.kind == "f" else column.astype("object").map(str)
            frame[name] = text.where(column.notna(), "").astype("str")
    else:
        frame = read_csv_text(path)
    frame.columns = [str(c).strip() for c in frame.columns]
    frame["row"] = np.arange(2, len(frame) + 2)
    cells = frame.columns.drop("row")
    blank = np.full(len(frame), len(cells) > 0)
    for position in range(len(cells)):
        blank &= (frame.iloc[:, position] == "").to_numpy(bool)
    return (frame[~blank] if blank.any() else frame).reset_index(drop=True)


def empty_table(spec: TableSpec) -> pd.DataFrame:
    """A table of `spec` without rows."""
    frame = pd.DataFrame(
        {c.name: pd.Series(dtype="float64" if c.kind in ("number", "integer") else "str") for c in spec.columns}
    )
    return frame.assign(row=pd.Series(dtype="int64"), file=pd.Series(dtype="str"))


def check_table(frame: pd.DataFrame, file: str, spec: TableSpec, problems: list[Problem]) -> pd.DataFrame:
    """Check a table of text cells (with `row`) against `spec` and convert it; `frame` is used up."""
    known = [c.name for c in spec.columns]
    given = [c for c in frame.columns if c not in ("row", "file")]
    missing = [c.name for c in spec.columns if c.required and c.name not in given]
    for name in missing:
        likely = nearest(name, [g for g in given if g not in known])
        problems.append(
            Problem(
                file=file,
                row=1,
                column=name,
                found="no such column",
                needed=f"columns {', '.join(known)}",
                remedy=f"Add it{likely or '.'}",
            )
        )
    if not spec.open:
        for name in given:
            if name not in known:
                hint = nearest(name, known)
                problems.append(
                    Problem(
                        file=file,
                        row=1,
                        column=shown(name),
                        found="an unknown column",
                        needed="known columns only (handbook, Study tables)",
                        remedy=f"Remove or rename it{hint or '.'}",
                        severity="warning",
                    )
                )
    for name in sorted({g for g in given if given.count(g) > 1}):
        problems.append(
            Problem(
                file=file,
                row=1,
                column=shown(name),
                found="the column twice",
                needed="each column once",
                remedy="Remove one of them.",
            )
        )
        return empty_table(spec)
    converted = pd.DataFrame({"row": frame["row"]})
    blank = pd.Series("", index=frame.index, dtype="str")
    converted["file"] = frame["file"] if "file" in frame else file
    for column in spec.columns:
        # Taken out of the frame, so that text and numbers of a large table are not all in memory at once.
        text = frame.pop(column.name).str.strip() if column.name in given else blank
        absent = column.name in missing
        converted[column.name] = _convert(text, column, converted, [] if absent else problems)
    if spec.open:
        for name in given:
            if name not in known:
                converted[name] = frame[name].str.strip()
    if spec.key and not missing:
        key = ", ".join(spec.key)
        for row in converted.loc[converted.duplicated(list(spec.key)), "row"]:
            problems.append(
                Problem(
                    file=file,
                    row=int(row),
                    column="+".join(spec.key),
                    found=f"a second row with the same {key}",
                    needed=f"one row per {key}",
                    remedy="Remove or rename one of them.",
                )
            )
    return converted


def _convert(text: pd.Series, column: Column, place: pd.DataFrame, problems: list[Problem]) -> pd.Series:
    """Convert one column of text; each bad cell is a problem."""
    bad: list[tuple[int, str, str, str]] = []
    empty = text == ""
    if column.required:
        bad += [(i, "an empty cell", "a value", "Fill the cell.") for i in _places(empty)]
    if column.kind in ("number", "integer"):
        numbers = pd.to_numeric(text.where(~empty, None), errors="coerce").astype("float64")
        wrong = ~empty & ~np.isfinite(numbers)
        needed = f"a number in {column.unit}" if column.unit else "a number"
        bad += [(i, described(text.iloc[i]), needed, _number_remedy(text.iloc[i], column)) for i in _places(wrong)]
        if column.kind == "integer":
            fraction = ~wrong & ~empty & (numbers != np.floor(numbers))
            bad += [(i, f"{numbers.iloc[i]:g}", "a whole number", "Correct the cell.") for i in _places(fraction)]
        if column.low is not None and column.high is not None:
            outside = ~wrong & ~empty & ((numbers < column.low) | (numbers > column.high))
            needed = f"{column.low:g} to {column.high:g} {column.unit}"
            bad += [
                (i, f"{numbers.iloc[i]:g}", needed, f"Check the unit: the column is in {column.unit}.")
                for i in _places(outside)
            ]
        result: pd.Series = numbers.where(np.isfinite(numbers), np.nan)
    elif column.kind == "choice":
        lower = text.str.lower()
        wrong = ~empty & ~lower.isin(column.choices)
        needed = "one of " + ", ".join(column.choices)
        bad += [
            (i, shown(text.iloc[i]), needed, f"Correct it{nearest(text.iloc[i], column.choices) or '.'}")
            for i in _places(wrong)
        ]
        result = lower.where(~wrong, "")
    else:
        wrong = (text.str.len() > LONGEST_NAME) if column.kind == "name" else pd.Series(False, index=text.index)
        wrong |= text.str.contains(r"[\x00-\x1f\x7f]", regex=True)
        needed = f"up to {LONGEST_NAME} printable characters"
        bad += [(i, f"{len(text.iloc[i])} characters", needed, "Shorten or clean it.") for i in _places(wrong)]
        result = text.where(~wrong, "")
    for i, found, needed, remedy in sorted(bad)[:MOST_PROBLEMS]:
        problems.append(
            Problem(
                file=str(place["file"].iloc[i]),
                row=int(place["row"].iloc[i]),
                column=column.name,
                found=found,
                needed=needed,
                remedy=remedy,
            )
        )
    if len(bad) > MOST_PROBLEMS:
        problems.append(
            Problem(
                file=str(place["file"].iloc[0]),
                row=None,
                column=column.name,
                found=f"{len(bad) - MOST_PROBLEMS} more bad cells",
                needed="as above",
                remedy="Correct them likewise.",
            )
        )
    return result


def _number_remedy(text: str, column: Column) -> str:
    if text.strip().casefold() not in NO_NUMBER:
        return "Write digits with a decimal point."
    return "Write the number, or remove the row." if column.required else "Write the number, or leave the cell empty."


def _places(mask: pd.Series) -> list[int]:
    """Where a mask is true, counted from 0."""
    return [int(place) for place in np.flatnonzero(mask)]
