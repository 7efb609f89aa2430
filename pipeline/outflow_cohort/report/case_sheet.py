"""The case sheet: what one case's tables, drawing and pictures say, on one page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from outflow_cohort.report import case_tables as tables
from outflow_cohort.report import charts_case as charts
from outflow_cohort.report import plates
from outflow_cohort.report.case_data import CaseData, Value
from outflow_cohort.report.charts_implants import MAPS_NOTE, implant_maps
from outflow_cohort.report.headline import PLAN_RULE
from outflow_cohort.report.numbers import count, estimate, interval, number, phase_text, with_unit
from outflow_cohort.report.page import EMPTY_TABLE, Figure, render
from outflow_cohort.report.pictures import grey_scale_text, section_frame
from outflow_cohort.report.remarks import series_remarks, value_remarks, want_remarks
from outflow_cohort.report.wording import (
    CAUTIONS,
    SOLIDS,
    measure_title,
    method_text,
    words,
)

MOST_STRIP_PHASES = 9


@dataclass(frozen=True)
class Headline:
    """A number in large type."""

    label: str
    value: str
    note: str


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
        plans_overview=tables.plan_overview(data, phase) if len(data.plan_ids) > 1 else EMPTY_TABLE,
        plan_rule=f"{PLAN_RULE}.",
        warnings=[*series_remarks(data), *value_remarks(data.values)],
        set_aside=tables.set_aside_table(data),
        plates=_plates(data, phase, main),
        plates_note=f"{phase_text(phase)}, {why}; {shown}. {grey_scale_text()} Outside the volume the plate is white.",
        phases_strip=_strip(data, main),
        readers=_readers(data, phase),
        curves=charts.curve_figures(data),
        curves_note=charts.CURVES_NOTE,
        cutoffs=tables.cutoff_table(data),
        cycle=charts.cycle_figures(data),
        cycle_note=charts.CYCLE_NOTE,
        implants=implant_maps(data),
        implants_note=MAPS_NOTE,
        views=charts.view_figure(data, phase),
        sizing=tables.sizing_table(data, phase),
        wants=want_remarks(data.values),
        numbers=tables.number_blocks(data),
        definitions=tables.definition_table(data),
        series=tables.series_table(data),
        level=tables.level_table(data),
        plans=tables.plan_table(data),
        facts=tables.case_facts(data),
        cautions=CAUTIONS,
        chosen=tables.definitions_chosen(data),
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
    plan = (drawing.get("plans") or {}).get(plan_id)
    if plan:
        out.append(_section_figure(data, phase, plan_id, section_name, plan))
    found = data.picture("ring", phase)
    if found and drawing.get("three_chamber"):
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        reference = data.reference or ("", 0)
        who = {"reader_id": reference[0], "read_no": reference[1], "phase_pct": phase}
        values = {v.variant: v.value for v in data.find("mitral_diameter", **who)}
        text = "Seen from the atrium, aorta up. White points: as the reader set them, projected on the ring plane."
        out.append(Figure(plates.ring_plate(found[0], uri, drawing, values, text), text))
    return out


def _section_figure(
    data: CaseData, phase: float | None, plan_id: str, section_name: str, plan: Mapping[str, Any]
) -> Figure:
    """The smallest section; without greys where the picture taken was of another solid's or path's section."""
    section = plan["sections"][section_name]
    solid, method = section_name.split("|")
    found = data.picture("section", phase, plan_id)
    taken = found is not None and found[0].solid_method == section_name
    frame = found[0] if found and taken else section_frame(phase, plan_id, section_name, plan)
    uri = plates.picture_uri(found[1], data.settings.picture_quality) if found and taken else ""
    area = estimate(section.get("area_mm2"), section.get("ci_low"), section.get("ci_high"), "mm2")
    text = (
        f"{SOLIDS.get(solid, words(solid)).capitalize()}, plan {plan_id}, {method_text(method)}: {area} mm² "
        f"at station {number(section.get('station_mm'), 'mm')} mm. Seen from the ventricle, the device down."
    )
    definitions = data.request["study"].get("definitions") or {}
    if definitions.get("section_rule", "aortic_side") == "aortic_side":
        text += " A straight blood edge is where the aortic side of the device ends."
    if not taken:
        text += " Outlines only: no picture was taken in this plane."
    return Figure(plates.section_plate(frame, uri, section, "Smallest section", text), text)


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
