"""Outcome columns of the case table: only the stated texts count, anything else is a mistake that is listed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.stats.data.settings import Outcome, plain_text

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings

MOST_TEXTS = 6
LONGEST_TEXT = 12
"""A column with more or longer texts is no yes/no column; its cells are counted, not repeated (one could be a name)."""


@dataclass(frozen=True)
class OutcomeMistake:
    """What is wrong with an outcome column: its name, what was found, what is needed, what to do."""

    column: str
    found: str
    needed: str
    remedy: str

    def __str__(self) -> str:
        return f"cases.csv, {self.column}: found {self.found}; needed {self.needed}. Remedy: {self.remedy}"


def outcome_mistakes(cases: pd.DataFrame, settings: StatisticsSettings) -> list[OutcomeMistake]:
    """One mistake per outcome column that is absent, or that holds a text beside the stated ones."""
    found = []
    for outcome in settings.outcomes:
        mistake = _mistake(cases, outcome)
        if mistake is not None:
            found.append(mistake)
    for setting, column in _named_columns(settings):
        if column not in cases:
            found.append(_absent(cases, column, setting))
    return found


def _named_columns(settings: StatisticsSettings) -> list[tuple[str, str]]:
    """(setting, column) of further columns of the case table that the settings name."""
    return [("mixed_models", name) for model in settings.mixed_models for name in model.covariates]


def _absent(cases: pd.DataFrame, column: str, setting: str) -> OutcomeMistake:
    others = [str(c) for c in cases.columns if c not in ("row", "file")]
    return OutcomeMistake(
        column,
        f"no such column (columns: {', '.join(others)})",
        f"the column that statistics.{setting} names",
        f"Add the column to cases.csv, or correct statistics.{setting}.",
    )


def _mistake(cases: pd.DataFrame, outcome: Outcome) -> OutcomeMistake | None:
    needed = f'"{outcome.event}" for an event, "{outcome.no_event}" for none, or an empty cell'
    if outcome.column not in cases:
        return _absent(cases, outcome.column, "outcomes")
    texts = cell_texts(cases[outcome.column])
    stated = {plain_text(t) for t in (outcome.event, outcome.no_event, *outcome.missing)} | {""}
    unknown = sorted(set(texts) - stated)
    if not unknown:
        return None
    count = sum(t not in stated for t in texts)
    return OutcomeMistake(
        outcome.column,
        f"{_listed(unknown)} in {count} of {len(texts)} cells",
        needed,
        "Set event, no_event and missing of this outcome under statistics.outcomes to the texts of the column, or"
        " correct the cells.",
    )


def _listed(texts: Sequence[str]) -> str:
    if len(texts) > MOST_TEXTS or max(map(len, texts)) > LONGEST_TEXT:
        return f"{len(texts)} other text(s)"
    return ", ".join(f'"{t}"' for t in texts)


def cell_texts(column: pd.Series) -> list[str]:
    """The cells as plain texts, empty where missing."""
    return [plain_text(v) for v in column.astype("object").where(column.notna(), "")]


def events_of(cases: pd.DataFrame, outcome: Outcome) -> np.ndarray:
    """1 event, 0 none, NaN missing, in the order of the cases. Raises ValueError where a cell holds another text."""
    mistake = _mistake(cases, outcome)
    if mistake is not None:
        raise ValueError(str(mistake))
    meaning = {plain_text(outcome.event): 1.0, plain_text(outcome.no_event): 0.0}
    return np.array([meaning.get(t, np.nan) for t in cell_texts(cases[outcome.column])], dtype=np.float64)
