"""What columns of cases.csv are called on pages and in tables of a paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from outflow_cohort.report.wording import field_title

if TYPE_CHECKING:
    from outflow_cohort.stats.data.settings import StatisticsSettings

NO_NAMES = frozenset({"yes", "no", "true", "false", "event", "none"})
"""Texts of an event that do not say which event it is."""


def column_label(statistics: StatisticsSettings, column: str) -> str:
    """The label that `statistics.column_labels` gives, else for a follow-up its event, else the name in words."""
    given = statistics.column_labels.get(column)
    if given:
        return given
    events = {t.event.strip() for t in statistics.time_to_event if t.event_column == column}
    if len(events) == 1:
        (event,) = events
        if any(letter.isalpha() for letter in event) and event.lower() not in NO_NAMES:
            text = event.replace("_", " ")
            return text[:1].upper() + text[1:]
    return field_title(column)
