"""The case sheet: what one case's tables, drawing and pictures say, on one page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from outflow_cohort.report import charts_case as charts
from outflow_cohort.report import plates
from outflow_cohort.report.case_data import CaseData, Value, phase_order
from outflow_cohort.report.numbers import count, estimate, interval, is_number, number, phase_text, unit_text, with_unit
from outflow_cohort.report.page import EMPTY_TABLE, Figure, Table, render, table_of
from outflow_cohort.report.pictures import grey_scale_text
from outflow_cohort.report.wording import (
    CAUTIONS,
    SOLIDS,
    definition,
    field_title,
    measure_title,
    method_text,
    variant_text,
    words,
)

HIDDEN_SERIES_FIELDS = ("uid", "hash", "path", "dir", "file", "case_id", "frame_of_reference", "origin", "orientation")
"""Columns of the series table that are long, internal, or point at a machine."""
MOST_STRIP_PHASES = 9


@dataclass(frozen=True)
class Headline:
    """A number in large type."""

    label: str
    value: str
    note: str


@dataclass(frozen=True)
class Block:
    """A titled table."""

    title: str
    table: Table


def case_sheet(data: CaseData) -> str:
    """The HTML of one case sheet; the same data gives the same bytes."""
    phase, why = data.shown_phase()
    reference = data.reference
    main = data.main_plan(phase)
    shown = f"{reference[0]}, read {reference[1]}" if reference else ""
    note = (
        f"Of the reference reading ({shown}; the first by name) at {phase_text(phase)}, {why}. "
        f"Intervals are 95 %, from the scatter of landmarks."
        if reference
        else ""
    )
    return render(
        "sheet.html",
        case=data.case,
        study_id=data.request["study"]["study_id"],
        standfirst=_standfirst(data),
        headline=_headline(data, phase, main),
        headline_note=note,
        warnings=_warnings(data),
        set_aside=_set_aside(data),
        plates=_plates(data, phase, main),
        plates_note=f"{phase_text(phase)}, {why}; {shown}. {grey_scale_text()} Outside the volume the plate is white.",
        phases_strip=_strip(data, main),
        readers=_readers(data, phase),
        curves=charts.curve_figures(data),
        curves_note="Lines: reference reading. Bands: lowest to highest of all readings. Dot and bar: smallest section "
        "with its 95 % interval. Dashed: cut-offs.",
        cutoffs=_cutoffs(data),
        cycle=charts.cycle_figures(data),
        views=charts.view_figure(data, phase),
        sizing=_sizing(data, phase),
        numbers=_numbers(data),
        definitions=_definitions(data),
        series=_series(data),
        level=_level(data),
        plans=_plans(data),
        facts=_facts(data),
        cautions=CAUTIONS,
        chosen=_chosen(data),
    )


def _standfirst(data: CaseData) -> str:
    case = data.case
    parts = [words(case.get("group")).capitalize()] if case.get("group") else []
    for name, label in (("site", "site"), ("device_id", "device"), ("prosthesis_id", "prosthesis in place")):
        if case.get(name):
            parts.append(f"{label} {case[name]}")
    readers = {d["reader_id"] for d in data.drawings}
    parts.append(
        f"{count(len(data.phases), 'phase')}, {count(len(readers), 'reader')}, "
        f"{count(len(data.drawings), 'reading')} measured"
    )
    return " · ".join(parts) + "."


def _headline(data: CaseData, phase: float | None, main: tuple[str, str] | None) -> list[Headline]:
    reference = data.reference
    if reference is None:
        return []
    who = {"reader_id": reference[0], "read_no": reference[1], "phase_pct": phase}
    items: list[tuple[str, Value | None, str]] = []
    if main:
        plan, (solid, method) = main[0], main[1].split("|")
        along = {**who, "plan_id": plan, "method": method}
        place = f"{SOLIDS.get(solid, words(solid))}, plan {plan}, {method_text(method)}"
        for measure in ("neo_lvot_area", "lvot_residual_fraction", "device_septum_distance"):
            items.append((measure_title(measure), data.first(measure, solid, **along), place))
    items.append(("Aorto-mitral angle", data.first("aorto_mitral_angle", "opening", **who), "opening, 180° = coplanar"))
    items.append(("Mitral area", data.first("mitral_area", "spline", **who), "projected on the ring plane"))
    items.append(("Mitral perimeter", data.first("mitral_perimeter", "projected", **who), "projected"))
    items.append(("Aortic area", data.first("aortic_area", **who), ""))
    out = []
    for label, value, place in items:
        if value is not None:
            around = interval(value.ci_low, value.ci_high, value.unit)
            out.append(Headline(label, with_unit(value.value, value.unit), " · ".join(t for t in (around, place) if t)))
    return out


def _warnings(data: CaseData) -> list[str]:
    lines = []
    for row in data.inventory.get("series") or []:
        codes = row.get("reason_codes") or row.get("reasons") or ""
        codes = ", ".join(codes) if isinstance(codes, list | tuple) else str(codes)
        if row.get("verdict") in ("warned", "set_aside") or codes:
            verdict = words(row.get("verdict") or "noted")
            lines.append(
                f"Series of {phase_text(row.get('phase_pct'))}: {verdict}{f' ({words(codes)})' if codes else ''}."
            )
    counted: dict[tuple[str, str], list[Value]] = {}
    for v in data.values:
        if v.status not in ("ok", ""):
            counted.setdefault((v.status, v.measure), []).append(v)
    for (status, measure), rows in sorted(counted.items()):
        none = sum(v.value is None for v in rows)
        kind = "without a value" if none == len(rows) else "with a remark" if none == 0 else "with a remark or no value"
        variants = sorted({variant_text(v.variant) for v in rows if v.variant})
        listed = f" ({'; '.join(variants[:4])}{' …' if len(variants) > 4 else ''})" if variants else ""
        lines.append(f"{measure_title(measure)}{listed}: {count(len(rows), 'row')} {kind}, {words(status)}.")
    for row in data.set_aside:
        lines.append(f"Set aside at {words(row.get('stage'))}: {words(row.get('code'))}.")
    return list(dict.fromkeys(lines))


def _set_aside(data: CaseData) -> Table:
    rows = [
        (
            phase_text(r.get("phase_pct")) if is_number(r.get("phase_pct")) else "all",
            r.get("reader_id") or "all",
            number(r.get("read_no"), digits=0),
            words(r.get("stage")),
            words(r.get("code")),
            r.get("message") or "",
        )
        for r in data.set_aside
    ]
    return table_of(("Phase", "Reader", "Read", "Stage", "Reason", "What was found, and the remedy"), rows)


def _plates(data: CaseData, phase: float | None, main: tuple[str, str] | None) -> list[Figure]:
    drawing = data.drawing(phase)
    if drawing is None:
        return []
    out = []
    plan_id, section_name = main or ("", "")
    found = data.picture("three_chamber", phase)
    if found and drawing.get("three_chamber"):
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        text = "Cut through ring centre, aortic centre and apex; atrium up, apex down, aorta to the right."
        if plan_id:
            text += f" Plan {plan_id}; the pale part of the device is covered."
        out.append(Figure(plates.three_chamber_plate(found[0], uri, drawing, plan_id, section_name, text), text))
    section = ((drawing.get("plans") or {}).get(plan_id) or {}).get("sections", {}).get(section_name)
    found = data.picture("section", phase, plan_id) if section else None
    if found:
        solid, method = section_name.split("|")
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        area = estimate(section.get("area_mm2"), section.get("ci_low"), section.get("ci_high"), "mm2")
        text = (
            f"Smallest section, {SOLIDS.get(solid, words(solid))}, plan {plan_id}, {method_text(method)}: {area} mm² "
            f"at station {number(section.get('station_mm'), 'mm')} mm. Seen from the ventricle, the device down."
        )
        out.append(Figure(plates.section_plate(found[0], uri, section, "Smallest section", text), text))
    found = data.picture("ring", phase)
    if found and drawing.get("three_chamber"):
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        reference = data.reference or ("", 0)
        who = {"reader_id": reference[0], "read_no": reference[1], "phase_pct": phase}
        values = {v.variant: v.value for v in data.find("mitral_diameter", **who)}
        text = "Seen from the atrium, aorta up. White points: as the reader set them, projected on the ring plane."
        out.append(Figure(plates.ring_plate(found[0], uri, drawing, values, text), text))
    return out


def _strip(data: CaseData, main: tuple[str, str] | None) -> list[Figure]:
    """Small section plates of every phase, where there are several."""
    if main is None or len(data.phases) < 2:
        return []
    plan_id, name = main
    out = []
    for phase in data.phases[:MOST_STRIP_PHASES]:
        drawing, found = data.drawing(phase), data.picture("section", phase, plan_id)
        section = (((drawing or {}).get("plans") or {}).get(plan_id) or {}).get("sections", {}).get(name)
        if found is None or not section or found[0].solid_method != name:
            continue
        uri = plates.picture_uri(found[1], min(data.settings.picture_quality, 70))
        area = with_unit(section.get("area_mm2"), "mm2")
        title = phase_text(phase)
        out.append(
            Figure(plates.section_plate(found[0], uri, section, title, f"{title}: {area}", small=True), area + ".")
        )
    return out


def _readers(data: CaseData, phase: float | None) -> list[Figure]:
    drawings = [d for d in data.drawings if d["phase_pct"] == phase and (d.get("ring") or {}).get("contour")]
    if len(drawings) < 2:
        return []
    out = []
    for name, long_axis in (("ring", False), ("three_chamber", True)):
        found = data.picture(name, phase)
        if found:
            text = "Ring plane, annulus plane and path." if long_axis else "Ring contours on the reference ring plane."
            text += f" Thick: first read; thin: further reads. {phase_text(phase)}."
            out.append(Figure(plates.readers_plate(found[0], drawings, long_axis), text))
    return out


def _cutoffs(data: CaseData) -> Table:
    rows = []
    for c in data.request["study"].get("cutoffs") or []:
        rest = [
            str(c[n]) for n in ("endpoint", "n", "n_events", "group", "source", "mark") if c.get(n) not in (None, "")
        ]
        rows.append((c.get("cutoff_id", ""), number(charts.cutoff_area(c), "mm2"), "; ".join(rest)))
    return table_of(("Cut-off", "Area, mm²", "Endpoint, patients, source"), rows)


def _sizing(data: CaseData, phase: float | None) -> Table:
    reference = data.reference
    targets = data.request.get("sizing_targets") or []
    rows = []
    for plan in data.request.get("plans") or []:
        for basis in ("area", "perimeter", "diameter"):
            found = [
                v
                for v in data.find("oversizing", basis, plan_id=plan["plan_id"], phase_pct=phase)
                if v.value is not None
            ]
            if not found or reference is None:
                continue
            first = next((v for v in found if (v.reader_id, v.read_no) == reference), found[0])
            fitting = [t for t in targets if t.get("device_id") == plan["device_id"] and t.get("basis") == basis]
            ranges = [f"{t['min_pct']:g} to {t['max_pct']:g} %" for t in fitting]
            inside = [t["min_pct"] <= (first.value or 0.0) <= t["max_pct"] for t in fitting]
            others = sorted(v.value for v in found if v.value is not None)
            rows.append(
                (
                    plan["plan_id"],
                    plan["device_id"],
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


def _cell(value: Value | None) -> str:
    if value is None:
        return ""
    if value.value is None:
        return words(value.status)
    text = estimate(value.value, value.ci_low, value.ci_high, value.unit)
    return text if value.status in ("ok", "") else f"{text}; {words(value.status)}"


def _numbers(data: CaseData) -> list[Block]:
    """A table a phase, a column a reading."""
    blocks = []
    for phase in sorted({v.phase_pct for v in data.values}, key=lambda p: 1e9 if p is None else p):
        mine = [v for v in data.values if v.phase_pct == phase]
        readings = sorted({(v.reader_id, v.read_no or 0) for v in mine})
        lines: dict[tuple[str, ...], dict[tuple[str, int], Value]] = {}
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
        ]
        names = [f"{r}, read {n}" if n else (r or "all readers") for r, n in readings]
        title = "Over the phases" if phase is None and len(data.phases) > 1 else f"Phase: {phase_text(phase)}"
        blocks.append(Block(title, table_of(("Measure", "Variant", "Plan", "Method", "Unit", *names), rows)))
    return blocks


def _definitions(data: CaseData) -> Table:
    names = list(dict.fromkeys(v.measure for v in data.values))
    rows = [(measure_title(n), definition(n)) for n in names if definition(n)]
    return table_of(("Measure", "Definition"), rows)


def _shown_field(name: str) -> bool:
    return not any(part in name for part in HIDDEN_SERIES_FIELDS)


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


def _series(data: CaseData) -> Table:
    """Fields down, series across: few series, many fields."""
    quality = {(q.get("row"), q.get("series")): q for q in data.series_quality}
    rows = [{**r, **quality.get((r.get("row"), r.get("series")), {})} for r in data.inventory.get("series") or []]
    rows.sort(key=lambda r: phase_order(r.get("phase_pct")))
    names = [n for n in dict.fromkeys(n for r in rows for n in r) if _shown_field(n)]
    lines = [
        (words(n), *(_plain(r.get(n)) for r in rows))
        for n in names
        if any(r.get(n) not in (None, "", []) for r in rows)
    ]
    if not rows:
        return EMPTY_TABLE
    return table_of(("Field", *(phase_text(r.get("phase_pct")) for r in rows)), lines)


def _level(data: CaseData) -> Table:
    rows = []
    for phase in data.phases:
        level = (data.drawing(phase) or {}).get("level") or {}
        names = ("blood_hu", "muscle_hu", "threshold_hu", "noise_hu", "contrast_to_noise")
        if level:
            rows.append((phase_text(phase), *(number(level.get(n), digits=1 if n == names[-1] else 0) for n in names)))
    header = ("Phase", "Blood, HU", "Muscle, HU", "Blood edge, HU", "Noise, HU", "Contrast to noise")
    return table_of(header, rows)


def _plans(data: CaseData) -> Table:
    devices: Mapping[str, Any] = data.request.get("devices") or {}
    rows = []
    for plan in data.request.get("plans") or []:
        device = devices.get(plan["device_id"]) or {}
        rows.append(
            (
                plan["plan_id"],
                plan["device_id"],
                number(device.get("nominal_diameter_mm"), "mm"),
                number(device.get("height_mm"), "mm"),
                interval(device.get("covered_from_mm"), device.get("covered_to_mm"), "mm") or "–",
                number(plan.get("ventricular_depth_mm"), "mm"),
                words(plan.get("anchor") or "ring"),
                _pair(plan, "tilt_ap_deg", "tilt_ic_deg", "deg"),
                _pair(plan, "offset_ap_mm", "offset_ic_mm", "mm"),
            )
        )
    header = (
        "Plan", "Device", "Diameter, mm", "Height, mm", "Covered, mm", "Depth, mm", "Anchor", "Tilt AP, IC, °",
        "Offset AP, IC, mm",
    )  # fmt: skip
    return table_of(header, rows)


def _pair(plan: Mapping[str, Any], first: str, second: str, unit: str) -> str:
    return ", ".join(number(plan.get(n) or 0.0, unit) for n in (first, second))


def _facts(data: CaseData) -> list[tuple[str, str]]:
    skip = {"case_id", "key", "extra"}
    facts = [(field_title(n), _plain(v)) for n, v in data.case.items() if n not in skip and v not in (None, "")]
    facts += [(field_title(n), _plain(v)) for n, v in (data.case.get("extra") or {}).items() if v not in (None, "")]
    prosthesis: Mapping[str, Any] = data.request.get("prosthesis") or {}
    facts += [
        (field_title(n), _plain(v)) for n, v in prosthesis.items() if v not in (None, "") and n != "prosthesis_id"
    ]
    return facts


def _chosen(data: CaseData) -> str:
    chosen: Mapping[str, Any] = data.request["study"].get("definitions") or {}
    parts: Sequence[str] = [f"{words(n)} {_plain(v)}" for n, v in sorted(chosen.items())]
    return "; ".join(parts) or "the defaults"
