"""Small pictures of the points that the judging found, for queries: three slices of the image through each. LPS, mm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import write_atomically

if TYPE_CHECKING:
    import numpy as np

    from outflow_cohort.handover.judged import FindingRow
    from outflow_cohort.handover.request import Reading, Request
    from outflow_cohort.handover.volumes import VolumeIndex
    from outflow_geometry.base.frames import Volume

SIDE_MM, STEP_MM = 40.0, 0.5
WINDOW_HU = (-150.0, 650.0)
"""HU shown black and white: blood with contrast and muscle are both grey."""
MOST_PICTURES = 60
MARK = (4, 9)
"""Pixels from the middle at which the lines of the mark begin and end."""


def point_pictures(
    request: Request, index: VolumeIndex, volumes: Path, findings: Sequence[FindingRow]
) -> dict[str, np.ndarray]:
    """(3, n, n) grey values, axial, coronal and sagittal, by `picture_name`; at most MOST_PICTURES."""
    from outflow_cohort.volumes import load_volume

    points = {(*r.who, r.phase_pct): r for r in request.readings}
    found: dict[str, np.ndarray] = {}
    for entry in index.volumes:
        rows = [row for row in findings if row.phase_pct == entry.phase_pct and row.severity != "note"]
        volume = load_volume(volumes / entry.file) if rows else None
        for row in rows:
            reading = _reading(points, row)
            if reading is None or volume is None or len(found) >= MOST_PICTURES:
                continue
            place = _place(reading, row)
            if place is not None:
                found[picture_name(row.model_dump(), row.structure, row.point_no)] = _slices(volume, place)
    return found


def picture_name(who: Mapping[str, Any], structure: str, point: Any) -> str:
    """Name of a query's pictures in judged/KEY.npz."""
    phase = who["phase_pct"]
    phase_text = "" if phase is None or phase != phase else f"{phase:g}"
    number = "" if point is None or str(point) in ("<NA>", "nan") else str(int(point))
    return f"{phase_text}|{who['reader_id']}|{who['read_no']}|{structure}|{number}"


def _reading(points: Mapping[tuple[Any, ...], Reading], row: FindingRow) -> Reading | None:
    """The reading of a finding; its phase as stated may differ from that of the volume."""
    own = [s for (reader, read, _), s in points.items() if (reader, read) == (row.reader_id, row.read_no)]
    exact = points.get((row.reader_id, row.read_no, row.phase_pct))
    return exact if exact is not None else (own[0] if len(own) == 1 else None)


def _place(reading: Reading, row: FindingRow) -> np.ndarray | None:
    """The point (3,) of a finding, the middle of its structure, or the ring's for the whole reading."""
    import numpy as np

    named = reading.structures.get(row.structure or "mitral_ring")
    if not named:
        return None
    points = np.asarray(named, dtype=np.float64)
    listed = reading.point_numbers.get(row.structure, list(range(1, len(points) + 1)))
    if row.point_no in listed:
        result: np.ndarray = points[listed.index(row.point_no)]
        return result
    middle: np.ndarray = points.mean(axis=0)
    return middle


def _slices(volume: Volume, place: np.ndarray) -> np.ndarray:
    import numpy as np
    from scipy import ndimage

    half = SIDE_MM / 2.0
    along = np.arange(-half, half + STEP_MM / 2.0, STEP_MM)
    right, back, up = np.eye(3)
    planes = []
    for across, down in ((right, back), (right, -up), (back, -up)):
        points = place + along[None, :, None] * across + along[:, None, None] * down
        index = volume.to_index(points).reshape(-1, 3).T
        values = ndimage.map_coordinates(volume.values, index, order=1, mode="constant", cval=-2000.0)
        low, high = WINDOW_HU
        grey = np.clip(1.0 + 254.0 * (values.astype(np.float64) - low) / (high - low), 1.0, 255.0)
        grey[values < -1500.0] = 0.0
        plane = grey.reshape(len(along), len(along)).astype(np.uint8)
        middle = len(along) // 2
        for first, last in ((middle - MARK[1], middle - MARK[0]), (middle + MARK[0] + 1, middle + MARK[1] + 1)):
            plane[middle, first:last] = 255
            plane[first:last, middle] = 255
        planes.append(plane)
    return np.stack(planes)


def write_pictures(path: Path, pictures: dict[str, np.ndarray]) -> None:
    """Write the pictures of one case."""
    import numpy as np

    def save(temporary: Path) -> None:
        with temporary.open("wb") as handle:
            np.savez_compressed(handle, **pictures)  # type: ignore[arg-type]

    write_atomically(path, save)
