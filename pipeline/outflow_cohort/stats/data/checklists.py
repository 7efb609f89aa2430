"""Items of the STROBE, STARD 2015 and TRIPOD+AI checklists, each filled from the run or named as the authors'.

The items are worded by this project; their numbers are those of the published checklists (from memory).
Sources: von Elm et al. 2007 Lancet 370:1453 (STROBE); Bossuyt et al. 2015 BMJ 351:h5527 (STARD 2015); Collins et al.
2024 BMJ 385:e078378 (TRIPOD+AI).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

SOURCES = {
    "STROBE": "von Elm et al. 2007 Lancet 370:1453",
    "STARD 2015": "Bossuyt et al. 2015 BMJ 351:h5527",
    "TRIPOD+AI": "Collins et al. 2024 BMJ 385:e078378",
}
OPEN = "to be written by the authors"


@dataclass(frozen=True)
class ChecklistItem:
    """One item: guideline, number, section of the paper, what is to be reported, key of the fact that fills it."""

    guideline: str
    item: int
    section: str
    text: str
    key: str


@lru_cache(maxsize=1)
def checklist_items() -> tuple[ChecklistItem, ...]:
    """All items in the order of their checklists."""
    text = files("outflow_cohort.stats.data").joinpath("checklists.csv").read_text(encoding="utf-8")
    return tuple(
        ChecklistItem(row["guideline"], int(row["item"]), row["section"], row["text"], row["key"])
        for row in csv.DictReader(text.splitlines())
    )


def checklist_keys() -> list[str]:
    """Keys of facts that a study can state."""
    return sorted({item.key for item in checklist_items()})


def checklist_table(found: Mapping[str, str], stated: Mapping[str, str]) -> pd.DataFrame:
    """One row per item: guideline, item, section, text, answer, filled, answered_by (study, run, authors), source.

    found : facts of the run by key; stated : those that the study states, which go first.
    """
    import pandas as pd

    rows = []
    for item in checklist_items():
        own = stated.get(item.key, "").strip()
        parts = [part for part in (own, found.get(item.key, "")) if part]
        rows.append(
            {
                "guideline": item.guideline,
                "item": item.item,
                "section": item.section,
                "text": item.text,
                "answer": " ".join(parts) or OPEN,
                "filled": bool(parts),
                "answered_by": "study" if own else "run" if parts else "authors",
                "source": SOURCES[item.guideline],
            }
        )
    return pd.DataFrame(rows)
