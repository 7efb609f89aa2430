"""The film strip of a case sheet: ring and smallest section of every phase, small and at one scale.

All points LPS, mm. The pictures are those of `film_frames`, each of a row with the same field, so that a change from
phase to phase is one of the heart. A phase with carried landmarks has dashed lines and an open ring beside its name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.report import palette
from outflow_cohort.report.case_data import CaseData
from outflow_cohort.report.film_frames import FILM_RING, FILM_SECTION
from outflow_cohort.report.numbers import estimate, phase_text, with_unit
from outflow_cohort.report.page import Figure
from outflow_cohort.report.pictures import PictureFrame, lift_rings
from outflow_cohort.report.plates import (
    BLOOD_COLOUR,
    DEVICE_COLOUR,
    RING_COLOUR,
    SECTION_COLOUR,
    picture_uri,
)
from outflow_cohort.report.svg import Drawing
from outflow_cohort.report.wording import SOLIDS, method_text, words
from outflow_geometry.base.frames import FloatArray

QUALITY = 60
"""Of WebP: two pictures of a phase take about 4 kB."""

TILE = 104.0
"""Side of a picture in user units: three fit side by side on a page of 390 px."""
TITLE_HEIGHT, GAP, EDGE = 16.0, 5.0, 1.0
BAR_MM = 10.0
DASH = "4 2.5"
"""Lines of carried landmarks."""


def film_note(data: CaseData) -> str:
    """What the strip shows, in words; empty without a strip."""
    frame = next((p[0] for p in data.pictures if p[0].name == FILM_SECTION), None)
    text = "Above: the ring seen from the atrium, aorta up. "
    if frame is not None:
        solid, method = frame.solid_method.split("|")
        text += (
            f"Below: the smallest section of plan {frame.plan_id}, {SOLIDS.get(solid, words(solid))}, "
            f"{method_text(method)}, septum up, with its area and 95 % interval. "
        )
    text += f"Bars: {BAR_MM:g} mm. "
    if any(d.landmark_origin == "carried" for d in data.drawings):
        text += "Full dot and full lines: marked by the reader. Open ring and dashed lines: carried from another phase."
    return text.strip()


def film_strip(data: CaseData) -> list[Figure]:
    """A figure per phase, phases ascending; empty where fewer than two phases have pictures."""
    pictures = {(p[0].name, p[0].phase_pct): p for p in data.pictures if p[0].name in (FILM_RING, FILM_SECTION)}
    phases = [p for p in data.phases if (FILM_RING, p) in pictures or (FILM_SECTION, p) in pictures]
    if len(phases) < 2:
        return []
    return [_phase_figure(data, phase, pictures) for phase in phases]


def _phase_figure(data: CaseData, phase: float | None, pictures: Mapping[tuple[str, float | None], Any]) -> Figure:
    drawing = data.drawing(phase)
    source = drawing.carried_from_pct if drawing is not None and drawing.landmark_origin == "carried" else None
    carried = source is not None
    origin = f"from {phase_text(source)}" if carried else "marked"
    ring, section = pictures.get((FILM_RING, phase)), pictures.get((FILM_SECTION, phase))
    if section is not None and not _is_drawn(drawing, section[0]):
        section = None
    description = f"Ring and smallest section, landmarks {'carried ' if carried else ''}{origin}."
    side = TILE + 2 * EDGE
    d = Drawing(side, TITLE_HEIGHT + 2 * side + GAP, phase_text(phase), description)
    d.mark(6, 7.5, "ring" if carried else "circle", palette.BLACK, 3.2)
    d.text(13, 11, phase_text(phase))
    d.text(side, 11, origin, "end", class_="s q")
    for index, found in enumerate((ring, section)):
        top = TITLE_HEIGHT + index * (side + GAP)
        if found is None or drawing is None:
            d.text(side / 2, top + side / 2, "none", "middle", class_="s q")
        else:
            overlay = _ring_lines(drawing) if index == 0 else _section_lines(drawing, found[0])
            _tile(d, found, top, overlay, carried)
        d.rect(
            EDGE / 2, top + EDGE / 2, side - EDGE, side - EDGE, fill="none", stroke="#56606B", stroke_width=EDGE,
            stroke_dasharray=DASH if carried else "",
        )  # fmt: skip
    return Figure(d, _caption(data, drawing, None if section is None else section[0]))


def _caption(data: CaseData, drawing: DrawnReading | None, frame: PictureFrame | None) -> str:
    """Area with its interval, and the status where it is not `ok`."""
    if frame is None or drawing is None:
        return "No section."
    solid, method = frame.solid_method.split("|")
    value = data.first(
        "neo_lvot_area", solid, method=method, plan_id=frame.plan_id, phase_pct=frame.phase_pct,
        reader_id=drawing.reader_id, read_no=drawing.read_no,
    )  # fmt: skip
    if value is None:
        section = drawing.drawn.plans[frame.plan_id].sections[frame.solid_method]
        return f"{with_unit(section.area_mm2, 'mm2')}."
    text = f"{estimate(value.value, value.ci_low, value.ci_high, 'mm2')} mm²"
    return f"{text}: {words(value.status)}." if value.status != "ok" else f"{text}."


Line = tuple[FloatArray, str, float, bool]
"""Points (n, 3), mm; colour; width in user units; whether the area is filled."""


def _ring_lines(drawing: DrawnReading) -> list[Line]:
    ring = drawing.drawn.ring
    return [] if ring is None else [(np.asarray(ring.contour, dtype=float), RING_COLOUR, 1.5, False)]


def _is_drawn(drawing: DrawnReading | None, frame: PictureFrame) -> bool:
    """Whether the drawing has the section that was pictured."""
    plan = None if drawing is None else drawing.drawn.plans.get(frame.plan_id)
    return plan is not None and frame.solid_method in plan.sections


def _section_lines(drawing: DrawnReading, frame: PictureFrame) -> list[Line]:
    section = drawing.drawn.plans[frame.plan_id].sections[frame.solid_method]
    kinds = ((section.residual, SECTION_COLOUR, 1.3, True), (section.blood, BLOOD_COLOUR, 1.0, False),
             (section.device, DEVICE_COLOUR, 1.1, False))  # fmt: skip
    return [
        (lift_rings(section, [ring]), colour, width, filled) for rings, colour, width, filled in kinds for ring in rings
    ]


def _tile(
    d: Drawing, found: tuple[PictureFrame, NDArray[np.uint8]], top: float, lines: Sequence[Line], carried: bool
) -> None:
    """One picture with its lines, as an SVG of its own inside the drawing, so that nothing reaches over its edge."""
    frame, picture = found
    zoom = TILE / (frame.shape[1] - 1)
    uri = picture_uri(picture, QUALITY)
    d.add(
        f'<svg x="{EDGE:g}" y="{top + EDGE:g}" width="{TILE:g}" height="{TILE:g}" viewBox="0 0 {TILE:g} {TILE:g}">'
        f'<image href="{uri}" x="{-zoom / 2:.2f}" y="{-zoom / 2:.2f}" width="{TILE + zoom:.2f}" '
        f'height="{TILE + zoom:.2f}" preserveAspectRatio="none"/>'
    )
    for points, colour, width, filled in lines:
        placed = frame.place(points) * zoom
        if filled:
            d.path(placed, True, stroke="none", fill=colour, fill_opacity=0.45)
        d.path(placed, True, stroke="#000", stroke_width=width + 1.2, opacity=0.5)
        d.path(placed, True, stroke=colour, stroke_width=width, stroke_dasharray=DASH if carried else "")
    length = BAR_MM / frame.spacing * zoom
    for colour, width in (("#000", 3.4), ("#fff", 1.8)):
        d.path([(5, TILE - 6), (5 + length, TILE - 6)], stroke=colour, stroke_width=width)
    d.add("</svg>")
