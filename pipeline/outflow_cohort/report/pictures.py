"""Plane pictures of a case, taken while its volumes exist: clean greys, no overlay.

All points LPS, mm, float64. A picture is uint8 (rows, columns); pixel [r, c] shows the point
`corner + c * spacing * right + r * spacing * down`. Grey 0 means outside the volume; 1 to 255 is the grey
scale below. The drawing of what was measured is laid over them later, as vectors, from drawing.json.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.report.headline import headline_section
from outflow_geometry.base.drawn import DrawnPlan, DrawnSection
from outflow_geometry.base.frames import FloatArray, Volume, unit

GREY_KNOTS_HU = (-150.0, 650.0, 3000.0)
GREY_KNOTS = (1.0, 209.0, 255.0)
"""Grey scale: tissue and contrast blood share four fifths of the greys, metal and dense calcium the rest, so
that a ring keeps its edge instead of flooding its surroundings with white."""

PIXEL_MM = 0.4
LONGEST_SIDE = 420
"""Pixels; a larger field gets larger pixels, so that a sheet of several pictures stays below 0.6 MB."""

FIELD_MARGIN_MM = {"three_chamber": 14.0, "ring": 12.0, "section": 12.0}
SMALLEST_FIELD_MM = 40.0


@dataclass(frozen=True)
class PictureFrame:
    """Where a picture is in the patient: upper left pixel centre, unit directions, mm per pixel."""

    name: str
    phase_pct: float | None
    plan_id: str
    solid_method: str
    corner: tuple[float, float, float]
    right: tuple[float, float, float]
    down: tuple[float, float, float]
    spacing: float
    shape: tuple[int, int]

    def place(self, points: ArrayLike) -> FloatArray:
        """Picture coordinates (..., 2) in pixels (column, row) of `points` (..., 3), mm, seen along the normal."""
        offset = np.asarray(points, dtype=np.float64) - np.asarray(self.corner)
        axes = np.stack([np.asarray(self.right), np.asarray(self.down)], axis=1)
        placed: FloatArray = offset @ axes / self.spacing
        return placed


def grey(hu: ArrayLike) -> NDArray[np.uint8]:
    """Greys (1 to 255) of HU values, by the knots above."""
    result: NDArray[np.uint8] = np.rint(np.interp(np.asarray(hu, dtype=np.float64), GREY_KNOTS_HU, GREY_KNOTS)).astype(
        np.uint8
    )
    return result


def grey_scale_text() -> str:
    """The grey scale in words, for a caption."""
    low, knee, top = (f"{v:,.0f}".replace("-", "−") for v in GREY_KNOTS_HU)
    return f"Grey scale {low} to {knee} HU over four fifths of the greys, {knee} to {top} HU over the rest."


def take_pictures(
    volumes: Mapping[float | None, Volume],
    drawings: Sequence[DrawnReading],
    further: Sequence[PictureFrame] = (),
) -> dict[str, NDArray[Any]]:
    """Pictures of the first reader's first read of each phase, ready for `np.savez_compressed`.

    Three-chamber plane, ring en face, and for each plan the plane of its smallest section (`full_frame` where
    there is one), then the planes `further`. `volumes` by phase in percent, None = the only phase; a phase without a
    volume has none.

    Returns a mapping of `picture_000` … (uint8) and `frames` (JSON text of all PictureFrames, as uint8).
    """
    frames: list[PictureFrame] = []
    arrays: dict[str, NDArray[Any]] = {}
    wanted = [frame for drawing in reference_drawings(drawings) for frame in frames_of_reading(drawing)]
    for frame in (*wanted, *further):
        volume = volumes.get(frame.phase_pct)
        if volume is not None:
            arrays[f"picture_{len(frames):03d}"] = resample(volume, frame)
            frames.append(frame)
    text = json.dumps([asdict(f) for f in frames], sort_keys=True)
    arrays["frames"] = np.frombuffer(text.encode("utf-8"), dtype=np.uint8)
    return arrays


def read_pictures(arrays: Mapping[str, NDArray[Any]]) -> list[tuple[PictureFrame, NDArray[np.uint8]]]:
    """Undo `take_pictures`: frames with their pictures, in the order taken."""
    if "frames" not in arrays:
        return []
    rows = json.loads(bytes(arrays["frames"].tobytes()).decode("utf-8"))
    out = []
    for i, row in enumerate(rows):
        for name in ("corner", "right", "down", "shape"):
            row[name] = tuple(row[name])
        out.append((PictureFrame(**row), arrays[f"picture_{i:03d}"]))
    return out


def reference_drawings(drawings: Sequence[DrawnReading]) -> list[DrawnReading]:
    """The reference reading of each phase (first reader by name, first read), phases ascending."""
    first: dict[float | None, DrawnReading] = {}
    for drawing in sorted(drawings, key=lambda d: (d.reader_id, d.read_no)):
        first.setdefault(drawing.phase_pct, drawing)
    return [first[p] for p in sorted(first, key=lambda p: -1.0 if p is None else p)]


def frames_of_reading(reading: DrawnReading) -> list[PictureFrame]:
    """The picture planes of one reading; a plane whose parts are absent is left out."""
    phase, drawn = reading.phase_pct, reading.drawn
    ring, aorta = drawn.ring, drawn.aorta
    if ring is None or aorta is None:
        return []
    center, normal = np.asarray(ring.center), unit(ring.normal)
    toward = _across(np.asarray(aorta.center) - center, normal)
    if toward is None:
        return []
    frames = []
    if drawn.three_chamber is not None:
        plane_normal = unit(drawn.three_chamber.normal)
        down = _across(normal, plane_normal)
        right = _across(toward - (toward @ down) * down if down is not None else toward, plane_normal)
        if down is not None and right is not None:
            shown = _points(ring.contour, aorta.contour, aorta.hinges, [drawn.apex])
            frames.append(_frame("three_chamber", phase, "", "", center, right, down, shown))
    # Seen from the atrium with the aorta up: looking along n, the right hand of "up = toward" is n x toward.
    shown = _points(ring.contour, ring.points, [aorta.center])
    frames.append(_frame("ring", phase, "", "", center, np.cross(normal, toward), -toward, shown))
    for plan_id, plan in sorted(drawn.plans.items()):
        name = headline_section(plan.sections, "full_frame", "reader_path")
        if name is None:
            continue
        frames.append(section_frame(phase, plan_id, name, plan))
    return frames


def section_frame(phase: float | None, plan_id: str, name: str, plan: DrawnPlan) -> PictureFrame:
    """The plane of section `name` of a plan: seen from the ventricle, the septum up, away from the device."""
    section = plan.sections[name]
    point, normal = np.asarray(section.point, dtype=float), unit(section.normal)
    up = None if plan.axis_point is None else _across(point - np.asarray(plan.axis_point), normal)
    if up is None:
        up = np.asarray(section.u, dtype=float)
    shown = lift_rings(section, section.blood)
    return _frame("section", phase, plan_id, name, point, np.cross(normal, up), -up, shown)


def lift_rings(section: DrawnSection, rings: Sequence[Sequence[Sequence[float]]]) -> FloatArray:
    """Points (n, 3) of all `rings` given in the section's own (u, v), mm."""
    flat = [xy for ring in rings for xy in ring] or [(0.0, 0.0)]
    axes = np.stack([np.asarray(section.u, dtype=float), np.asarray(section.v, dtype=float)])
    result: FloatArray = np.asarray(section.point, dtype=float) + np.asarray(flat, dtype=float) @ axes
    return result


def resample(volume: Volume, frame: PictureFrame) -> NDArray[np.uint8]:
    """The picture of `frame`: linear interpolation between voxels, 0 outside the volume."""
    from scipy.ndimage import map_coordinates

    rows, columns = frame.shape
    c, r = np.meshgrid(np.arange(columns) * frame.spacing, np.arange(rows) * frame.spacing)
    points = np.asarray(frame.corner) + c[..., None] * np.asarray(frame.right) + r[..., None] * np.asarray(frame.down)
    index = volume.to_index(points)
    values = map_coordinates(
        volume.values.astype(np.float32), np.moveaxis(index, -1, 0), order=1, mode="nearest", prefilter=False
    )
    picture: NDArray[np.uint8] = np.where(volume.contains(points), grey(values), 0).astype(np.uint8)
    return picture


def frame_around(frame: PictureFrame, points: ArrayLike, margin: float) -> PictureFrame:
    """The plane and directions of `frame` with a field around `points` (n, 3), mm, and `margin` mm more."""
    right, down = np.asarray(frame.right), np.asarray(frame.down)
    corner = np.asarray(frame.corner)
    flat = frame.place(points) * frame.spacing
    low, high = flat.min(axis=0) - margin, flat.max(axis=0) + margin
    columns, rows = (int(n) for n in np.ceil((high - low) / frame.spacing) + 1)
    moved = corner + low[0] * right + low[1] * down
    return replace(frame, corner=_triple(moved), shape=(rows, columns))


def _across(vector: FloatArray, normal: FloatArray) -> FloatArray | None:
    """Unit part of `vector` at right angles to `normal`; None where there is none to speak of."""
    part = vector - (vector @ normal) * normal
    length = float(np.linalg.norm(part))
    return part / length if length > 1e-6 else None


def _triple(vector: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in vector)
    return x, y, z


def _points(*groups: Any) -> FloatArray:
    rows = [p for group in groups if group is not None for p in group if p is not None]
    return np.asarray(rows, dtype=np.float64).reshape(-1, 3)


def _frame(
    name: str,
    phase: float | None,
    plan_id: str,
    solid_method: str,
    origin: FloatArray,
    right: FloatArray,
    down: FloatArray,
    shown: FloatArray,
) -> PictureFrame:
    """A frame around all of `shown`, with the margin of its kind."""
    flat = (shown - origin) @ np.stack([right, down], axis=1)
    low, high = flat.min(axis=0) - FIELD_MARGIN_MM[name], flat.max(axis=0) + FIELD_MARGIN_MM[name]
    middle = (low + high) / 2
    side = np.maximum(high - low, SMALLEST_FIELD_MM)
    spacing = max(PIXEL_MM, float(side.max()) / LONGEST_SIDE)
    columns, rows = (int(n) for n in np.ceil(side / spacing) + 1)
    first = middle - np.array([columns - 1, rows - 1]) / 2 * spacing
    corner = origin + first[0] * right + first[1] * down
    return PictureFrame(
        name=name,
        phase_pct=phase,
        plan_id=plan_id,
        solid_method=solid_method,
        corner=_triple(corner),
        right=_triple(right),
        down=_triple(down),
        spacing=spacing,
        shape=(rows, columns),
    )
