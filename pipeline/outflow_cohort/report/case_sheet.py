"""The case sheet: what one case's tables, drawing and pictures say, on one page."""

from __future__ import annotations

from dataclasses import dataclass

from outflow_cohort.report import case_tables as tables
from outflow_cohort.report import charts_case as charts
from outflow_cohort.report import plates
from outflow_cohort.report.case_data import CaseData
from outflow_cohort.report.charts_implants import MAPS_NOTE, implant_maps
from outflow_cohort.report.film_strip import film_note, film_strip
from outflow_cohort.report.headline import PLAN_RULE, headline_section
from outflow_cohort.report.numbers import count, estimate, interval, number, phase_text, with_unit
from outflow_cohort.report.page import EMPTY_TABLE, Figure, render
from outflow_cohort.report.pictures import grey_scale_text, section_frame
from outflow_cohort.report.primary import NOT_MEASURED, PrimaryValue
from outflow_cohort.report.triage import case_triage
from outflow_cohort.report.wording import CAUTIONS, SOLIDS, measure_title, method_text, registry, words
from outflow_cohort.study.status_codes import MISSING
from outflow_geometry.base.drawn import DrawnPlan


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
    triage = case_triage(data)
    return render(
        "sheet.html",
        case=data.case,
        study_id=data.request.study.study_id,
        standfirst=_standfirst(data),
        headline=_headline(data),
        headline_note=_headline_note(data, phase, why),
        plans_overview=tables.plan_overview(data, phase) if len(data.plan_ids) > 1 else EMPTY_TABLE,
        plan_rule=f"Of the reading shown: {shown}. {PLAN_RULE}.",
        triage=triage,
        set_aside=tables.set_aside_table(data),
        suspects=tables.findings_table(data),
        plates=_plates(data, phase, main),
        plates_note=f"{phase_text(phase)}, {why}. The reading shown: {shown}. {grey_scale_text()} "
        "Outside the volume the plate is white.",
        other_plans=_other_plans(data, phase, main),
        film=film_strip(data),
        film_note=film_note(data),
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
    parts = [words(case.group).capitalize()] if case.group else []
    for value, label in ((case.site, "site"), (case.device_id, "device"), (case.prosthesis_id, "prosthesis in place")):
        if value:
            parts.append(f"{label} {value}")
    readers = {d.reader_id for d in data.drawings}
    if not data.drawings:
        return " · ".join([*parts, "nothing measured"]) + "."
    parts.append(
        f"{count(len(data.phases), 'phase')}, {count(len(readers), 'reader')}, "
        f"{count(len(data.drawings), 'reading')} measured"
    )
    return " · ".join(parts) + "."


def _headline(data: CaseData) -> list[Headline]:
    """The primary measures that have a value or should have one, as in the cohort report and tables/cases.csv."""
    out = []
    shared = _device_place(data)
    for v in data.primary:
        if v.status == NOT_MEASURED or (v.value is None and v.status.startswith(MISSING)):
            continue
        solid, _, rest = v.variant.partition("/")
        named = measure_title(v.measure, rest if solid in SOLIDS else v.variant)
        if v.value is not None:
            place = [interval(v.low, v.high, v.unit)]
        elif v.doubted is not None:
            place = [f"in doubt: {words(v.doubt)}"]
        else:
            place = [f"no value: {words(v.status)}"]
        if v.n_readings > 1:
            place.append(f"{v.n_readings} readers: {interval(v.smallest, v.largest, v.unit)}")
        if v.value is not None and v.n_doubted:
            place.append(f"{count(v.n_doubted, 'reader')} not counted: {words(v.doubt)}")
        if not v.plan_id and _has_methods(v):
            place.append(method_text(v.method))
        if v.plan_id and _place(data, v) != shared:
            place.append(_place(data, v))
        if v.status not in ("ok", "") and v.value is not None:
            place.append(words(v.status))
        out.append(Headline(named, with_unit(v.seen, v.unit), " · ".join(t for t in place if t)))
    return out


def _has_methods(v: PrimaryValue) -> bool:
    entry = registry().get(v.measure)
    return entry is not None and len(entry.methods) > 1


def _place(data: CaseData, v: PrimaryValue) -> str:
    """Solid, plan and path of a measure of the device."""
    solid = v.variant.partition("/")[0]
    path = method_text(v.method) if _has_methods(v) else ""
    return ", ".join(t for t in (SOLIDS.get(solid, words(solid)), plan_text(data, v.plan_id), path) if t)


def _device_place(data: CaseData) -> str:
    """What the first measure of the device is of; said once beside all that share it."""
    return next((_place(data, v) for v in data.primary if v.plan_id and v.seen is not None), "")


def plan_text(data: CaseData, plan_id: str) -> str:
    """A plan with its device and depth, since the same plan_id is another plan in another case."""
    for plan in data.request.plans:
        if plan.plan_id == plan_id:
            depth = plan.ventricular_depth_mm
            deep = f", {number(depth, 'mm')} mm deep" if depth is not None else ""
            return f"plan {plan_id} ({plan.device_id}{deep})"
    return f"plan {plan_id}"


def _headline_note(data: CaseData, phase: float | None, why: str) -> str:
    if not data.primary:
        return ""
    several = any(v.n_readings > 1 for v in data.primary)
    place = _device_place(data)
    text = (
        f"At {phase_text(phase)}, {why}. "
        + (f"Device: {place}. " if place else "")
        + "The same values as in the cohort report and in tables/cases.csv. "
    )
    text += "Mean of the readers' first reads; " if several else ""
    text += "95 % intervals come from the scatter of the landmarks and, for sections, the noise of the image"
    return text + ("; they are widened to hold each reader's value." if several else ".")


def _plates(data: CaseData, phase: float | None, main: tuple[str, str] | None) -> list[Figure]:
    drawing = data.drawing(phase)
    if drawing is None:
        return []
    out = []
    plan_id, section_name = main or ("", "")
    found = data.picture("three_chamber", phase)
    if found and drawing.drawn.three_chamber is not None:
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        text = "Cut through ring centre, aortic centre and apex; atrium up, apex down, aorta to the right."
        if plan_id:
            text += f" Plan {plan_id}; the pale part of the device is covered."
        out.append(Figure(plates.three_chamber_plate(found[0], uri, drawing, plan_id, section_name, text), text))
    plan = drawing.drawn.plans.get(plan_id)
    if plan is not None:
        out.append(_section_figure(data, phase, plan_id, section_name, plan))
    found = data.picture("ring", phase)
    if found and drawing.drawn.three_chamber is not None:
        uri = plates.picture_uri(found[1], data.settings.picture_quality)
        reference = data.reference or ("", 0)
        found_here = data.find("mitral_diameter", reader_id=reference[0], read_no=reference[1], phase_pct=phase)
        values = {v.variant: v.value for v in found_here}
        text = "Seen from the atrium, aorta up. White points: as the reader set them, projected on the ring plane."
        out.append(Figure(plates.ring_plate(found[0], uri, drawing, values, text), text))
    return out


def _other_plans(data: CaseData, phase: float | None, main: tuple[str, str] | None) -> list[Figure]:
    """The smallest section of each plan that the large plates do not show."""
    drawing = data.drawing(phase)
    if drawing is None or main is None:
        return []
    out = []
    wanted = data.settings.main_solid, data.settings.main_method
    for plan_id, plan in sorted(drawing.drawn.plans.items()):
        name = headline_section(plan.sections, *wanted)
        if plan_id != main[0] and name is not None:
            out.append(_section_figure(data, phase, plan_id, name, plan))
    return out


def _section_figure(data: CaseData, phase: float | None, plan_id: str, section_name: str, plan: DrawnPlan) -> Figure:
    """The smallest section; without greys where the picture taken was of another solid's or path's section."""
    section = plan.sections[section_name]
    solid, method = section_name.split("|")
    found = data.picture("section", phase, plan_id)
    taken = found is not None and found[0].solid_method == section_name
    frame = found[0] if found and taken else section_frame(phase, plan_id, section_name, plan)
    uri = plates.picture_uri(found[1], data.settings.picture_quality) if found and taken else ""
    area = estimate(section.area_mm2, section.ci_low, section.ci_high, "mm2")
    text = (
        f"{SOLIDS.get(solid, words(solid)).capitalize()}, {plan_text(data, plan_id)}, {method_text(method)}: "
        f"{area} mm² at station {number(section.station_mm, 'mm')} mm. Seen from the ventricle, the device down."
    )
    if data.request.study.definitions.section_rule == "aortic_side":
        text += " A straight blood edge is where the aortic side of the device ends."
    if not taken:
        text += " Outlines only: no picture was taken in this plane."
    return Figure(plates.section_plate(frame, uri, section, "Smallest section", text), text)


def _readers(data: CaseData, phase: float | None) -> list[Figure]:
    drawings = [d for d in data.drawings if d.phase_pct == phase and d.drawn.ring is not None]
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
