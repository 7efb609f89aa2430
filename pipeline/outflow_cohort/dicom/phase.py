"""Cardiac phase of a stack in the order of trust: functional groups, trigger time, the study's table, text.

Percent of the R-R interval from the R peak. A contradiction is reported and leaves the phase unknown.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from outflow_cohort.dicom.frames import Frame
from outflow_cohort.dicom.settings import PhaseSettings
from outflow_cohort.phases import PhaseMatch

PLAUSIBLE_INTERVAL_MS = (200.0, 3000.0)
"""R-R intervals of 300 to 20 beats a minute; others are not intervals of one beat."""

_RECONSTRUCTION_STRENGTH = re.compile(r"(?i)\b(?:asir|asir-v|idose|aidr|safire|admire|sn|ss)[\s:_-]*\d{1,3}\s*%?")
_PERCENT = re.compile(r"(?<![\d.])(\d{1,3}(?:\.\d{1,2})?)\s*%")


@dataclass(frozen=True)
class PhaseDecision:
    """phase_pct (None = unknown), its source (functional_groups, trigger_time, table, text, none), codes."""

    phase_pct: float | None
    source: str
    codes: dict[str, str] = field(default_factory=dict)


def _agreed(values: list[float], match: PhaseMatch) -> tuple[float | None, float]:
    """Median of `values` where all mean the same phase as it, and the largest departure."""
    if not values:
        return None, 0.0
    middle = float(np.median(values))
    spread = max(abs(v - middle) for v in values)
    return (middle if all(match.same(v, middle) for v in values) else None), spread


def stated_phase(frame: Frame) -> float | None:
    """Phase by the functional groups of a frame, % R-R; None where they state none."""
    tags = frame.phase
    if tags.nominal_percentage is not None:
        return tags.nominal_percentage
    if tags.functional_delay is not None and tags.functional_interval:
        return 100 * tags.functional_delay / tags.functional_interval  # PS3.3 C.7.6.16.2.7
    return None


def _triggered(frame: Frame) -> float | None:
    delay, interval = frame.phase.trigger_time, frame.phase.nominal_interval
    low, high = PLAUSIBLE_INTERVAL_MS
    if delay is None or interval is None or not low <= interval <= high:
        return None
    return 100 * delay / interval  # PS3.3 C.7.6.18.1.1.1


def _in_text(frame: Frame) -> float | None:
    for words in frame.phase.text:
        found = {float(m) for m in _PERCENT.findall(_RECONSTRUCTION_STRENGTH.sub(" ", words))}
        found = {value for value in found if value <= 100}
        if len(found) == 1:
            return found.pop()
    return None


def decide_phase(frames: list[Frame], table_pct: float | None, settings: PhaseSettings) -> PhaseDecision:
    """Phase of a stack; `table_pct` is what series.csv states (None = nothing)."""
    match = settings.match
    statements: list[tuple[str, float]] = []
    readers = [("functional_groups", stated_phase), ("trigger_time", _triggered)]
    problems: list[str] = []
    for source, reader in readers:
        values = [v for v in map(reader, frames) if v is not None]
        if not values:
            continue
        value, spread = _agreed(values, match)
        if value is None:
            problems.append(f"{source} varies by {spread:.1f} % within the series")
        elif not 0 <= value <= 100:
            problems.append(f"{source} gives {value:.1f} %")
        else:
            statements.append((source, value))
    if table_pct is not None:
        statements.append(("table", float(table_pct)))
    if settings.text_opt_in:
        value, _ = _agreed([v for v in map(_in_text, frames) if v is not None], match)
        if value is not None:
            statements.append(("text", value))
    if statements:
        best = statements[0]
        problems += [
            f"{best[0]} states {best[1]:.1f} %, {source} {value:.1f} %"
            for source, value in statements[1:]
            if not match.same(value, best[1])
        ]
    if problems:
        return PhaseDecision(None, "contradiction", {"phase_contradiction": "; ".join(problems)})
    if not statements:
        return PhaseDecision(None, "none", {"phase_unknown": _no_statement(frames, settings)})
    source, value = statements[0]
    codes = {"phase_from_text": f"{value:g} % from text"} if source == "text" else {}
    # Where the table agrees within the tolerance, its own number is kept, so that landmarks match it exactly.
    kept = float(table_pct) if table_pct is not None else round(value, 2)
    return PhaseDecision(kept, source, codes)


def _no_statement(frames: list[Frame], settings: PhaseSettings) -> str:
    """Why the phase is unknown; where the text seems to state it, the option that has it read."""
    value, _ = _agreed([v for v in map(_in_text, frames) if v is not None], settings.match)
    if value is None or settings.text_opt_in:
        return "no source states the phase"
    return (
        f"no numeric attribute states the phase; the series' text seems to say {value:g} %: give phase_pct in "
        "series.csv, or set `phase: {text_opt_in: true}` in study.yaml to have the text read"
    )


def heart_rate_codes(frames: list[Frame]) -> dict[str, str]:
    """`heart_rate_varied` where HighRR/LowRR > 1.3 or over 10 % of beats were rejected (common practice)."""
    for frame in frames:
        if frame.low_rr and frame.high_rr and frame.low_rr > 0 and frame.high_rr / frame.low_rr > 1.3:
            return {"heart_rate_varied": f"R-R from {frame.low_rr:g} to {frame.high_rr:g} ms"}
        if frame.beats_rejected and frame.beats_acquired:
            share = 100 * frame.beats_rejected / (frame.beats_rejected + frame.beats_acquired)
            if share > 10:
                return {"heart_rate_varied": f"{share:.0f} % of beats rejected"}
    return {}
