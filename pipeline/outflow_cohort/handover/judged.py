"""What the judge step found on the landmarks of a case (RESULTS/work/judged/KEY.json). Lengths mm, phase % of R-R."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Literal

from outflow_cohort.handover.base import AsideRow, HandOver, Part, read_handover, write_handover

if TYPE_CHECKING:
    from outflow_geometry.landmarks.findings import LandmarkFinding


class FindingRow(Part):
    """A row of tables/landmark_findings.parquet: where, and a `LandmarkFinding` of the core."""

    case_id: str
    phase_pct: float | None
    reader_id: str | None
    read_no: int | None
    structure: str
    point_no: int | None
    code: str
    severity: Literal["suspect", "impossible", "note"]
    number: float | None
    bound: float | None
    unit: str
    remedy: str

    @property
    def finding(self) -> LandmarkFinding:
        """The finding for the core, without its place."""
        from outflow_geometry.landmarks.findings import LandmarkFinding

        return LandmarkFinding(
            structure=self.structure,
            point_no=self.point_no,
            code=self.code,
            severity=self.severity,
            number=self.number,
            bound=self.bound,
            unit=self.unit,
            remedy=self.remedy,
        )


class JudgedAside(AsideRow):
    """A reading that cannot be right. volume_phase_pct : phase of the volume it belongs to; None = of all."""

    volume_phase_pct: float | None

    @property
    def plain(self) -> AsideRow:
        """The row as set_aside holds it."""
        return AsideRow(**self.model_dump(exclude={"volume_phase_pct"}))


class PixelHash(Part):
    """Hash of a series' middle slice, and of each slice of its coarse view, by which the same scan shows under another
    name, also where it was cropped."""

    case_id: str
    phase_pct: float | None
    hash: str
    slices: tuple[str, ...] = ()


class Habit(Part):
    """Of one read: its own scatter, and how far its ring is outside that of the others of the phase, mm."""

    case_id: str
    reader_id: str
    scatter: float | None
    outward: float | None


class StudyFindings(HandOver):
    """What only the whole study shows of one case (RESULTS/work/study_findings/KEY.json)."""

    VERSION: ClassVar[int] = 1

    version: int = VERSION
    findings: tuple[FindingRow, ...] = ()


class Judged(HandOver):
    """All findings on one case."""

    VERSION: ClassVar[int] = 2

    version: int = VERSION
    findings: tuple[FindingRow, ...] = ()
    set_aside: tuple[JudgedAside, ...] = ()
    pixels: tuple[PixelHash, ...] = ()
    habits: tuple[Habit, ...] = ()


def read_judged(path: Path) -> Judged:
    """What the judge step wrote."""
    return read_handover(path, Judged)


def read_study_findings(path: Path) -> tuple[FindingRow, ...]:
    """What the whole study shows of a case; nothing where that was not asked yet."""
    return read_handover(path, StudyFindings).findings if path.exists() else ()


def write_study_findings(path: Path, content: StudyFindings) -> None:
    """Write the file of one case."""
    write_handover(path, content)


def write_judged(path: Path, content: Judged) -> None:
    """Write the file of one case."""
    write_handover(path, content)
