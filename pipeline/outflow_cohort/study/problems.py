"""One message per mistake: where, found, needed, remedy."""

from __future__ import annotations

import difflib
import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from outflow_cohort import events

LONGEST_SHOWN = 40
"""Characters of an identifier shown in a message; longer ones are cut, so that no free text is echoed."""


@dataclass(frozen=True)
class Problem:
    """A mistake in a study. `row` counts as a spreadsheet does: the header is row 1."""

    file: str
    row: int | None
    column: str | None
    found: str
    needed: str
    remedy: str
    severity: str = "error"
    suggestion: str | None = None
    """The cell's likely right content, for the list of edits that `check --fix-plan` writes."""

    def __str__(self) -> str:
        return self.line(f", row {self.row}" if self.row else "")

    def line(self, rows: str, times: int = 1) -> str:
        """The message with its place; `rows` names the row or rows, `times` counts them."""
        place = self.file + rows + (f", {self.column}" if self.column else "")
        count = f" ({times} times)" if times > 1 else ""
        return f"{self.severity}: {place}: found {self.found}{count}; needed {self.needed}. Remedy: {self.remedy}"

    def tell(self) -> None:
        """Report the mistake as one event."""
        self.tell_with(str(self), {} if self.row is None else {"row": self.row})

    def tell_with(self, message: str, place: dict[str, object]) -> None:
        """Report the mistake as `message`; `place` names the row or rows for machines."""
        level = logging.ERROR if self.severity == "error" else logging.WARNING
        parts = {"column": self.column, "found": self.found, "needed": self.needed, "remedy": self.remedy}
        events.event("problem", message, level=level, details={"file": self.file, **place, **parts})


class StudyError(Exception):
    """A study that cannot be run; carries its problems."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


MOST_RANGES = 6
"""Row ranges that a grouped message names; the rest is counted."""


def grouped(problems: Iterable[Problem]) -> list[str]:
    """One line per kind of mistake: problems that differ in their row only share it, with count and rows."""
    return [kind.line(_rows_text(rows), count) for kind, rows, count in _kinds(problems)]


def tell_grouped(problems: Iterable[Problem]) -> None:
    """Report problems as events, one per kind of mistake."""
    for kind, rows, count in _kinds(problems):
        kind.tell_with(kind.line(_rows_text(rows), count), {"rows": rows, "times": count})


def _kinds(problems: Iterable[Problem]) -> Iterator[tuple[Problem, list[int], int]]:
    """Each kind of mistake with its rows and how often it was made."""
    kinds: dict[Problem, list[int]] = {}
    counts: dict[Problem, int] = {}
    for problem in problems:
        kind = replace(problem, row=None, suggestion=None)
        kinds.setdefault(kind, []).extend([problem.row] if problem.row else [])
        counts[kind] = counts.get(kind, 0) + 1
    for kind, rows in kinds.items():
        yield kind, sorted(set(rows)), counts[kind]


def _rows_text(rows: list[int]) -> str:
    """`, row 4` or `, rows 2-36, 40`; empty where no row is known."""
    ranges: list[list[int]] = []
    for row in sorted(set(rows)):
        if ranges and row == ranges[-1][1] + 1:
            ranges[-1][1] = row
        else:
            ranges.append([row, row])
    if not ranges:
        return ""
    parts = [str(low) if low == high else f"{low}-{high}" for low, high in ranges[:MOST_RANGES]]
    more = f" and {len(ranges) - MOST_RANGES} more ranges" if len(ranges) > MOST_RANGES else ""
    return f", {'row' if len(set(rows)) == 1 else 'rows'} {', '.join(parts)}{more}"


def counted(number: int, word: str) -> str:
    """`1 row`, `2 rows`."""
    return f"{number:,} {word}" if number == 1 else f"{number:,} {word}s"


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The known name nearest to `name`, letter case aside, or None where none is near."""
    by_lower = {k.lower(): k for k in known if k}
    match = difflib.get_close_matches(name.lower(), list(by_lower), n=1, cutoff=0.5)
    return by_lower[match[0]] if match else None


def nearest(name: str, known: Iterable[str]) -> str:
    """`, did you mean "X"?` for the known name nearest to `name`, or an empty text."""
    match = nearest_name(name, known)
    return f', did you mean "{match}"?' if match else ""


def shown(text: str) -> str:
    """`text` in quotes, cut and made printable."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return f'"{clean[:LONGEST_SHOWN]}{"…" if len(clean) > LONGEST_SHOWN else ""}"'


NO_NUMBER = frozenset({"nan", "na", "n/a", "#n/a", "null", "none", "inf", "-inf", "+inf", "-", "."})
"""What programs write where a number is missing; in lower case."""


def described(text: str) -> str:
    """What is in a cell that should be a number, without repeating free text (it could name somebody)."""
    stripped = text.strip()
    if not stripped:
        return "an empty cell"
    if stripped.casefold() in NO_NUMBER:
        return f'"{stripped}", which is no number'
    if stripped.replace(",", "", 1).replace(".", "").lstrip("+-").isdigit():
        return f'"{stripped[:LONGEST_SHOWN]}" (decimal comma?)'
    return f"text of {len(stripped)} characters"
