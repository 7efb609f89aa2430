"""Formula and pitfalls of each measure (notes.yaml), beside what the registry says of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Note:
    """`formula` in plain text, one line per equation; `pitfalls` as sentences."""

    formula: tuple[str, ...]
    pitfalls: tuple[str, ...]


@cache
def notes() -> dict[str, Note]:
    """Notes by the id of the measure."""
    import yaml

    text = resources.files("outflow_cohort.handbook").joinpath("notes.yaml").read_text(encoding="utf-8")
    return {
        name: Note(tuple(entry["formula"]), tuple(entry["pitfalls"])) for name, entry in yaml.safe_load(text).items()
    }
