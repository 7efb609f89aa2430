"""Every status of a measured value with its level, meaning and remedy: the one table behind reports and docs.

The table is `status_codes.csv`. Levels: `act` (the number may be wrong, or is missing although its inputs are there),
`know` (limits how far the number carries), `note` (nothing to do).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

Level = Literal["act", "know", "note"]
LEVELS: tuple[Level, ...] = ("act", "know", "note")
LEVEL_WORDS = {
    "act": "must act: the number may be wrong, or is missing although its inputs are there",
    "know": "know: limits how far the number carries",
    "note": "note: nothing to do",
}
MISSING = "missing_"
"""Beginning of the statuses of measures whose input is missing: the rest of the status names it."""
ANY_STRUCTURE = "missing_structure"
"""Where pages explain the statuses of missing structures, one for all."""


@dataclass(frozen=True, slots=True)
class StatusCode:
    """One status: how grave it is, what it means and what to do."""

    code: str
    level: Level
    meaning: str
    remedy: str


@cache
def status_codes() -> dict[str, StatusCode]:
    """All statuses by code."""
    text = resources.files("outflow_cohort.study").joinpath("status_codes.csv").read_text(encoding="utf-8")
    return {
        row["code"]: StatusCode(row["code"], _level(row["level"]), row["meaning"], row["remedy"])
        for row in csv.DictReader(text.splitlines())
    }


def status_code(code: str) -> StatusCode:
    """What `code` means; a structure that is missing and an unheard-of code have words too."""
    known = status_codes().get(code)
    if known is not None:
        return known
    if code.startswith(MISSING):
        structure = code.removeprefix(MISSING).replace("_", " ")
        return StatusCode(code, "note", f"The structure {structure} is not marked.", "Mark it in the landmark table.")
    return StatusCode(code, "act", "This status has no description.", "Look at the log of the case's measure step.")


def _level(text: str) -> Level:
    for level in LEVELS:
        if text == level:
            return level
    raise ValueError(f"status_codes.csv: found level {text!r}; needed one of {', '.join(LEVELS)}")


def status_table() -> list[tuple[str, str, str, str]]:
    """Rows of code, level, meaning and remedy, for tables/README.md and the handbook."""
    own = [(f"`{s.code}`", s.level, s.meaning, s.remedy) for s in status_codes().values()]
    other = status_code(MISSING + "STRUCTURE")
    return [*own, (f"`{other.code}`", other.level, other.meaning, other.remedy)]
