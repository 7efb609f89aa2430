"""The neo-LVOT of carried landmarks: whole frame along the automatic path, beside the same program with true landmarks
in the same image and beside the section in closed form along the true path. Part of `carry.py`. mm, mm2."""

from __future__ import annotations

import hashlib
import pickle
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from carry_hearts import Marks, Pair, image_of

from outflow_cohort.demo.cohort import DEVICES, plans_of, prosthesis_of
from outflow_cohort.demo.moving_hearts import GROUPS, moving_heart
from outflow_cohort.demo.settings import DemoCase
from outflow_cohort.demo.true_device import true_solids
from outflow_cohort.demo.true_sections import TrueOutflow
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import Draws
from outflow_geometry.base.inputs import Definitions, Device, Plan, Prosthesis, SharedMove
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.measures.registry import measure
from outflow_geometry.outflow.image_findings import PhaseFindings
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.plane_doubt import path_error
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.scatter.redrawn_sections import PlanRedraws
from outflow_geometry.scatter.uncertainty import NORMAL_95, draws_elsewhere, interval, redrawn_landmarks

SOLID, METHOD = "full_frame", "automatic_path"
SECTION_DRAWS = 60


@dataclass(frozen=True)
class Section:
    """One smallest section and what its error is made of, standard deviations in mm2.

    redrawn : areas of the draws, the path's own error in them. image, path : shares of the image's noise and of the
    path; carried : of the carrying alone, shift : by which its draws lie beside the value. elsewhere : the draws lie
    about another place, so that the program gives no interval.
    """

    area: float
    status: str
    redrawn: np.ndarray
    image: float
    path: float
    carried: float
    shift: float
    elsewhere: bool

    @property
    def ends(self) -> tuple[float, float]:
        """The program's 95 % interval."""
        found = interval(Draws(self.area, self.redrawn, self.image), measure("neo_lvot_area"), SOLID)
        return found.low, found.high

    @property
    def carried_ends(self) -> tuple[float, float]:
        """The interval that the error of the carrying alone would give, formed by the same rule."""
        middle = self.area - self.shift
        return min(middle - NORMAL_95 * self.carried, self.area), max(middle + NORMAL_95 * self.carried, self.area)


def core_plan(seed: int) -> tuple[Plan, Prosthesis | None]:
    """The heart's first plan and its prosthesis."""
    case = DemoCase(case_id="M", group=GROUPS[seed % len(GROUPS)], seed=500 + seed)  # type: ignore[arg-type]
    plan, used = plans_of(case)[0], prosthesis_of(case)
    device = next(d for d in DEVICES if d.device_id == plan.device_id)
    prosthesis = used and Prosthesis(
        used.prosthesis_id,
        used.labelled_size,
        used.true_inner_diameter,
        used.wall,
        used.post_height,
        used.leaflet_height,
    )
    core = Device(device.device_id, device.nominal_diameter, device.height, *device.covered, device.profile)
    return Plan("P1", core, plan.depth, plan.anchor, plan.tilt_ap, 0.0, plan.offset_ap, 0.0), prosthesis


def neo_lvot(cache: Path, pair: Pair, marks: Marks, moves: tuple[SharedMove, ...]) -> Section | str:
    """The section with these landmarks in the image of the pair's second phase, kept in the cache; or why there is
    none. moves : none for true landmarks."""
    given = repr(
        (pair.seed, pair.to_pct, moves, SECTION_DRAWS, sorted((n, p.round(6).tolist()) for n, p in marks.items()))
    )
    path = cache / f"section_{hashlib.sha256(given.encode()).hexdigest()[:16]}.pkl"
    if not path.exists():
        try:
            found: Section | str = _measured(cache, pair, marks, moves)
        except GeometryError as error:
            found = error.code
        path.write_bytes(pickle.dumps(found))
    result: Section | str = pickle.loads(path.read_bytes())
    return result


@lru_cache(maxsize=1)
def _phase_image(cache: Path, seed: int, phase: float) -> PhaseImage:
    return PhaseImage(image_of(cache, seed, phase)[0])


def _measured(cache: Path, pair: Pair, marks: Marks, moves: tuple[SharedMove, ...]) -> Section:
    plan, prosthesis = core_plan(pair.seed)
    kept = {n: p for n, p in marks.items() if n not in ("outflow_path", "blood_sample", "muscle_sample")}
    anatomy = build_anatomy(kept)
    chosen = Definitions(draws=SECTION_DRAWS, landmark_sd={"default": 0.0}, solids=(SOLID,))
    findings = PhaseFindings(_phase_image(cache, pair.seed, pair.to_pct), anatomy, prosthesis)
    sections = PlanSections(plan, prosthesis, chosen, ReadingLumen(findings))
    own = sections.section(SOLID, METHOD)
    if not moves:
        return Section(own.area, own.status, np.zeros(0), 0.0, 0.0, 0.0, 0.0, False)
    scattered = redrawn_landmarks(anatomy.landmarks, chosen.landmark_sd, SECTION_DRAWS, chosen.seed, moves)
    redraws = PlanRedraws(sections, anatomy, [build_anatomy(points, checked=False) for points in scattered])
    areas = redraws.numbers(SOLID, METHOD)[:, 0]
    found = np.isfinite(areas)
    error = path_error(sections.plane_doubt(SOLID)) * own.area
    alone = _without_path_error(areas, error)[found]
    draws = Draws(own.area, areas[found])
    return Section(
        own.area,
        own.status,
        areas[found],
        sections.area_noise(SOLID, METHOD).area,
        error,
        float(np.std(alone, ddof=1)),
        float(alone.mean()) - own.area,
        draws_elsewhere(draws, measure("neo_lvot_area"), SOLID),
    )


def _without_path_error(areas: np.ndarray, error: float) -> np.ndarray:
    """The draws without the path's own error, which the program adds in an order of its own."""
    from scipy.special import ndtri

    quantiles = ndtri((np.arange(len(areas)) + 0.5) / len(areas))
    result: np.ndarray = areas - error * np.random.default_rng(len(areas)).permutation(quantiles)
    return result


def true_area(cache: Path, seed: int, phase: float) -> float:
    """The smallest section in closed form, along the true path, mm2; without the trabeculae, which begin below it."""
    path = cache / f"true_{seed}_{phase:g}.pkl"
    if not path.exists():
        heart = moving_heart(seed).at(phase)
        case = DemoCase(case_id="M", group=GROUPS[seed % len(GROUPS)], seed=500 + seed)  # type: ignore[arg-type]
        plan = plans_of(case)[0]
        device = next(d for d in DEVICES if d.device_id == plan.device_id)
        solid = true_solids(heart, device, plan, prosthesis_of(case))[SOLID]
        path.write_bytes(pickle.dumps(float(TrueOutflow(heart).smallest(solid).area)))
    result: float = pickle.loads(path.read_bytes())
    return result
