"""Readings of one case against each other: the same phase by others or again, and other phases.

All points LPS, mm, float64. Two readings that differ do not say which of them is wrong: both are suspect, unless one
has a finding of its own there. From three on, the one that differs from most of the others is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.findings import WHOLE_READING, LandmarkFinding, finding
from outflow_geometry.scatter.expected_places import Curve, from_curve, same_scheme
from outflow_geometry.scatter.odd_points import CORNERED, common_scatter, odd_points
from outflow_geometry.scatter.redrawing import (
    CLOSED_STRUCTURES,
    OPEN_STRUCTURES,
    SAMPLE_STRUCTURES,
    SURFACE_STRUCTURES,
    Read,
)

DIFFERENCE = 4.9
"""Standard deviations of a difference beyond which two readings are shifted against each other, as a whole or in one
structure."""

SCATTER_FLOOR, SCATTER_CEILING = 0.4, 2.0
"""mm; the pooled scatter of one coordinate is taken within these: a case's few points can look steadier than readers
are, and a scatter above the ceiling is itself a finding (common practice, no source)."""

SHIFT_LEAST = 3.0
"""mm; common shift of all structures between two readings that is still taken for chance."""
SHIFT_STRUCTURES = 4
"""Structures that must be in both readings for a common shift."""

STRUCTURE_SHIFT, SHIFT_ALONG, STRUCTURE_POINTS = 3.0, 5.5, 5
"""mm by which a whole structure of this many points may be shifted between two readings across itself, and along itself
where both readers follow the same scheme, before scatter is added: what readers' habits differ by (common practice, no
source)."""
TILTED_POINTS = 7
"""Points of a closed curve from which its tilt against another reader's is told."""
SEEN_SHARE = 0.2
"""Share of its points that must show a direction for a shift in it to be told."""

HINGES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")

PHASE_JUMP = 25.0
"""mm; how far a point may be from its median over the other phases: excursions of 8 to 15 mm from end to end are
usual (from memory), twice that is not."""
SIDE_CHANGE, SIDE_SHARE = 3.0, 0.15
"""mm and share by which a side of the hinge triangle may differ from its median over the other phases (the annulus
changes its area by 13 %, so its width by 6 %)."""

Points = Mapping[str, FloatArray]


@dataclass(frozen=True)
class JudgedRead:
    """One read with the findings it has by itself and its reader's own scatter, mm."""

    read: Read
    findings: tuple[LandmarkFinding, ...]
    scatter: float


@dataclass(frozen=True)
class _Difference:
    """Differences of one structure's points between two reads.

    structure : its name. count : points compared.
    vectors : (n, 3), mm, second minus first, where points are paired.
    of_second : whether the points are those of the second read (True), the first (False), or of both (None).
    across : (n, 3, 3) projections on the directions in which the points tell a shift; None of single points.
    moves : (n, 3), mm, second minus first in those directions.
    places : (n, 3), mm, of the points of a closed curve.
    """

    structure: str
    count: int
    vectors: FloatArray | None
    of_second: bool | None = None
    across: FloatArray | None = None
    moves: FloatArray | None = None
    places: FloatArray | None = None

    def shift(self, common: FloatArray | None) -> float:
        """Length, mm, of the shift of this structure beside the common one; 0 where none can be told."""
        if self.across is None or self.moves is None or len(self.moves) < STRUCTURE_POINTS:
            return 0.0
        moves = self.moves if common is None else self.moves - self.across @ common
        size, axes = np.linalg.eigh(self.across.mean(axis=0))
        kept = axes[:, size > SEEN_SHARE]
        result, told = np.zeros(3), len(moves)
        # a shift is what most points share: two rounds with less weight for those that do not
        weights = np.ones(told)
        for _ in range(3):
            sides = kept.T @ np.einsum("n,nij->ij", weights, self.across) @ kept
            result = kept @ np.linalg.solve(sides, kept.T @ (weights @ moves))
            away = np.linalg.norm(moves - self.across @ result, axis=1)
            weights = 1.0 / np.maximum(1.0, away / max(2.0 * float(np.median(away)), 1e-6)) ** 2
        return float(np.linalg.norm(result))

    def tilt(self, common: FloatArray | None) -> float:
        """How far, mm, a closed curve is off its plane at the edge where a tilt and a shift carry it farthest."""
        if self.places is None or self.moves is None or len(self.places) < TILTED_POINTS:
            return 0.0
        away = self.places - self.places.mean(axis=0)
        axes = np.linalg.svd(away)[2]
        moves = self.moves if common is None else self.moves - common
        heights, design = moves @ axes[2], np.column_stack([np.ones(len(away)), away @ axes[:2].T])
        weights = np.ones(len(away))
        # as in `shift`: single points that are off do not tilt a curve
        for _ in range(3):
            fit = np.linalg.solve(design.T @ (weights[:, None] * design), design.T @ (weights * heights))
            off = np.abs(heights - design @ fit)
            weights = 1.0 / np.maximum(1.0, off / max(2.0 * float(np.median(off)), 1e-6)) ** 2
        return float(np.abs(design @ fit).max())


def judge_phase(reads: Sequence[JudgedRead]) -> list[list[LandmarkFinding]]:
    """Findings of each of the reads of one phase from comparing them; [] each for fewer than two."""
    far: list[dict[tuple[str, int | None], list[tuple[float, float]]]] = [{} for _ in reads]
    compared: list[dict[str, int]] = [{} for _ in reads]
    if len(reads) < 2:
        return [[] for _ in reads]
    own = [float(np.clip(judged.scatter, SCATTER_FLOOR, SCATTER_CEILING)) for judged in reads]
    pairs = {
        (i, j): _differences(reads[i].read, reads[j].read, float(np.hypot(own[i], own[j]) / np.sqrt(2.0)))
        for i, j in combinations(range(len(reads)), 2)
    }
    unshifted = [(_marks(reads[i]), _marks(reads[j], shift)) for (i, j), (_, shift) in pairs.items()]
    scatter = float(np.clip(common_scatter(unshifted, float(np.mean(own))), SCATTER_FLOOR, SCATTER_CEILING))
    for (i, j), (differences, shift) in pairs.items():
        bound = max(SHIFT_LEAST, DIFFERENCE * scatter)
        moved = float(np.linalg.norm(shift)) if shift is not None else 0.0
        common = shift if moved > bound else None
        odd = odd_points(_marks(reads[i]), _marks(reads[j], common), scatter)
        for k in (i, j):
            for name in {d.structure for d in differences} | {WHOLE_READING}:
                compared[k][name] = compared[k].get(name, 0) + 1
            if moved > bound:
                far[k].setdefault((WHOLE_READING, None), []).append((moved, bound))
        for d in differences:
            for slid, most_slid in _structure_shift(d, common, scatter):
                for k in (i, j) if d.of_second is None else (j if d.of_second else i,):
                    far[k].setdefault((d.structure, None), []).append((slid, most_slid))
        for k, points in zip((i, j), odd, strict=True):
            for p in points:
                far[k].setdefault((p.structure, p.number), []).append((p.distance, p.bound))
    return [_voted(reads, k, far, compared[k]) for k in range(len(reads))]


def _marks(judged: JudgedRead, shift: FloatArray | None = None) -> Points:
    """Points of a read by structure, samples left out, less a shift (3,), mm."""
    points = judged.read.landmarks
    away = np.zeros(3) if shift is None else shift
    return {name: p - away for name, p in points.items() if name not in SAMPLE_STRUCTURES}


def _structure_shift(d: _Difference, common: FloatArray | None, scatter: float) -> list[tuple[float, float]]:
    """Shift or tilt of a structure as a whole, mm, and its bound, where it is beyond."""
    slid = d.shift(common)
    # three coordinates of a mean over points that each tell about two of them
    most_slid = float(np.hypot(STRUCTURE_SHIFT, DIFFERENCE * scatter * np.sqrt(2.0 * 1.5 / d.count)))
    if slid <= most_slid and d.vectors is not None and len(d.vectors) >= STRUCTURE_POINTS:
        whole = np.median(d.vectors, axis=0) - (0.0 if common is None else common)
        slid, most_slid = float(np.linalg.norm(whole)), float(np.hypot(SHIFT_ALONG, most_slid))
    if slid <= most_slid:
        # at the edge of a round curve a plane through n points has the variance 3 / n, of two readings 6 / n
        slid, most_slid = (
            d.tilt(common),
            float(np.hypot(STRUCTURE_SHIFT, DIFFERENCE * scatter * np.sqrt(6.0 / d.count))),
        )
    return [(slid, most_slid)] if slid > most_slid else []


def _voted(
    reads: Sequence[JudgedRead],
    own: int,
    far: Sequence[Mapping[tuple[str, int | None], list[tuple[float, float]]]],
    compared: Mapping[str, int],
) -> list[LandmarkFinding]:
    """Points that differ from more than half of the other reads, unless another read owns up to it."""
    found = []
    for (structure, number), seen in far[own].items():
        if 2 * len(seen) <= compared[structure]:
            continue
        explained = any(
            f.structure == structure and f.point_no in (number, None)
            for k, other in enumerate(reads)
            if k != own
            for f in other.findings
        )
        if explained and not any(f.structure == structure for f in reads[own].findings) and len(reads) == 2:
            continue
        distance, bound = min(seen)
        code = "reading_shifted" if structure == WHOLE_READING else "readings_differ"
        found.append(finding(code, structure, number, distance, bound))
    return found


def _differences(first: Read, second: Read, scatter: float) -> tuple[list[_Difference], FloatArray | None]:
    """Differences of all structures that both reads have; and their common shift (3,), mm, where it can be told."""
    names = sorted((set(first.landmarks) & set(second.landmarks)) - set(SAMPLE_STRUCTURES))
    raw = [d for name in names for d in _of_structure(name, first.landmarks[name], second.landmarks[name], scatter)]
    means = [np.median(d.vectors, axis=0) for d in raw if d.vectors is not None]
    shift = np.median(np.stack(means), axis=0) if len(means) >= SHIFT_STRUCTURES else None
    return raw, shift


def _of_structure(name: str, first: FloatArray, second: FloatArray, scatter: float) -> list[_Difference]:
    if len(first) == len(second) and same_scheme(first, second, name in OPEN_STRUCTURES):
        vectors = second - first
        across = _told(name, first)
        moves = None if across is None else np.einsum("nij,nj->ni", across, vectors)
        places = first if name in CLOSED_STRUCTURES else None
        return [_Difference(name, len(first), vectors, across=across, moves=moves, places=places)]
    if name in SURFACE_STRUCTURES or name not in (*CLOSED_STRUCTURES, *OPEN_STRUCTURES):
        return []
    closed, smooth = name in CLOSED_STRUCTURES, name not in CORNERED
    curves = [Curve.of(p, range(len(p)), closed, scatter, smooth=smooth) for p in (first, second)]
    there, back = from_curve(curves[0], curves[1], scatter), from_curve(curves[1], curves[0], scatter)
    if there is None or back is None:
        return []
    found = []
    for points, (vectors, _), of_second in ((first, there, False), (second, back, True)):
        across = _told(name, points)
        moves = None if across is None else (1.0 if of_second else -1.0) * np.einsum("nij,nj->ni", across, vectors)
        places = points if closed else None
        found.append(
            _Difference(name, len(points), None, of_second=of_second, across=across, moves=moves, places=places)
        )
    return found


def _told(name: str, points: FloatArray) -> FloatArray | None:
    """Projections (n, 3, 3) on the directions in which points of a structure tell a shift: across a curve, and not
    along the run of an open one, which readers begin where they like; across a surface. None for single points."""
    if len(points) < STRUCTURE_POINTS:
        return None
    axes = np.linalg.svd(points - points.mean(axis=0))[2]
    if name in SURFACE_STRUCTURES:
        return np.repeat(np.outer(axes[2], axes[2])[None], len(points), axis=0)
    if name in OPEN_STRUCTURES:
        return np.repeat(np.eye(3)[None] - np.outer(axes[0], axes[0])[None], len(points), axis=0)
    if name not in CLOSED_STRUCTURES:
        return None
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    result: FloatArray = np.eye(3)[None] - tangent[:, :, None] * tangent[:, None, :]
    return result


# ---------------------------------------------------------------------- phases
def judge_phases(reads: Sequence[JudgedRead]) -> list[list[LandmarkFinding]]:
    """Findings of each read of a case from comparing it with reads of other phases; [] each for a single phase."""
    found: list[list[LandmarkFinding]] = [[] for _ in reads]
    for k, judged in enumerate(reads):
        others = [o for o in reads if o.read.phase_pct != judged.read.phase_pct]
        if len({o.read.phase_pct for o in others}) < 2:
            continue
        slack = DIFFERENCE * max(judged.scatter, SCATTER_FLOOR)
        found[k] += _jumps(judged.read.landmarks, [o.read.landmarks for o in others], PHASE_JUMP + slack)
        found[k] += _sides(judged.read.landmarks, [o.read.landmarks for o in others], slack)
    return found


def _jumps(own: Points, others: Sequence[Points], bound: float) -> list[LandmarkFinding]:
    found = []
    for name, points in own.items():
        seen = [o[name].mean(axis=0) for o in others if name in o]
        if name in SAMPLE_STRUCTURES or len(seen) < 2:
            continue
        away = float(np.linalg.norm(points.mean(axis=0) - np.median(np.stack(seen), axis=0)))
        if away > bound:
            found.append(finding("phases_jump", name, None, away, bound))
    return found


def _sides(own: Points, others: Sequence[Points], slack: float) -> list[LandmarkFinding]:
    """Hinges whose distances from both others differ from those of the other phases."""
    complete = [o for o in others if all(name in o for name in HINGES)]
    if len(complete) < 2 or not all(name in own for name in HINGES):
        return []
    far: dict[str, list[tuple[float, float]]] = {}
    for a, b in combinations(HINGES, 2):
        length = float(np.linalg.norm(own[a][0] - own[b][0]))
        usual = float(np.median([np.linalg.norm(o[a][0] - o[b][0]) for o in complete]))
        bound = SIDE_CHANGE + SIDE_SHARE * usual + slack
        if abs(length - usual) > bound:
            for name in (a, b):
                far.setdefault(name, []).append((abs(length - usual), bound))
    most = max((len(v) for v in far.values()), default=0)
    return [finding("phases_jump", name, 1, *max(v)) for name, v in far.items() if len(v) == most]
