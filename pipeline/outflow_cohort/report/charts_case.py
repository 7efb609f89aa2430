"""Charts of a case sheet: area along the path, neo-LVOT over the cycle, views. Each with the table behind it.

Areas mm2, stations mm (0 = aortic annulus, negative = upstream), angles degrees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outflow_cohort.handover.request import CutoffRow
from outflow_cohort.report import palette
from outflow_cohort.report.case_data import CaseData, ReadCurve, ReadValue, ReadView, phase_order
from outflow_cohort.report.numbers import estimate, interval, number, phase_text
from outflow_cohort.report.page import Figure, Table
from outflow_cohort.report.plates import spread
from outflow_cohort.report.svg import LABEL_HEIGHT, Axes, Drawing, legend, padded
from outflow_cohort.report.wording import SOLIDS, method_text, words

CURVES_NOTE = (
    "Thick lines: reference reading; pale bands: its 95 % interval at each station, from the scatter of landmarks. "
    "Thin lines: the other readings of the main solid. Boxes: 95 % intervals of the smallest section, its area upwards "
    "and its station along. Dashed: cut-offs. Larger areas, further up in the ventricle, are above the frame."
)
CYCLE_NOTE = (
    "Neo-LVOT area by phase. Band (main solid) and bars: 95 % intervals from the scatter of landmarks and the "
    "noise of the image. The dashed lines are cut-offs. Full dots: marked phases. Open rings: landmarks carried from "
    "another phase."
)
FRAME_SHARE = 1.6
"""Height of the frame over the largest smallest section or cut-off: the ventricle's own areas, several times as large,
would press what the figure is about into its lowest part."""
TABLE_STEP_MM = 2.0
"""Distance of the stations in the table behind a curve; the figure has all of them."""

VIEW_MARKS = {
    "mitral_edge_on": ("circle", palette.VERMILION),
    "mitral_en_face": ("square", palette.VERMILION),
    "aortic_edge_on": ("circle", palette.BLUE),
    "both_edge_on": ("diamond", palette.BLACK),
    "three_chamber": ("triangle", palette.GREEN),
}


def solid_order(names: Sequence[str]) -> list[str]:
    """Solids in the fixed order of the contract, unknown ones last."""
    known = list(SOLIDS)
    return sorted(set(names), key=lambda n: (known.index(n) if n in known else len(known), n))


def curve_figures(data: CaseData, most_phases: int = 12) -> list[Figure]:
    """Area along the path, one figure per plan and phase: a line and its interval a solid, the other readings thin."""
    reference = data.reference
    if reference is None or not data.curves:
        return []
    top = _frame_top(data)
    if top is None:
        return []
    cutoffs = data.request.study.cutoffs
    figures = []
    for plan_id in sorted({c.plan_id for c in data.curves}):
        for phase in sorted({c.phase_pct for c in data.curves}, key=phase_order)[:most_phases]:
            mine = [c for c in data.curves if c.plan_id == plan_id and c.phase_pct == phase]
            shown = preferred([c for c in mine if (c.reader_id, c.read_no) == reference], data)
            if shown:
                figures.append(_curve_figure(plan_id, phase, shown, mine, top, cutoffs, data))
    return figures


def _frame_top(data: CaseData) -> float | None:
    """Upper end of the area axis, the same in all figures of a case, mm2; None where no curve has an area."""
    areas = np.concatenate([a for c in data.curves for a in (c.areas, c.native_areas)])
    if not np.isfinite(areas).any():
        return None
    found = [x for v in data.find("neo_lvot_area") if v.phase_pct is not None for x in (v.value, v.ci_high)]
    of_interest = [x for x in found if x is not None]
    of_interest += [c.area_mm2 for c in data.request.study.cutoffs]
    highest = float(np.nanmax(areas)) * 1.05
    return min(highest, FRAME_SHARE * max(of_interest)) if of_interest and max(of_interest) > 0 else highest


def preferred(curves: Sequence[ReadCurve], data: CaseData) -> list[ReadCurve]:
    """One curve per solid: of the path preferred in the settings, else of the other."""
    chosen: dict[str, ReadCurve] = {}
    for curve in sorted(curves, key=lambda c: c.method != data.settings.main_method):
        chosen.setdefault(curve.variant, curve)
    return [chosen[name] for name in solid_order(list(chosen))]


Band = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Lower and upper ends (n,) at a curve's stations, mm2; NaN where there is none."""


def interval_band(curve: ReadCurve, data: CaseData) -> Band | None:
    """95 % interval of the area at each station, kept at 0 or more; None where no scatter of landmarks is known."""
    for drawing in data.drawings:
        if all(getattr(drawing, name) == getattr(curve, name) for name in ("phase_pct", "reader_id", "read_no")):
            plan = drawing.drawn.plans.get(curve.plan_id)
            found = None if plan is None else plan.curve_intervals.get(f"{curve.variant}|{curve.method}")
            if found:
                stations, *ends = np.asarray(found, dtype=np.float64).T
                below, above = (np.interp(curve.stations, stations, end) for end in ends)
                return np.maximum(curve.areas - below, 0.0), curve.areas + above
    return None


def readings_band(curves: Sequence[ReadCurve], stations: NDArray[np.float64]) -> Band:
    """Lowest and highest area of `curves` at `stations`; NaN where fewer than two reach."""
    stack = np.array([np.interp(stations, c.stations, c.areas, left=np.nan, right=np.nan) for c in curves])
    enough = np.isfinite(stack).sum(axis=0) > 1
    low = np.where(enough, np.min(np.where(np.isfinite(stack), stack, np.inf), axis=0), np.nan)
    high = np.where(enough, np.max(np.where(np.isfinite(stack), stack, -np.inf), axis=0), np.nan)
    return low, high


def _curve_figure(
    plan_id: str,
    phase: float | None,
    shown: Sequence[ReadCurve],
    mine: Sequence[ReadCurve],
    top: float,
    cutoffs: Sequence[CutoffRow],
    data: CaseData,
) -> Figure:
    title = f"Plan {plan_id}, {phase_text(phase)}"
    d = Drawing(350, 318, title, "Section area of the outflow lumen by station, with and without the device.")
    low = min(float(c.stations.min()) for c in shown)
    axes = Axes(
        drawing=d,
        left=44,
        top=34,
        right=342,
        bottom=224,
        x_range=(low, max(float(c.stations.max()) for c in shown)),
        y_range=(0.0, top),
    )
    axes.left_axis("area, mm²")
    axes.references(cutoff_lines(cutoffs))
    base = max(shown, key=lambda c: len(c.stations))
    d.clip(axes.left, axes.top, axes.right - axes.left, axes.bottom - axes.top)
    d.path(axes.points(base.stations, base.native_areas), stroke=NATIVE_COLOUR, stroke_width=1.4)
    intervals, readings = {}, {}
    for n, curve in enumerate(shown):
        colour = palette.SOLID_COLOURS.get(curve.variant, palette.BLACK)
        same = [c for c in mine if (c.variant, c.method) == (curve.variant, curve.method)]
        readings[curve.variant] = readings_band(same, curve.stations)
        band = intervals[curve.variant] = interval_band(curve, data)
        # solids that end in the same place have one curve, and one band is enough for the eye
        if band is not None and not any(np.array_equal(curve.areas, c.areas) for c in shown[:n]):
            edge = axes.points(curve.stations, band[0]) + axes.points(curve.stations, band[1])[::-1]
            d.path(edge, True, fill=colour, fill_opacity=0.16, stroke="none")
        for other in same if curve.variant == data.settings.main_solid else ():
            if other is not curve:
                d.path(axes.points(other.stations, other.areas), stroke=colour, stroke_width=0.7, opacity=0.5)
    for curve in shown:
        colour = palette.SOLID_COLOURS.get(curve.variant, palette.BLACK)
        dash = palette.SOLID_DASHES.get(curve.variant, "")
        d.path(axes.points(curve.stations, curve.areas), stroke=colour, stroke_width=1.9, stroke_dasharray=dash)
    d.end_clip()
    drawn: set[tuple[float | None, float | None]] = set()
    for curve in shown:
        area, station = _at_smallest(curve, data)
        place = (area.value if area else None, station.value if station else None)
        if place not in drawn:  # solids that end in the same section share its box
            _smallest(axes, area, station, curve.variant)
        drawn.add(place)
    axes.bottom_axis("station, mm (0 = aortic annulus, negative upstream)")
    entries = [("no device", NATIVE_COLOUR, "")]
    entries += [
        (SOLIDS.get(c.variant, words(c.variant)), palette.SOLID_COLOURS.get(c.variant, palette.BLACK),
         palette.SOLID_DASHES.get(c.variant, "")) for c in shown
    ]  # fmt: skip
    legend(d, 4, 276, entries, 342)
    found = [_smallest_text(c, data) for c in shown]
    caption = f"Smallest section (95 %): {'; '.join(t for t in found if t)}." if any(found) else ""
    if np.nanmax(np.concatenate([base.native_areas, *(c.areas for c in shown)])) > top:
        caption += f" Areas above {number(top, 'mm2')} mm² leave the frame; the table has them."
    return Figure(d, caption.strip(), _curve_table(shown, base, intervals, readings))


NATIVE_COLOUR = "#6F7780"


def _curve_table(
    shown: Sequence[ReadCurve], base: ReadCurve, intervals: Mapping[str, Band | None], readings: Mapping[str, Band]
) -> Table:
    """Areas of the reference reading by station with their intervals, and lowest to highest of all readings."""
    header = ["Station, mm", "No device, mm²"]
    for c in shown:
        header += [f"{SOLIDS.get(c.variant, words(c.variant))}, mm² (95 %)", "all readings"]
    rows = []
    for s in _table_stations(base.stations):
        cells = [number(s, digits=0), number(np.interp(s, base.stations, base.native_areas), "mm2")]
        for c in shown:
            area, low, high, lowest, highest = (
                None if a is None else np.interp(s, c.stations, a, left=np.nan, right=np.nan)
                for a in (c.areas, *(intervals[c.variant] or (None, None)), *readings[c.variant])
            )
            cells += [estimate(area, low, high, "mm2"), interval(lowest, highest, "mm2") or "–"]
        rows.append(tuple(cells))
    note = f"Every {TABLE_STEP_MM:g} mm; the figure has every station. All readings: lowest to highest."
    return Table(tuple(header), tuple(rows), note)


def _table_stations(stations: Any) -> list[float]:
    first = np.ceil(stations.min() / TABLE_STEP_MM) * TABLE_STEP_MM
    return [float(s) for s in np.arange(first, stations.max() + 1e-9, TABLE_STEP_MM)]


def _at_smallest(curve: ReadCurve, data: CaseData) -> tuple[ReadValue | None, ReadValue | None]:
    """Area and station of the smallest section of a curve."""
    same = {
        "reader_id": curve.reader_id, "read_no": curve.read_no, "plan_id": curve.plan_id,
        "phase_pct": curve.phase_pct, "method": curve.method,
    }  # fmt: skip
    return data.first("neo_lvot_area", curve.variant, **same), data.first("neo_lvot_station", curve.variant, **same)


def _smallest_text(curve: ReadCurve, data: CaseData) -> str:
    area, station = _at_smallest(curve, data)
    if area is None:
        return ""
    where = f" at {number(station.value, 'mm')} mm" if station else ""
    name = SOLIDS.get(curve.variant, words(curve.variant))
    return f"{name} {estimate(area.value, area.ci_low, area.ci_high, 'mm2')} mm²{where}"


def _smallest(axes: Axes, area: ReadValue | None, station: ReadValue | None, solid: str) -> None:
    """The smallest section: a point, and a box of the 95 % intervals of its area and its station."""
    colour = palette.SOLID_COLOURS.get(solid, palette.BLACK)
    if area is None or station is None or area.value is None or station.value is None:
        return
    x, y = axes.x(station.value), axes.y(min(area.value, axes.y_range[1]))
    if area.ends is not None:
        low, high = (min(max(v, axes.y_range[0]), axes.y_range[1]) for v in area.ends)
        left = right = x
        if station.ends is not None:
            left, right = (axes.x(min(max(v, axes.x_range[0]), axes.x_range[1])) for v in station.ends)
        left, right = min(left, x - LEAST_BOX / 2), max(right, x + LEAST_BOX / 2)
        axes.drawing.rect(
            left, axes.y(high), right - left, axes.y(low) - axes.y(high), fill=colour, fill_opacity=0.22,
            stroke=colour, stroke_width=1.1,
        )  # fmt: skip
    label = f"{SOLIDS.get(solid, words(solid))}: {estimate(area.value, area.ci_low, area.ci_high, 'mm2')} mm²"
    axes.drawing.mark(x, y, "circle", colour, 3.2, label)


LEAST_BOX = 6.0
"""Least width of an interval box, user units: an end of the range has no interval of its station."""


def cutoff_lines(cutoffs: Sequence[CutoffRow]) -> list[tuple[float, str]]:
    """Value and label of each cut-off, equal ones once."""
    areas = sorted({c.area_mm2 for c in cutoffs})
    return [(a, f"{a:g}") for a in areas]


def cycle_figures(data: CaseData) -> list[Figure]:
    """Neo-LVOT over the cardiac cycle, one figure per plan; empty with fewer than two stated phases."""
    reference = data.reference
    if reference is None:
        return []
    values = [v for v in data.find("neo_lvot_area") if v.phase_pct is not None and "/" not in v.variant]
    phases = sorted({v.phase_pct for v in values if v.phase_pct is not None and v.value is not None})
    if len(phases) < 2:
        return []
    numbers = [x for v in values for x in (v.value, v.ci_low, v.ci_high) if x is not None]
    cutoffs = data.request.study.cutoffs
    figures = []
    for plan_id in data.plan_ids:
        mine = [v for v in values if v.plan_id == plan_id and v.value is not None]
        if not mine:
            continue
        title = f"Plan {plan_id}"
        d = Drawing(350, 288, title, "Neo-LVOT area by phase and solid, with 95 % intervals.")
        y_range = (0.0, padded(numbers, include=[c.area_mm2 for c in cutoffs])[1])
        axes = Axes(drawing=d, left=44, top=34, right=342, bottom=208, x_range=padded(phases), y_range=y_range)
        axes.left_axis("neo-LVOT, mm²")
        axes.references(cutoff_lines(cutoffs))
        solids = solid_order([v.variant for v in mine])
        rows: list[tuple[str, ...]] = []
        entries = []
        for i, solid in enumerate(solids):
            colour, dash = palette.SOLID_COLOURS.get(solid, palette.BLACK), palette.SOLID_DASHES.get(solid, "")
            own = [v for v in mine if v.variant == solid]
            # the method of most phases: a carried phase has no reader's path
            reach = {m: len({v.phase_pct for v in own if v.method == m}) for m in {v.method for v in own}}
            method = min(reach, key=lambda m: (-reach[m], m != data.settings.main_method, m))
            own = sorted((v for v in own if v.method == method), key=lambda v: phase_order(v.phase_pct))
            if solid == data.settings.main_solid:
                for reading in sorted({(v.reader_id, v.read_no or 0) for v in own} - {reference}):
                    theirs = [v for v in own if (v.reader_id, v.read_no or 0) == reading]
                    points = axes.points([v.phase_pct or 0 for v in theirs], [v.value or 0 for v in theirs])
                    d.path(points, stroke=colour, stroke_width=0.7, opacity=0.5)
            line = [v for v in own if (v.reader_id, v.read_no) == reference]
            shift = (i - (len(solids) - 1) / 2) * 3
            banded = [v for v in line if v.ci_low is not None and v.ci_high is not None]
            if solid == data.settings.main_solid and len(banded) > 1:
                at = [axes.x(v.phase_pct or 0) + shift for v in banded]
                lower = [(x, axes.y(max(v.ci_low or 0.0, 0.0))) for x, v in zip(at, banded, strict=True)]
                upper = [(x, axes.y(v.ci_high or 0.0)) for x, v in zip(at, banded, strict=True)]
                d.path(lower + upper[::-1], True, fill=colour, fill_opacity=0.14, stroke="none")
            placed = [(axes.x(v.phase_pct or 0) + shift, axes.y(v.value or 0)) for v in line]
            d.path(placed, stroke=colour, stroke_width=1.8, stroke_dasharray=dash)
            for v, (x, y) in zip(line, placed, strict=True):
                if v.ci_low is not None and v.ci_high is not None:
                    d.line(x, axes.y(max(v.ci_low, 0)), x, axes.y(v.ci_high), stroke=colour, stroke_width=1.2)
                text = estimate(v.value, v.ci_low, v.ci_high, "mm2")
                carried = v.carried_from_pct is not None
                source = f", carried from {phase_text(v.carried_from_pct)}" if carried else ""
                d.mark(
                    x, y, "ring" if carried else "circle", colour, 3, f"{phase_text(v.phase_pct)}{source}: {text} mm²"
                )
                origin = f"carried from {phase_text(v.carried_from_pct)}" if carried else "marked"
                rows.append(
                    (SOLIDS.get(solid, words(solid)), method_text(method), phase_text(v.phase_pct), text, origin)
                )
            entries.append((SOLIDS.get(solid, words(solid)), colour, dash))
        axes.bottom_axis("phase, % of the R-R interval", values=phases if len(phases) < 12 else None)
        legend(d, 4, 260, entries, 342)
        caption = f"Thick: {reference[0]}, read {reference[1]}. Thin: the other readings of the main solid."
        figures.append(
            Figure(d, caption, Table(("Solid", "Path", "Phase", "Neo-LVOT, mm² (95 %)", "Landmarks"), tuple(rows)))
        )
    return figures


def view_figure(data: CaseData, phase: float | None) -> Figure | None:
    """Edge-on curves of both planes in the LAO/RAO by CRA/CAU plane, recommended views, the gantry box."""
    drawings = [d for d in data.drawings if d.phase_pct == phase and d.drawn.edge_on]
    views = [v for v in data.views if v.phase_pct == phase]
    if not drawings and not views:
        return None
    gantry = data.request.study.gantry
    reach = (gantry.lao_rao_limit_deg, gantry.cra_cau_limit_deg)
    d = Drawing(450, 366, "Views", "Directions in which the mitral ring and the aortic annulus are seen edge-on.")
    axes = Axes(drawing=d, left=44, top=52, right=438, bottom=316, x_range=(-90.0, 90.0), y_range=(-70.0, 70.0))
    axes.left_axis("CRA (+) / CAU (−), °", values=[-60, -40, -20, 0, 20, 40, 60])
    d.rect(
        axes.x(-reach[0]), axes.y(reach[1]), axes.x(reach[0]) - axes.x(-reach[0]), axes.y(-reach[1]) - axes.y(reach[1]),
        fill="#00224E", fill_opacity=0.05, stroke="#00224E", stroke_width=0.8, stroke_dasharray="2 2",
    )  # fmt: skip
    d.text(axes.x(-reach[0]) + 5, axes.y(reach[1]) + 13, "within reach of the C-arm", class_="s q halo")
    reference = data.reference
    colours = {"mitral": (palette.VERMILION, ""), "aortic": (palette.BLUE, "7 3")}
    for drawing in sorted(drawings, key=lambda x: (x.reader_id, x.read_no), reverse=True):
        main = (drawing.reader_id, drawing.read_no) == reference
        for name, (colour, dash) in colours.items():
            points = [
                (a, b) if abs(a) <= 90 and abs(b) <= 70 else (np.nan, np.nan)
                for a, b in drawing.drawn.edge_on.get(name) or []
            ]
            if points:
                d.path(
                    axes.points(*zip(*points, strict=True)), stroke=colour, stroke_width=2.0 if main else 0.7,
                    stroke_dasharray=dash, opacity=None if main else 0.5,
                )  # fmt: skip
    _view_marks(axes, views, reference)
    axes.bottom_axis("RAO (−) / LAO (+), °", values=[-90, -60, -30, 0, 30, 60, 90])
    legend(
        d,
        44,
        18,
        [("mitral ring edge-on", palette.VERMILION, ""), ("aortic annulus edge-on", palette.BLUE, "7 3")],
        400,
    )
    rows = tuple(
        (words(v.view), f"{v.reader_id}, read {v.read_no}", number(v.lao_rao_deg, "deg"), number(v.cra_cau_deg, "deg"),
         number(v.residual_tilt_deg, "deg"), {True: "yes", False: "no", None: "–"}[v.reachable])
        for v in sorted(views, key=lambda v: (v.view, v.reader_id, v.read_no or 0))
    )  # fmt: skip
    header = ("View", "Reading", "LAO (+) / RAO (−), °", "CRA (+) / CAU (−), °", "Residual tilt, °", "Within reach")
    caption = (
        f"{phase_text(phase)}. Thick curves: the reference reading, thin: the others. Dashed box: "
        f"|LAO/RAO| ≤ {reach[0]:g}°, |CRA/CAU| ≤ {reach[1]:g}° (set by the study)."
    )
    return Figure(d, caption, Table(header, rows))


def _view_marks(axes: Axes, views: Sequence[ReadView], reference: tuple[str, int] | None) -> None:
    """The recommended views of the reference reading, each with its name, close names set apart."""
    shown = []
    for v in views:
        if (v.reader_id, v.read_no) != reference or v.lao_rao_deg is None or v.cra_cau_deg is None:
            continue
        if abs(v.lao_rao_deg) <= 90 and abs(v.cra_cau_deg) <= 70:
            shown.append((axes.y(v.cra_cau_deg), axes.x(v.lao_rao_deg), v))
    shown.sort(key=lambda item: (item[0], item[1], item[2].view))
    places = spread([y - 6 for y, _, _ in shown], LABEL_HEIGHT, axes.top, axes.bottom - 4)
    for (y, x, v), label_y in zip(shown, places, strict=True):
        shape, colour = VIEW_MARKS.get(v.view, ("ring", palette.BLACK))
        axes.drawing.mark(x, y, shape, colour, 5, f"{words(v.view)}: {v.lao_rao_deg:.0f}, {v.cra_cau_deg:.0f}")
        right = x < axes.right - 110
        anchor = "start" if right else "end"
        axes.drawing.text(x + (9 if right else -9), label_y, words(v.view), anchor, class_="s halo")
