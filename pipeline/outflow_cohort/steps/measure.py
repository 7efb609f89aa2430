"""Step 4: measure all phases, readers and plans of one case. Lengths mm, areas mm2, angles deg."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort import events
from outflow_cohort.files import write_atomically, write_parquet
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.drawing import DrawnReading, write_drawings
from outflow_cohort.handover.inventory import Inventory, read_inventory
from outflow_cohort.handover.measured import MeasuredAside, write_measured_aside
from outflow_cohort.handover.request import CheckedReading, Reading, Request, read_request
from outflow_cohort.handover.volumes import SeriesQuality, VolumeEntry, read_index
from outflow_cohort.registration.carried import CarriedCase, CarriedReading, read_carried
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded
from outflow_cohort.steps.judge import Judgements, read_judgements, suspect_places, suspect_rows
from outflow_geometry.base.inputs import MARKED, ReadingInput

if TYPE_CHECKING:
    import numpy as np

    from outflow_geometry.base.inputs import LandmarkOrigin, SharedMove
    from outflow_geometry.measures.reading import ReadingResult

STAGE = "measure"

Row = dict[str, Any]


def measure(
    *, request: Path, inventory: Path, volumes: Path, judged: Path, output_dir: Path, carried: Path | None = None
) -> None:
    """Write tables of one case (measurements, curves, views, implants), set_aside, drawing (JSON), pictures (npz).

    carried : what the carry step wrote; None = every reading is measured only where it was marked.
    """
    content = read_request(request)
    case = _CaseOutput(content)

    def give_up() -> None:
        _write_aside(content, output_dir, CRASH_CODE, crash_message(STAGE))

    found = read_inventory(inventory)
    run_guarded(
        lambda: _measure(content, found, volumes, read_judgements(judged), read_carried(carried), case), give_up
    )
    if case.complete:
        case.write(output_dir)


def set_case_aside(*, request: Path, output: Path, code: str, message: str) -> None:
    """Write the files of a case of which nothing could be measured, for one reason."""
    _write_aside(read_request(request), output, code, message)


def _write_aside(content: Request, output_dir: Path, code: str, message: str) -> None:
    case = _CaseOutput(content)
    for reading in content.readings:
        case.put_aside(reading, code, message)
    case.write(output_dir)


class _CaseOutput:
    """Rows of one case, as they come."""

    def __init__(self, request: Request) -> None:
        self.case_id = request.case.case_id
        self.measurements: list[Row] = []
        self.curves: list[Row] = []
        self.views: list[Row] = []
        self.implants: list[Row] = []
        self.cutoffs: list[str] = [row.cutoff_id for row in request.study.cutoffs]
        self.set_aside: list[AsideRow] = []
        self.drawings: list[DrawnReading] = []
        self.pictures: dict[str, Any] = {}
        self.series_quality: tuple[SeriesQuality, ...] = ()
        self.complete = False

    def put_aside(self, reading: Reading | None, code: str, message: str) -> None:
        """One reading, or the whole case where `reading` is None."""
        self.set_aside.append(
            AsideRow(
                case_id=self.case_id,
                phase_pct=None if reading is None else reading.phase_pct,
                reader_id=None if reading is None else reading.reader_id,
                read_no=None if reading is None else reading.read_no,
                stage=STAGE,
                code=code,
                message=message,
            )
        )

    def add(self, who: Row, result: ReadingResult) -> None:
        """The rows of one reading."""
        place = self.place(who) | result.origin.columns()
        self.measurements += [place | vars(value) for value in result.values]
        self.curves += [place | row for curve in result.curves for row in curve.rows()]
        self.views += [place | view.row() for view in result.views]

    def place(self, who: Row) -> Row:
        """The columns that every row of this case begins with."""
        return {"case_id": self.case_id, **who}

    def write(self, folder: Path) -> None:
        """Write all files of the case; a case without any measurement gets a row of its own in set_aside."""
        from outflow_cohort.study.outputs import VIEWS, curves_frame, implants_frame, measurements_frame, typed_frame

        case_aside = not self.measurements
        if case_aside and not any(row.reader_id is None for row in self.set_aside):
            codes = sorted({row.code for row in self.set_aside}) or ["no_readings"]
            self.put_aside(None, codes[0], f"no reading of this case was measured ({', '.join(codes)})")
        write_parquet(folder / "measurements.parquet", measurements_frame(self.measurements))
        write_parquet(folder / "curves.parquet", curves_frame(self.curves))
        write_parquet(folder / "views.parquet", typed_frame(self.views, VIEWS))
        write_parquet(folder / "implants.parquet", implants_frame(self.implants, self.cutoffs))
        write_drawings(folder, tuple(self.drawings))
        write_atomically(folder / "pictures.npz", lambda p: _save_arrays(p, self.pictures))
        rows = tuple(self.set_aside)
        aside = MeasuredAside(rows=rows, case_set_aside=case_aside, series_quality=self.series_quality)
        write_measured_aside(folder, aside)
        events.set_aside(row.model_dump() for row in rows if row.stage == STAGE)


def _save_arrays(path: Path, arrays: dict[str, Any]) -> None:
    """Write `arrays` under exactly this name (NumPy would append .npz)."""
    import numpy as np

    with path.open("wb") as handle:
        np.savez_compressed(handle, **arrays)


def _measure(
    request: Request,
    inventory: Inventory,
    volumes: Path,
    judgements: Judgements,
    carried: CarriedCase,
    case: _CaseOutput,
) -> None:
    from outflow_cohort.dicom.landmark_checks import check_landmarks
    from outflow_cohort.report.film_frames import film_frames
    from outflow_cohort.report.pictures import take_pictures
    from outflow_cohort.steps.implants import TriedImplants
    from outflow_cohort.steps.placing import place_readings
    from outflow_cohort.study import core_inputs
    from outflow_cohort.volumes import load_volume
    from outflow_geometry.image.phase_image import PhaseImage
    from outflow_geometry.image.pose import may_be_mirrored
    from outflow_geometry.measures.judging import marked, suspect_structures
    from outflow_geometry.measures.phases import measure_case
    from outflow_geometry.measures.reading import measured_along_a_path
    from outflow_geometry.scatter.redrawing import Read, landmark_sd, repeat_shifts

    index = read_index(volumes)
    case.series_quality = index.series_quality
    case.set_aside += index.set_aside
    match = request.study.phase.match
    placed, homeless = place_readings(request.readings, index.volumes, [*inventory.set_aside, *index.set_aside], match)
    for lost in homeless:
        case.put_aside(lost.reading, lost.code, lost.message)
    checked, refused = check_landmarks(case.case_id, placed)
    case.set_aside += refused
    checked = [(entry, judgements.believed(entry, readings)) for entry, readings in checked]
    case.set_aside += [row.plain for row in judgements.set_aside]
    case.set_aside += carried.set_aside
    read_points = [
        Read(entry.phase_pct, reading.reader_id, reading.read_no, core_inputs.landmarks(reading.structures))
        for entry, readings in checked
        for reading in readings
    ]
    scatter = landmark_sd(read_points, request.study.uncertainty.prior_sd_mm)
    plans, prosthesis = core_inputs.plans(request), core_inputs.prosthesis(request)
    definitions = core_inputs.definitions(request, scatter, repeat_shifts(read_points))
    tried = TriedImplants(request, [read.landmarks for read in read_points], match)
    images, results = {}, []
    for entry, readings in checked:
        volume = load_volume(volumes / entry.file)
        ring_volume = load_volume(volumes / entry.ring_file) if entry.ring_file else None
        image = PhaseImage(volume)
        images[entry.phase_pct] = volume
        moved = [_Given.carried(reading) for reading in carried.of_phase(entry.phase_pct)]
        for own in [*(_Given.marked(reading, entry) for reading in readings), *moved]:
            given = ReadingInput(
                landmarks=own.landmarks,
                volume=volume,
                plans=plans,
                prosthesis=prosthesis,
                definitions=definitions,
                supine=entry.supine,
                ring_volume=ring_volume,
                implants=tried.in_phase(entry.phase_pct),
                sides_doubtful=entry.shows_lungs and may_be_mirrored(own.landmarks),
                origin=own.origin,
                shared_moves=own.shared_moves,
            )
            who = own.who
            # what was found on the landmarks of the marked phase holds for those carried from it
            findings = judgements.of_reading(own.marked_in, who["reader_id"], who["read_no"])
            result = marked(measured_along_a_path(given, image, own.path), findings)
            case.add(who, result)
            case.drawings.append(
                DrawnReading(
                    **who,
                    **result.origin.columns(),
                    drawn=result.drawing,
                    warnings=own.warnings,
                    findings=tuple(findings),
                    suspects=suspect_places(findings, own.landmarks) if own.marked_in == who["phase_pct"] else (),
                )
            )
            rows = list(tried.rows(case.place(who) | result.origin.columns(), result))
            case.implants += suspect_rows(rows, suspect_structures(findings))
            results.append((who, result))
            place = events.Place(case.case_id, *who.values())
            cut = result.drawing.ventricle_cut
            if cut is not None:
                events.event("ventricle_cut", cut.message, place=place, level=logging.WARNING)
            events.event("measured", "measured", place=place, details={"values": len(result.values)})
    reads: dict[tuple[str, int], dict[float | None, ReadingResult]] = {}
    for who, result in results:
        reads.setdefault((who["reader_id"], who["read_no"]), {})[who["phase_pct"]] = result
    for name in sorted(reads):
        others = [read for other, read in reads.items() if other != name]
        who = {"phase_pct": None, "reader_id": name[0], "read_no": name[1]}
        over_phases = measure_case(list(reads[name].items()), definitions, others)
        case.measurements += [case.place(who) | vars(value) for value in over_phases]
    case.pictures = take_pictures(images, case.drawings, film_frames(case.drawings))
    case.complete = True


@dataclass(frozen=True)
class _Given:
    """One reading to measure, marked or carried.

    marked_in : phase in which a reader set the marks. path : carried points of a path, (n, 3) mm, or None.
    """

    who: Row
    landmarks: Mapping[str, np.ndarray]
    warnings: str
    marked_in: float | None
    origin: LandmarkOrigin
    shared_moves: tuple[SharedMove, ...] = ()
    path: np.ndarray | None = None

    @classmethod
    def carried(cls, reading: CarriedReading) -> _Given:
        """From what was carried to a phase."""
        import numpy as np

        from outflow_cohort.study import core_inputs

        who = {"phase_pct": reading.phase_pct, "reader_id": reading.reader_id, "read_no": reading.read_no}
        points = core_inputs.landmarks(reading.structures)
        path = np.asarray(reading.path, dtype=np.float64) if len(reading.path) >= 2 else None
        return cls(who, points, reading.doubt, reading.carried_from_pct, reading.origin, reading.moves, path)

    @classmethod
    def marked(cls, reading: CheckedReading, entry: VolumeEntry) -> _Given:
        """From a request's reading in the phase of one volume."""
        from outflow_cohort.study import core_inputs

        phase = entry.phase_pct
        who = {"phase_pct": phase, "reader_id": reading.reader_id, "read_no": reading.read_no}
        return cls(who, core_inputs.landmarks(reading.structures), reading.landmark_warnings, phase, MARKED)
