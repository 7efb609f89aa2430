"""One reading of one phase, measured: landmarks, image and plans in; values, curves, views and drawing out.

All points LPS, mm, float64.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from outflow_geometry.base.drawn import ReadingDrawing
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import MARKED, LandmarkOrigin, ReadingInput
from outflow_geometry.base.results import AreaCurve, MeasuredValue, View
from outflow_geometry.image.lumen import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.views import reading_views
from outflow_geometry.measures.carried_values import with_carried_doubt, with_carried_statuses
from outflow_geometry.measures.drawing import draw_reading, plan_curves
from outflow_geometry.measures.evaluation import evaluate, evaluate_plan, evaluate_without_plan
from outflow_geometry.measures.implants import Implant, ImplantReading, measure_implants
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.drawn_places import SectionsWithDraws
from outflow_geometry.scatter.redrawing import path_scatter
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.responses import ReadingResponses, RedrawnFindings
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import redrawn_landmarks, scatter_known


@dataclass(frozen=True)
class ReadingResult:
    """All that one reading gives.

    values : rows of the measurements table; curves : area curves of each plan, solid and path; views : C-arm views.
    drawing : what the case sheet draws, ready for JSON (lists, numbers, strings, None). origin : of the landmarks.
    implants : what each implant of the grid would leave free; empty where none was asked for.
    """

    values: tuple[MeasuredValue, ...]
    curves: tuple[AreaCurve, ...]
    views: tuple[View, ...]
    drawing: ReadingDrawing
    origin: LandmarkOrigin = MARKED
    implants: tuple[Implant, ...] = ()


def measure_reading(reading: ReadingInput, image: PhaseImage | None = None) -> ReadingResult:
    """Measure one reading.

    Parameters
    ----------
    image : what the readings of one phase share; made from `reading.volume` where None.

    A missing measure is a row with null value and a status. Nothing raises for bad geometry.

    An elliptic ring with semi-axes 16 and 14 mm, of 703.7 mm2:

    >>> import numpy as np
    >>> t = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    >>> ring = np.stack([16 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> landmarks = {"mitral_ring": ring, "lv_apex": np.array([[0.0, 0.0, -80.0]])}
    >>> found = measure_reading(ReadingInput(landmarks, volume=None))
    >>> area = next(v for v in found.values if (v.measure, v.variant) == ("mitral_area", "spline"))
    >>> round(area.value), area.unit, area.status
    (704, 'mm2', 'ok')
    """
    if image is None and reading.volume is not None:
        image = PhaseImage(reading.volume)
    chosen = reading.definitions
    anatomy = build_anatomy(reading.landmarks)
    findings = PhaseFindings(image, anatomy, reading.prosthesis, reading.ring_volume)
    frame = ReadingContext(anatomy, chosen, findings, reading.prosthesis)
    draws = chosen.draws if scatter_known(anatomy.landmarks, chosen.landmark_sd) else 0
    scattered = (
        redrawn_landmarks(
            anatomy.landmarks,
            chosen.landmark_sd,
            draws,
            chosen.seed,
            reading.shared_moves,
            chosen.repeat_shifts,
        )
        if draws
        else []
    )
    redrawn_anatomies = [build_anatomy(points, checked=False) for points in scattered]
    settled = settled_landmarks(anatomy.landmarks, chosen.landmark_sd) if draws else anatomy.landmarks
    middle_anatomy = build_anatomy(settled, checked=False)
    responses = ReadingResponses(findings)
    middle = ReadingContext(middle_anatomy, chosen, RedrawnFindings(responses, middle_anatomy), reading.prosthesis)
    redrawn = [
        ReadingContext(again, chosen, RedrawnFindings(responses, again), reading.prosthesis)
        for again in redrawn_anatomies
    ]
    values, _ = evaluate(frame, "reading", redrawn, middle=middle)
    lumen = ReadingLumen(findings, path_scatter(chosen.landmark_sd))
    curves: list[AreaCurve] = []
    redraws_by_plan: dict[str, PlanRedraws] = {}
    for plan in reading.plans:
        sections = PlanSections(plan, reading.prosthesis, chosen, lumen)
        redraws = redraws_by_plan[plan.plan_id] = PlanRedraws(sections, middle_anatomy, redrawn_anatomies)
        values += evaluate_plan(
            ReadingContext(
                anatomy=anatomy,
                definitions=chosen,
                image=findings,
                prosthesis=reading.prosthesis,
                plan=plan,
                sections=SectionsWithDraws(redraws),
            ),
            [
                ReadingContext(
                    anatomy=f.anatomy,
                    definitions=chosen,
                    image=f.image,
                    prosthesis=reading.prosthesis,
                    plan=plan,
                    sections=s,
                )
                for f, s in zip(redrawn, redraws.each(), strict=True)
            ],
            plan.plan_id,
            replace(middle, plan=plan, sections=sections),
        )
        curves += plan_curves(sections)
    if not reading.plans:
        values += evaluate_without_plan(frame)
    values = with_carried_statuses(values, reading.origin, implanted=reading.prosthesis is not None)
    views = tuple(reading_views(anatomy, reading.supine, chosen.gantry, sides_doubtful=reading.sides_doubtful))
    drawing = draw_reading(frame, lumen, redraws_by_plan, values)
    tried: list[Implant] = []
    if reading.implants is not None:
        placing = ImplantReading(lumen, reading.prosthesis, chosen, middle_anatomy, redrawn_anatomies)
        tried = with_carried_doubt(measure_implants(placing, reading.implants), reading.origin)
    return ReadingResult(
        values=tuple(values),
        curves=tuple(curves),
        views=views,
        drawing=drawing,
        origin=reading.origin,
        implants=tuple(tried),
    )


def measured_along_a_path(reading: ReadingInput, image: PhaseImage, path: FloatArray | None) -> ReadingResult:
    """Measure one reading; where it gives no neo-LVOT along an automatic path, along `path` (n, 3), mm, as well.

    A path that was carried from another phase is no path of this one, so it is used where there is no other.
    """
    result = measure_reading(reading, image)
    sections = [v.value for v in result.values if (v.measure, v.method) == ("neo_lvot_area", "automatic_path")]
    if path is None or not sections or any(value is not None for value in sections):
        return result
    return measure_reading(replace(reading, landmarks={**reading.landmarks, "outflow_path": path}), image)
