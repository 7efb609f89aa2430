"""Outcome columns of the case table: only the stated texts count, anything else is a mistake that is listed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.stats.data.settings import Outcome, plain_text

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.stats.data.settings import StatisticsSettings, TimeToEvent

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
    for follow_up in settings.time_to_event:
        found += _follow_up_mistakes(cases, follow_up)
    for setting, column in _named_columns(settings):
        if column not in cases:
            found.append(_absent(cases, column, setting))
    return found


def _named_columns(settings: StatisticsSettings) -> list[tuple[str, str]]:
    """(setting, column) of further columns of the case table that the settings name."""
    named = [("mixed_models", name) for model in settings.mixed_models for name in model.covariates]
    named += [("adjusted_models", name) for model in settings.adjusted_models for name in model.covariates]
    return named + [("time_to_event", name) for outcome in settings.time_to_event for name in outcome.covariates]


def _absent(cases: pd.DataFrame, column: str, setting: str) -> OutcomeMistake:
    from outflow_cohort.study.problems import nearest

    others = [str(c) for c in cases.columns if c not in ("row", "file")]
    return OutcomeMistake(
        column,
        f"no such column (columns: {', '.join(others)})",
        f"the column that statistics.{setting} names",
        f"Add the column to cases.csv, or correct statistics.{setting}{nearest(column, others) or '.'}",
    )


def _mistake(cases: pd.DataFrame, outcome: Outcome) -> OutcomeMistake | None:
    stated = (outcome.event, outcome.no_event, *outcome.missing)
    needed = f'"{outcome.event}" for an event, "{outcome.no_event}" for none, or an empty cell'
    return _text_mistake(cases, outcome.column, stated, needed, "outcomes")


def _text_mistake(
    cases: pd.DataFrame, column: str, stated: Sequence[str], needed: str, setting: str
) -> OutcomeMistake | None:
    if column not in cases:
        return _absent(cases, column, setting)
    texts = cell_texts(cases[column])
    known = {plain_text(t) for t in stated} | {""}
    unknown = sorted(set(texts) - known)
    if not unknown:
        return None
    count = sum(t not in known for t in texts)
    return OutcomeMistake(
        column,
        f"{_listed(unknown)} in {count} of {len(texts)} cells",
        needed,
        f"Set event, no_event and missing of this outcome under statistics.{setting} to the texts of the column, or"
        " correct the cells.",
    )


def _follow_up_mistakes(cases: pd.DataFrame, outcome: TimeToEvent) -> list[OutcomeMistake]:
    stated = (outcome.event, outcome.no_event, *outcome.competing, *outcome.missing)
    rivals = f" one of {', '.join(outcome.competing)} for a rival event," if outcome.competing else ""
    needed = f'"{outcome.event}" for the event, "{outcome.no_event}" for censored,{rivals} or an empty cell'
    text = _text_mistake(cases, outcome.event_column, stated, needed, "time_to_event")
    found = [] if text is None else [text]
    if outcome.time_column not in cases:
        return [*found, _absent(cases, outcome.time_column, "time_to_event")]
    times = cell_texts(cases[outcome.time_column])
    wrong = sum(t not in ("", *outcome.missing) and not _is_time(t) for t in times)
    if wrong:
        found.append(
            OutcomeMistake(
                outcome.time_column, f"{wrong} of {len(times)} cells that are no time", "numbers from 0, or empty",
                "Correct the cells, or name their text under missing of statistics.time_to_event.",
            )
        )  # fmt: skip
    return found


def _is_time(text: str) -> bool:
    try:
        return 0 <= float(text) < float("inf")
    except ValueError:
        return False


def times_of(cases: pd.DataFrame, outcome: TimeToEvent) -> np.ndarray:
    """Time of each case, NaN missing. Raises ValueError where a cell is no time."""
    _refuse(_follow_up_mistakes(cases, outcome))
    return np.array([float(t) if _is_time(t) else np.nan for t in cell_texts(cases[outcome.time_column])])


def causes_of(cases: pd.DataFrame, outcome: TimeToEvent) -> np.ndarray:
    """How each case's follow-up ended: 0 censored, 1 the event, 2 ... rival events in the order of the settings, NaN
    missing. Raises ValueError where a cell holds another text."""
    _refuse(_follow_up_mistakes(cases, outcome))
    texts = (outcome.no_event, outcome.event, *outcome.competing)
    meaning = {plain_text(t): float(i) for i, t in enumerate(texts)}
    return np.array([meaning.get(t, np.nan) for t in cell_texts(cases[outcome.event_column])], dtype=np.float64)


def _refuse(mistakes: Sequence[OutcomeMistake]) -> None:
    if mistakes:
        raise ValueError("; ".join(str(m) for m in mistakes))


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
    _refuse([] if mistake is None else [mistake])
    meaning = {plain_text(outcome.event): 1.0, plain_text(outcome.no_event): 0.0}
    return np.array([meaning.get(t, np.nan) for t in cell_texts(cases[outcome.column])], dtype=np.float64)
