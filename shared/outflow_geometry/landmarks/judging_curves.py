"""Points of one curve or surface against the others of the same: leave-one-out, in units of the reader's own scatter.

All points LPS, mm, float64.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.findings import LandmarkFinding, finding

LEAST_CLOSED, LEAST_OPEN = 7, 5
"""Points from which a curve through the others foretells one: with fewer the gap is as wide as the ring itself."""

OWN_SCATTER_FLOOR = 0.35
"""mm; a reader is not taken to be steadier than this: the curve itself errs by some tenths between its points."""

DEPARTURE, DEPARTURE_FEW = 5.2, 4.0
"""Own scatters beyond which a point is off its curve: 5.2 (1 + 4 / n). Distances in two coordinates pass 4.4 scatters
once in 16,000 points; the rest is for the scatter, which n points give only roughly. Set on invented hearts."""

BACKSTEP = 4.5
"""Own scatters, and BACKSTEP_LEAST mm, by which a point may step back along its curve."""
BACKSTEP_LEAST = 2.5

CANDIDATES = 3
"""Points tried as the one that is off."""

REPEATED = 0.05
"""mm: two points this near are one click; readers' files carry 0.01 mm or better."""
REPEATED_SHARE = 0.08
"""Share of the usual gap below which two points fall together, if also below REPEATED_LARGEST."""
REPEATED_LARGEST = 0.8
"""mm."""
REPEATED_CLEAR = 10.0
"""Own scatters that the usual gap must measure for that: where points are dense beside the scatter, two may meet."""

RAYLEIGH_MEDIAN = 1.1774
"""Median of a distance in two coordinates of unit standard deviation (sqrt(2 ln 2))."""

END_AMPLIFICATION = 2.5
"""How much more than its own scatter the end of an open curve departs from the straight line on: the line through
points at 1 to 4 steps has a standard error of 1.2 scatters one step on, and paths bend by some mm."""


NARROWEST_BEND = 10.0
"""mm; radius of the tightest bend that a path or leaflet is taken to go on along at its end."""


@dataclass(frozen=True)
class Departures:
    """Of each point: its distance (n,), mm, from the curve through the others, and by how much scatter enters (n,)."""

    distance: FloatArray
    amplification: FloatArray
    ends: tuple[float, float] | None = None
    """Distances, mm, of both ends of an open curve from the straight line on: they tell the scatter, of which the
    nearer of line and circle would tell too little."""

    @property
    def scaled(self) -> FloatArray:
        """Distances (n,) in mm of one point's own scatter."""
        return self.distance / self.amplification

    @property
    def scatter(self) -> float:
        """Robust standard deviation of one coordinate, mm, at least OWN_SCATTER_FLOOR."""
        scaled = self.scaled.copy()
        if self.ends is not None:
            scaled[[0, -1]] = np.asarray(self.ends) / self.amplification[[0, -1]]
        return max(float(np.median(scaled)) / RAYLEIGH_MEDIAN, OWN_SCATTER_FLOOR)


def departures(points: FloatArray, closed: bool) -> Departures:
    """Leave-one-out departures of (n, 3) points in order along their curve, mm."""
    n = len(points)
    distance, amplification, straight = np.zeros(n), np.ones(n), np.zeros(2)
    for i in range(n):
        if not closed and i in (0, n - 1):
            onward = points if i == 0 else points[::-1]
            distance[i], amplification[i] = _end_departure(onward), END_AMPLIFICATION
            straight[0 if i == 0 else 1] = _straight_on(onward)
            continue
        others = np.concatenate([points[i + 1 :], points[:i]]) if closed else np.delete(points, i, axis=0)
        # the place where the point is missing: between the last and the first (closed), or at i
        distance[i], amplification[i] = _distance_at_gap(others, points[i], closed, i)
    return Departures(distance, amplification, None if closed else (float(straight[0]), float(straight[1])))


def _end_departure(points: FloatArray) -> float:
    """Distance, mm, of the first point from where the next ones lead: straight on along four of them, or along the
    circle through three of them, as far as the point is; whichever is nearer. A path may bend at its end only."""
    bends = [_from_circle(points[0], points[[1, i, j]]) for i, j in ((2, 3), (2, 4), (3, 5)) if j < len(points)]
    return min([_straight_on(points), *bends])


def _straight_on(points: FloatArray) -> float:
    """Distance, mm, of the first point from the straight line on through the next four."""
    nodes = points[1 : min(5, len(points))]
    center = nodes.mean(axis=0)
    axis = np.linalg.svd(nodes - center)[2][0]
    away = points[0] - center
    return float(np.linalg.norm(away - (away @ axis) * axis))


def _from_circle(point: FloatArray, three: FloatArray) -> float:
    """Distance (mm) of a point from the circle through three points (3, 3), infinite where they lie in a line or the
    circle is narrower than any outflow tract bends."""
    a, b = three[1] - three[0], three[2] - three[0]
    normal = np.cross(a, b)
    size = float(normal @ normal)
    if size < 1e-6 * float(a @ a) * float(b @ b):
        return float("inf")
    # circumcentre of a triangle from one corner: (|a|^2 b - |b|^2 a) x (a x b) / (2 |a x b|^2)
    center = three[0] + np.cross((a @ a) * b - (b @ b) * a, normal) / (2.0 * size)
    radius = float(np.linalg.norm(three[0] - center))
    if radius < NARROWEST_BEND:
        return float("inf")
    axis = normal / np.sqrt(size)
    height = float((point - center) @ axis)
    return float(np.hypot(height, np.linalg.norm(point - center - height * axis) - radius))


def _distance_at_gap(others: FloatArray, point: FloatArray, closed: bool, place: int) -> tuple[float, float]:
    """Distance, mm, of a point from the spline through the others, and the share of scatter in it."""
    nodes = np.vstack([others, others[:1]]) if closed else others
    steps = np.maximum(np.linalg.norm(np.diff(nodes, axis=0), axis=1), 1e-6)
    knots = np.concatenate([[0.0], np.cumsum(steps)])
    identity = np.eye(len(others))
    weights = CubicSpline(
        knots, np.vstack([identity, identity[:1]]) if closed else identity, bc_type="periodic" if closed else "natural"
    )
    low = knots[-2] if closed else knots[place - 1]
    high = knots[-1] if closed else knots[place]
    width = high - low
    # also somewhat beyond the gap: a point slid past its neighbour is a matter of order, not of distance
    fine = np.linspace(low - width, high + width, 91)
    fine = np.mod(fine, knots[-1]) if closed else np.clip(fine, 0.0, knots[-1])
    at = weights(fine)
    away = np.linalg.norm(at @ others - point, axis=1)
    nearest = int(np.argmin(away))
    return float(away[nearest]), float(np.sqrt(1.0 + np.sum(at[nearest] ** 2)))


@dataclass(frozen=True)
class CurveJudgement:
    """Findings of one curve, and the reader's own scatter on it (standard deviation of one coordinate, mm)."""

    findings: tuple[LandmarkFinding, ...]
    scatter: float

    def at_scatter(self, scatter: float) -> tuple[LandmarkFinding, ...]:
        """The findings that stay where the reader's scatter over all curves is larger than on this one."""
        wider = max(1.0, scatter / self.scatter)
        found = []
        for f in self.findings:
            if f.code in ("point_off_curve", "points_out_of_order") and f.number is not None and f.bound is not None:
                f = replace(f, bound=round(f.bound * wider, 3))
                if f.number is not None and f.bound is not None and f.number <= f.bound:
                    continue
            found.append(f)
        return tuple(found)


def judge_curve(points: FloatArray, structure: str, order: FloatArray, *, closed: bool) -> CurveJudgement:
    """Points off their curve, out of order, or repeated.

    Parameters
    ----------
    points : (n, 3), mm, as numbered by the reader.
    order : (n,) places of the points along the curve, such as angles about its centre; sorts them for the curve
        itself, so that a wrong order does not show as a departure.
    """
    again = _repeats(points, closed, REPEATED)
    kept = [int(i) for i in np.argsort(order, kind="stable") if int(i) not in again]
    least = LEAST_CLOSED if closed else LEAST_OPEN
    factor = DEPARTURE * (1.0 + DEPARTURE_FEW / len(points))
    off: list[int] = []
    judged = departures(points[kept], closed) if len(kept) >= least else None
    while judged is not None and len(off) <= len(points) // 4:
        worst, own = _odd_one(points[kept], judged, closed)
        if judged.scaled[worst] <= factor * own:
            break
        off.append(kept.pop(worst))
        judged = departures(points[kept], closed) if len(kept) >= least else None
    scatter = judged.scatter if judged is not None else 2.0 * OWN_SCATTER_FLOOR
    found = _repeated(points, structure, closed, scatter)
    for i in off:
        place = int(np.searchsorted(order[kept], order[i]))
        if closed:
            turned = np.roll(points[kept], -place, axis=0)
            distance, share = _distance_at_gap(turned, points[i], True, 0)
        elif 0 < place < len(kept):
            distance, share = _distance_at_gap(points[kept], points[i], False, place)
        else:
            rest = points[kept] if place == 0 else points[kept][::-1]
            distance, share = _end_departure(np.vstack([points[i], rest])), END_AMPLIFICATION
        if distance > factor * scatter * share:
            found.append(finding("point_off_curve", structure, i + 1, distance, factor * scatter * share))
    return CurveJudgement(tuple(found), scatter)


def _odd_one(points: FloatArray, judged: Departures, closed: bool) -> tuple[int, float]:
    """The point without which the others agree best, of those farthest off, and their scatter without it: among few
    points one slip reaches into the departures of most."""
    worst = int(np.argmax(judged.scaled))
    if len(points) <= (LEAST_CLOSED if closed else LEAST_OPEN):
        return worst, judged.scatter
    tried = [int(place) for place in np.argsort(-judged.scaled)[:CANDIDATES]]
    own = [min(departures(np.delete(points, p, axis=0), closed).scatter, judged.scatter) for p in tried]
    odd = int(np.argmax([judged.scaled[p] / scatter for p, scatter in zip(tried, own, strict=True)]))
    return tried[odd], own[odd]


def _repeats(points: FloatArray, closed: bool, bound: float) -> dict[int, float]:
    """Places of points that fall on an earlier one, with their distance; the first point written again at the end
    closes a curve and is no mistake."""
    gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
    found = {}
    for j in range(1, len(points)):
        closing = closed and j == len(points) - 1 and gaps[j, 0] <= REPEATED
        if float(gaps[j, :j].min()) < bound and not closing:
            found[j] = float(gaps[j, :j].min())
    return found


def _repeated(points: FloatArray, structure: str, closed: bool, scatter: float) -> list[LandmarkFinding]:
    usual = float(np.median(np.linalg.norm(np.diff(points, axis=0), axis=1))) if len(points) > 1 else 0.0
    clear = usual > REPEATED_CLEAR * scatter
    bound = max(REPEATED, min(REPEATED_SHARE * usual, REPEATED_LARGEST)) if clear else REPEATED
    repeats = _repeats(points, closed, bound)
    return [finding("points_repeated", structure, place + 1, gap, bound) for place, gap in repeats.items()]


def judge_order(
    along: FloatArray, structure: str, scatter: float, skip: frozenset[int] = frozenset()
) -> list[LandmarkFinding]:
    """Points that step back along their curve.

    along : (n,) mm along the curve, in the reader's order (rising in the main direction); skip : point numbers
    already found off or repeated.
    """
    bound = max(BACKSTEP_LEAST, BACKSTEP * scatter)
    found = []
    for i in range(1, len(along)):
        back = float(along[i - 1] - along[i])
        if back > bound and not {i, i + 1} & skip:
            found.append(finding("points_out_of_order", structure, i + 1, back, bound))
    return found
