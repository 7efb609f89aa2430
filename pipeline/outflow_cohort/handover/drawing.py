"""The drawings of a case's readings, for its pages (RESULTS/work/measured/KEY/drawing.json). LPS, mm."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from outflow_cohort.handover.base import HandOver, Part, read_handover, write_handover
from outflow_geometry.base.drawn import ReadingDrawing
from outflow_geometry.landmarks.findings import LandmarkFinding

FILE = "drawing.json"


class Suspect(Part):
    """A point that was found bad, with its place (3,), mm."""

    structure: str
    point_no: int
    at: list[float]


class DrawnReading(Part):
    """One reading of one phase. landmark_origin : marked or carried; warnings : codes joined by `;`."""

    phase_pct: float | None
    reader_id: str
    read_no: int
    drawn: ReadingDrawing
    landmark_origin: str = "marked"
    carried_from_pct: float | None = None
    carry_error_mm: float | None = None
    warnings: str = ""
    findings: tuple[LandmarkFinding, ...] = ()
    suspects: tuple[Suspect, ...] = ()


class CaseDrawings(HandOver):
    """All readings of a case."""

    VERSION: ClassVar[int] = 1

    version: int = VERSION
    readings: tuple[DrawnReading, ...] = ()


def read_drawings(folder: Path) -> tuple[DrawnReading, ...]:
    """The drawings in a case's folder of measurements; none where there is no file."""
    path = folder / FILE
    return read_handover(path, CaseDrawings).readings if path.exists() else ()


def write_drawings(folder: Path, readings: tuple[DrawnReading, ...]) -> None:
    """Write the drawings of a case."""
    write_handover(folder / FILE, CaseDrawings(readings=readings), indent=None)
