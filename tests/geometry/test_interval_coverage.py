"""95 % intervals from known landmark scatter cover the closed-form truth in 92 to 98 % of simulated readings."""

from collections import defaultdict

import numpy as np
import pytest
from analytic_heart import landmarks
from thin_walls import thin_walled

from outflow_geometry.anatomy import build_anatomy
from outflow_geometry.errors import GeometryError
from outflow_geometry.evaluation import evaluate
from outflow_geometry.image_findings import PhaseFindings
from outflow_geometry.inputs import Definitions, Device, Plan
from outflow_geometry.measure_functions import Frame
from outflow_geometry.phase_image import PhaseImage
from outflow_geometry.plan_sections import PlanSections, ReadingLumen
from outflow_geometry.redrawn_sections import redrawn_sections
from outflow_geometry.uncertainty import redrawn_landmarks

SD = 0.7
NO_IMAGE_METHODS = ("reader_points", "reader_trace")


class WithoutImage:
    """Image findings of a reading whose phase has no image."""

    def _refuse(self, *_: object) -> float:
        raise GeometryError("missing_image", "none")

    aortic_contour = ring_inner_diameter = septal_thickness = lv_volume = _refuse


def frame(marks: dict[str, np.ndarray], checked: bool = True) -> Frame:
    return Frame(build_anatomy(marks, checked=checked), Definitions(), WithoutImage())


def coverage(readings: int, draws: int, seed: int) -> dict[tuple[str, str], float]:
    """Share of simulated readings whose interval holds the truth, by measure and variant."""
    exact = landmarks()
    rows, _ = evaluate(frame(exact), "reading", [])
    truth = {(r.measure, r.variant): r.value for r in rows if r.method in NO_IMAGE_METHODS}
    rng = np.random.default_rng(seed)
    held: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for _ in range(readings):
        read = {name: points + SD * rng.standard_normal(points.shape) for name, points in exact.items()}
        redrawn = [frame(marks, checked=False) for marks in redrawn_landmarks(read, {"default": SD}, draws, 1)]
        for row in evaluate(frame(read), "reading", redrawn)[0]:
            if row.method in NO_IMAGE_METHODS:
                wanted = truth[row.measure, row.variant]
                held[row.measure, row.variant].append(row.ci_low <= wanted <= row.ci_high)
    return {key: float(np.mean(inside)) for key, inside in held.items()}


def test_intervals_cover_the_truth_of_a_few_readings() -> None:
    # 20 readings: a true coverage of 95 % shows as fewer than 16 of them in 3 of 1000 runs; the seed is fixed
    found = coverage(20, 60, seed=3)
    assert len(found) >= 26
    assert min(found.values()) >= 16 / 20
    assert 0.92 <= np.mean(list(found.values())) <= 0.98


@pytest.mark.slow
def test_intervals_cover_the_truth_in_92_to_98_percent() -> None:
    found = coverage(400, 200, seed=20)
    assert {key: share for key, share in found.items() if not 0.92 <= share <= 0.98} == {}


def section_coverage(readings: int, draws: int, sd: float) -> dict[tuple[str, str, str], float]:
    """The same for the measures of a plan, on a closed-form heart; the lumen is the image's, not the reader's."""
    heart, volume = thin_walled("closed", 1.0)
    image, exact = PhaseImage(volume), heart.landmarks()
    chosen = Definitions(solids=("full_frame",))
    plan = Plan("P", Device("invented-27", 27.0, 22.0, 0.0, 14.0), ventricular_depth=15.0)
    lumen = PhaseFindings(image, build_anatomy(exact)).lumen

    def frames(marks: dict[str, np.ndarray], count: int) -> tuple[Frame, list[Frame]]:
        findings = PhaseFindings(image, build_anatomy(marks), _found={"lumen": lumen, "level": lumen.level})
        sections = PlanSections(plan, None, chosen, ReadingLumen(findings))
        again = [build_anatomy(m, checked=False) for m in redrawn_landmarks(marks, {"default": sd}, count, 1)]
        redrawn = zip(again, redrawn_sections(sections, again), strict=True)
        own = Frame(findings.anatomy, chosen, findings, plan=plan, sections=sections)
        return own, [Frame(a, chosen, findings, plan=plan, sections=s) for a, s in redrawn]

    rows, _ = evaluate(frames(exact, 0)[0], "plan", [])
    truth = {(r.measure, r.variant, r.method): r.value for r in rows}
    rng = np.random.default_rng(4)
    held: dict[tuple[str, str, str], list[bool]] = defaultdict(list)
    for _ in range(readings):
        read = {name: points + sd * rng.standard_normal(points.shape) for name, points in exact.items()}
        own, redrawn = frames(read, draws)
        for row in evaluate(own, "plan", redrawn)[0]:
            key = (row.measure, row.variant, row.method)
            held[key].append(row.ci_low is not None and row.ci_low <= truth[key] <= row.ci_high)
    return {key: float(np.mean(inside)) for key, inside in held.items()}


@pytest.mark.slow
def test_intervals_of_sections_cover_the_truth() -> None:
    found = section_coverage(100, 200, 0.5)
    areas = {key: share for key, share in found.items() if key[0] == "neo_lvot_area"}
    # 100 readings tell 95 % to +- 4.3 % (binomial)
    assert {key: share for key, share in areas.items() if not 0.90 <= share <= 1.0} == {}
