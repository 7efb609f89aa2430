"""Every reason code of the intake with its severity, meaning and remedy: the one table behind verdicts and docs.

The table is `reason_codes.csv`. Severity: `set_aside` (not measured), `warning` (measured and flagged), `info`.
Under a strict privacy policy the warnings of the privacy rules set aside too.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True, slots=True)
class Reason:
    """One code: where it arises, how grave it is, what it means and what to do."""

    stage: str
    severity: str
    code: str
    meaning: str
    remedy: str


@cache
def reasons(package: str = "outflow_cohort.dicom") -> dict[str, Reason]:
    """All reasons by code that a package's `reason_codes.csv` holds."""
    text = resources.files(package).joinpath("reason_codes.csv").read_text(encoding="utf-8")
    return {row["code"]: Reason(**row) for row in csv.DictReader(text.splitlines())}


def reason(code: str) -> Reason:
    """The reason called `code`; KeyError for a code that the table does not hold."""
    return reasons()[code]


def verdict(codes: Iterable[str]) -> str:
    """`set_aside`, `warned` or `accepted`: the gravest of `codes`."""
    severities = {reason(code).severity for code in codes}
    if "set_aside" in severities:
        return "set_aside"
    return "warned" if "warning" in severities else "accepted"
