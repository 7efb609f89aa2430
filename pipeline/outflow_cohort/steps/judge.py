"""Step 4: judge the landmarks of one case before they are believed. Points LPS, mm.

Writes a `Judged`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort import events
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.drawing import Suspect
from outflow_cohort.handover.inventory import Inventory, read_inventory
from outflow_cohort.handover.judged import FindingRow, Habit, Judged, JudgedAside, PixelHash, read_judged, write_judged
from outflow_cohort.handover.request import CheckedReading, Reading, Request, read_request
from outflow_cohort.handover.volumes import VolumeEntry, VolumeIndex, read_index
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded
from outflow_cohort.steps.judge_pictures import point_pictures, write_pictures
from outflow_geometry.landmarks.findings import CODES, LANDMARK_SUSPECT, WHOLE_READING

if TYPE_CHECKING:
    import numpy as np

    from outflow_geometry.landmarks.findings import LandmarkFinding
    from outflow_geometry.scatter.consensus import JudgedRead

STAGE = "judge"
Who = tuple[float | None, str, int]
"""Phase, reader, read."""


@dataclass(frozen=True)
class Judgements:
    """What the judge step found in one case."""

    findings: Mapping[Who, tuple[LandmarkFinding, ...]]
    set_aside: tuple[JudgedAside, ...]

    def of_reading(self, phase_pct: float | None, reader_id: str, read_no: int) -> tuple[LandmarkFinding, ...]:
        """Findings of one reading."""
        return self.findings.get((phase_pct, reader_id, read_no), ())

    def believed(self, entry: VolumeEntry, readings: Sequence[CheckedReading]) -> list[CheckedReading]:
        """The readings of one volume that are not set aside."""
        gone = {(row.reader_id, row.read_no) for row in self.set_aside if _in_phase(row, entry)}
        return [r for r in readings if r.who not in gone]


def _in_phase(row: JudgedAside, entry: VolumeEntry) -> bool:
    """Whether a set-aside row concerns the volume; without a phase of its own it concerns all."""
    return row.volume_phase_pct is None or row.volume_phase_pct == entry.phase_pct


def read_judgements(path: Path) -> Judgements:
    """What `judge` wrote."""
    content = read_judged(path)
    found: dict[Who, list[LandmarkFinding]] = {}
    for row in content.findings:
        found.setdefault((row.phase_pct, row.reader_id or "", row.read_no or 0), []).append(row.finding)
    return Judgements({who: tuple(rows) for who, rows in found.items()}, content.set_aside)


def suspect_rows(rows: list[dict[str, Any]], suspects: Collection[str]) -> list[dict[str, Any]]:
    """Rows of tried implants (solid, method, area_mm2, status), with the status of those that rest on `suspects`."""
    from outflow_geometry.measures.judging import rests_on
    from outflow_geometry.measures.registry import measure

    def is_bad(row: Mapping[str, Any]) -> bool:
        structures = rests_on(measure("neo_lvot_area"), row["solid"], row["method"])
        return WHOLE_READING in suspects or not structures.isdisjoint(suspects)

    if not suspects:
        return rows
    return [row | {"status": LANDMARK_SUSPECT} if row["area_mm2"] is not None and is_bad(row) else row for row in rows]


def suspect_places(findings: Collection[LandmarkFinding], landmarks: Mapping[str, np.ndarray]) -> tuple[Suspect, ...]:
    """Points that were found bad, with their place, for the case sheet; those numbered from 1 only."""
    return tuple(
        Suspect(structure=f.structure, point_no=f.point_no, at=[round(float(v), 2) for v in points[f.point_no - 1]])
        for f in findings
        if f.severity != "note" and f.point_no is not None
        if (points := landmarks.get(f.structure)) is not None and 1 <= f.point_no <= len(points)
    )


def judge(*, request: Path, inventory: Path, volumes: Path, output: Path) -> None:
    """Write the findings on the landmarks of one case, and the readings that cannot be right."""
    content = read_request(request)

    def give_up() -> None:
        set_case_aside(request=request, output=output, code=CRASH_CODE, message=crash_message(STAGE))

    def work() -> None:
        index = read_index(volumes)
        judged = _judge(content, read_inventory(inventory), index, volumes)
        write_pictures(output.with_suffix(".npz"), point_pictures(content, index, volumes, judged.findings))
        _write(output, judged)

    run_guarded(work, give_up)


def set_case_aside(*, request: Path, output: Path, code: str, message: str) -> None:
    """Write a case of which no reading may be measured, for one reason."""
    content = read_request(request)
    write_pictures(output.with_suffix(".npz"), {})
    _write(
        output, Judged(set_aside=tuple(_aside(content, reading, None, code, message) for reading in content.readings))
    )


def _write(output: Path, judged: Judged) -> None:
    write_judged(output, judged)
    events.set_aside(row.model_dump() for row in judged.set_aside)


def _aside(request: Request, reading: Reading, phase: float | None, code: str, message: str) -> JudgedAside:
    """A row of set_aside; `phase` is that of the volume that the reading belongs to."""
    return JudgedAside(
        case_id=request.case.case_id,
        phase_pct=phase if reading.phase_pct is None else reading.phase_pct,
        reader_id=reading.reader_id,
        read_no=reading.read_no,
        stage=STAGE,
        code=code,
        message=message,
        volume_phase_pct=phase,
    )


def _judge(request: Request, inventory: Inventory, index: VolumeIndex, volumes: Path) -> Judged:
    """Findings, set-aside rows and each reading's habits (`study.findings.reader_drifts`) of one case."""
    from outflow_cohort.dicom.landmark_checks import check_landmarks
    from outflow_cohort.steps.placing import place_readings
    from outflow_cohort.study import core_inputs
    from outflow_geometry.landmarks.judging import judge_reading
    from outflow_geometry.scatter.consensus import JudgedRead, judge_phase, judge_phases
    from outflow_geometry.scatter.redrawing import Read

    case_id = request.case.case_id
    reasons = [*inventory.set_aside, *index.set_aside]
    placed, _ = place_readings(request.readings, index.volumes, reasons, request.study.phase.match)
    checked, refused = check_landmarks(case_id, placed)
    findings = [_row_of_refused(row) for row in refused]
    pixels = tuple(
        PixelHash(case_id=case_id, phase_pct=entry.phase_pct, hash=entry.pixel_hash, slices=entry.slice_hashes)
        for entry in index.volumes
        if entry.pixel_hash
    )
    if not request.study.judging.landmarks:
        return Judged(findings=tuple(findings), pixels=pixels)
    reads: list[tuple[VolumeEntry, CheckedReading, JudgedRead]] = []
    for entry, readings in checked:
        for reading in readings:
            points = core_inputs.landmarks(reading.structures)
            own = judge_reading(points, names_known=request.study.judging.hinge_names != "any")
            read = Read(entry.phase_pct, reading.reader_id, reading.read_no, points)
            reads.append((entry, reading, JudgedRead(read, own.findings, own.scatter)))
    found = [list(judged.findings) for _, _, judged in reads]
    for entry, _ in checked:
        here = [i for i, (e, _, _) in enumerate(reads) if e is entry]
        for i, more in zip(here, _image_evidence(volumes / entry.file, [reads[i][2] for i in here]), strict=True):
            found[i] += more
        reads = [
            (e, reading, replace(judged, findings=tuple(found[i])) if i in here else judged)
            for i, (e, reading, judged) in enumerate(reads)
        ]
        for i, more in zip(here, judge_phase([reads[i][2] for i in here]), strict=True):
            found[i] += more
    for i, more in enumerate(judge_phases([judged for _, _, judged in reads])):
        found[i] += more
    aside = []
    for (entry, reading, _), own_findings in zip(reads, found, strict=True):
        findings += [_finding_row(case_id, entry, reading, _as_filed(f, reading)) for f in own_findings]
        grave = [f for f in own_findings if f.severity == "impossible"]
        if grave:
            message = f"{reading.source}: {in_words(grave[0])} {grave[0].remedy}"
            aside.append(_aside(request, reading, entry.phase_pct, grave[0].code, message))
    habits = _habits(case_id, [judged for _, _, judged in reads])
    return Judged(findings=tuple(findings), set_aside=tuple(aside), pixels=pixels, habits=tuple(habits))


def _finding_row(case_id: str, entry: VolumeEntry, reading: Reading, found: LandmarkFinding) -> FindingRow:
    return FindingRow(
        case_id=case_id,
        phase_pct=entry.phase_pct,
        reader_id=reading.reader_id,
        read_no=reading.read_no,
        **vars(found),
    )


def _as_filed(found: LandmarkFinding, reading: Reading) -> LandmarkFinding:
    """The finding with its point numbered as in the reader's table, where that does not count from 1."""
    listed = reading.point_numbers.get(found.structure)
    if listed is None or found.point_no is None:
        return found
    return replace(found, point_no=listed[found.point_no - 1])


def _habits(case_id: str, reads: list[JudgedRead]) -> list[Habit]:
    """The habits of each read."""
    import numpy as np

    rows = []
    for judged in reads:
        read = judged.read
        sizes = {
            (r.read.reader_id, r.read.read_no): _ring_radius(r.read.landmarks.get("mitral_ring"))
            for r in reads
            if r.read.phase_pct == read.phase_pct
        }
        own = sizes.pop((read.reader_id, read.read_no))
        others = [size for (reader, _), size in sizes.items() if size is not None and reader != read.reader_id]
        rows.append(
            Habit(
                case_id=case_id,
                reader_id=read.reader_id,
                scatter=round(judged.scatter, 4),
                outward=None if own is None or not others else round(own - float(np.median(others)), 4),
            )
        )
    return rows


def _ring_radius(ring: np.ndarray | None) -> float | None:
    """Mean distance, mm, of the ring's points from their middle."""
    if ring is None or len(ring) < 3:
        return None
    distances = ((ring - ring.mean(axis=0)) ** 2).sum(axis=1) ** 0.5
    return float(distances.mean())


def _image_evidence(file: Path, reads: list[JudgedRead]) -> list[list[LandmarkFinding]]:
    """Findings of the reads of one phase against its image; [] each where no blood is seen."""
    from outflow_cohort.volumes import load_volume
    from outflow_geometry.image.landmark_evidence import judge_against_image, phase_edges
    from outflow_geometry.image.phase_image import PhaseImage

    if not reads:
        return []
    edges = phase_edges(PhaseImage(load_volume(file)), [judged.read.landmarks for judged in reads])
    if edges is None:
        return [[] for _ in reads]
    return [list(judge_against_image(judged.read.landmarks, edges, judged.scatter)) for judged in reads]


def in_words(found: LandmarkFinding) -> str:
    """A finding as a sentence: where, what, found, needed."""

    where = found.structure or "the whole reading"
    if found.point_no is not None:
        where += f" point {found.point_no}"
    text = f"{where}: {CODES[found.code].meaning}" if found.code in CODES else f"{where}: {found.code}"
    if found.number is not None:
        unit = "" if found.unit == "1" else f" {found.unit}"
        bound = "" if found.bound is None else f", bound {found.bound:g}{unit}"
        text += f" (found {found.number:.3g}{unit}{bound})"
    return f"{text}."


def _row_of_refused(row: AsideRow) -> FindingRow:
    """A reading refused for its frame, its unit or its size, as a finding."""
    from outflow_cohort.dicom.codes import reason

    return FindingRow(
        case_id=row.case_id,
        phase_pct=row.phase_pct,
        reader_id=row.reader_id,
        read_no=row.read_no,
        structure="",
        point_no=None,
        code=row.code,
        severity="impossible",
        number=None,
        bound=None,
        unit="1",
        remedy=reason(row.code).remedy,
    )
