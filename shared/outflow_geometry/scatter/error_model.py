"""How a reader's error is made up: a common shift, a slow wave and an independent rest of each point; of a closed
curve also a common step outwards.

All points LPS, mm, float64. The scatter of a structure (`redrawing.landmark_sd`, one coordinate of one point) is the
whole. Of it, a curve's own raggedness shows the rest (`base.smoothing`): a reader whose points are on a smooth curve
may be off by as much as one whose points do not, but all along. Half of what is left is a shift of the whole structure,
the other half a slow wave along it. On top of that, all points of a closed curve may be a step too far out or in: a
reader who sees the edge a little further out draws the whole ring wider, nothing else moves its area as much, and its
points alone cannot show it. Where readers make no such step, intervals of a ring's area are too wide (97 to 100 %);
without it they held 42 to 71 % where they do. Repeat reads, where there are any, show shift and step. Three hinges have
no course that would show their rest; the rest of the reading's curves is used instead, and half of what they leave is
shift.
The halves and the length of the wave are assumptions, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import RepeatShift
from outflow_geometry.base.smoothing import SmoothedCurve, smoothed_curve
from outflow_geometry.landmarks.anatomy import HINGES, TRIGONES
from outflow_geometry.scatter.redrawing import (
    CLOSED_STRUCTURES,
    HINGE_GROUP,
    OPEN_STRUCTURES,
    OUTWARD,
    PRIOR_WEIGHT,
    SAMPLE_STRUCTURES,
    outward_directions,
    structure_sd,
)

SHIFT_SHARE = 0.5
"""Share of the common part of a structure's scatter (its variance) that is a shift of the whole structure."""

OUTWARD_SHARE = 0.25
"""Of the common part of a closed curve's scatter, what a step of all its points outwards adds to it."""

ACROSS = 2.0
"""Directions across a curve: a step outwards of variance v adds v / 2 to the variance of one coordinate across it."""

REST_WEIGHT = 3.0
"""Degrees of freedom with which all scatter is taken for rest before a curve's own points tell. Found on simulated
rings: whether readers err as a whole or point by point, intervals hold 92 to 98 %."""

WAVE_LENGTH = 15.0
"""mm; standard deviation of the Gaussian by which the wave's correlation falls with distance."""

GROUPS: Mapping[str, str] = {
    **dict.fromkeys(("mitral_ring", *TRIGONES), "mitral"),
    **dict.fromkeys((*HINGES, "aortic_ring", "aortic_contour"), "aortic"),
}
"""Structures that a reader marks in one view and shifts together; every other structure is its own group."""

SMOOTHED = "outflow_path"
"""The structure whose settled course is what is measured: the rest of its points enters smoothed."""


@dataclass(frozen=True)
class StructureError:
    """Scatter of one structure: standard deviations of one coordinate, mm; `outward` of the step across the curve."""

    shift: float
    wave: float
    rest: float
    outward: float = 0.0


@dataclass(frozen=True)
class ReadingError:
    """Error model of one reading: the parts of each structure's scatter, and the settled curves."""

    parts: Mapping[str, StructureError]
    curves: Mapping[str, SmoothedCurve]

    def settled(self, landmarks: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
        """The landmarks with every curve among them on its settled course."""
        return {name: self.curves[name].points if name in self.curves else p for name, p in landmarks.items()}

    def redrawn(
        self, name: str, points: FloatArray, draws: int, shift: FloatArray, rng: np.random.Generator
    ) -> FloatArray:
        """`draws` copies (draws, n, 3) of the settled `points` (n, 3), mm.

        shift : (draws, 3) standard normal, the same for all structures of the group.
        """
        part = self.parts[name]
        noise = part.rest * rng.standard_normal((draws, *points.shape))
        if name == SMOOTHED:
            noise = self.curves[name].smoother @ noise
        if part.wave > 0.0:
            noise = noise + part.wave * (_wave_root(points) @ rng.standard_normal((draws, *points.shape)))
        if part.outward > 0.0:
            noise = noise + part.outward * rng.standard_normal((draws, 1, 1)) * outward_directions(points)
        result: FloatArray = points + part.shift * shift[:, None, :] + noise
        return result


def reading_error(
    landmarks: Mapping[str, FloatArray], sd: Mapping[str, float], repeats: Mapping[str, RepeatShift] | None = None
) -> ReadingError:
    """The error model of one reading.

    sd : mm by structure, `default` for all others (see `redrawing.landmark_sd`).
    repeats : common shifts, from repeat reads (see `redrawing.repeat_shifts`).
    """
    known = dict(repeats or {})
    curves = {
        name: smoothed_curve(points, structure_sd(sd, name), closed=name in CLOSED_STRUCTURES)
        for name, points in landmarks.items()
        if name in (*CLOSED_STRUCTURES, *OPEN_STRUCTURES)
    }
    ragged = _ragged_share(curves, sd)
    parts: dict[str, StructureError] = {}
    for name in landmarks:
        if name in SAMPLE_STRUCTURES:
            continue
        whole = structure_sd(sd, name) ** 2
        if name in curves:
            curve = curves[name]
            rest = curve.rest**2
            if name != SMOOTHED:
                rest = (REST_WEIGHT * whole + curve.freedom * rest) / (REST_WEIGHT + curve.freedom)
            elif curve.freedom == 0.0:
                rest = ragged * whole
            common = max(whole - rest, 0.0)
            shift = _shrunk(SHIFT_SHARE * common, known.get(name))
            outward = 0.0
            if name in CLOSED_STRUCTURES:
                outward = _shrunk(ACROSS * OUTWARD_SHARE * common, known.get(f"{name}{OUTWARD}"))
            parts[name] = _parts(shift, max(common - shift, 0.0), rest, outward)
        elif name in GROUPS:
            common = SHIFT_SHARE * (1.0 - ragged) * whole
            shift = _shrunk(common, known.get(HINGE_GROUP) if name in HINGES else None)
            parts[name] = _parts(shift, 0.0, max(whole - shift, (1.0 - SHIFT_SHARE) * whole))
        else:
            parts[name] = _parts(0.0, 0.0, whole)
    return ReadingError(parts, curves)


def _parts(shift: float, wave: float, rest: float, outward: float = 0.0) -> StructureError:
    return StructureError(*(float(np.sqrt(variance)) for variance in (shift, wave, rest, outward)))


def _shrunk(prior: float, repeat: RepeatShift | None) -> float:
    """Variance of the shift, mm2: the prior's and the repeats', by degrees of freedom (Smyth 2004, equation 4)."""
    if repeat is None or repeat.freedom <= 0.0:
        return prior
    return (PRIOR_WEIGHT * prior + repeat.squares) / (PRIOR_WEIGHT + repeat.freedom)


def _ragged_share(curves: Mapping[str, SmoothedCurve], sd: Mapping[str, float]) -> float:
    """Share of the scatter's variance that the reading's curves show as independent rest; 1 where none can tell.

    The reader's path is not asked: other structures have the same error with it and without.
    """
    told = [
        (curve.freedom, min((curve.rest / structure_sd(sd, name)) ** 2, 1.0))
        for name, curve in curves.items()
        if name != SMOOTHED and curve.freedom > 0.0 and structure_sd(sd, name) > 0.0
    ]
    freedom = sum(f for f, _ in told)
    if freedom <= 0.0:
        return 1.0
    return (REST_WEIGHT + sum(f * share for f, share in told)) / (REST_WEIGHT + freedom)


def _wave_root(points: FloatArray) -> FloatArray:
    """Root (n, n) of the wave's correlation between points (n, 3)."""
    apart = np.linalg.norm(points[:, None] - points, axis=2)
    values, vectors = np.linalg.eigh(np.exp(-0.5 * (apart / WAVE_LENGTH) ** 2))
    result: FloatArray = vectors * np.sqrt(np.maximum(values, 0.0))
    return result
