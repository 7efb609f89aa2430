"""Landmarks carried from two or more marked phases, joined to one reading. Points LPS, mm; phases % of R-R.

Each estimate counts by its expected error and by how near its phase is. What two estimates differ by is evidence of
their error and is added to it; what a phase predicts at another marked one is the check of both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.carry_error import carry_moves, coordinate_error
from outflow_geometry.landmarks.carrying import ANNULUS_STRUCTURES, RING_STRUCTURES, CarriedLandmarks

NEAR_PCT = 20.0
"""% of R-R at which a phase counts half as much as one next to it."""

CURVES = ("mitral_ring", "aortic_contour", "aortic_ring")
POINTS = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
CURVE_SAMPLES = 720

BODIES = (RING_STRUCTURES[0], ANNULUS_STRUCTURES[0])
"""First structures of the two stiff bodies."""


@dataclass(frozen=True)
class Estimate:
    """Landmarks carried from one marked phase. likeness : correlation of the registered images."""

    from_pct: float
    carried: CarriedLandmarks
    likeness: float
    path: FloatArray | None

    def error(self, *, implanted: bool) -> float:
        """Expected error of a coordinate of ring and annulus, mm."""
        moves = carry_moves(self.carried, implanted=implanted)
        return max((coordinate_error(m) for m in moves if m.structures[0] in BODIES), default=0.0)


@dataclass(frozen=True)
class Blend:
    """Joined landmarks; best : the estimate that counts most; apart : what the estimates differ by, mm."""

    landmarks: Mapping[str, FloatArray]
    best: Estimate
    apart: float


def phase_distance(first: float, second: float) -> float:
    """Distance of two phases around the beat, % of R-R."""
    away = abs(first - second) % 100.0
    return min(away, 100.0 - away)


def blend(estimates: Sequence[Estimate], to_pct: float, *, implanted: bool) -> Blend:
    """The estimates (one or more) of one reading in the phase `to_pct`, joined."""
    weights = []
    for estimate in estimates:
        far = phase_distance(estimate.from_pct, to_pct) / NEAR_PCT
        weights.append(1.0 / (max(estimate.error(implanted=implanted), 0.05) ** 2 * (1.0 + far * far)))
    order = sorted(range(len(estimates)), key=lambda i: -weights[i])
    best = estimates[order[0]]
    joined = {name: np.array(points) for name, points in best.carried.landmarks.items()}
    total, apart = weights[order[0]], 0.0
    for i in order[1:]:
        other = estimates[i].carried.landmarks
        share = weights[i] / (total + weights[i])
        apart = max(apart, miss(best.carried.landmarks, other))
        for name in joined:
            if name in other and name != "lv_apex":
                there = _partner(name, joined[name], other[name])
                joined[name] = joined[name] if there is None else joined[name] + share * (there - joined[name])
        total += weights[i]
    return Blend(joined, best, apart)


def miss(first: Mapping[str, FloatArray], second: Mapping[str, FloatArray]) -> float:
    """Root mean square distance, mm, of ring (to the curve) and hinges of two sets of landmarks; 0 without either."""
    squares: list[float] = []
    if "mitral_ring" in first and "mitral_ring" in second:
        there = _partner("mitral_ring", first["mitral_ring"], second["mitral_ring"])
        if there is not None:
            squares.append(float(np.mean(np.sum((there - first["mitral_ring"]) ** 2, axis=1))))
    hinges = [
        float(np.sum((first[name][0] - second[name][0]) ** 2)) for name in POINTS if name in first and name in second
    ]
    if hinges:
        squares.append(float(np.mean(hinges)))
    return math.sqrt(max(squares, default=0.0))


def _partner(name: str, points: FloatArray, other: FloatArray) -> FloatArray | None:
    """For each point its place in the other set: nearest on the curve, or of the same number; None: neither."""
    if name in CURVES and len(other) >= 3:
        ring = np.vstack([other, other[:1]])
        knots = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
        if np.any(np.diff(knots) <= 0.0):
            return None
        fine = CubicSpline(knots, ring, bc_type="periodic")(np.linspace(0.0, knots[-1], CURVE_SAMPLES, endpoint=False))
        nearest = np.argmin(np.linalg.norm(points[:, None] - fine[None], axis=2), axis=1)
        found: FloatArray = fine[nearest]
        return found
    return other if len(points) == len(other) else None


def off_course(centers: Mapping[float, FloatArray], phase: float) -> float | None:
    """Distance, mm, of the ring's centre at `phase` from the line between the phases before and after it in the beat.

    None where they are more than FARTHEST_NEIGHBOUR away, or where there are too few phases to call it a course.
    """
    others = sorted(p for p in centers if p != phase)
    if len(others) < FEWEST_PHASES - 1:
        return None
    before = max(others, key=lambda p: (p < phase, p))
    after = min(others, key=lambda p: (p < phase, p))
    back, ahead = (phase - before) % 100.0, (after - phase) % 100.0
    if max(back, ahead) > FARTHEST_NEIGHBOUR:
        return None
    expected = (ahead * centers[before] + back * centers[after]) / (back + ahead)
    return float(np.linalg.norm(centers[phase] - expected))


def out_of_turn(toward_apex: Mapping[float, float], phase: float) -> float | None:
    """How far, mm, the ring at `phase` is on the wrong side of another phase of the same limb of the beat.

    toward_apex : how far the ring has gone toward the apex by phase, mm. It goes there all through systole and back all
    through diastole, so that phases whose labels were exchanged stand out of turn. One label that is wrong by less than
    the distance to its neighbour leaves the order as it is and is not found. None without another phase in the limb.
    """
    found = []
    for first, last, sign in ((*TOWARD, 1.0), (*AWAY, -1.0)):
        if first <= phase <= last:
            others = [p for p in toward_apex if first <= p <= last and p != phase]
            found += [sign * (toward_apex[min(p, phase)] - toward_apex[max(p, phase)]) for p in others]
    return max(found, default=None)


def against_the_beat(toward_apex: float, from_pct: float, to_pct: float) -> float | None:
    """How far, mm, a ring's way toward the apex is from what systole and diastole ask; above 0 = it contradicts them.

    From diastole to systole the ring goes toward the apex, from systole to diastole away from it, within either it
    stays about where it is. None where a phase is neither.
    """
    first, second = _part_of_beat(from_pct), _part_of_beat(to_pct)
    if first is None or second is None:
        return None
    if first == second:
        return abs(toward_apex) - STAYS
    return LEAST_WAY - toward_apex if second == "systole" else LEAST_WAY + toward_apex


def _part_of_beat(phase: float) -> str | None:
    if SYSTOLE[0] <= phase <= SYSTOLE[1]:
        return "systole"
    return "diastole" if phase >= DIASTOLE or phase <= 2.0 else None


SYSTOLE, DIASTOLE = (25.0, 45.0), 68.0
"""% of R-R: the ring is low in any beat, and high again (common practice, no source)."""

TOWARD, AWAY = (2.0, 35.0), (40.0, 95.0)
"""% of R-R within which the ring only goes toward the apex, and only away from it (common practice, no source)."""

LEAST_WAY, STAYS = 1.0, 6.0
"""mm: even a weak ventricle pulls its ring down by 3 mm; within a part of the beat it moves by 4 mm at most."""

FEWEST_PHASES = 5
FARTHEST_NEIGHBOUR = 15.0
"""% of R-R: beyond, the ring turns round between two phases."""
