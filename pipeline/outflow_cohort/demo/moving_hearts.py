"""Hearts that move as real ones do, with texture: for checks of landmarks carried from phase to phase.

The demonstration's heart with a ring that goes 10 to 15 mm toward the apex, rocks and turns, a ventricle that narrows
by 25 to 35 % and twists, trabeculae and a coronary artery that go with the tissue, blood whose contrast changes from
phase to phase, and noise drawn anew. Points LPS, mm; angles degrees; the truth of each phase is in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from outflow_cohort.demo.anatomy import HeartPhase, Segment
from outflow_cohort.demo.chambers import Chambers
from outflow_cohort.demo.cohort import heart_case
from outflow_cohort.demo.heart_case import HeartCase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.render import Grid, Scanner, landmark_box
from outflow_cohort.demo.settings import DemoCase
from outflow_cohort.demo.shapes import Array
from outflow_geometry.base.frames import Volume

GROUPS = ("native", "annular_calcification", "failed_bioprosthesis", "failed_ring")
"""Groups of the demonstration; hearts take them in turn by seed."""

TEN_PHASES = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0)

TRABECULAE = 15
"""Ridges around the ventricle."""

RIDGE = 2.8
"""Height of a trabecula, mm."""

ARTERY_HU = 330.0


@dataclass(frozen=True)
class Motion:
    """How far the base moves at end-systole: mm toward the apex, degrees of rock about two axes and of turn; degrees
    that the apex turns against it. contrast : shares by which blood and noise change from phase to phase."""

    excursion: float = 12.0
    rock: tuple[float, float] = (3.0, 1.0)
    base_turn: float = -3.0
    twist: float = 12.0
    contrast: float = 0.10


@dataclass(frozen=True)
class MovingPhase(HeartPhase):
    """A heart at one phase of a beat with `motion`; the apex of the cavity stays where it is."""

    motion: Motion = Motion()

    @cached_property
    def descent(self) -> float:
        """How far the ring has moved toward the apex, mm."""
        return self.motion.excursion * self.contraction

    @cached_property
    def axes(self) -> Array:
        """(3, 3): rows are the LPS directions of x, y, h, turned with the beat."""
        frame = HeartPhase(self.case, self.phase_pct).axes
        angles = (*self.motion.rock, self.motion.base_turn)
        for axis, degrees in enumerate(angles):
            angle = np.radians(degrees) * self.contraction
            i, j = [(1, 2), (2, 0), (0, 1)][axis]
            turn = np.eye(3)
            turn[i, i] = turn[j, j] = np.cos(angle)
            turn[i, j], turn[j, i] = -np.sin(angle), np.sin(angle)
            frame = turn @ frame
        return frame

    @cached_property
    def ring_center(self) -> Array:
        """Ring centre (3,), LPS: where it must be for the apex to stay."""
        rest = HeartPhase(self.case, 75.0)
        apex = rest.to_patient(_apex(rest))
        result: Array = apex - _apex(self) @ self.axes
        return result

    @cached_property
    def papillary_muscles(self) -> list[Segment]:
        """Start and end (local) and radii of the papillary muscles, turned with the twist."""
        shift = np.array([self.lv_axes[3], 0.0, 0.0])
        found = []
        for foot, tip, *radii in HeartPhase(self.case, self.phase_pct).papillary_muscles:
            ends = [shift + _about_h(p - shift, self.twist_at(p[2])) for p in (foot, tip)]
            found.append((ends[0], ends[1], radii[0], radii[1]))
        return found

    def twist_at(self, h: Array) -> Array:
        """Turn of the ventricle's wall against the ring at height h, radians."""
        share = np.clip(np.asarray(h) / self.lv_length, 0.0, 1.0)
        result: Array = np.radians(self.motion.twist) * self.contraction * share
        return result


def _apex(heart: HeartPhase) -> Array:
    return np.array([heart.lv_axes[3], 0.02 * heart.lv_length, heart.lv_length])


def _about_h(points: Array, angle: Array) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.stack(
        [c * points[..., 0] - s * points[..., 1], s * points[..., 0] + c * points[..., 1], points[..., 2]], -1
    )


@dataclass(frozen=True)
class MovingHeart:
    """One heart over its beat: image and true landmarks of every phase."""

    seed: int
    case: HeartCase
    motion: Motion
    scanner: Scanner

    def at(self, phase_pct: float) -> MovingPhase:
        """The heart at a phase, with the blood's contrast of that phase."""
        rng = np.random.default_rng([self.seed, int(phase_pct), 5])
        left, right = 1.0 + self.motion.contrast * rng.uniform(-1.0, 1.0, 2)
        levels = self.case.levels
        case = self.case.with_levels(left_blood=levels.left_blood * left, right_blood=levels.right_blood * right)
        return MovingPhase(case, phase_pct, self.motion)

    def landmarks(self, phase_pct: float) -> dict[str, Array]:
        """True landmarks (n, 3) by structure, LPS."""
        return true_landmarks(self.at(phase_pct))

    def scan(self, phase_pct: float, spacing: float = 0.75, margin: float = 22.0) -> Volume:
        """CT (int16 HU) of the region about the landmarks of the whole beat; the same grid for every phase."""
        grid = self.grid(spacing, margin)
        heart = self.at(phase_pct)
        rng = np.random.default_rng([self.seed, int(phase_pct), 6])
        scanner = replace(self.scanner, noise_sd=self.scanner.noise_sd * rng.uniform(0.8, 1.3))
        image = scanner.clean(heart, grid)
        _add_texture(image, heart, grid, scanner.blur_sd)
        image += scanner.noise(grid, int(rng.integers(2**31)))
        np.clip(np.rint(image, out=image), -1024.0, scanner.largest_hu, out=image)
        return Volume(image.astype(np.int16), np.asarray(grid.origin), np.eye(3), np.asarray(grid.spacing))

    def grid(self, spacing: float, margin: float) -> Grid:
        """Grid about the landmarks of the whole beat."""
        boxes = [landmark_box(self.at(phase), margin) for phase in (0.0, 20.0, 40.0)]
        low, high = np.min([b[0] for b in boxes], axis=0), np.max([b[1] for b in boxes], axis=0)
        return Grid.around(low, high, (spacing, spacing, spacing))


def moving_heart(seed: int, group: str | None = None) -> MovingHeart:
    """A heart of the demonstration's kind with a motion of its own; the same seed gives the same heart."""
    rng = np.random.default_rng([seed, 9])
    kind = GROUPS[seed % len(GROUPS)] if group is None else group
    case = replace(
        heart_case(DemoCase(case_id=f"M{seed:02d}", group=kind, seed=500 + seed)),
        shortening=float(rng.uniform(0.30, 0.42)),
    )
    motion = Motion(
        excursion=float(rng.uniform(10.0, 15.0)),
        rock=(float(rng.uniform(-3.0, 3.0)), float(rng.uniform(1.0, 4.0))),
        base_turn=float(rng.uniform(-5.0, -2.0)),
        twist=float(rng.uniform(8.0, 16.0)),
    )
    scanner = Scanner(float(rng.uniform(0.75, 1.0)), float(rng.uniform(18.0, 30.0)), 1)
    return MovingHeart(seed, case, motion, scanner)


def _add_texture(image: Array, heart: MovingPhase, grid: Grid, sigma: float) -> None:
    """Lay trabeculae into the cavity and a coronary artery into the groove beside the ring."""
    for k in range(image.shape[0]):
        z = np.full(image.shape[1:], grid.axis(2, k, 1)[0])
        y, x = np.meshgrid(grid.axis(1), grid.axis(0), indexing="ij")
        local = heart.to_local(np.stack([x, y, z], axis=-1))
        near = _near_ventricle(heart, local)
        if near.any():
            image[k][near] = _with_trabeculae(image[k][near], heart, local[near], sigma)
        groove = np.abs(local[..., 2]) < 8.0
        if groove.any():
            image[k][groove] = _with_artery(image[k][groove], heart, local[groove], sigma)


def _near_ventricle(heart: MovingPhase, local: Array) -> Array:
    h = local[..., 2]
    wide = np.hypot(local[..., 0] - heart.lv_axes[3], local[..., 1]) < 1.3 * max(heart.lv_axes[:2])
    result: Array = wide & (h > 0.25 * heart.lv_length) & (h < heart.lv_length)
    return result


def _with_trabeculae(values: Array, heart: MovingPhase, local: Array, sigma: float) -> Array:
    x, y, h = (np.ascontiguousarray(local[:, i]) for i in range(3))
    distance = Chambers(heart, x, y, h).ventricle
    share = h / heart.lv_length
    # the tissue's own angle: what the twist has turned is turned back
    angle = np.arctan2(y, x - heart.lv_axes[3]) - heart.twist_at(h)
    seed = heart.case.seed
    ridges = np.cos(TRABECULAE * angle + 2.0 * np.sin(7.0 * share + seed)) + 0.6 * np.cos(
        (TRABECULAE - 6) * angle - 11.0 * share + 0.7 * seed
    )
    fade = np.clip((share - 0.30) / 0.15, 0.0, 1.0)
    depth = RIDGE * fade * np.clip(ridges, 0.0, 1.0)
    muscle = ndtr((distance + depth) / sigma) * (distance < 2.0 * sigma)
    blood = np.clip(
        (values - heart.case.levels.muscle) / (heart.case.levels.left_blood - heart.case.levels.muscle), 0, 1
    )
    result: Array = values - muscle * blood * (heart.case.levels.left_blood - heart.case.levels.muscle)
    return result


def _with_artery(values: Array, heart: MovingPhase, local: Array, sigma: float) -> Array:
    """A circumflex artery behind the ring: a tube in the groove, from 70 to 250 degrees around."""
    x, y, h = local[:, 0], local[:, 1], local[:, 2]
    angle = np.mod(np.arctan2(y, x), 2.0 * np.pi)
    across = heart.ring.distance(x, y) - 7.5 - 1.0 * np.sin(3.0 * angle + heart.case.seed)
    along = np.maximum(1.2 - angle, angle - 4.4) * heart.ring.radius
    tube = np.sqrt(across**2 + (h + 2.5 - 1.5 * np.cos(2.0 * angle)) ** 2 + np.maximum(along, 0.0) ** 2) - 1.7
    share = ndtr(-tube / sigma)
    result: Array = values + share * (ARTERY_HU - values)
    return result
