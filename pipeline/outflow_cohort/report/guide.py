"""report/what_to_do.html: each status and reason code with its meaning and remedy, the target of every link."""

from __future__ import annotations

from dataclasses import dataclass

from outflow_cohort.report.page import render
from outflow_cohort.report.triage import all_reasons, title
from outflow_cohort.study.status_codes import ANY_STRUCTURE, LEVEL_WORDS, LEVELS, status_code, status_codes


@dataclass(frozen=True)
class Entry:
    """One code on the page."""

    code: str
    title: str
    meaning: str
    remedy: str


@dataclass(frozen=True)
class Part:
    """Codes under one heading."""

    id: str
    title: str
    entries: tuple[Entry, ...]


SEVERITIES = {
    "set_aside": "Set aside: not measured",
    "warning": "Warned: measured and flagged",
    "info": "For information",
}


def guide_page(study_id: str) -> str:
    """The page; the same program gives the same bytes."""
    known = status_codes()
    parts = []
    for level in LEVELS:
        of = [Entry(s.code, title(s.code), s.meaning, s.remedy) for s in known.values() if s.level == level]
        if level == status_code(ANY_STRUCTURE).level:
            other = status_code(ANY_STRUCTURE)
            of.append(Entry(other.code, title(other.code), "A structure is not marked.", other.remedy))
        text = LEVEL_WORDS[level]
        parts.append(Part(level, f"Values: {text}", tuple(sorted(of, key=lambda e: e.title))))
    for severity, heading in SEVERITIES.items():
        found = [r for r in all_reasons().values() if r.severity == severity and r.code not in known]
        of = [Entry(r.code, title(r.code), r.meaning, r.remedy) for r in found]
        parts.append(Part(severity, f"Series, readings, cases. {heading}", tuple(sorted(of, key=lambda e: e.title))))
    return render("guide.html", study_id=study_id, parts=[p for p in parts if p.entries])
