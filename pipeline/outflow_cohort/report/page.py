"""What a page is put together from: tables of text, figures with captions, and the templates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

from outflow_cohort.report.svg import STYLE, Drawing
from outflow_cohort.report.wording import RESEARCH_ONLY

if TYPE_CHECKING:
    import pandas as pd
    from jinja2 import Environment

NUMERIC = re.compile(r"^[−+]?[\d,]*\.?\d+( ?(mm²|mm|ml|%|°))?( \(.*\))?$|^–?$")


@dataclass(frozen=True)
class Table:
    """Header and rows of text, as printed; columns of numbers are set flush right."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    caption: str = ""

    @cached_property
    def numeric(self) -> list[bool]:
        """By column: whether every cell is a number. Found once: the templates ask for it at each cell."""
        return [
            bool(self.rows)
            and all(NUMERIC.match(row[i]) for row in self.rows)
            and any(row[i].strip("–") for row in self.rows)
            for i in range(len(self.header))
        ]


EMPTY_TABLE = Table((), ())


@dataclass(frozen=True)
class Figure:
    """A drawing with its caption and the table behind it; `files` = also written as SVG and, from
    `data`, as CSV under `name`."""

    drawing: Drawing
    caption: str
    table: Table | None = None
    name: str = ""
    files: bool = False
    data: pd.DataFrame | None = None


def cut(table: Table, most: int) -> Table:
    """`table` with at most `most` rows and a note that says so."""
    if len(table.rows) <= most:
        return table
    note = f"The first {most} of {len(table.rows):,} rows; the CSV file has all. {table.note}".strip()
    return Table(table.header, table.rows[:most], note, table.caption)


def table_of(header: Sequence[str], rows: Sequence[Sequence[Any]], note: str = "", caption: str = "") -> Table:
    """A table of ready text cells."""
    return Table(tuple(header), tuple(tuple(str(c) for c in row) for row in rows), note, caption)


@cache
def environment() -> Environment:
    """The templates, with every text escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("outflow_cohort.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(template: str, **content: Any) -> str:
    """A whole page; style sheet and the research-only sentence are added."""
    from markupsafe import Markup

    env = environment()
    sheet = (env.loader.get_source(env, "page.css")[0] + "\n" + STYLE) if env.loader else STYLE
    script = env.loader.get_source(env, "figures.js")[0] if env.loader else ""
    return env.get_template(template).render(
        style=Markup(sheet), figure_script=Markup(script), research_only=RESEARCH_ONLY, **content
    )
