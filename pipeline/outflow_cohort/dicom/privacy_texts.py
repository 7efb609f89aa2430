"""The privacy audit beside DICOM headers: cells of the study's tables, header text of image files; and the policy.

As everywhere in the audit, a finding names a place and a rule, never a value.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from outflow_cohort.dicom.codes import reason
from outflow_cohort.dicom.identity_text import (
    column_is_identity,
    holds_identity,
    is_pseudonym,
    path_holds_date,
    path_holds_identity,
)
from outflow_cohort.dicom.privacy import Finding
from outflow_cohort.dicom.settings import PrivacySettings

if TYPE_CHECKING:
    import pandas as pd


MOST_PLACES = 3
"""Places that a message names; privacy.parquet lists them all."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a study table: where it is (never its text), the name of its column, what it holds."""

    place: str
    column: str
    content: Any


def audit_cells(cells: list[Cell], case_id: str, settings: PrivacySettings) -> set[Finding]:
    """Findings in cells of the study's tables."""
    allowed = frozenset(word.casefold() for word in settings.allowed_words)
    found = set()
    for cell in cells:
        words = "" if cell.content is None else str(cell.content).strip()
        if not words:
            continue
        coded = is_pseudonym(words, case_id, settings.pseudonym_pattern, allowed)
        promised = column_is_identity(cell.column) and (not coded or path_holds_date(words))
        if promised or path_holds_identity(words, allowed) or holds_identity(cell.column, allowed):
            found.add(Finding(cell.place, "", "table_identity"))
        elif path_holds_date(words):
            found.add(Finding(cell.place, "", "table_date"))
    return found


@dataclass(frozen=True)
class TableAudit:
    """Findings by case, and the further columns of cases.csv in which an identity or a full date was found."""

    findings: dict[str, list[Finding]]
    tainted_columns: tuple[str, ...]


def audit_tables(
    tables: Mapping[str, pd.DataFrame], settings: PrivacySettings, contract_columns: Mapping[str, frozenset[str]]
) -> TableAudit:
    """Audit every text cell of the study's tables that belongs to a case.

    tables : frames with a column case_id, by name. contract_columns : the columns of the contract, by table; others
    are counted in the order of the file ("further column 2"), since their own name may hold an identity.
    """
    findings: dict[str, set[Finding]] = defaultdict(set)
    tainted = []
    for table, frame in tables.items():
        known = contract_columns[table]
        further = 0
        for column in frame.columns:
            if column in ("file", "row"):
                continue
            further += column not in known
            if frame[column].dtype.kind in "biufc":
                continue
            where = f"{table}.csv {column}" if column in known else f"{table}.csv further column {further}"
            cells = frame[["case_id"]].assign(cell=frame[column].astype(str)).drop_duplicates()
            for case_id, cell in cells.itertuples(index=False):
                found = audit_cells([Cell(where, column, cell)], str(case_id), settings)
                findings[str(case_id)] |= found
                if table == "cases" and column not in known and found:
                    tainted.append(column)
    return TableAudit({case: sorted(found) for case, found in findings.items()}, tuple(dict.fromkeys(tainted)))


def audit_header_texts(texts_found: list[tuple[str, str]], settings: PrivacySettings) -> set[Finding]:
    """Findings in the header text of NIfTI, MetaImage and NRRD files: (field, text) pairs."""
    allowed = frozenset(word.casefold() for word in settings.allowed_words)
    found = {Finding("header", "", "no_header_evidence")}
    for place, words in texts_found:
        if holds_identity(words, allowed):
            found.add(Finding(place, "", "identifying_text"))
        elif path_holds_date(words):
            found.add(Finding(place, "", "date_present"))
    return found


def privacy_codes(found: set[Finding], settings: PrivacySettings) -> dict[str, str]:
    """Codes that set a series aside under the policy: code -> the tags behind it."""
    grave = {"strict": ("error", "warning"), "standard": ("error",), "report_only": ()}[settings.policy]
    rules: dict[str, list[str]] = defaultdict(list)
    for one in sorted(found):
        if one.severity in grave:
            rules[one.rule].append(one.tag)
    return {
        rule if reason(rule).severity == "set_aside" else "privacy_strict": _places(tags)
        for rule, tags in rules.items()
    }


def _places(tags: list[str]) -> str:
    """Where the findings are: `2 findings: (0010,0010), cases.csv site`."""
    named = list(dict.fromkeys(tag for tag in tags if tag))
    more = f" and {len(named) - MOST_PLACES} more" if len(named) > MOST_PLACES else ""
    count = "1 finding" if len(tags) == 1 else f"{len(tags)} findings"
    return f"{count}: {', '.join(named[:MOST_PLACES])}{more}" if named else count
