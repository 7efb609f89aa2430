"""What a status code means and what to do about it, and many rows of one code told in one line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from outflow_cohort.report.case_data import CaseData, Value
from outflow_cohort.report.numbers import count, phase_text
from outflow_cohort.report.wording import measure_title, words

WANT = "missing_"
"""Beginning of the statuses of measures that ask for something the case does not have: no warning, a note."""

ORDER_POINTS = "Put the points of the structure in order in the landmark table."
CORRECT_POINTS = "Correct the points of the structure in the landmark table."
CHECK_FRAMES = "Check that landmarks and image share one frame, or widen the image region."
CHECK_PATH = "Check the outflow path, the hinge points and the blood level."
ADVICE: Mapping[str, tuple[str, str]] = {
    "few_systolic_phases": ("Fewer phases in systole than a mean over systole needs.",
        "Read the mean with that in mind, or add phases within the systolic window; reads of one phase have no more."),
    "single_phase": ("The read has one phase: the smallest over the cycle is that phase's value.",
        "Nothing is wrong; the true smallest may lie in a phase that was not taken."),
    "phases_missing": ("A phase that the rule asks for has no value.",
        "Look up why that phase has none, below or under Set aside."),
    "too_few_phases": ("Fewer than two phases have an LV volume, so end-systole cannot be told.",
        "Add phases, or use the value of the single phase; reads made in one phase always say so."),
    "phase_unknown": ("The phase of a series is not known.", "State phase_pct in the series table."),
    "no_systolic_phase": ("No phase lies within the systolic window.", "Add such a phase, or change the window."),
    "smallest_at_annulus": ("The smallest section is the aortic annulus itself: no section upstream is smaller.",
        "Nothing is wrong; the device does not narrow the outflow tract below its natural exit."),
    "smallest_at_upstream_end": ("The smallest section lies at the upstream end of the range searched.",
        "Look at the curve; a smaller one may lie beyond search_upstream_mm."),
    "path_short_of_solid": ("The outflow path ends before the device does.", "Draw the path further upstream."),
    "section_leaves_image": ("A part of the section lies at the border of the image.", "Widen the image region."),
    "no_section": ("No blood section was found at some station.", CHECK_PATH),
    "saturated": ("Voxels at the ring stand at the top of the HU scale, so its edge is less certain.",
        "Use an extended HU scale, or the table's inner diameter."),
    "differs_from_table": ("The diameter found in the image departs from the one in the prosthesis table.",
        "Check the prosthesis named for the case, and its ring in the image."),
    "position_unknown": ("The patient's position is not known; view angles hold for one lying on the back.",
        "State the position, or leave the views unused."),
    "not_finite": ("The measure gave no finite number, as where device and septum do not face each other.",
        "Look at the section; nothing was put in its place."),
    "unknown_landmark_scatter": ("No repeated reads, so the scatter of the landmarks is not known.",
        "Have a case read twice, or set uncertainty.prior_sd_mm."),
    "no_draws": ("The study asks for values without intervals.", "Set uncertainty.draws to 50 or more."),
    "points_out_of_order": ("The outline does not run around its centre once.", ORDER_POINTS),
    "wound_twice": ("The outline runs around more than once.", ORDER_POINTS),
    "repeated_points": ("Two neighbouring points fall together.", CORRECT_POINTS),
    "collinear_points": ("The points lie on a line.", CORRECT_POINTS),
    "too_few_points": ("A structure has fewer points than needed.", "Add the missing points."),
    "bad_points": ("A point is no row of three finite numbers.", CORRECT_POINTS),
    "zero_length": ("Two points that make a direction fall together.", CORRECT_POINTS),
    "centroid_outside": ("The centroid of the contour lies outside it.", ORDER_POINTS),
    "trigones_coincide": ("Both trigones cut the ring at one place.", "Correct the trigones."),
    "trigones_off_ring": ("A trigone does not lie on the ring.", "Correct the trigones."),
    "leak": ("The outflow lumen, or the ventricle, joins another chamber without a neck.",
        "Check ring, curtain and blood level."),
    "ventricle_cropped": ("The ventricle leaves the image.", "Widen the image region."),
    "no_lumen_at_path": ("No blood along the outflow path.", CHECK_PATH),
    "no_lumen_on_plane": ("No blood on the aortic plane.", "Check the hinge points and the blood level."),
    "no_residual_lumen": ("The device leaves no ventricle upstream of it.", "Check plan and landmarks."),
    "outline_open": ("The blood edge on the aortic plane does not close.", "Check the hinges and the image region."),
    "aortic_outline_leaks": ("The blood edge on the aortic plane is no annulus.", "Trace the annulus."),
    "septum_crosses_ring": ("The plane of the septum cuts the ring.", "Check the septum's points."),
    "septum_not_basal": ("No septum point lies near the aortic plane.", "Add basal septum points."),
    "no_right_ventricular_edge": ("No blood edge beyond the septum.", "The right heart may hold no contrast."),
    "sample_outside_image": ("A blood or muscle sample lies outside the image.", "Move the sample, or drop it."),
    "region_outside_image": ("The image holds no region around the outflow tract.", CHECK_FRAMES),
    "ring_outside_image": ("The mitral ring lies outside the image.", CHECK_FRAMES),
    "path_outside_image": ("The outflow path leaves the image.", CHECK_FRAMES),
    "device_wider_than_image": ("The device is wider than the image.", "Check the unit of the device table."),
    "no_blood_found": ("No contrast-filled blood along the outflow tract.", "Give blood samples."),
    "no_muscle_found": ("No muscle around the outflow tract.", "Give muscle samples."),
    "low_contrast": ("Blood is hardly brighter than muscle, so the blood edge is uncertain.",
        "Read sections with that in mind; blood and muscle samples make the level surer."),
    "no_path": ("The reading has no such outflow path.", "Draw it, or use the other path."),
    "no_contrast": ("Blood is not brighter than muscle.", "Check the samples; the image may hold no contrast."),
    "path_reversed": ("The outflow path does not run from ventricle to aorta.", ORDER_POINTS),
    "path_beyond_annulus": ("The outflow path starts beyond the aortic plane.", "Add points upstream."),
    "path_short_of_annulus": ("The outflow path ends before the aortic plane.", "Draw it to the annulus."),
    "path_too_short": ("The outflow path has no length upstream of the annulus.", "Draw it longer."),
    "solid_not_met": ("No plane within the search range meets the device.", "Check plan, device and path."),
    "no_solid_part": ("Nothing of the device is solid by this variant.", "Nothing to do; the other variants hold."),
    "solids_differ": ("The solids of one curve do not share an axis.", "Ask plan by plan."),
    "post_tips_beside_axis": ("The plane of the post tips lies far off the device axis.", "Correct the post tips."),
    "bad_profile": ("The device's profile cannot be.", "Correct the device tables."),
    "bad_size": ("A size is not above 0.", "Correct the device or landmark tables."),
    "edge_on_vertical": ("The plane runs along the body: no edge-on view within reach.", "Choose another view."),
    "edge_on_undefined": ("All edge-on views of the plane are equally steep.", "Choose one by its access."),
    "planes_parallel": ("Both planes are parallel.", "Take the edge-on view of either."),
    "not_redrawn": ("The measure is not redrawn, so it carries no interval.", "Read it without one."),
    "unknown_anchor": ("The anchor of the plan is not known.", "Name ring or post_tips in the plan table."),
    "unknown_solid": ("The solid is not known.", "Correct definitions.solids."),
    "unknown_section_rule": ("The section rule is not known.", "Correct definitions.section_rule."),
}  # fmt: skip
"""By status code: what it means, and what to do."""

IMAGE: Mapping[str, tuple[str, str]] = {
    "lumen_hu": ("Blood holds little contrast.", "Expect blurred blood edges; a later bolus phase may be better."),
    "contrast_to_noise": ("Blood stands out little from muscle.", "Read sections with that in mind."),
    "noise": ("The image is noisy.", "Read sections with that in mind; a smoother reconstruction may be at hand."),
    "saturated": ("Voxels near the ring stand at the top of the HU scale.",
        "The ring's edge is less certain; an extended HU scale tells it better."),
    "slab_step": ("Slices jump between two slabs of the acquisition.", "Look whether ring or outflow tract is cut."),
    "margin_small": ("Landmarks lie close to the border of the image.", "Check that no structure is cut off."),
    "slice_thickness": ("Slices are thick.", "Small structures are blurred along the slices; use a thinner series."),
    "in_plane": ("Pixels are large.", "Use a reconstruction with a smaller field of view."),
}  # fmt: skip
"""By code of the image-quality gates, without its ending _warn or _fail: what it means, and what to do."""
HARMLESS = "Nothing is wrong"
"""Beginning of the advice on remarks that come last, for they ask for nothing."""
WANTED: Mapping[str, str] = {
    "plan": "List a plan for the case.",
    "image": "List a series of the phase.",
    "prosthesis": "Name a prosthesis for the case; one without a prosthesis needs none.",
    "true_inner_diameter": "Give it in the prosthesis table.",
    "leaflet_height": "Give it in the prosthesis table.",
    "post_height": "Give it in the prosthesis table.",
    "leaflet_length": "Mark the anterior leaflet from base to tip.",
    "covered_part": "Give covered_to_mm in the device table.",
}
"""By what is missing: what to do. Structures have one remedy for all: mark them."""


@dataclass(frozen=True)
class Remark:
    """One line: a code in words, how many rows of what carry it, what it means and what to do."""

    title: str
    rows: int
    what: str
    meaning: str
    advice: str


def value_remarks(values: Iterable[Value]) -> list[Remark]:
    """One remark a status other than ok, those of missing inputs left out; most rows first."""
    out = []
    for code, rows in _by_code(values).items():
        if code.startswith(WANT):
            continue
        none = sum(v.value is None for v in rows)
        kind = (
            "without a value"
            if none == len(rows)
            else "with the remark"
            if not none
            else f"of which {none} without a value"
        )
        meaning, advice = ADVICE.get(code, ("", "See the log of the case's measure step."))
        out.append(
            Remark(title(code), len(rows), f"{count(len(rows), 'row')} {kind}: {measures(rows)}", meaning, advice)
        )
    return sorted(out, key=lambda r: (r.advice.startswith(HARMLESS), -r.rows, r.title))


def want_remarks(values: Iterable[Value]) -> list[Remark]:
    """One remark a missing input: what was not measured for want of it; most rows first."""
    out = []
    for code, rows in _by_code(values).items():
        if code.startswith(WANT):
            what = code.removeprefix(WANT)
            advice = WANTED.get(what, "Mark it in the landmark table.")
            text = f"{count(len(rows), 'row')} not measured: {measures(rows)}"
            out.append(Remark(f"No {structure_words(what)}", len(rows), text, "", advice))
    return sorted(out, key=lambda r: (-r.rows, r.title))


def series_remarks(data: CaseData) -> list[Remark]:
    """One remark a reason code of the intake and of the image quality, with the phases it holds for."""
    phases: dict[tuple[str, str], list[str]] = {}
    rows = list(data.inventory.get("series") or [])
    by_series = {(r.get("row"), r.get("series")): r.get("phase_pct") for r in rows}
    advice: dict[tuple[str, str], str] = {}
    for row in rows:
        for code in codes_of(row.get("reason_codes") or row.get("reasons")) or (
            [""] if row.get("verdict") in ("warned", "set_aside") else []
        ):
            key = (f"Series {words(row.get('verdict') or 'noted')}", code)
            phases.setdefault(key, []).append(phase_text(row.get("phase_pct")))
            advice.setdefault(key, str(row.get("remedy") or ""))
    for row in data.series_quality:
        for code in codes_of(row.get("quality_codes")):
            phase = by_series.get((row.get("row"), row.get("series")))
            phases.setdefault(("Image", code), []).append(phase_text(phase))
    out = []
    for (kind, code), of in phases.items():
        meaning, remedy = IMAGE.get(code.removesuffix("_warn").removesuffix("_fail"), ("", ""))
        known = advice.get((kind, code), "") or remedy
        text = ", ".join(dict.fromkeys(of))
        out.append(Remark(f"{kind}: {words(code)}" if code else kind, len(of), text, meaning, known))
    return out


def codes_of(cell: object) -> list[str]:
    """Codes of a cell: a list, or text separated by semicolons or commas."""
    if isinstance(cell, str):
        return [c.strip() for c in cell.replace(";", ",").split(",") if c.strip()]
    return [str(c) for c in cell] if isinstance(cell, list | tuple) else []


def measures(rows: Iterable[Value]) -> str:
    """The measures of rows, each once, by name."""
    return ", ".join(sorted({measure_title(v.measure) for v in rows}))


def title(code: str) -> str:
    """A code as a heading."""
    text = words(code)
    return text[:1].upper() + text[1:]


def structure_words(name: str) -> str:
    """`lv_apex` as `LV apex`."""
    return words(name).replace("lv ", "LV ")


def _by_code(values: Iterable[Value]) -> dict[str, list[Value]]:
    found: dict[str, list[Value]] = {}
    for v in values:
        if v.status not in ("ok", ""):
            found.setdefault(v.status, []).append(v)
    return found
