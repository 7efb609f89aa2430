"""The privacy audit beside DICOM headers: cells of the study's tables, header text of image files; and the policy.

As everywhere in the audit, a finding names a place and a rule, never a value.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

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
