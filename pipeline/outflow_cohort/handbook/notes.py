"""Title, purpose, formula and pitfalls of each measure (notes.yaml), beside what the registry says of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Note:
    """`title` in the words of the trade; `in_short` what the measure is for; `formula` in plain text, one line per
    equation; `column` as an example, of tables/readings/MEASURE.parquet; `pitfalls` as sentences."""

    title: str
    in_short: str
    formula: tuple[str, ...]
    column: str
    pitfalls: tuple[str, ...]


@cache
def notes() -> dict[str, Note]:
    """Notes by the id of the measure."""
    import yaml

    text = resources.files("outflow_cohort.handbook").joinpath("notes.yaml").read_text(encoding="utf-8")
    return {
        name: Note(
            entry["title"], entry["in_short"], tuple(entry["formula"]), entry["column"], tuple(entry["pitfalls"])
        )
        for name, entry in yaml.safe_load(text).items()
    }
