"""95 % intervals from known landmark scatter cover the closed-form truth in 92 to 98 % of simulated readings."""

from collections import defaultdict

import numpy as np
import pytest
from analytic_heart import landmarks
from channels import Channel

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.evaluation import evaluate
from outflow_geometry.measures.measure_functions import ReadingContext
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.error_model import GROUPS
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.settling import settled_landmarks
from outflow_geometry.scatter.uncertainty import redrawn_landmarks

SD = 0.7
NO_IMAGE_METHODS = ("reader_points", "reader_trace")


class WithoutImage:
    """Image findings of a reading whose phase has no image."""

    def _refuse(self, *_: object) -> float:
        raise GeometryError("missing_image", "none")

    aortic_contour = ring_inner_diameter = septal_thickness = lv_volume = _refuse


def frame(marks: dict[str, np.ndarray], checked: bool = True) -> ReadingContext:
    return ReadingContext(build_anatomy(marks, checked=checked), Definitions(), WithoutImage())


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
        middle = frame(settled_landmarks(read, {"default": SD}), checked=False)
        for row in evaluate(frame(read), "reading", redrawn, middle=middle)[0]:
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


HOLDS_THE_VALUE = (("aortic_perimeter", ""), ("aortic_diameter", "perimeter"))
"""Length of a contour in points 3 mm apart with a scatter of 0.7 mm: always too long, and its interval is widened to
hold the value itself."""

STEPPED = (
    *(("mitral_area", v) for v in ("spline", "d_shape")), *(("mitral_perimeter", v) for v in ("projected", "spatial", "d_shape")),
    *(("mitral_diameter", v) for v in ("area", "perimeter", "circle_fit", "min", "intercommissural")),
    ("aortic_area", ""), ("aortic_diameter", "area"), ("traced_area", "projected"), ("ring_septum_distance", ""),
)  # fmt: skip
"""Sizes of closed curves: their intervals allow for a step of all points outwards, which these readers do not make
and whose points cannot show that they do not. `test_error_model` has readers who do."""


@pytest.mark.slow
def test_intervals_cover_the_truth_in_92_to_98_percent() -> None:
    found = coverage(400, 200, seed=20)
    # 400 readings tell a coverage of 98 % to a standard error of 0.7 % (binomial)
    highest = dict.fromkeys((*HOLDS_THE_VALUE, *STEPPED), 1.0)
    outside = {key: share for key, share in found.items() if not 0.92 <= share <= highest.get(key, 0.985)}
    assert outside == {}
    assert 0.92 <= float(np.median(list(found.values()))) <= 0.98


def common(points: np.ndarray, shift: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """An error of standard deviation 1, a third of its variance each a shift, a wave of 20 mm and a rest."""
    apart = np.linalg.norm(points[:, None] - points, axis=2)
    root = np.linalg.cholesky(np.exp(-0.5 * (apart / 20.0) ** 2) + 1e-9 * np.eye(len(points)))
    return (shift + root @ rng.standard_normal(points.shape) + rng.standard_normal(points.shape)) / np.sqrt(3.0)


def section_coverage(readings: int, draws: int, sd: float, *, together: bool) -> dict[tuple[str, str], float]:
    """The same for the sections of a plan along the reader's path, in a closed-form channel narrowed by a device."""
    channel = Channel(bulge=3.0)
    image, lumen = PhaseImage(channel.image()), channel.lumen()
    path = channel.pose(channel.path_points(np.linspace(-30.0, 3.0, 13)))
    exact = {name: np.asarray(points) for name, points in channel.anatomy().landmarks.items()} | {"outflow_path": path}
    chosen = Definitions(solids=("full_frame",), landmark_sd={"default": sd})

    def frames(marks: dict[str, np.ndarray], count: int) -> tuple[ReadingContext, list[ReadingContext]]:
        findings = PhaseFindings(image, build_anatomy(marks), _found={"lumen": lumen, "level": lumen.level})
        sections = PlanSections(channel.plan(), None, chosen, ReadingLumen(findings, sd if count else 0.0))
        again = [build_anatomy(m, checked=False) for m in redrawn_landmarks(marks, {"default": sd}, count, 1)]
        middle = build_anatomy(settled_landmarks(marks, {"default": sd}), checked=False)
        redrawn = zip(again, PlanRedraws(sections, middle, again).each(), strict=True)
        own = ReadingContext(findings.anatomy, chosen, findings, plan=channel.plan(), sections=sections)
        return own, [ReadingContext(a, chosen, findings, plan=channel.plan(), sections=s) for a, s in redrawn]

    def rows(own: ReadingContext, redrawn: list[ReadingContext]) -> list[MeasuredValue]:
        return [r for r in evaluate(own, "plan", redrawn)[0] if r.method == "reader_path"]

    truth = {(r.measure, r.variant): r.value for r in rows(*frames(exact, 0))}
    rng = np.random.default_rng(4)
    held: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for _ in range(readings):
        shifts = {group: rng.standard_normal(3) for group in ("mitral", "aortic", "path")}
        read = {
            name: points
            + sd
            * (
                common(points, shifts[GROUPS.get(name, "path")], rng)
                if together and (name in GROUPS or name == "outflow_path")
                else rng.standard_normal(points.shape)
            )
            for name, points in exact.items()
        }
        for row in rows(*frames(read, draws)):
            wanted = truth[row.measure, row.variant]
            if wanted is not None:
                inside = row.ci_low is not None and row.ci_low <= wanted <= row.ci_high
                held[row.measure, row.variant].append(inside)
    return {key: float(np.mean(inside)) for key, inside in held.items()}


@pytest.mark.slow
@pytest.mark.parametrize("together", [False, True], ids=["points err alone", "structures err as one"])
def test_intervals_of_sections_cover_the_truth(together: bool) -> None:
    found = section_coverage(100, 200, 0.5, together=together)
    # 100 readings tell a coverage of 95 % to +- 4.3 % (binomial)
    assert len(found) == 8
    assert {key: share for key, share in found.items() if share < 0.90} == {}
