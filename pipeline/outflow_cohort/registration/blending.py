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
