"""Plates of a case sheet: a clean picture, the drawing over it, and names in the margin on thin leaders.

All points LPS, mm; drawings in user units, picture pixel (c, r) at `left + c * zoom`, `top + r * zoom`.
"""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.report import palette
from outflow_cohort.report.numbers import number, with_unit
from outflow_cohort.report.outlines import aorta_outline, device_silhouette, trace
from outflow_cohort.report.pictures import GREY_KNOTS_HU, PictureFrame, frame_around, grey, lift_rings
from outflow_cohort.report.svg import Drawing, shorten, text_width
from outflow_geometry.base.drawn import DrawnPlan, DrawnPlane, DrawnSection
from outflow_geometry.base.frames import FloatArray

LABEL_GAP = 15.0
"""User units between neighbouring margin labels: one line of 11 px text."""

READERS_MARGIN_MM = 5.0

RING_COLOUR = palette.ORANGE
AORTA_COLOUR = palette.SKY
PATH_COLOUR = palette.YELLOW
DEVICE_COLOUR = palette.PAPER
SECTION_COLOUR = palette.VERMILION
BLOOD_COLOUR = palette.SKY


def picture_uri(picture: NDArray[np.uint8], quality: int) -> str:
    """The picture as a WebP data URI; outside the volume it is paper white."""
    from PIL import Image

    shown = np.where(picture == 0, 255, picture).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(shown).convert("RGB").save(buffer, "WEBP", quality=quality, method=4)
    return "data:image/webp;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


ON_RING = ("mitral_ring", "trigone_left", "trigone_right")
"""Structures whose suspect points are marked en face; all others on the long axis."""
SUSPECT_COLOUR = palette.VERMILION


@dataclass
class Plate:
    """A picture with room for names at its right; `width` of the picture in user units."""

    frame: PictureFrame
    title: str
    description: str
    width: float = 340.0
    margin: float = 150.0
    uri: str = ""
    labels: list[tuple[float, float, str, str]] = field(default_factory=list)
    drawing: Drawing = field(init=False)

    def __post_init__(self) -> None:
        rows, columns = self.frame.shape
        self.zoom = self.width / (columns - 1)
        self.height = (rows - 1) * self.zoom
        self.drawing = Drawing(self.width + self.margin, self.height + 34, self.title, self.description)
        if self.uri:
            half = self.zoom / 2
            self.drawing.add(
                f'<image href="{self.uri}" x="{-half:.2f}" y="{-half:.2f}" width="{self.width + 2 * half:.2f}" '
                f'height="{self.height + 2 * half:.2f}" preserveAspectRatio="none"/>'
            )
        else:
            self.drawing.rect(0, 0, self.width, self.height, fill="none", stroke="#C7CDD3")
        # A name of its own for each clip: a page holds many drawings, and SVG names are shared by the page.
        clip = "c" + hashlib.sha256(repr((self.frame, self.title, self.width)).encode()).hexdigest()[:10]
        self.drawing.add(
            f'<clipPath id="{clip}"><rect width="{self.width:.1f}" height="{self.height:.1f}"/></clipPath>'
            f'<g clip-path="url(#{clip})">'
        )

    def place(self, points: ArrayLike) -> FloatArray:
        """Drawing coordinates (n, 2) of `points` (n, 3), mm."""
        result: FloatArray = self.frame.place(np.asarray(points, dtype=float).reshape(-1, 3)) * self.zoom
        return result

    def line(
        self, points: ArrayLike, colour: str, width: float = 1.6, dash: str = "", closed: bool = False
    ) -> FloatArray:
        """A line through `points` (n, 3) with a dark edge, so that it reads on light and dark greys alike."""
        placed = self.place(points)
        if self.uri:
            self.drawing.path(placed, closed, stroke="#000", stroke_width=width + 1.6, opacity=0.55)
        self.drawing.path(placed, closed, stroke=colour, stroke_width=width, stroke_dasharray=dash)
        return placed

    def name(self, at: Sequence[float], text: str, colour: str) -> None:
        """Ask for a name in the margin, led to the drawing coordinates `at`."""
        if -1 <= at[0] <= self.width + 1 and -1 <= at[1] <= self.height + 1:
            self.labels.append((float(at[0]), float(at[1]), text, colour))

    def finish(self, window: bool = True) -> Drawing:
        """Set the names, the scale bar and the grey scale."""
        d = self.drawing
        d.add("</g>")
        ordered = sorted(self.labels, key=lambda label: label[1])
        ys = spread([label[1] for label in ordered], LABEL_GAP, 9.0, self.height - 4)
        x = self.width + 12
        for (ax, ay, text, colour), y in zip(ordered, ys, strict=True):
            d.path([(ax, ay), (self.width + 4, y), (x - 2, y)], stroke="#fff", stroke_width=2.2, opacity=0.7)
            d.path([(ax, ay), (self.width + 4, y), (x - 2, y)], stroke="#1B2026", stroke_width=0.7)
            d.add(f'<circle cx="{ax:.1f}" cy="{ay:.1f}" r="2.4" fill="{colour}" stroke="#000" stroke-width=".8"/>')
            d.text(x, y + 3.5, text)
        self._scale_bar()
        if window and self.uri:
            self._grey_bar()
        elif self.uri:
            knots = ", ".join(number(hu, digits=0) for hu in GREY_KNOTS_HU)
            d.text(self.width, self.height + 13.5, f"grey {knots} HU", "end", class_="s q")
        return d

    def _scale_bar(self) -> None:
        length_mm = 20.0 if self.width > 280 else 10.0 if self.width > 200 else 5.0
        length = length_mm / self.frame.spacing * self.zoom
        y = self.height + 10
        d = self.drawing
        d.path([(0, y - 3), (0, y + 3), (0, y), (length, y), (length, y - 3), (length, y + 3)], class_="axis")
        d.text(length + 6, y + 3.5, f"{length_mm:g} mm", class_="s")

    def _grey_bar(self) -> None:
        """A strip of the grey scale with its HU values."""
        d = self.drawing
        width, x0, y = 112.0, self.width - 134.0, self.height + 6
        low, high = GREY_KNOTS_HU[0], GREY_KNOTS_HU[-1]
        steps = 33
        for i in range(steps):
            shade = int(grey(np.interp(i / (steps - 1), (0, 0.8, 1), GREY_KNOTS_HU)))
            d.rect(x0 + i * width / steps, y, width / steps + 0.3, 8, fill=f"#{shade:02X}{shade:02X}{shade:02X}")
        d.rect(x0, y, width, 8, fill="none", stroke="#56606B", stroke_width=0.6)
        for share, hu in ((0.0, low), (0.8, GREY_KNOTS_HU[1]), (1.0, high)):
            d.text(x0 + share * width, y + 19, number(hu, digits=0), "middle", class_="s q")
        d.text(x0 + width + 12 + (10 if high >= 1000 else 0), y + 19, "HU", class_="s q")


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions near `wanted` (ascending) at least `gap` apart and, where they fit, between `low` and `high`."""
    out: list[float] = []
    for y in wanted:
        out.append(max(y, low) if not out else max(y, out[-1] + gap))
    if out and out[-1] > high:
        out[-1] = high
        for i in range(len(out) - 2, -1, -1):
            out[i] = min(out[i], out[i + 1] - gap)
    return out


def _mark_suspects(plate: Plate, drawing: DrawnReading, on_ring: bool) -> None:
    """A circle and a name at each point that the judging found suspect."""
    for mark in drawing.suspects:
        if (mark.structure in ON_RING) != on_ring:
            continue
        x, y = plate.place([mark.at])[0]
        plate.drawing.add(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="none" stroke="#fff" stroke-width="2.4"/>')
        plate.drawing.add(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="7" fill="none" stroke="{SUSPECT_COLOUR}" stroke-width="1.4"/>'
        )
        name = mark.structure.replace("_", " ")
        plate.name((float(x), float(y)), f"suspect: {name} {mark.point_no}", SUSPECT_COLOUR)


def three_chamber_plate(
    frame: PictureFrame, uri: str, drawing: DrawnReading, plan_id: str, section_name: str, description: str
) -> Drawing:
    """The long-axis plate: planes, device, path and the line of the smallest section."""
    plate = Plate(frame, "Three-chamber plane", description, width=372.0, margin=142.0, uri=uri)
    drawn = drawing.drawn
    if drawn.three_chamber is None or drawn.ring is None:
        return plate.finish()
    plane = drawn.three_chamber
    ring = trace(drawn.ring.contour, plane.point, plane.normal)
    if ring is not None:
        placed = plate.line(ring, RING_COLOUR, 2.2)
        plate.name(placed[int(np.argmin(placed[:, 0]))], "mitral ring plane", RING_COLOUR)
    outline = aorta_outline(drawn.aorta)
    annulus = None if outline is None else trace(outline, plane.point, plane.normal)
    if annulus is not None:
        placed = plate.line(annulus, AORTA_COLOUR, 2.2)
        plate.name(placed[int(np.argmax(placed[:, 0]))], "aortic annulus plane", AORTA_COLOUR)
    method = section_name.split("|")[-1] if section_name else "reader_path"
    for name in ("automatic_path", "reader_path"):
        path = drawn.paths.get(name)
        if path:
            placed = plate.line(path, PATH_COLOUR, 1.5, "" if name == method else "2 3")
            words = {"reader_path": "outflow path, reader's", "automatic_path": "outflow path, automatic"}[name]
            plate.name(placed[len(placed) // (2 if name == method else 4)], words, PATH_COLOUR)
    plan = drawn.plans.get(plan_id)
    if plan is not None:
        _device_in_long_axis(plate, plan, plane, section_name)
    if drawn.apex:
        at = plate.place([drawn.apex])[0]
        plate.drawing.mark(at[0], at[1], "cross", palette.PAPER, 4)
        plate.name(at, "apex", palette.PAPER)
    _mark_suspects(plate, drawing, on_ring=False)
    return plate.finish()


def _device_in_long_axis(plate: Plate, plan: DrawnPlan, plane: DrawnPlane, section_name: str) -> None:
    silhouette = device_silhouette(plan, plane.normal)
    if silhouette is not None:
        placed = plate.line(silhouette, DEVICE_COLOUR, 1.4, "5 3", closed=True)
        plate.name(placed[int(np.argmin(placed[:, 0] + placed[:, 1]))], "device", DEVICE_COLOUR)
    skirt = plan.solids.get("skirt")
    covered = device_silhouette(plan, plane.normal, skirt) if skirt else None
    if covered is not None:
        plate.drawing.path(plate.place(covered), True, stroke="none", fill="#fff", fill_opacity=0.16)
    section = plan.sections.get(section_name)
    if section is None:
        return
    for ring in section.residual:
        cut = trace(lift_rings(section, [ring]), plane.point, plane.normal)
        if cut is not None:
            placed = plate.line(cut, SECTION_COLOUR, 2.6)
            plate.name(placed[int(np.argmax(placed[:, 0]))], "smallest section", SECTION_COLOUR)


def section_plate(
    frame: PictureFrame, uri: str, section: DrawnSection, title: str, description: str, small: bool = False
) -> Drawing:
    """The smallest section: blood edge, device outline, residual area filled."""
    plate = Plate(frame, title, description, width=190.0 if small else 256.0, margin=0.0 if small else 146.0, uri=uri)
    rings = [plate.place(lift_rings(section, [ring])) for ring in section.residual]
    plate.drawing.polygons(rings, fill=SECTION_COLOUR, fill_opacity=0.45)
    for ring in section.blood:
        placed = plate.line(lift_rings(section, [ring]), BLOOD_COLOUR, 1.3, closed=True)
    if section.blood and not small:
        plate.name(placed[int(np.argmin(placed[:, 0]))], "blood edge", BLOOD_COLOUR)
    for ring in section.device:
        placed = plate.line(lift_rings(section, [ring]), DEVICE_COLOUR, 1.4, "5 3", closed=True)
    if section.device and not small:
        plate.name(placed[int(np.argmax(placed[:, 1]))], "device outline", DEVICE_COLOUR)
    for outline in rings:
        plate.drawing.path(outline, True, stroke=SECTION_COLOUR, stroke_width=1.6)
    if rings and not small:
        largest = max(rings, key=lambda r: abs(_shoelace(r)))
        area = with_unit(section.area_mm2, "mm2")
        plate.name(largest.mean(axis=0), f"residual area {area}", SECTION_COLOUR)
    return plate.finish(window=not small)


def _shoelace(ring: FloatArray) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) / 2)


def ring_plate(
    frame: PictureFrame, uri: str, drawing: DrawnReading, values: Mapping[str, float | None], description: str
) -> Drawing:
    """The ring en face: contour, points and the diameters along and across the three-chamber plane."""
    plate = Plate(frame, "Mitral ring en face", description, width=256.0, margin=146.0, uri=uri)
    ring, chamber, aorta = drawing.drawn.ring, drawing.drawn.three_chamber, drawing.drawn.aorta
    if ring is None or chamber is None:
        return plate.finish()
    contour = np.asarray(ring.contour, dtype=float)
    center = np.asarray(ring.center, dtype=float)
    placed = plate.line(contour, RING_COLOUR, 1.8, closed=True)
    plate.name(placed[int(np.argmin(placed[:, 1]))], "ring contour", RING_COLOUR)
    if ring.d_contour:
        placed = plate.line(ring.d_contour, palette.GREEN, 1.4, "5 3", closed=True)
        plate.name(placed[int(np.argmax(placed[:, 0]))], "D-shaped contour", palette.GREEN)
    across = np.asarray(chamber.normal, dtype=float)
    along = np.cross(across, np.asarray(ring.normal, dtype=float))
    for normal, text, key in (
        (across, "septal-lateral", "septal_lateral"),
        (along, "intercommissural", "intercommissural"),
    ):
        chord = trace(contour, center, normal)
        if chord is not None:
            placed = plate.line(chord, palette.SKY, 1.3, "1 3")
            shown = with_unit(values.get(key), "mm") if values.get(key) is not None else ""
            plate.name(placed[int(np.argmax(placed[:, 0] + placed[:, 1]))], f"{text} {shown}".strip(), palette.SKY)
    for point in plate.place(ring.points):
        plate.drawing.add(
            f'<circle cx="{point[0]:.1f}" cy="{point[1]:.1f}" r="2.2" fill="#fff" stroke="#000" stroke-width=".8"/>'
        )
    if aorta is not None:
        at = plate.place([aorta.center])[0]
        plate.drawing.mark(at[0], at[1], "cross", AORTA_COLOUR, 4)
        plate.name(at, "aortic centre", AORTA_COLOUR)
    _mark_suspects(plate, drawing, on_ring=True)
    return plate.finish()


def readers_plate(frame: PictureFrame, drawings: Sequence[DrawnReading], long_axis: bool) -> Drawing:
    """All readings of a phase laid over each other; colour and dash by reader, second reads thinner."""
    title = "All readings, three-chamber plane" if long_axis else "All readings, ring en face"
    readers = sorted({d.reader_id for d in drawings})
    margin = 40 + max((text_width(r) for r in readers), default=0)
    drawn = [s[0] for d in drawings for s in _shapes(d, frame, long_axis)]
    if drawn:
        frame = frame_around(frame, np.concatenate(drawn), READERS_MARGIN_MM)
    plate = Plate(frame, title, f"Contours of {len(readers)} readers over each other.", 290.0, min(margin, 130.0))
    for drawing in sorted(drawings, key=lambda d: (d.reader_id, d.read_no)):
        i = readers.index(drawing.reader_id)
        colour, dash = palette.CATEGORIES[i % 7], palette.DASHES[i % 7]
        width = 1.7 if drawing.read_no == 1 else 0.9
        for shape, closed in _shapes(drawing, frame, long_axis):
            plate.line(shape, colour, width, dash, closed=closed)
    beside = plate.finish(window=False)
    for i, reader in enumerate(readers):
        y = 14 + i * 16
        beside.key(palette.CATEGORIES[i % 7])
        beside.line(
            plate.width + 6, y, plate.width + 24, y, stroke=palette.CATEGORIES[i % 7], stroke_width=1.8,
            stroke_dasharray=palette.DASHES[i % 7],
        )  # fmt: skip
        beside.text(plate.width + 28, y + 3.5, shorten(reader, 96))
        beside.end_key()
    return beside


def _shapes(drawing: DrawnReading, frame: PictureFrame, long_axis: bool) -> list[tuple[FloatArray, bool]]:
    drawn = drawing.drawn
    contour = np.asarray([] if drawn.ring is None else drawn.ring.contour, dtype=float).reshape(-1, 3)
    if not long_axis:
        return [(contour, True)] if len(contour) else []
    normal = np.cross(frame.right, frame.down)
    shapes: list[tuple[FloatArray, bool]] = []
    outline = aorta_outline(drawn.aorta)
    for ring in (contour, outline):
        found = trace(ring, frame.corner, normal) if ring is not None else None
        if found is not None:
            shapes.append((found, False))
    path = drawn.paths.get("reader_path")
    if path:
        shapes.append((np.asarray(path, dtype=float), False))
    return shapes
