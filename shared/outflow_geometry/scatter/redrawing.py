"""Scatter of landmarks, pooled from repeat reads.

All points LPS, mm, float64. The scatter of a structure is the standard deviation of one coordinate of one of its
points between reads of the same phase by the same reader.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from outflow_geometry.base.contours import distinct_points
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.inputs import RepeatShift
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.landmarks.anatomy import HINGES
from outflow_geometry.scatter.node_spline import node_spline

CLOSED_STRUCTURES = ("mitral_ring", "aortic_ring", "aortic_contour", "outflow_trace")
OPEN_STRUCTURES = ("anterior_leaflet", "outflow_path")
SURFACE_STRUCTURES = ("septum",)
UNORDERED_STRUCTURES = ("post_tip",)
SAMPLE_STRUCTURES = ("blood_sample", "muscle_sample")
"""Samples name a tissue, not a place: they take no part."""

HINGE_GROUP = "aortic_hinges"
"""Name under which the common shift of the three hinges is kept."""

OUTWARD = "/outward"
"""After the name of a closed structure: its common step outwards between repeat reads."""

PRIOR_SD = 0.7
"""mm; scatter of one coordinate where the study configures none: an assumption, no source."""

PRIOR_WEIGHT = 10.0
"""Degrees of freedom that the configured prior counts for: about three repeat reads of a single point."""

SHOWN = 0.2
"""Share of a curve's points that must show a direction, across the curve, for a shift along it to be told: a straight
path shows none along itself."""

CURVE_SAMPLES = 24
"""Samples an interval when the nearest place on a curve is looked for, before refinement."""


@dataclass(frozen=True)
class Read:
    """One read of one phase; reads with equal `phase_pct` and `reader_id` are repeats of each other."""

    phase_pct: float | None
    reader_id: str
    read_no: int
    landmarks: Mapping[str, FloatArray]


@dataclass(frozen=True)
class Scatter:
    """Scatter of one structure.

    sd : shrunk standard deviation of one coordinate, mm.
    pooled_sd : standard deviation of the repeats alone, mm; None without repeats.
    freedom : degrees of freedom behind pooled_sd.
    """

    sd: float
    pooled_sd: float | None
    freedom: float


def landmark_scatter(reads: Sequence[Read], prior_sd: Mapping[str, float] | None = None) -> dict[str, Scatter]:
    """Scatter of every structure in `reads`, shrunk toward `prior_sd` (mm by structure, `default` for all others).

    s^2 = (d0 s0^2 + d s^2) / (d0 + d), the posterior mean scale under a scaled inverse chi-square prior of d0 =
    PRIOR_WEIGHT degrees of freedom (Smyth 2004, Stat Appl Genet Mol Biol 3:3, equation 4).
    """
    prior = dict(prior_sd or {})
    names = sorted({name for read in reads for name in read.landmarks} - set(SAMPLE_STRUCTURES))
    groups: dict[tuple[float | None, str], list[Read]] = defaultdict(list)
    for read in reads:
        groups[read.phase_pct, read.reader_id].append(read)
    scatters: dict[str, Scatter] = {}
    for name in names:
        squares, freedom = 0.0, 0.0
        for repeats in groups.values():
            sets = [np.asarray(r.landmarks[name], dtype=np.float64) for r in repeats if name in r.landmarks]
            group_squares, group_freedom = _group_squares(name, sets)
            squares, freedom = squares + group_squares, freedom + group_freedom
        expected = prior.get(name, prior.get("default", PRIOR_SD))
        # Smyth 2004, equation 4
        variance = (PRIOR_WEIGHT * expected**2 + squares) / (PRIOR_WEIGHT + freedom)
        pooled = math.sqrt(squares / freedom) if freedom > 0.0 else None
        scatters[name] = Scatter(math.sqrt(variance), pooled, freedom)
    return scatters


def landmark_sd(reads: Sequence[Read], prior_sd: Mapping[str, float] | None = None) -> dict[str, float]:
    """Standard deviation of one coordinate, mm, by structure, shrunk towards the expected one; see `landmark_scatter`.

    Two reads of the apex 2 mm apart along x have a sum of squares of 2 mm2 with 3 degrees of freedom; with 1 mm
    expected, at a weight of 10, that is the root of (10 + 2) / (10 + 3):

    >>> apex = np.array([[0.0, 0.0, -70.0]])
    >>> reads = [Read(40.0, "R1", n, {"lv_apex": apex + [shift, 0.0, 0.0]}) for n, shift in ((1, 0.0), (2, 2.0))]
    >>> round(landmark_sd(reads, {"default": 1.0})["lv_apex"], 3)
    0.961
    """
    return {name: scatter.sd for name, scatter in landmark_scatter(reads, prior_sd).items()}


def structure_sd(sd: Mapping[str, float], structure: str) -> float:
    """Scatter of one structure, mm: its own, else `default`; raises KeyError where there is neither."""
    return sd[structure] if structure in sd else sd["default"]


def path_scatter(sd: Mapping[str, float]) -> float:
    """Scatter of the reader's path, mm; 0 where none is known, so that its points are passed through."""
    return sd.get("outflow_path", sd.get("default", 0.0))


def _group_squares(name: str, sets: list[FloatArray]) -> tuple[float, float]:
    """Sum of squares, mm2, and degrees of freedom of one coordinate over the repeats of one reader."""
    if len(sets) < 2:
        return 0.0, 0.0
    squares, freedom = 0.0, 0.0
    for first, second in combinations(sets, 2):
        try:
            pair_squares, pair_freedom = _pair_squares(name, first, second)
        except GeometryError:
            continue  # a read that gives no contour has no distance to another
        squares, freedom = squares + pair_squares, freedom + pair_freedom
    # k reads hold k (k - 1) / 2 pairs but only k - 1 independent differences
    share = 2.0 / len(sets)
    return squares * share, freedom * share


def _pair_squares(name: str, first: FloatArray, second: FloatArray) -> tuple[float, float]:
    """Squares scaled so that their expectation is sd^2 times the degrees of freedom."""
    if name in CLOSED_STRUCTURES or name in OPEN_STRUCTURES:
        closed = name in CLOSED_STRUCTURES
        ways = [_curve_squares(first, second, closed), _curve_squares(second, first, closed)]
        # both ways see the same differences, so they are averaged, not added
        return sum(w[0] for w in ways) / 2.0, sum(w[1] for w in ways) / 2.0
    if name in SURFACE_STRUCTURES:
        return _surface_squares(first, second)
    if len(first) != len(second):
        return 0.0, 0.0
    if name in UNORDERED_STRUCTURES:
        from scipy.optimize import linear_sum_assignment  # on first use: whoever only lists the measures needs no scipy

        cost = np.linalg.norm(first[:, None] - second[None], axis=2)
        rows, columns = linear_sum_assignment(cost)
        first, second = first[rows], second[columns]
    difference = first - second
    return float(np.sum(difference**2)) / 2.0, float(difference.size)


@dataclass(frozen=True)
class _Apart:
    """How far points (m, 3) are from a curve: ways to it, its directions there, and the sum of squares (m,) of the
    weights with which the curve's own points enter."""

    away: FloatArray
    tangents: FloatArray
    weight: FloatArray


def _curve_squares(points: FloatArray, other: FloatArray, closed: bool) -> tuple[float, float]:
    """Distances of `points` to the curve through `other`: two coordinates a point, sliding along is free.

    The expectation of a squared distance is sd^2 (1 + w . w) in each of the two coordinates, w being the weights
    with which the curve's own points enter at that place.
    """
    apart = _apart(points, other, closed)
    if apart is None:
        return 0.0, 0.0
    squared = np.sum(apart.away**2, axis=1) / (1.0 + apart.weight)
    return float(squared.sum()), 2.0 * len(squared)


def _apart(points: FloatArray, other: FloatArray, closed: bool) -> _Apart | None:
    """`points` against the curve through `other`, where they lie beside it; None where that is no curve."""
    knots_at = distinct_points(other, "contour") if closed else other
    spline = node_spline(knots_at, closed) if len(points) >= 2 else None
    if spline is None:
        return None
    knots, weights_of, fine = spline.knots, spline.weights, spline.fine(CURVE_SAMPLES)
    curve = weights_of(fine) @ knots_at
    nearest = np.argmin(np.linalg.norm(points[:, None] - curve[None], axis=2), axis=1)
    at = fine[nearest]
    for _ in range(3):  # Newton on the condition that the way to the curve is at right angles to it
        place, slope, bend = (weights_of(at, order) @ knots_at for order in (0, 1, 2))
        away = place - points
        step = np.sum(away * slope, axis=1) / np.maximum(
            np.sum(slope**2 + away * bend, axis=1), 0.5 * np.sum(slope**2, axis=1)
        )
        at = at - step
        at = np.mod(at, knots[-1]) if closed else np.clip(at, 0.0, knots[-1])
    weights = weights_of(at)
    inside = np.ones(len(points), dtype=bool) if closed else (at > 0.0) & (at < knots[-1])
    return _Apart(
        (weights @ knots_at - points)[inside],
        unit(weights_of(at, 1) @ knots_at)[inside],
        np.sum(weights**2, axis=1)[inside],
    )


def repeat_shifts(reads: Sequence[Read]) -> dict[str, RepeatShift]:
    """Common shifts between repeat reads: of each curve, curve against curve, and of the three hinges together.

    A closed curve has a second entry, its name with `OUTWARD`: the step of all its points outwards.
    """
    groups: dict[tuple[float | None, str], list[Read]] = defaultdict(list)
    for read in reads:
        groups[read.phase_pct, read.reader_id].append(read)
    names = sorted({name for read in reads for name in read.landmarks} & {*CLOSED_STRUCTURES, *OPEN_STRUCTURES})
    found: dict[str, RepeatShift] = {}
    for name in (*names, HINGE_GROUP):
        for repeats in groups.values():
            wanted = HINGES if name == HINGE_GROUP else (name,)
            sets = [
                np.vstack([np.asarray(read.landmarks[part], dtype=np.float64) for part in wanted])
                for read in repeats
                if all(part in read.landmarks for part in wanted)
            ]
            for first, second in combinations(sets, 2):
                for key, one in _pair_shifts(name, first, second).items():
                    # k reads hold k (k - 1) / 2 pairs but only k - 1 independent differences
                    before, share = found.get(key, RepeatShift(0.0, 0.0)), 2.0 / len(sets)
                    found[key] = RepeatShift(before.squares + share * one.squares, before.freedom + share * one.freedom)
    return {key: RepeatShift(max(one.squares, 0.0), one.freedom) for key, one in found.items() if one.freedom > 0.0}


def outward_directions(points: FloatArray) -> FloatArray:
    """Unit vectors (n, 3) of a closed curve's points (n, 3), in its plane and across the curve, away from its inside.

    Points without a plane, or in one place, have no direction: zeros.
    """
    try:
        normal = least_squares_plane(points, "contour").normal
    except GeometryError:
        return np.zeros_like(points)
    across = np.cross(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), normal)
    length = np.linalg.norm(across, axis=1, keepdims=True)
    across = np.divide(across, length, out=np.zeros_like(across), where=length > 0.0)
    result: FloatArray = across * (1.0 if np.sum(across * (points - points.mean(axis=0))) >= 0.0 else -1.0)
    return result


def _pair_shifts(name: str, first: FloatArray, second: FloatArray) -> dict[str, RepeatShift]:
    """Squares, mm2, of shift and step between two reads, half of their difference each, less what the rest puts
    there; nothing where the reads cannot be compared."""
    if name == HINGE_GROUP:
        if len(first) != len(second):
            return {}
        difference = second - first
        mean = difference.mean(axis=0)
        rest = float(np.sum((difference - mean) ** 2)) / (3.0 * (len(first) - 1))
        return {name: RepeatShift((float(mean @ mean) - 3.0 * rest / len(first)) / 2.0, 3.0)}
    try:
        apart = _apart(first, second, name in CLOSED_STRUCTURES)
    except GeometryError:
        return {}  # a read that gives no contour has no distance to another
    if apart is None or len(apart.away) < 2:
        return {}
    # least squares of the ways to the curve, of which each shows the two directions across it
    across = np.eye(3) - apart.tangents[:, :, None] * apart.tangents[:, None, :]
    values, vectors = np.linalg.eigh(across.sum(axis=0))
    shown = values > SHOWN * len(across)
    mean = (vectors.T @ apart.away.sum(axis=0))[shown] / values[shown]
    left = apart.away - np.einsum("nij,j->ni", across, vectors[:, shown] @ mean)
    freedom, step = 2.0 * len(left) - float(shown.sum()), None
    found: dict[str, RepeatShift] = {}
    if name in CLOSED_STRUCTURES and len(left) == len(first) > 3:
        # a step outwards moves no closed curve's mean much, so that it is read from what the shift leaves
        outward = outward_directions(first)
        step = float(np.mean(np.sum(left * outward, axis=1)))
        left, freedom = left - step * outward, freedom - 1.0
    rest = float(np.sum(left**2)) / max(freedom, 1.0)
    if step is not None:
        found[f"{name}{OUTWARD}"] = RepeatShift((step**2 - rest / len(left)) / 2.0, 1.0)
    # each direction of the mean holds rest / (points that show it)
    squares = (float(mean @ mean) - float(np.sum(rest / values[shown]))) / 2.0
    return found | {name: RepeatShift(squares, float(shown.sum()))}


def _surface_squares(first: FloatArray, second: FloatArray) -> tuple[float, float]:
    """Departures of two point sets from their common plane: one coordinate a point, three taken by the plane."""
    both = np.vstack([first, second])
    if len(both) <= 3:
        return 0.0, 0.0
    heights = least_squares_plane(both, "septum").height(both)
    # a curved septum departs from its plane in both reads alike: only the part beyond each read's own plane counts
    own = sum(float(np.sum(least_squares_plane(p, "septum").height(p) ** 2)) for p in (first, second))
    return max(0.0, float(np.sum(heights**2)) - own), 3.0
