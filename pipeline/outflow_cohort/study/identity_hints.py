"""What in the study's own tables looks as if it named a person or a hospital: by row and column, never by value.

Columns such as site, group and all further columns of cases.csv go into tables and report as they are, so whoever
writes them is warned here. The rules only hint (common practice, no source); they cannot prove that a table is clean.
Those of the privacy audit (dicom.identity_text) are among them: what they find sets the case aside in the run.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from outflow_cohort.dicom.identity_text import (
    LONGEST_DIGIT_RUN,
    column_is_identity,
    holds_identity,
    is_pseudonym,
    path_holds_date,
    path_holds_identity,
)
from outflow_cohort.dicom.names import words
from outflow_cohort.study.columns import TABLES
from outflow_cohort.study.problems import Problem

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.dicom.settings import PrivacySettings

CHECKED = ("cases", "series", "landmarks", "plans")
"""Tables that hold rows of patients; the others describe devices."""
INSTITUTIONS = frozenset(
    {
        "hospital", "hospitals", "clinic", "clinics", "clinica", "klinik", "kliniken", "klinikum", "krankenhaus",
        "spital", "universitätsspital", "hôpital", "hopital", "chu", "ospedale", "policlinico", "hospitalier",
        "ziekenhuis", "sykehus", "sjukhus", "sygehus", "sairaala", "szpital", "nemocnice", "hastanesi", "infirmary",
        "university", "universität", "université", "università", "universidad", "herzzentrum", "institute", "nhs",
        "trust", "charité", "charite", "medical center", "medical centre", "heart center", "heart centre",
    }
)  # fmt: skip
"""Words of several languages that names of hospitals are made of; from memory."""
INSTITUTION = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, sorted(INSTITUTIONS)))})(?!\w)", re.IGNORECASE)
MAIL = re.compile(r"[\w.+-]+@[\w-]+\.\w{2,}")
DIGIT_RUN = re.compile(rf"\d{{{LONGEST_DIGIT_RUN + 1},}}")
DECIMAL = re.compile(r"[-+]?\d*\.\d+(?:[eE][-+]?\d+)?")
TWO_NAMES = re.compile(r"([A-ZÀ-ÖØ-Þ][a-zà-öø-ÿ'-]+),? ([A-ZÀ-ÖØ-Þ][a-zà-öø-ÿ'-]+)")
CODE = "a code without a meaning of its own (S1, S2, …)"


@dataclass(frozen=True)
class _Rule:
    """What was found, what should be there instead, and whether a cell (text, allowed words) shows it."""

    found: str
    needed: str
    shows: Callable[[str, frozenset[str]], bool]
    sets_aside: bool = False
    """Whether the privacy audit of a run sets the case aside for it (code table_identity, policy standard)."""


def _is_two_names(text: str, allowed: frozenset[str]) -> bool:
    """Two capitalised words that are neither clinical nor words of studies: nearly all names of people are."""
    match = TWO_NAMES.fullmatch(text)
    known = words("clinical") | words("placeholder") | allowed
    return match is not None and not any(part.casefold() in known for part in match.groups())


def _has_identity(text: str, allowed: frozenset[str]) -> bool:
    return path_holds_identity(text, allowed) or holds_identity(text, allowed)


def _has_digit_run(text: str, allowed: frozenset[str]) -> bool:
    return not DECIMAL.fullmatch(text) and DIGIT_RUN.search(text) is not None


RULES = (
    _Rule("what looks like an e-mail address", CODE, lambda text, _: MAIL.search(text) is not None, True),
    _Rule("what looks like the name of a hospital", CODE, lambda text, _: INSTITUTION.search(text) is not None),
    _Rule("what looks like a name, a register number, an address or a phone", CODE, _has_identity, True),
    _Rule("two capitalised words, as names of people have them", CODE, _is_two_names),
    _Rule("a full date", "days since a reference (a date can identify a person)",
          lambda text, _: path_holds_date(text)),
    _Rule(f"a run of more than {LONGEST_DIGIT_RUN} digits, as hospital numbers have it", CODE, _has_digit_run),
)  # fmt: skip
WORDS_OF_SITE = _Rule("words instead of a code", CODE, lambda text, allowed: not _is_code(text, allowed))


def _is_code(text: str, allowed: frozenset[str]) -> bool:
    return is_pseudonym(text, "", None, allowed) or text.casefold() in allowed


def identity_hints(tables: Mapping[str, pd.DataFrame], privacy: PrivacySettings) -> list[Problem]:
    """Warnings of cells that look as if they named a person or hospital, one per cell and rule.

    tables : frames of the study by name, with the columns row and file. No warning holds a cell's text, nor a further
    column's name where that itself looks like an identity (it is then counted from the left).
    """
    if not privacy.scan_tables:
        return []
    allowed = frozenset(word.casefold() for word in privacy.allowed_words)
    return [
        hint
        for name in CHECKED
        for column in tables[name].columns
        if column not in ("row", "file") and tables[name][column].dtype.kind not in "biufc"
        for hint in _hints_of_column(name, tables[name], column, allowed)
    ]


def _hints_of_column(table: str, frame: pd.DataFrame, column: str, allowed: frozenset[str]) -> Iterator[Problem]:
    contract = [c.name for c in TABLES[table].columns]
    further = [c for c in frame.columns if c not in contract and c not in ("row", "file")]
    shown = column
    if column in further and holds_identity(column, allowed):
        shown = f"further column {further.index(column) + 1}"
    promised = column in further and column_is_identity(column)
    rules = [*RULES, *([WORDS_OF_SITE] if (table, column) == ("cases", "site") else [])]
    verdicts: dict[str, _Rule | None] = {}
    for text, row, file in zip(frame[column], frame["row"], frame["file"], strict=True):
        if text not in verdicts:
            verdicts[text] = _verdict(str(text).strip(), rules, promised, allowed)
        rule = verdicts[text]
        if rule is not None:
            problem = partial(Problem, str(file), int(row), shown, rule.found, rule.needed)
            yield problem(_remedy(rule, column in further), severity="warning")


def _verdict(text: str, rules: list[_Rule], promised: bool, allowed: frozenset[str]) -> _Rule | None:
    if not text or text.casefold() in allowed:
        return None
    if promised and not _is_code(text, allowed):
        return _Rule("a column whose name promises an identity", "no such column", lambda *_: True, True)
    return next((rule for rule in rules if rule.shows(text, allowed)), None)


def _remedy(rule: _Rule, further: bool) -> str:
    fate = "The run would set the case aside" if rule.sets_aside else "It would go into tables and report as it is"
    way = "remove the column or replace the cells by codes" if further else "replace it by codes"
    return (
        f"{fate}: {way} and keep their key elsewhere; where it names nobody, list the words under "
        "privacy.allowed_words of study.yaml."
    )
