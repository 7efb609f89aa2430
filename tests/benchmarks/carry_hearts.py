"""Moving hearts carried from phase to phase, kept on disk: images, registrations, planted failures. Part of `carry.py`.

Points LPS, mm; phases % of R-R.
"""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from outflow_cohort.demo.moving_hearts import GROUPS, moving_heart
from outflow_cohort.registration.blending import _partner
from outflow_cohort.registration.engines import register
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.registration import Displacement, compared, likeness, valve_points
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.carrying import CarriedLandmarks, carried_landmarks, support_points
from outflow_geometry.landmarks.mitral import septal_lateral_diameter

PAIRS = ((75.0, 40.0), (40.0, 20.0), (75.0, 20.0), (40.0, 75.0), (75.0, 0.0), (40.0, 60.0))
HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
Marks = dict[str, np.ndarray]


@dataclass(frozen=True)
class Pair:
    """One heart carried from one phase to another."""

    seed: int
    from_pct: float
    to_pct: float
    implanted: bool
    marks: Marks
    truth: Marks
    carried: CarriedLandmarks
    seconds: float
    likeness: float


def image_of(cache: Path, seed: int, phase: float) -> tuple[Volume, Marks]:
    """Image and true landmarks of one phase."""
    path = cache / f"heart_{seed}_{phase:g}.pkl"
    if not path.exists():
        heart = moving_heart(seed)
        path.write_bytes(pickle.dumps((heart.scan(phase), heart.landmarks(phase))))
    return pickle.loads(path.read_bytes())


def carried_pair(
    cache: Path, engine: str, seed: int, pair: tuple[float, float], spoil: Callable | None = None, tag: str = ""
) -> Pair:
    """Register and carry one pair, or take its registration from the cache."""
    path = cache / f"{engine}{tag}_{seed}_{pair[0]:g}_{pair[1]:g}.pkl"
    source, marks = image_of(cache, seed, pair[0])
    target, truth = image_of(cache, seed, pair[1])
    if not path.exists():
        begun = time.process_time()
        target = spoil(target, truth, seed) if spoil else target
        ready = compared(source, target, valve_points(marks), marks["mitral_ring"], marks["lv_apex"][0])
        motion = register(ready, engine)
        spent = time.process_time() - begun
        alike = min(likeness(ready, motion, body) for body in support_points(marks))
        grid = replace(motion.grid, values=np.zeros(motion.vectors.shape[:3], np.int8))
        path.write_bytes(pickle.dumps((Displacement(motion.vectors.astype(np.float16), grid), spent, alike)))
    motion, spent, alike = pickle.loads(path.read_bytes())
    motion = Displacement(motion.vectors.astype(np.float32), motion.grid)
    implanted = seed % len(GROUPS) >= 2
    carried = carried_landmarks(marks, motion.carry, implanted=implanted)
    return Pair(seed, *pair, implanted, marks, truth, carried, spent, float(np.min(alike)))


def ring_errors(pair: Pair) -> np.ndarray:
    """Distance of the carried ring's points from the true curve, mm."""
    points = pair.carried.landmarks["mitral_ring"]
    return np.linalg.norm(points - _partner("mitral_ring", points, pair.truth["mitral_ring"]), axis=1)


def hinge_errors(pair: Pair) -> np.ndarray:
    """Distances of the three hinges from the true ones, mm."""
    return np.array([np.linalg.norm(pair.carried.landmarks[n][0] - pair.truth[n][0]) for n in HINGES])


def plane_measures(marks: Marks, implanted: bool) -> dict[str, float]:
    """Measures that need no image."""
    anatomy = build_anatomy(marks, checked=False)
    cosine = float(anatomy.ring_plane.normal @ anatomy.aortic_plane.normal)
    values = {"angle, deg": float(np.degrees(np.arccos(cosine)))}
    values["centres apart, mm"] = float(np.linalg.norm(anatomy.ring_center - anatomy.aortic_center))
    if not implanted:
        values["native ring area, mm2"] = anatomy.ring_contour.area
        values["septal-lateral diameter, mm"] = septal_lateral_diameter(anatomy)
    return values


def slice_of(volume: Volume, point: np.ndarray) -> int:
    return round(float(volume.to_index(point)[0]))


def lost_slice(volume: Volume, marks: Marks, seed: int) -> Volume:
    """The slice through the ring's centre is missing and nobody says so."""
    values = np.delete(volume.values, slice_of(volume, marks["mitral_ring"].mean(axis=0)), axis=0)
    return replace(volume, values=np.concatenate([values, values[-1:]]))


def shifted_from(volume: Volume, place: int) -> Volume:
    values = volume.values.copy()
    values[place:] = np.roll(values[place:], round(5.0 / float(volume.spacing[0])), axis=2)
    return replace(volume, values=values)


def step_in_ring(volume: Volume, marks: Marks, seed: int) -> Volume:
    """All above the ring's centre is 5 mm aside."""
    return shifted_from(volume, slice_of(volume, marks["mitral_ring"].mean(axis=0)))


def step_between(volume: Volume, marks: Marks, seed: int) -> Volume:
    """All above the middle between ring and annulus is 5 mm aside."""
    centers = [marks["mitral_ring"].mean(axis=0), np.mean([marks[n][0] for n in HINGES], axis=0)]
    return shifted_from(volume, sum(slice_of(volume, c) for c in centers) // 2)


def streaks(volume: Volume, marks: Marks, seed: int) -> Volume:
    """Rays of up to 500 HU from a point beside the ring."""
    rng = np.random.default_rng(seed)
    middle = volume.to_index(marks["mitral_ring"].mean(axis=0))
    k, j, i = np.meshgrid(*(np.arange(n) for n in volume.values.shape), indexing="ij")
    angle = np.arctan2(j - middle[1] - 8, i - middle[2] + 10)
    rays = 130.0 * sum(np.cos(n * angle + rng.uniform(0, 6)) for n in (6, 11, 17, 26))
    near = np.exp(-(((k - middle[0]) * volume.spacing[2] / 22.0) ** 2))
    return replace(volume, values=np.clip(volume.values + rays * near, -1024, 3071).astype(np.int16))


FAILURES = {
    "lost slice (0.75 mm)": lost_slice,
    "step of 5 mm through the ring": step_in_ring,
    "step of 5 mm between ring and annulus": step_between,
    "streaks": streaks,
}
