"""Step 5, where the study asks for it: carry landmarks to the phases that a reader did not mark. LPS, mm.

Two phases of a case are registered once, whatever the number of readings. Fields are not kept unless asked.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort import events
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.inventory import Inventory, read_inventory
from outflow_cohort.handover.request import Request, read_request
from outflow_cohort.handover.volumes import read_index
from outflow_cohort.registration.carried import (
    CarriedCase,
    CarriedReading,
    RegisteredPair,
    read_carried,
    write_carried,
)
from outflow_cohort.registration.settings import CarrySettings
from outflow_cohort.steps.guard import CRASH_CODE, crash_message, run_guarded
from outflow_cohort.steps.judge import read_judgements
from outflow_geometry.base.errors import GeometryError

if TYPE_CHECKING:
    import numpy as np

    from outflow_cohort.phases import PhaseMatch
    from outflow_cohort.registration.blending import Estimate
    from outflow_geometry.base.frames import Volume
    from outflow_geometry.base.inputs import SharedMove
    from outflow_geometry.landmarks.carry_error import CarryFigures

__all__ = ["carry", "read_carried", "set_case_aside"]

STAGE = "carry"
Read = tuple[str, int]
"""Reader and read."""


def carry(*, request: Path, inventory: Path, volumes: Path, judged: Path, output: Path) -> None:
    """Write the carried landmarks of one case, and what was not carried with the reason."""
    content = read_request(request)

    def give_up() -> None:
        set_case_aside(request=request, output=output, code=CRASH_CODE, message=crash_message(STAGE))

    def work() -> None:
        case = _carry(content, read_inventory(inventory), volumes, judged, output.parent / "fields" / output.stem)
        write_carried(output, case)
        events.set_aside([row.model_dump() for row in case.set_aside])

    run_guarded(work, give_up)


def set_case_aside(*, request: Path, output: Path, code: str, message: str) -> None:
    """Write a case of which nothing was carried, for one reason; its marked phases are measured all the same."""
    case_id = read_request(request).case.case_id
    row = AsideRow(
        case_id=case_id, phase_pct=None, reader_id=None, read_no=None, stage=STAGE, code=code, message=message
    )
    write_carried(output, CarriedCase(set_aside=(row,)))
    events.set_aside([row.model_dump()])


@dataclass
class _Case:
    """One case at work.

    marks : landmarks by read and phase. marked : phases that each reader marked, rightly or not. phases : file of each
    phase's volume. slab_steps : largest step between neighbouring slices of each phase over the usual one, where it is
    known. scatter : of a coordinate of a landmark between reads, as the study expects it, mm. fields : folder of the
    displacements, where they are to be kept.
    """

    case_id: str
    settings: CarrySettings
    match: PhaseMatch
    implanted: bool
    phases: dict[float, Path]
    slab_steps: dict[float, float]
    marks: dict[Read, dict[float, dict[str, np.ndarray]]]
    marked: dict[str, set[float]]
    scatter: float
    estimates: dict[tuple[Read, float], list[Estimate]] = field(default_factory=dict)
    failures: dict[tuple[Read, float], tuple[str, str]] = field(default_factory=dict)
    pairs: list[RegisteredPair] = field(default_factory=list)
    fields: Path | None = None

    def sources(self, read: Read) -> list[float]:
        """Marked phases of a read that are to be carried."""
        asked = self.settings.from_phases
        marked = sorted(self.marks[read])
        return [p for p in marked if not asked or self.match.nearest(p, asked) is not None]

    def targets(self, read: Read) -> list[float]:
        """Phases with images, asked for, in which the reader marked nothing."""
        own = self.marked[read[0]]
        asked = self.settings.to_phases
        return [
            p
            for p in sorted(self.phases)
            if p not in own and (asked == "all" or self.match.nearest(p, list(asked)) is not None)
        ]


def _carry(request: Request, inventory: Inventory, volumes: Path, judged: Path, fields: Path) -> CarriedCase:
    """All that is carried in a case; fields : folder of the displacements, where they are to be kept."""
    if request.study.carry is None:
        return CarriedCase()
    case = _prepared(request, inventory, volumes, judged)
    if case.settings.keep_fields:
        case.fields = fields
    lost = [
        _row(case, read, None, "carry_no_marked_phase", "no marked phase of this read is one of carry.from_phases")
        for read in case.marks
        if not case.sources(read) and case.targets(read)
    ]
    for source in sorted({p for read in case.marks for p in case.sources(read)}):
        _register_from(case, source)
    readings: list[CarriedReading] = []
    for read in sorted(case.marks):
        kept, gone = _carried_read(case, read)
        readings += kept
        lost += gone
    return CarriedCase(readings=tuple(readings), set_aside=tuple(lost), pairs=tuple(case.pairs))


def _prepared(request: Request, inventory: Inventory, volumes: Path, judged: Path) -> _Case:
    from outflow_cohort.dicom.landmark_checks import check_landmarks
    from outflow_cohort.steps.placing import place_readings
    from outflow_cohort.study import core_inputs
    from outflow_geometry.scatter.redrawing import PRIOR_SD

    index = read_index(volumes)
    match = request.study.phase.match
    placed, _ = place_readings(request.readings, index.volumes, [*inventory.set_aside, *index.set_aside], match)
    marked: dict[str, set[float]] = {}
    for entry, given in placed:
        if entry.phase_pct is not None:
            for filed in given:
                marked.setdefault(filed.reader_id, set()).add(entry.phase_pct)
    checked, _ = check_landmarks(request.case.case_id, placed)
    judgements = read_judgements(judged)
    marks: dict[Read, dict[float, dict[str, np.ndarray]]] = {}
    for entry, readings in checked:
        for reading in judgements.believed(entry, readings):
            if entry.phase_pct is not None:
                marks.setdefault(reading.who, {})[entry.phase_pct] = core_inputs.landmarks(reading.structures)
    phases = {e.phase_pct: volumes / e.file for e in index.volumes if e.phase_pct is not None}
    settings = request.study.carry or CarrySettings()
    implanted = core_inputs.prosthesis(request) is not None
    steps = {row.row: row.slab_step for row in index.series_quality}
    slabs = {
        e.phase_pct: step for e in index.volumes if e.phase_pct is not None and (step := steps.get(e.row)) is not None
    }
    prior = request.study.uncertainty.prior_sd_mm
    scatter = prior.get("mitral_ring", prior.get("default", PRIOR_SD))
    return _Case(
        case_id=request.case.case_id,
        settings=settings,
        match=match,
        implanted=implanted,
        phases=phases,
        slab_steps=slabs,
        marks=marks,
        marked=marked,
        scatter=scatter,
    )


def _register_from(case: _Case, source: float) -> None:
    """Register one marked phase with all phases that its reads are carried to or checked in."""
    from outflow_cohort.volumes import load_volume

    reads = [read for read in sorted(case.marks) if source in case.sources(read)]
    wanted = {read: {*case.targets(read), *case.sources(read)} - {source} for read in reads}
    image = load_volume(case.phases[source])
    for target in sorted(set().union(*wanted.values())):
        _register_pair(case, image, source, target, [read for read in reads if target in wanted[read]])


def _register_pair(case: _Case, image: Volume, source: float, target: float, reads: list[Read]) -> None:
    """Carry the landmarks of `reads` from one phase to another by one registration."""
    import numpy as np

    from outflow_cohort.registration.blending import Estimate
    from outflow_cohort.registration.engines import chosen_engine, register, write_field
    from outflow_cohort.volumes import load_volume
    from outflow_geometry.image.registration import compared, likeness, valve_points
    from outflow_geometry.landmarks.carrying import PATH, carried_landmarks, support_points

    marks = {read: case.marks[read][source] for read in reads}
    engine, alike = str(case.settings.engine), []
    try:
        engine = chosen_engine(case.settings.engine)
        ringed = [m["mitral_ring"] for m in marks.values() if len(m.get("mitral_ring", ())) >= 3]
        if not ringed:
            raise GeometryError("missing_mitral_ring", "no reading of the marked phase has a mitral_ring; add it")
        apex = [m["lv_apex"][0] for m in marks.values() if len(m.get("lv_apex", ()))]
        points = np.concatenate([valve_points(m) for m in marks.values()])
        pair = compared(
            image,
            load_volume(case.phases[target]),
            points,
            ringed[0],
            np.mean(apex, axis=0) if apex else None,
            case.settings.region,
        )
        motion = register(pair, engine)
        if case.fields is not None:
            write_field(case.fields / f"{source:g}_to_{target:g}.nrrd", motion)
        for read, own in marks.items():
            carried = carried_landmarks(own, motion.carry, implanted=case.implanted)
            match = min((likeness(pair, motion, body) for body in support_points(own)), default=0.0)
            path = motion.carry(own[PATH]) if len(own.get(PATH, ())) else None
            case.estimates.setdefault((read, target), []).append(Estimate(source, carried, match, path))
            alike.append(match)
    except GeometryError as error:
        for read in reads:
            case.failures[read, target] = (error.code, error.message)
    case.pairs.append(
        RegisteredPair(from_pct=source, to_pct=target, engine=engine, likeness=round(min(alike), 4) if alike else None)
    )


def _carried_read(case: _Case, read: Read) -> tuple[list[CarriedReading], list[AsideRow]]:
    """All carried phases of one read, judged."""
    from outflow_cohort.registration.blending import blend, miss
    from outflow_cohort.registration.course import off_course, off_smooth_course, out_of_turn
    from outflow_geometry.landmarks.carry_error import carry_verdict

    sources = case.sources(read)
    misses = {
        estimate.from_pct: max(miss(estimate.carried.landmarks, case.marks[read][p]), 0.0)
        for p in sources
        for estimate in case.estimates.get((read, p), [])
    }
    blends = {
        p: blend(case.estimates[read, p], p, implanted=case.implanted)
        for p in case.targets(read)
        if (read, p) in case.estimates
    }
    centers = {p: m["mitral_ring"].mean(axis=0) for p, m in case.marks[read].items() if "mitral_ring" in m}
    centers |= {p: b.landmarks["mitral_ring"].mean(axis=0) for p, b in blends.items() if "mitral_ring" in b.landmarks}
    contradicted = {p: _against_the_beat(case.marks[read], b.landmarks, p) for p, b in blends.items()}
    # a phase that contradicts the beat itself says nothing of the order of the others
    sure = {p: c for p, c in centers.items() if (contradicted.get(p) or 0.0) <= 0.0}
    ways = _ways(case.marks[read], sure)
    kept, gone = [], []
    for phase in case.targets(read):
        if phase not in blends:
            code, message = case.failures.get((read, phase), ("registration_failed", "no registration"))
            if sources:
                gone.append(_row(case, read, phase, code, message))
            continue
        found = blends[phase]
        moves, figures = _figures(case, read, found, max(misses.values(), default=None))
        figures = replace(
            figures,
            unsteady=off_course(centers, phase) if phase in centers else None,
            departure=off_smooth_course(centers, phase) if phase in centers else None,
            out_of_turn=out_of_turn(ways, phase) if phase in ways else None,
            against_beat=contradicted[phase],
            slab_step=max(
                (case.slab_steps[p] for p in (phase, found.best.from_pct) if p in case.slab_steps), default=None
            ),
        )
        verdict = carry_verdict(figures, case.settings.bounds)
        if verdict.set_aside:
            gone.append(_row(case, read, phase, verdict.code, f"{verdict.reason}. Mark the landmarks in this phase"))
            continue
        kept.append(
            CarriedReading(
                phase_pct=phase,
                reader_id=read[0],
                read_no=read[1],
                structures={name: p.round(4).tolist() for name, p in found.landmarks.items()},
                path=[] if found.best.path is None else found.best.path.round(4).tolist(),
                carried_from_pct=found.best.from_pct,
                error_mm=round(figures.ring_error or figures.error, 4),
                moves=moves,
                doubt=verdict.code,
                reason=verdict.reason,
            )
        )
    return kept, gone


def _figures(
    case: _Case, read: Read, found: Any, prediction: float | None
) -> tuple[tuple[SharedMove, ...], CarryFigures]:
    """Shared errors and figures of one joined reading."""
    import numpy as np

    from outflow_cohort.registration.engines import chosen_engine, error_factor
    from outflow_geometry.landmarks.anatomy import build_anatomy
    from outflow_geometry.landmarks.carry_error import (
        CarryFigures,
        carry_moves,
        coordinate_error,
        largest_disagreement,
    )

    best = found.best
    # both marked phases hold the reader's scatter in two coordinates across a curve; the intervals have it already
    more = 0.5 * math.sqrt(max(found.apart**2 - 4.0 * case.scatter**2, 0.0))
    wider = error_factor(chosen_engine(case.settings.engine), case.settings.grid_mm)
    moves = tuple(m.times(wider) for m in carry_moves(best.carried, implanted=case.implanted, more=more))
    by_body = {move.structures[0]: coordinate_error(move) for move in moves}
    ring_change = centers_change = 0.0
    before, after = build_anatomy(case.marks[read][best.from_pct]), build_anatomy(found.landmarks)
    if before.has("mitral_ring") and after.has("mitral_ring"):
        # an implanted ring is carried without a change: there the motion's own change of size counts, twice for area
        ring_change = (
            2.0 * best.carried.ring.size_change
            if case.implanted and best.carried.ring is not None
            else after.ring_contour.area / before.ring_contour.area - 1.0
        )
        if before.has_aorta and after.has_aorta:
            apart = [float(np.linalg.norm(a.aortic_center - a.ring_center)) for a in (before, after)]
            centers_change = apart[1] - apart[0]
    figures = CarryFigures(
        ring_error=by_body.get("mitral_ring"),
        annulus_error=by_body.get("aortic_hinge_left"),
        ring_change=ring_change,
        likeness=best.likeness,
        centers_change=centers_change,
        disagreement=largest_disagreement(best.carried, implanted=case.implanted, more=more),
        prediction=prediction,
    )
    return tuple(m.rounded(4) for m in moves), figures


def _ways(marks: Mapping[float, Mapping[str, np.ndarray]], centers: Mapping[float, np.ndarray]) -> dict[float, float]:
    """How far each phase's ring centre is toward the apex of the first marked phase that has one, mm."""
    import numpy as np

    for phase, own in sorted(marks.items()):
        if len(own.get("lv_apex", ())) and phase in centers:
            apex = own["lv_apex"].mean(axis=0) - centers[phase]
            axis = apex / np.linalg.norm(apex)
            return {p: float((center - centers[phase]) @ axis) for p, center in centers.items()}
    return {}


def _against_the_beat(
    marks: Mapping[float, Mapping[str, np.ndarray]], carried: Mapping[str, np.ndarray], phase: float
) -> float | None:
    """The largest contradiction, mm, between the way of the ring from a marked phase and the part of the beat."""
    import numpy as np

    from outflow_cohort.registration.course import against_the_beat

    found = []
    for marked_in, own in marks.items():
        if all(len(m.get(name, ())) for m in (own, carried) for name in ("mitral_ring", "lv_apex")):
            center = own["mitral_ring"].mean(axis=0)
            apex = own["lv_apex"].mean(axis=0) - center
            way = float((carried["mitral_ring"].mean(axis=0) - center) @ apex / np.linalg.norm(apex))
            found.append(against_the_beat(way, marked_in, phase))
    return max((f for f in found if f is not None), default=None)


def _row(case: _Case, read: Read, phase: float | None, code: str, message: str) -> AsideRow:
    where = f"reader {read[0]}, read {read[1]}, phase {'all' if phase is None else f'{phase:g}'} (carried)"
    return AsideRow(
        case_id=case.case_id,
        phase_pct=phase,
        reader_id=read[0],
        read_no=read[1],
        stage=STAGE,
        code=code,
        message=f"{where}: {message}.",
    )
