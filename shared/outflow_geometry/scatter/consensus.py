"""Readings of one case against each other: the same phase by others or again, and other phases.

All points LPS, mm, float64. Two readings that differ do not say which of them is wrong: both are suspect, unless one
has a finding of its own there. From three on, the one that differs from most of the others is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.findings import WHOLE_READING, LandmarkFinding, finding
from outflow_geometry.scatter.redrawing import (
    CLOSED_STRUCTURES,
    OPEN_STRUCTURES,
    SAMPLE_STRUCTURES,
    SURFACE_STRUCTURES,
    Read,
)

DIFFERENCE = 4.9
"""Standard deviations of a difference beyond which two readings differ: a distance in three coordinates passes 4.5 once
in 7,000 points; the rest is for the scatter, which is itself estimated."""

SCATTER_FLOOR, SCATTER_CEILING = 0.4, 2.0
"""mm; the pooled scatter of one coordinate is taken within these: a case's few points can look steadier than readers
are, and a scatter above the ceiling is itself a finding (common practice, no source)."""

HARDER: Mapping[str, float] = {"lv_apex": 1.3}
"""Structures that scatter more than the rest, and how much (set on invented readers)."""

SHIFT_LEAST = 3.0
"""mm; common shift of all structures between two readings that is still taken for chance."""
SHIFT_STRUCTURES = 4
"""Structures that must be in both readings for a common shift."""

STRUCTURE_SHIFT, SHIFT_ALONG, STRUCTURE_POINTS = 3.0, 5.5, 5
"""mm by which a whole structure of this many points may be shifted between two readings across itself, and along itself
where both readers follow the same scheme, before scatter is added: what readers' habits differ by (common practice, no
source)."""
SAG_SHARE = 0.6
"""Share of the sag of a bend between two points that a spline with natural ends may miss."""
TIGHTEST_BEND = 15.0
"""mm; radius of the bend in which an open curve may go on beyond the end of another reader's."""
SEEN_SHARE = 0.2
"""Share of its points that must show a direction for a shift in it to be told."""

PAIRED_SHARE, PAIRED_SHARE_OPEN = 0.35, 0.5
"""Two readers follow the same scheme of points where the median distance of points of equal number is below this share
of the distance of neighbours: then points are compared one by one, else curve with curve. An open curve has a first
point, so equal numbers mean equal places more surely than around a ring."""

CHI_MEDIAN = {1: 0.6745, 2: 1.1774, 3: 1.5382}
"""Median of the distance in 1, 2, 3 coordinates of unit standard deviation."""

OWN_SCALE_POINTS = 6
"""Points of a structure from which it shows a scatter of its own."""

CURVE_SAMPLES = 20
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
    """Distances (n,) of one structure's points between two reads, in units of a coordinate's scatter of one read."""

    structure: str
    numbers: tuple[int, ...]
    vectors: FloatArray | None
    """(n, 3), mm, second minus first, where points are paired."""
    distance: FloatArray
    amplification: FloatArray
    coordinates: int
    of_second: bool | None = None
    """Whether the numbers are those of the second read (True), the first (False), or of both (None)."""
    across: FloatArray | None = None
    """(n, 3, 3) projections on the directions in which a structure's points tell a shift; None of single points."""
    moves: FloatArray | None = None
    """(n, 3), mm, second minus first in those directions."""

    allowed: FloatArray | float = 0.0
    """(n,) mm by which points may be away beside their scatter."""

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


def judge_phase(reads: Sequence[JudgedRead]) -> list[list[LandmarkFinding]]:
    """Findings of each of the reads of one phase from comparing them; [] each for fewer than two."""
    far: list[dict[tuple[str, int | None], list[tuple[float, float]]]] = [{} for _ in reads]
    compared: list[dict[str, int]] = [{} for _ in reads]
    pairs = {(i, j): _differences(reads[i].read, reads[j].read) for i, j in combinations(range(len(reads)), 2)}
    scatter = _pooled(list(pairs.values()))
    for (i, j), (differences, shift) in pairs.items():
        bound = max(SHIFT_LEAST, DIFFERENCE * scatter)
        moved = float(np.linalg.norm(shift)) if shift is not None else 0.0
        for k in (i, j):
            for name in {d.structure for d in differences} | {WHOLE_READING}:
                compared[k][name] = compared[k].get(name, 0) + 1
            if moved > bound:
                far[k].setdefault((WHOLE_READING, None), []).append((moved, bound))
        for d in differences:
            slid = d.shift(shift if moved > bound else None)
            # three coordinates of a mean over points that each tell about two of them
            most_slid = float(np.hypot(STRUCTURE_SHIFT, DIFFERENCE * scatter * np.sqrt(2.0 * 1.5 / len(d.distance))))
            if slid <= most_slid and d.vectors is not None and len(d.vectors) >= STRUCTURE_POINTS:
                whole = np.median(d.vectors, axis=0) - (shift if moved > bound and shift is not None else 0.0)
                slid, most_slid = float(np.linalg.norm(whole)), float(np.hypot(SHIFT_ALONG, most_slid))
            if slid > most_slid:
                for k in (i, j) if d.of_second is None else (j if d.of_second else i,):
                    far[k].setdefault((d.structure, None), []).append((slid, most_slid))
            away = d.distance
            if moved > bound and shift is not None:
                away = np.linalg.norm(d.vectors - shift, axis=1) if d.vectors is not None else np.zeros(len(away))
            usual = max(scatter, _own_scale(away / d.amplification, d.coordinates))
            limit = DIFFERENCE * usual * HARDER.get(d.structure, 1.0) * d.amplification + d.allowed
            for number, distance, most in zip(d.numbers, away, limit, strict=True):
                if distance > most:
                    for k in (i, j) if d.of_second is None else (j if d.of_second else i,):
                        far[k].setdefault((d.structure, number), []).append((float(distance), float(most)))
    return [_voted(reads, k, far, compared[k]) for k in range(len(reads))]


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


def _own_scale(scaled: FloatArray, coordinates: int) -> float:
    """Robust scatter, mm, of one structure by itself, 0 for few points: two readers who begin a ring at other places,
    or draw a leaflet with another length, differ all along it."""
    return float(np.median(scaled)) / CHI_MEDIAN[coordinates] if len(scaled) >= OWN_SCALE_POINTS else 0.0


def _pooled(pairs: Sequence[tuple[list[_Difference], FloatArray | None]]) -> float:
    """Robust scatter of one coordinate of one read, mm, over all structures of all pairs, common shifts taken off."""
    estimates: list[float] = []
    weights: list[float] = []
    for differences, shift in pairs:
        for d in differences:
            moved = d.distance
            if d.vectors is not None and shift is not None:
                moved = np.linalg.norm(d.vectors - shift, axis=1)
            scaled = moved / d.amplification / CHI_MEDIAN[d.coordinates] / HARDER.get(d.structure, 1.0)
            estimates += scaled.tolist()
            # a ring of 16 points knows the scatter better than an apex, but is one structure: its points share a shift
            weights += [1.0 / np.sqrt(len(scaled))] * len(scaled)
    if not estimates:
        return SCATTER_CEILING
    order = np.argsort(estimates)
    total = np.cumsum(np.asarray(weights)[order])
    middle = float(np.asarray(estimates)[order][np.searchsorted(total, total[-1] / 2.0)])
    return float(np.clip(middle, SCATTER_FLOOR, SCATTER_CEILING))


def _differences(first: Read, second: Read) -> tuple[list[_Difference], FloatArray | None]:
    """Differences of all structures that both reads have, less their common shift; and that shift (3,), mm."""
    names = sorted((set(first.landmarks) & set(second.landmarks)) - set(SAMPLE_STRUCTURES))
    raw = [d for name in names for d in _of_structure(name, first.landmarks[name], second.landmarks[name])]
    means = [np.median(d.vectors, axis=0) for d in raw if d.vectors is not None]
    shift = np.median(np.stack(means), axis=0) if len(means) >= SHIFT_STRUCTURES else None
    return raw, shift


def _of_structure(name: str, first: FloatArray, second: FloatArray) -> list[_Difference]:
    numbers = tuple(range(1, len(first) + 1))
    if len(first) == len(second) and _same_scheme(first, second, name in OPEN_STRUCTURES):
        vectors = second - first
        length = np.linalg.norm(vectors, axis=1)
        across = _told(name, first)
        moves = None if across is None else np.einsum("nij,nj->ni", across, vectors)
        share = np.full(len(first), np.sqrt(2.0))
        return [
            _Difference(
                structure=name,
                numbers=numbers,
                vectors=vectors,
                distance=length,
                amplification=share,
                coordinates=3,
                across=across,
                moves=moves,
            )
        ]
    if name in SURFACE_STRUCTURES or name not in (*CLOSED_STRUCTURES, *OPEN_STRUCTURES):
        return []
    closed = name in CLOSED_STRUCTURES
    there, back = _to_curve(first, second, closed), _to_curve(second, first, closed)
    if there is None or back is None:
        return []
    found = []
    for points, (distance, amplification, vectors, allowed), of_second in ((first, there, False), (second, back, True)):
        across = _told(name, points)
        moves = None if across is None else (-1.0 if of_second else 1.0) * np.einsum("nij,nj->ni", across, vectors)
        own = tuple(range(1, len(points) + 1))
        found.append(
            _Difference(
                structure=name,
                numbers=own,
                vectors=None,
                distance=distance,
                amplification=amplification,
                coordinates=2,
                of_second=of_second,
                across=across,
                moves=moves,
                allowed=allowed,
            )
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


def _same_scheme(first: FloatArray, second: FloatArray, is_open: bool) -> bool:
    """Whether points of equal number mean the same place."""
    if len(first) == 1:
        return True
    apart = np.concatenate([np.linalg.norm(np.diff(p, axis=0), axis=1) for p in (first, second)])
    shift = np.median(second - first, axis=0)
    distance = float(np.median(np.linalg.norm(second - first - shift, axis=1)))
    share = PAIRED_SHARE_OPEN if is_open else PAIRED_SHARE
    return distance < share * float(np.median(apart)) or distance < SCATTER_FLOOR


def _to_curve(
    points: FloatArray, other: FloatArray, closed: bool
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None:
    """Distances (n,), mm, to the spline through `other`, how much scatter enters, the vectors (n, 3) there, and what a
    bend explains (n,), mm; None where `other` has too few points or repeats one."""
    if len(other) < (4 if closed else 2):
        return None
    nodes = np.vstack([other, other[:1]]) if closed else other
    steps = np.linalg.norm(np.diff(nodes, axis=0), axis=1)
    if np.any(steps <= 1e-3):
        return None
    knots = np.concatenate([[0.0], np.cumsum(steps)])
    identity = np.eye(len(other))
    weights = CubicSpline(
        knots, np.vstack([identity, identity[:1]]) if closed else identity, bc_type="periodic" if closed else "natural"
    )
    fine = np.linspace(0.0, knots[-1], CURVE_SAMPLES * len(steps) + 1)
    at = weights(fine)
    places, allowed = at @ other, np.zeros(len(points))
    away = np.linalg.norm(points[:, None] - places[None], axis=2)
    nearest = np.argmin(away, axis=1)
    distance = away[np.arange(len(points)), nearest]
    if not closed:
        # between points far apart the curve may bend more than the spline tells: a share of the sag of a circle's chord
        gap = steps[np.clip(np.searchsorted(knots, fine[nearest]) - 1, 0, len(steps) - 1)]
        allowed = SAG_SHARE * gap**2 / (8.0 * TIGHTEST_BEND)
        # beyond its ends the curve goes straight on, or bends: readers end their lines at different places
        for place, end, inner in ((0, other[0], other[1]), (len(fine) - 1, other[-1], other[-2])):
            axis = (end - inner) / np.linalg.norm(end - inner)
            onward = (points - end) @ axis
            beyond = (nearest == place) & (onward > 0.0)
            aside = np.linalg.norm((points - end) - onward[:, None] * axis, axis=1)
            distance = np.where(beyond, aside, distance)
            allowed = np.where(beyond, onward**2 / (2.0 * TIGHTEST_BEND), allowed)
    return distance, np.sqrt(1.0 + np.sum(at[nearest] ** 2, axis=1)), places[nearest] - points, allowed


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
