"""Which series of a folder belongs to a row of series.csv, and whether a case's phases fit together.

The rule, in this order: the phase asked for; fewest warnings of geometry; original before derived; finer slice
spacing; more slices; smaller pixels; the smoother of two reconstructions (lower roughness of the middle slice); then
the smaller fingerprint, so that the choice never depends on names.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import numpy as np

from outflow_cohort.dicom.codes import reason
from outflow_cohort.dicom.settings import PhaseSettings
from outflow_cohort.dicom.stacks import PER_FILE
from outflow_cohort.dicom.verify import JudgedSeries

SPLIT_CODES = frozenset({"several_phases", "several_series", "several_studies"})


Roughness = Callable[[JudgedSeries], float]
"""Gives a measure of pixel noise of a series; called only where a choice is left."""


def _rank(series: JudgedSeries, fingerprint: str, roughness: Roughness) -> tuple[float | str, ...]:
    warnings = sum(
        reason(code).severity == "warning" and reason(code).stage == "geometry"
        for code in series.codes
        if code not in SPLIT_CODES
    )
    spacing = series.figures.get("slice_spacing_mm")
    pixel = max(series.first.pixel_spacing or (9.0,))
    return (
        warnings,
        float("derived_image" in series.codes),
        round(spacing, 3) if isinstance(spacing, float) else 9.0,
        -len(series.stack.frames),
        round(pixel, 3),
        roughness(series),
        fingerprint,
    )


def choose(
    candidates: list[tuple[JudgedSeries, str]],
    table_pct: float | None,
    settings: PhaseSettings,
    roughness: Roughness = lambda series: 0.0,
) -> list[JudgedSeries]:
    """Series that fit a row, best first per phase; others that could have get the code `not_chosen`.

    candidates : (series, fingerprint) pairs of one folder, whatever their verdict.
    """
    if table_pct is not None:
        _apply_table(candidates, table_pct, settings)
    usable = [(s, f) for s, f in candidates if s.verdict != "set_aside"]
    if len({s.first.study for s, _ in usable}) > 1:
        for series, _ in usable:
            series.codes["several_studies"] = "several studies in one folder"
    groups: dict[float | None, list[tuple[JudgedSeries, str]]] = defaultdict(list)
    for series, fingerprint in usable:
        phase = series.phase.phase_pct
        known = list(groups)
        near = settings.match.nearest(phase, known)
        groups[phase if near is None else known[near]].append((series, fingerprint))
    if len(groups) > 1:
        # A series of unknown phase cannot stand beside series of known phases.
        for series, _ in groups.pop(None, []):
            series.codes["not_chosen"] = "its phase is unknown while others of the folder state theirs"
    _refuse_ambiguous(groups)
    chosen = []
    for phase in sorted(groups, key=lambda p: -1.0 if p is None else p):
        ranked = [pair for pair in groups[phase] if "phase_ambiguous" not in pair[0].codes]
        if not ranked:
            continue
        if len(ranked) > 1:
            ranked.sort(key=lambda pair: _rank(pair[0], pair[1], roughness))
        best = ranked[0][0]
        chosen.append(best)
        for series, _ in ranked[1:]:
            series.codes["not_chosen"] = f"one of {len(ranked)} series for the same phase"
        if len(ranked) > 1:
            best.codes["several_series"] = f"chosen from {len(ranked)} series for the same phase"
    return chosen


def _refuse_ambiguous(groups: dict[float | None, list[tuple[JudgedSeries, str]]]) -> None:
    """Parts of one series whose phases no header states: which is meant would be a guess."""
    for members in groups.values():
        parts = [s for s, _ in members if "several_phases" in s.codes and s.phase.source in ("none", "table", "text")]
        for series in parts:
            twins = sum(other.first.series == series.first.series for other in parts)
            if twins > 1:
                series.codes["phase_ambiguous"] = f"one of {twins} images at each position whose phases are not stated"


def _apply_table(candidates: list[tuple[JudgedSeries, str]], table_pct: float, settings: PhaseSettings) -> None:
    """Keep the series of the phase that series.csv asks for; a lone series that says otherwise contradicts it."""
    header_trouble = {"phase_contradiction"}
    usable = [
        s for s, _ in candidates if all(reason(c).severity != "set_aside" or c in header_trouble for c in s.codes)
    ]
    matching = [
        s
        for s in usable
        if s.phase.phase_pct is not None
        and s.phase.source != "text"
        and settings.match.same(s.phase.phase_pct, table_pct)
    ]
    silent = [s for s in usable if s.phase.source in ("none", "text")]
    asked = matching or silent
    if not asked and len(usable) > 1:
        for series in usable:
            series.codes["phase_not_found"] = f"series.csv asks for {table_pct:g} %; this one states another phase"
        return
    for series in asked or usable:
        series.state_phase(table_pct, settings)
    for series in usable:
        if asked and not any(series is s for s in asked):
            series.codes["not_chosen"] = f"series.csv asks for {table_pct:g} %; this one states another phase"


def judge_case(chosen: list[JudgedSeries], settings: PhaseSettings) -> None:
    """Mark series of one case that repeat a phase or do not share the Frame of Reference."""
    seen: list[float | None] = []
    for series in chosen:
        phase = series.phase.phase_pct
        if any(settings.match.same(p, phase) for p in seen):
            series.codes["phase_repeated"] = "another row of series.csv already has " + (
                "the unknown phase" if phase is None else f"{phase:g} %"
            )
        seen.append(phase)
    left = [s for s in chosen if s.verdict != "set_aside"]
    frames = {s.first.frame_of_reference for s in left}
    per_file = any(PER_FILE in s.codes for s in left) and len(frames - {""}) <= 1 and _one_grid(left)
    if len(left) > 1 and (len(frames) > 1 or "" in frames) and not per_file:
        for series in left:
            series.codes["frames_of_reference_differ"] = (
                f"{len(frames)} frames of reference among {len(left)} phases of the case"
                if "" not in frames
                else "a phase of the case has no FrameOfReferenceUID"
            )


GRID_TOLERANCE_MM = 0.05
"""Phases of one acquisition are reconstructed on one grid; positions are written to 0.01 mm or better."""


def _one_grid(series: list[JudgedSeries]) -> bool:
    """Whether all belong to one study and one grid of pixels, so that they share the patient's position."""
    if len({s.first.study for s in series}) > 1 or any(s.geometry is None for s in series):
        return False
    grids = [s.geometry for s in series if s.geometry is not None]
    first = grids[0]
    for grid in grids[1:]:
        offset = np.linalg.inv(first.direction) @ (grid.origin - first.origin)
        if np.abs(grid.direction - first.direction).max() > 1e-4 or np.abs(offset[:2]).max() > GRID_TOLERANCE_MM:
            return False
        if grid.size[:2] != first.size[:2] or np.abs(grid.spacing[:2] - first.spacing[:2]).max() > 1e-3:
            return False
    return True
