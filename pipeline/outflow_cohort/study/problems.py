"""One message a mistake: where, found, needed, remedy."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

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
        place = self.file + (f", row {self.row}" if self.row else "") + (f", {self.column}" if self.column else "")
        return f"{self.severity}: {place}: found {self.found}; needed {self.needed}. Remedy: {self.remedy}"


class StudyError(Exception):
    """A study that cannot be run; carries its problems."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


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


def described(text: str) -> str:
    """What stands in a cell that should be a number, without repeating free text (it could name somebody)."""
    stripped = text.strip()
    if not stripped:
        return "an empty cell"
    if stripped.replace(",", "").replace("-", "").isdigit():
        return f'"{stripped[:LONGEST_SHOWN]}" (decimal comma?)'
    return f"text of {len(stripped)} characters"
