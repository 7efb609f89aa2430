"""What a reader must act on, what to know, and what is only a note: each code once, in words, with one link.

Levels come from the registries of codes: `study.status_codes` for measured values, `dicom` and `steps` for series,
readings and cases. Counts of rows are never shown; what is concerned is named instead.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from outflow_cohort.dicom.codes import Reason, reasons
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.report.case_data import CaseData, ReadValue, phase_order
from outflow_cohort.report.numbers import count, phase_text
from outflow_cohort.report.wording import measure_title, words
from outflow_cohort.study.status_codes import ANY_STRUCTURE, LEVELS, MISSING, Level, status_code, status_codes
from outflow_geometry.landmarks.findings import CODES

GUIDE = "what_to_do.html"
"""The page beside the cohort report that says what to do about each code."""
MOST_NAMES = 6
"""Cases, phases or measures named in one item; the rest is counted."""
CHOSEN_BY_THE_STUDY = ("excluded", "not_chosen")
"""What the study itself left out asks for nothing."""


@dataclass(frozen=True)
class Finding:
    """One item of the triage.

    where : what it concerns, in words. meaning, remedy : sentences. href : where the code is explained, relative to
    the page.
    """

    level: Level
    code: str
    title: str
    where: str
    meaning: str
    remedy: str
    href: str = ""


@dataclass(frozen=True)
class Triage:
    """All findings of a page, each code once."""

    act: tuple[Finding, ...]
    know: tuple[Finding, ...]
    notes: tuple[Finding, ...]


def title(code: str) -> str:
    """A code as a heading: `lv_volume_missing` as `LV volume missing`."""
    text = words(code.removesuffix("_warn").removesuffix("_fail")).replace("lv ", "LV ")
    return text[:1].upper() + text[1:]


def sorted_triage(findings: Iterable[Finding]) -> Triage:
    """Findings by level; of a code found twice the graver stays."""
    best: dict[str, Finding] = {}
    for finding in findings:
        known = best.get(finding.code)
        if known is None or LEVELS.index(finding.level) < LEVELS.index(known.level):
            best[finding.code] = finding
    by_level = {level: tuple(f for f in best.values() if f.level == level) for level in LEVELS}
    return Triage(by_level["act"], by_level["know"], by_level["note"])


def case_triage(data: CaseData) -> Triage:
    """Triage of one case. A status of no number that the sheet leads with is a note: the number itself carries it."""
    lead = "../"
    found = [*_aside_findings(data, lead), *_series_findings(data, lead)]
    by_code: dict[str, list[ReadValue]] = {}
    for v in data.values:
        if v.status not in ("ok", ""):
            by_code.setdefault(v.status, []).append(v)
    for code, rows in by_code.items():
        first = [v for v in rows if data.leading.holds(v.measure, v.variant, v.method, v.phase_pct)]
        level = status_code(code).level if first else "note"
        where = _where(data, first) if first else _aside_of_leading(status_code(code).level) + _where(data, rows)
        found.append(_status_finding(code, level, where, lead))
    return sorted_triage(found)


def _aside_of_leading(level: Level) -> str:
    return "" if level == "note" else "other numbers than those above: "


def cohort_triage(
    leading: Iterable[tuple[str, str, str]], statuses: Iterable[tuple[str, str, str]],
    series: Iterable[tuple[str, str]], aside: Iterable[tuple[str, str]], study: Iterable[tuple[str, str]] = (),
) -> Triage:  # fmt: skip
    """Triage of a cohort.

    leading, statuses : (code, measure, case_id) of values whose status is not ok, of the numbers that the report leads
    with and of all others. series, aside : (code, case_id) of series and of what was set aside. study : (code, case or
    reader) of landmark findings that only the whole study shows.
    """
    found = []
    for codes, kind in ((aside, "set_aside"), (series, "")):
        cases: dict[str, set[str]] = {}
        for code, case in codes:
            cases.setdefault(code, set()).add(case)
        found += [_reason_finding(code, kind, named(sorted(of), "case"), "") for code, of in sorted(cases.items())]
    for rows, leads in ((leading, True), (statuses, False)):
        by_code: dict[str, tuple[set[str], set[str]]] = {}
        for code, measure, case in rows:
            of = by_code.setdefault(code, (set(), set()))
            of[0].add(measure)
            of[1].add(case)
        for code, (of_measures, of_cases) in sorted(by_code.items(), key=lambda item: (-len(item[1][1]), item[0])):
            known = status_code(code).level
            titles = named([measure_title(m) for m in sorted(of_measures)])
            where = f"{titles}; {named(sorted(of_cases), 'case')}"
            where = where if leads else _aside_of_leading(known) + where
            found.append(_status_finding(code, known if leads else "note", where, ""))
    of_study: dict[str, set[str]] = {}
    for code, who in study:
        of_study.setdefault(code, set()).add(who)
    found += [_study_finding(code, named(sorted(who))) for code, who in sorted(of_study.items())]
    return sorted_triage(found)


def _study_finding(code: str, where: str) -> Finding:
    """A landmark finding of the whole study: always to be acted on."""

    known = CODES[code]
    meaning = f"{known.meaning[:1].upper()}{known.meaning[1:]}."
    return Finding(level="act", code=code, title=title(code), where=where, meaning=meaning, remedy=known.remedy)


def named(names: Sequence[str], singular: str = "") -> str:
    """`3 cases: A, B, C`; with more than MOST_NAMES the first of them `and 4 more`."""
    names = list(dict.fromkeys(names))
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    shown = ", ".join(names[:MOST_NAMES]) + more
    return f"{count(len(names), singular)}: {shown}" if singular else shown


def _status_finding(code: str, level: Level, where: str, lead: str) -> Finding:
    known = status_code(code)
    anchor = ANY_STRUCTURE if code.startswith(MISSING) and code not in status_codes() else code
    return Finding(
        level=level,
        code=code,
        title=title(code),
        where=where,
        meaning=known.meaning,
        remedy=known.remedy,
        href=f"{lead}{GUIDE}#{anchor}",
    )


def _where(data: CaseData, rows: Sequence[ReadValue]) -> str:
    """Measures, phases and readings of `rows`; what holds for all phases or readings is not listed."""
    parts = [named([measure_title(v.measure) for v in sorted(rows, key=lambda v: v.measure)])]
    plans = sorted({v.plan_id for v in rows if v.plan_id})
    if plans and plans != data.plan_ids:
        parts.append(named([f"plan {plan}" for plan in plans]))
    phases = sorted({v.phase_pct for v in rows if v.phase_pct is not None}, key=phase_order)
    if phases and len(data.phases) > 1:
        parts.append("all phases" if len(phases) == len(data.phases) else named([phase_text(p) for p in phases]))
    readers = sorted({f"{v.reader_id} read {v.read_no}" for v in rows if v.reader_id})
    everyone = {f"{d.reader_id} read {d.read_no}" for d in data.drawings}
    if len(everyone) > 1 and set(readers) != everyone:
        parts.append(named(readers))
    return "; ".join(parts)


def all_reasons() -> dict[str, Reason]:
    """Reason codes of plan, intake and steps."""
    return {**reasons(), **reasons("outflow_cohort.steps")}


def _reason_finding(code: str, kind: str, where: str, lead: str, message: str = "") -> Finding:
    """What was set aside must be acted on; a warned series limits what can be said; the rest is a note."""
    reason = all_reasons().get(code)
    severity = kind or (reason.severity if reason else "warning")
    level: Level = "act" if severity == "set_aside" else "know" if severity == "warning" else "note"
    if code in CHOSEN_BY_THE_STUDY:
        level = "note"
    text = title(code)
    heading = f"Set aside: {text[:1].lower()}{text[1:]}" if severity == "set_aside" else text
    meaning, remedy = (reason.meaning, reason.remedy) if reason else (message, "")
    if message and severity == "set_aside":
        meaning, remedy = message, ""
    return Finding(
        level=level,
        code=code,
        title=heading,
        where=where,
        meaning=meaning,
        remedy=remedy,
        href=f"{lead}{GUIDE}#{code}" if reason else "",
    )


def _aside_findings(data: CaseData, lead: str) -> list[Finding]:
    grouped: dict[str, list[AsideRow]] = {}
    for row in data.set_aside:
        grouped.setdefault(row.code, []).append(row)
    found = []
    for code, rows in grouped.items():
        phases = [phase_text(r.phase_pct) for r in rows if r.phase_pct is not None]
        readings = [f"{r.reader_id} read {r.read_no}" for r in rows if r.reader_id]
        where = "; ".join(t for t in (named(phases), named(readings)) if t)
        if not where or not data.values:
            where = "the whole case"
        message = next((r.message for r in rows if r.phase_pct is not None or r.reader_id), rows[0].message)
        found.append(_reason_finding(code, "set_aside", where, lead, plain_message(code, message)))
    return found


def plain_message(code: str, message: str) -> str:
    """A message of set_aside without the place and the code before it, which the sheet gives in words."""
    text = re.sub(r"^\S+ row \d+(, series \w+)?: ", "", message).removeprefix(f"{code}: ")
    return text[:1].upper() + text[1:]


def _series_findings(data: CaseData, lead: str) -> list[Finding]:
    phases: dict[str, list[str]] = {}
    by_series = {(row.row, row.series): row.phase for row in data.inventory.series}
    for row in data.inventory.series:
        for code in codes_of(row.reason_codes):
            phases.setdefault(code, []).append(phase_text(row.phase))
    for quality in data.series_quality:
        for code in codes_of(quality.quality_codes):
            phases.setdefault(code, []).append(phase_text(by_series.get((quality.row, quality.series))))
    return [_reason_finding(code, "", named(of), lead) for code, of in phases.items()]


def codes_of(cell: object) -> list[str]:
    """Codes of a cell: a list, or text separated by semicolons or commas."""
    if isinstance(cell, str):
        return [c.strip() for c in cell.replace(";", ",").split(",") if c.strip()]
    return [str(c) for c in cell] if isinstance(cell, list | tuple) else []
