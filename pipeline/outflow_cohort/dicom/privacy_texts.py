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


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a study table: where it stands (never its text), the name of its column, what it holds."""

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
        promised = column_is_identity(cell.column) and not coded
        if promised or path_holds_identity(words, allowed) or holds_identity(cell.column, allowed):
            found.add(Finding(cell.place, "", "table_identity"))
        elif path_holds_date(words):
            found.add(Finding(cell.place, "", "table_date"))
    return found


@dataclass(frozen=True)
class TableAudit:
    """Findings by case, and the further columns of cases.csv in which an identity was found."""

    findings: dict[str, list[Finding]]
    tainted_columns: tuple[str, ...]


def audit_tables(
    tables: Mapping[str, pd.DataFrame], settings: PrivacySettings, contract_columns: Mapping[str, frozenset[str]]
) -> TableAudit:
    """Audit every text cell of the study's tables that belongs to a case.

    tables : frames with a column case_id, by name. contract_columns : the columns of the contract, by table; others
    are named by their place, since their own name may hold an identity.
    """
    findings: dict[str, set[Finding]] = defaultdict(set)
    tainted = []
    for table, frame in tables.items():
        known = contract_columns[table]
        for place, column in enumerate(frame.columns, start=1):
            if column in ("file", "row") or frame[column].dtype.kind in "biufc":
                continue
            where = f"{table}.csv {column}" if column in known else f"{table}.csv column {place}"
            cells = frame[["case_id"]].assign(cell=frame[column].astype(str)).drop_duplicates()
            for case_id, cell in cells.itertuples(index=False):
                found = audit_cells([Cell(where, column, cell)], str(case_id), settings)
                findings[str(case_id)] |= found
                if table == "cases" and column not in known and any(f.rule == "table_identity" for f in found):
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
        rule if reason(rule).severity == "set_aside" else "privacy_strict": f"{len(tags)} findings"
        for rule, tags in rules.items()
    }
