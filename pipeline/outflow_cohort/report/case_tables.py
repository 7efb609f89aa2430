"""Tables of a case sheet: what was set aside, sizing, every number, acquisition, plans. Cells are ready text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.measured import series_record
from outflow_cohort.report.case_data import CaseData, ReadValue, phase_order
from outflow_cohort.report.numbers import count, estimate, interval, number, phase_text, unit_text
from outflow_cohort.report.page import EMPTY_TABLE, Table, table_of
from outflow_cohort.report.wording import (
    definition,
    field_title,
    measure_title,
    method_text,
    setting_text,
    variant_text,
    words,
)
from outflow_cohort.study.status_codes import MISSING

SERIES_FIELDS_FIRST = (
    "verdict", "reason_codes", "remedy", "phase_pct", "phase_source", "n_slices", "rows", "columns", "row_spacing_mm",
    "column_spacing_mm", "slice_spacing_mm", "slice_thickness_mm", "patient_position", "lumen_hu", "muscle_hu",
    "noise_hu", "contrast_to_noise",
)  # fmt: skip
SERIES_FIELDS_HIDDEN = (
    "case_id", "row", "series", "details", "transfer_syntax", "bits_stored", "signed", "padding_value", "maker",
    "n_files", "rescale_slope", "rescale_intercept", "frame_of_reference", "tolerance",
)  # fmt: skip
HIDDEN_ENDINGS = ("_x", "_y", "_z", "_hash", "uid", "_path", "_dir", "file", "_x_mm", "_y_mm", "_z_mm")
"""Columns of the series table that only a program reads: internal names, direction cosines, storage details."""


@dataclass(frozen=True)
class Block:
    """A titled table."""

    title: str
    table: Table


def set_aside_table(data: CaseData) -> Table:
    """One line per reason, with the stages, phases and readings it holds for, and the first message of it."""
    grouped: dict[str, list[AsideRow]] = {}
    for r in data.set_aside:
        grouped.setdefault(r.code, []).append(r)
    rows = []
    for code, of in grouped.items():
        stages = dict.fromkeys(words(r.stage) for r in of)
        phases = dict.fromkeys(phase_text(r.phase_pct) for r in of if r.phase_pct is not None)
        readings = dict.fromkeys(f"{r.reader_id} {number(r.read_no, digits=0)}" for r in of if r.reader_id)
        messages = list(dict.fromkeys(r.message for r in of))
        more = f" ({count(len(messages) - 1, 'more message')} like it)" if len(messages) > 1 else ""
        rows.append(
            (words(code), ", ".join(stages), ", ".join(phases) or "all", ", ".join(readings) or "all",
             count(len(of), "row"), messages[0] + more)
        )  # fmt: skip
    header = ("Reason", "Stage", "Phase", "Reader and read", "Rows", "What was found, and the remedy")
    note = "tables/set_aside.parquet has every row and message." if len(data.set_aside) > len(rows) else ""
    return table_of(header, rows, note)


def findings_table(data: CaseData) -> Table:
    """Landmarks that the judging found suspect, per reading and point, suspect before notes."""
    rows = []
    for drawing in data.drawings:
        who = f"{drawing.reader_id}, read {number(drawing.read_no, digits=0)}"
        for f in drawing.findings:
            place = words(f.structure) if f.structure else "whole reading"
            point = "" if f.point_no is None else number(f.point_no, digits=0)
            unit = "" if f.unit == "1" else f" {unit_text(f.unit)}"
            found = "" if f.number is None else f"{number(f.number, digits=1)}{unit}"
            bound = "" if f.bound is None else f"{number(f.bound, digits=1)}{unit}"
            rows.append(
                (f.severity, phase_text(drawing.phase_pct), who, place, point, words(f.code), found, bound, f.remedy)
            )  # fmt: skip
    for row in data.of_study:
        who = f"{row.reader_id}, read {number(row.read_no, digits=0)}" if row.read_no else row.reader_id or "images"
        phase = "all" if row.phase_pct is None else phase_text(row.phase_pct)
        unit = "" if row.unit == "1" else f" {unit_text(row.unit)}"
        found, bound = (
            "" if v is None else f"{number(v, digits=1 if unit else 0)}{unit}" for v in (row.number, row.bound)
        )
        rows.append((row.severity, phase, who, "whole study", "", words(row.code), found, bound, row.remedy))
    rows.sort(key=lambda row: row[0] == "note")
    header = ("", "Phase", "Reading", "Structure", "Point", "What was found", "Number", "Bound", "Remedy")
    note = "Values that rest on suspect points carry the status landmark_suspect and are left out of the statistics."
    return table_of(header, rows, note if rows else "")


def plan_overview(data: CaseData, phase: float | None) -> Table:
    """The headline figures of every plan, of the reference reading: where each is beside the first."""
    reference = data.reference
    if reference is None:
        return EMPTY_TABLE
    who = {"reader_id": reference[0], "read_no": reference[1], "phase_pct": phase}
    devices = {plan.plan_id: plan.device_id for plan in data.request.plans}
    rows = []
    for plan_id in data.plan_ids:
        measures = ("neo_lvot_area", "lvot_residual_fraction", "device_septum_distance")
        found = [data.first(measure, data.settings.main_solid, plan_id=plan_id, **who) for measure in measures]
        cells = [estimate(v.value, v.ci_low, v.ci_high, v.unit) if v else "–" for v in found]
        flagged = dict.fromkeys(v.status for v in found if v and v.status not in ("ok", ""))
        remark = ", ".join(words(status) for status in flagged) or "ok"
        rows.append((plan_id, devices.get(plan_id, ""), *cells, remark))
    return table_of(("Plan", "Device", "Neo-LVOT, mm²", "Residual fraction", "Device to septum, mm", "Status"), rows)


def cutoff_table(data: CaseData) -> Table:
    """The study's cut-offs, mm2, with endpoint, patients and source."""
    rows = []
    for c in data.request.study.cutoffs:
        patients = f"n {c.n}" if c.n else ""
        events = f"{c.events} events" if c.events else ""
        rest = [c.endpoint, patients, events, c.source, c.evidence]
        shown = "; ".join(t for t in rest if t)
        rows.append((words(c.cutoff_id), number(c.area_mm2, "mm2"), shown))
    return table_of(("Cut-off", "Area, mm²", "Endpoint, patients, source"), rows)


def sizing_table(data: CaseData, phase: float | None) -> Table:
    """Oversizing by each plan, percent, beside the study's targets."""
    reference = data.reference
    targets = data.request.sizing_targets
    rows = []
    for plan in data.request.plans:
        for basis in ("area", "perimeter", "diameter"):
            found = [
                v for v in data.find("oversizing", basis, plan_id=plan.plan_id, phase_pct=phase) if v.value is not None
            ]
            if not found or reference is None:
                continue
            first = next((v for v in found if (v.reader_id, v.read_no) == reference), found[0])
            fitting = [t for t in targets if t.device_id == plan.device_id and t.basis == basis]
            ranges = [f"{t.min_pct:g} to {t.max_pct:g} %" for t in fitting]
            inside = [t.min_pct <= (first.value or 0.0) <= t.max_pct for t in fitting]
            others = sorted(v.value for v in found if v.value is not None)
            rows.append(
                (
                    plan.plan_id,
                    plan.device_id,
                    basis,
                    estimate(first.value, first.ci_low, first.ci_high, "pct"),
                    f"{number(others[0], 'pct')} to {number(others[-1], 'pct')}" if len(others) > 1 else "–",
                    " or ".join(ranges) or "none given",
                    ("within" if any(inside) else "outside") if fitting else "–",
                )
            )
    return table_of(
        ("Plan", "Device", "By", "Oversizing, % (95 %)", "All readings, %", "Target", "Against the target"), rows
    )


def _cell(value: ReadValue | None) -> str:
    if value is None:
        return ""
    if value.value is None:
        return words(value.status)
    text = estimate(value.value, value.ci_low, value.ci_high, value.unit)
    return text if value.status in ("ok", "") else f"{text}; {words(value.status)}"


def number_blocks(data: CaseData) -> list[Block]:
    """A table per phase, a column per reading; rows that miss an input in every reading are listed above the tables."""
    blocks = []
    for phase in sorted({v.phase_pct for v in data.values}, key=lambda p: 1e9 if p is None else p):
        mine = [v for v in data.values if v.phase_pct == phase]
        readings = sorted({(v.reader_id, v.read_no or 0) for v in mine})
        lines: dict[tuple[str, ...], dict[tuple[str, int], ReadValue]] = {}
        for v in mine:
            lines.setdefault((v.measure, v.variant, v.plan_id, v.method, v.unit), {})[(v.reader_id, v.read_no or 0)] = v
        rows = [
            (
                measure_title(measure),
                variant_text(variant),
                plan,
                method_text(method),
                unit_text(unit),
                *(_cell(cells.get(r)) for r in readings),
            )
            for (measure, variant, plan, method, unit), cells in lines.items()
            if not all(v.status.startswith(MISSING) for v in cells.values())
        ]
        names = [f"{r}, read {n}" if n else (r or "all readers") for r, n in readings]
        title = "Over the phases" if phase is None and len(data.phases) > 1 else f"Phase: {phase_text(phase)}"
        if rows:
            blocks.append(Block(title, table_of(("Measure", "Variant", "Plan", "Method", "Unit", *names), rows)))
    return blocks


def definition_table(data: CaseData) -> Table:
    """What each measure of the sheet is."""
    names = list(dict.fromkeys(v.measure for v in data.values))
    rows = [(measure_title(n), definition(n)) for n in names if definition(n)]
    return table_of(("Measure", "Definition"), rows)


def _shown_fields(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Fields of the series rows that say something, the important ones first."""
    names = dict.fromkeys(n for r in rows for n in r)
    order = [n for n in SERIES_FIELDS_FIRST if n in names] + [n for n in names if n not in SERIES_FIELDS_FIRST]
    return [
        n
        for n in order
        if n not in SERIES_FIELDS_HIDDEN
        and not n.endswith(HIDDEN_ENDINGS)
        and any(r.get(n) not in (None, "", []) for r in rows)
    ]


def _plain(value: Any) -> str:
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, list | tuple):
        return ", ".join(_plain(v) for v in value) or "–"
    return words(str(value))


def _series_cell(name: str, value: Any) -> str:
    """A cell of the series table; a count is a whole number whatever it was stored as."""
    return number(value, digits=0) if name.startswith("n_") and isinstance(value, float) else _plain(value)


def series_table(data: CaseData) -> Table:
    """Fields down, series across: few series, many fields."""
    quality = {(q.row, q.series): q for q in data.series_quality}
    rows = [series_record(r, quality.get((r.row, r.series))) for r in data.inventory.series]
    rows.sort(key=lambda r: phase_order(r.get("phase_pct")))
    lines = [(field_title(n), *(_series_cell(n, r.get(n)) for r in rows)) for n in _shown_fields(rows)]
    if not rows:
        return EMPTY_TABLE
    return table_of(("Field", *(phase_text(r.get("phase_pct")) for r in rows)), lines)


def level_table(data: CaseData) -> Table:
    """Blood, muscle, the level between and noise, HU, by phase."""
    rows = []
    for phase in data.phases:
        drawing = data.drawing(phase)
        level = None if drawing is None else drawing.drawn.level
        if level is not None:
            hu = (level.blood_hu, level.muscle_hu, level.threshold_hu, level.noise_hu)
            cells = [*(number(n, digits=0) for n in hu), number(level.contrast_to_noise, digits=1)]
            rows.append((phase_text(phase), *cells))
    header = ("Phase", "Blood, HU", "Muscle, HU", "Blood edge, HU", "Noise, HU", "Contrast to noise")
    return table_of(header, rows)


def plan_table(data: CaseData) -> Table:
    """Where each planned device sits, mm and degrees."""
    rows = []
    for plan in data.request.plans:
        device = data.request.devices[plan.device_id]
        rows.append(
            (
                plan.plan_id,
                plan.device_id,
                number(device.nominal_diameter_mm, "mm"),
                number(device.height_mm, "mm"),
                interval(device.covered_from_mm, device.covered_to_mm, "mm") or "–",
                number(plan.ventricular_depth_mm, "mm"),
                words(plan.anchor or "ring"),
                _pair(plan.tilt_ap_deg, plan.tilt_ic_deg, "deg"),
                _pair(plan.offset_ap_mm, plan.offset_ic_mm, "mm"),
            )
        )
    header = (
        "Plan", "Device", "Diameter, mm", "Height, mm", "Covered, mm", "Depth, mm", "Anchor", "Tilt AP, IC, °",
        "Offset AP, IC, mm",
    )  # fmt: skip
    return table_of(header, rows)


def _pair(first: float | None, second: float | None, unit: str) -> str:
    return ", ".join(number(value or 0.0, unit) for value in (first, second))


def case_facts(data: CaseData) -> list[tuple[str, str]]:
    """What the study's tables say of the case: title and text of each fact."""
    facts = data.case.model_dump(exclude={"case_id", "key"})
    prosthesis = data.request.prosthesis
    if prosthesis is not None:
        facts |= prosthesis.model_dump(exclude={"prosthesis_id"})
    return [(field_title(n), _plain(v)) for n, v in facts.items() if v not in (None, "")]


def definitions_chosen(data: CaseData) -> str:
    """The definitions that the study chose, in one line."""
    chosen = data.request.study.definitions.model_dump(mode="json")
    parts: Sequence[str] = [f"{field_title(n)}: {setting_text(v)}" for n, v in sorted(chosen.items())]
    return "; ".join(parts) or "the defaults"
