"""A data frame as a table of a page: titles, units and missing values as readers see them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from outflow_cohort.report.numbers import number, unit_text
from outflow_cohort.report.page import Table, table_of
from outflow_cohort.report.wording import COLUMN_TITLES, field_title, measure_title, method_text, variant_text, words

VERBATIM = ("comparison", "pair", "source", "definition", "message", "level", "term", "formula", "note")
"""Columns printed as they are; in others an underscore becomes a space."""

OF_ALL = ("all_readers", "all_groups")
"""Names in such columns that are the program's own."""

IN_WORDS: dict[str, Callable[[str], str]] = {
    "measure": measure_title, "variant": variant_text, "method": method_text,
}  # fmt: skip


def frame_table(frame: pd.DataFrame, labels: Mapping[str, tuple[str, str]], most: int = 100_000) -> Table:
    """`frame` as a printed table. `labels`: column to (heading, unit); other headings come from the column name."""
    head, columns = [], []
    for name in frame.columns:
        title, unit = labels.get(name, ("", ""))
        if title in ("", field_title(str(name))):
            title = COLUMN_TITLES.get(str(name)) or field_title(str(name))
        shown = unit_text(unit) if unit not in ("count", "pct0") else ""
        head.append(f"{title}, {shown}" if shown and shown not in title else title)
        columns.append([_cell(str(name), v, unit) for v in frame[name].head(most)])
    return table_of(head, list(zip(*columns, strict=True)) if columns else [])


def _cell(name: str, value: object, unit: str) -> str:
    """One cell of the column `name`: names of cases and the like as they are, codes in words."""
    if not isinstance(value, str) or not value:
        return value if isinstance(value, str) and name.endswith("_id") else cell_text(value, unit)
    if name in IN_WORDS:
        return IN_WORDS[name](value)
    verbatim = (name.endswith("_id") and name != "cutoff_id") or (name in VERBATIM and value not in OF_ALL)
    return value if verbatim else cell_text(value, unit)


def cell_text(value: object, unit: str = "") -> str:
    """One cell as printed."""
    if isinstance(value, str):
        return words(value) if value else "–"
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return "–"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if unit in ("count", "pct0") or isinstance(value, int | np.integer):
        return number(value, digits=0)
    return number(value, unit)


def slug(text: str) -> str:
    """A file name: letters, digits and single hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
