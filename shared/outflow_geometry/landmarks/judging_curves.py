"""Points of one curve or surface against the others of the same: leave-one-out, in units of the reader's own scatter.

All points LPS, mm, float64.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.findings import LandmarkFinding, finding
from outflow_geometry.landmarks.foretelling import distance_at_gaps

LEAST_CLOSED, LEAST_OPEN = 7, 5
"""Points from which a curve through the others foretells one: with fewer the gap is as wide as the ring itself."""

OWN_SCATTER_FLOOR = 0.35
"""mm; a reader is not taken to be steadier than this: the curve itself errs by some tenths between its points."""

DEPARTURE, DEPARTURE_FEW = 5.3, 4.0
"""Scatters beyond which a point is off its curve: 5.3 (1 + 4 / n), n the points that tell the scatter. Distances in two
coordinates pass 4.4 scatters once in 16,000 points; the rest is for the scatter, which n points give only roughly. Set
on invented hearts."""

BACKSTEP = 5.3
"""Own scatters, and BACKSTEP_LEAST mm, by which a point may step back along its curve."""
BACKSTEP_LEAST = 2.5
SLID, SLID_SHARE, SLID_POINTS = 5.2, 0.8, 7
"""Scatters by which a point may be from the middle between its neighbours along the curve, where it also has come this
share of the way to one of them, on curves of this many points; readers who set their points unevenly are judged by
their own unevenness."""
SLID_AT_ALL, SLID_LEAST, SLID_MOST = 0.5, 2.8, 3.9
"""Share of the way, and scatters, from which a slide counts beside a departure, and most scatters that it counts for:
alone it must not make a point of an uneven reader suspect."""
OWN_SHARE = 0.75
"""Share of a curve's own scatter that counts where all curves of the reading tell one."""
CLEARLY_OFF = 4.0
"""Own scatters from which a point is left out of the pooled scatter."""
CLOSING = 0.1
"""mm around a closed curve: the first point written again at its end."""
HUBER = 2.2
"""Scatters beyond which departures are not counted in full in the pooled scatter."""

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

NORMAL_MEDIAN = 0.6745
"""Median of the size of a normal deviate."""
RAYLEIGH_MEDIAN = 1.1774
"""Median of a distance in two coordinates of unit standard deviation (sqrt(2 ln 2))."""

END_AMPLIFICATION, END_BEND = 1.6, 4.0
"""How much more than its own scatter the end of an open curve departs from where the next points lead (the line through
points at 1 to 4 steps, one step on: variance 1 + 1/4 + 2.5^2 / 5 = 2.5), and mm that a path may bend there besides."""
END_BEND_SHARE = 0.6
"""Share of the step between its next two points by which a path of few points may bend at its end, if that is more."""

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
    inner = np.arange(n) if closed else np.arange(1, n - 1)
    distance, amplification = np.zeros(n), np.full(n, END_AMPLIFICATION)
    distance[inner], amplification[inner] = distance_at_gaps(points, inner, closed)
    if closed:
        return Departures(distance, amplification)
    both = (points, points[::-1])
    distance[[0, -1]] = [_beyond_bend(_end_departure(onward), _end_bend(onward)) for onward in both]
    return Departures(distance, amplification, (_straight_on(points), _straight_on(both[1])))


def _end_bend(points: FloatArray) -> float:
    """How far, mm, a curve may bend before its first point."""
    return max(END_BEND, END_BEND_SHARE * float(np.linalg.norm(points[2] - points[1])))


def _beyond_bend(distance: float, bend: float) -> float:
    """The part of an end's departure that no bend explains, mm: a bend and scatter add by their squares."""
    return float(np.sqrt(max(distance**2 - bend**2, 0.0)))


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
    normal = _cross(a, b)
    size = float(normal @ normal)
    if size < 1e-6 * float(a @ a) * float(b @ b):
        return float("inf")
    # circumcentre of a triangle from one corner: (|a|^2 b - |b|^2 a) x (a x b) / (2 |a x b|^2)
    center = three[0] + _cross((a @ a) * b - (b @ b) * a, normal) / (2.0 * size)
    radius = float(np.linalg.norm(three[0] - center))
    if radius < NARROWEST_BEND:
        return float("inf")
    axis = normal / np.sqrt(size)
    height = float((point - center) @ axis)
    return float(np.hypot(height, np.linalg.norm(point - center - height * axis) - radius))


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross product of two vectors (3,): numpy's own takes ten times as long over one pair."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


@dataclass(frozen=True)
class Scatter:
    """Standard deviation of one coordinate of a reader's points, mm, and the points that tell it."""

    value: float
    points: int

    @property
    def factor(self) -> float:
        """Scatters beyond which a point is off."""
        return DEPARTURE * (1.0 + DEPARTURE_FEW / max(self.points, 1))

    def beside(self, own: float) -> float:
        """The scatter, mm, by which a curve is judged whose own scatter is `own`, which a slip may have raised."""
        return max(self.value, OWN_SHARE * own)


@dataclass(frozen=True)
class CurveJudgement:
    """Findings of one curve, and the scatter, mm, it was judged by."""

    findings: tuple[LandmarkFinding, ...]
    scatter: float


def sound_departures(points: FloatArray, order: FloatArray, closed: bool) -> FloatArray:
    """Departures of a curve's inner points in mm of one point's own scatter, without a point that is clearly off, whose
    slip is also in its neighbours' departures; none where there are too few points. order : see `judge_curve`."""
    again = _repeats(points, closed, REPEATED)
    kept = [int(i) for i in np.argsort(order, kind="stable") if int(i) not in again]
    least = LEAST_CLOSED if closed else LEAST_OPEN
    if len(kept) < least:
        return np.zeros(0)
    judged = departures(points[kept], closed)
    worst = int(np.argmax(judged.scaled))
    if len(kept) > least and judged.scaled[worst] > CLEARLY_OFF * judged.scatter:
        judged = departures(np.delete(points[kept], worst, axis=0), closed)
    return judged.scaled if closed else judged.scaled[1:-1]


def pooled_scatter(departures_of_curves: Sequence[FloatArray]) -> Scatter | None:
    """The reader's scatter over all curves of a reading: many points tell it better than those of one curve, of which
    a slip may be one; None where no curve tells any."""
    every = np.concatenate([np.zeros(0), *departures_of_curves])
    if not len(every):
        return None
    scale = max(float(np.median(every)) / RAYLEIGH_MEDIAN, OWN_SCATTER_FLOOR)
    # Huber 1981, Robust statistics, 5.2, proposal 2: squares of two coordinates, those beyond HUBER not counted in full
    usual = 2.0 * (1.0 - np.exp(-(HUBER**2) / 2.0))
    for _ in range(10):
        scale *= float(np.sqrt(np.mean(np.minimum((every / scale) ** 2, HUBER**2)) / usual))
        scale = max(scale, OWN_SCATTER_FLOOR)
    return Scatter(scale, len(every))


@dataclass(frozen=True)
class Places:
    """Where points lie along their curve in the reader's order: (n,) mm, and mm around a closed one."""

    along: FloatArray
    period: float | None

    def slides(self, scatter: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of each point: mm from the middle between its neighbours (n,), that in units of what is usual in this curve
        (n,), and as a share of the way to a neighbour (n,); 0 for the ends of an open curve and on short curves."""
        n = len(self.along)
        away, share, unit = np.zeros(n), np.zeros(n), np.ones(n)
        if n < SLID_POINTS:
            return away, away, share
        if self.period is not None and abs(self.along[-1] - self.along[0] - self.period) < CLOSING:
            # the first point written again
            rest = Places(self.along[:-1], self.period).slides(scatter)
            away, unit, share = (np.append(values, 0.0) for values in rest)
            return away, unit, share
        inner = slice(None) if self.period is not None else slice(1, -1)
        before, here, after = self.along[:-2], self.along[1:-1], self.along[2:]
        if self.period is not None:
            here = self.along
            before = np.concatenate([[here[-1] - self.period], here[:-1]])
            after = np.concatenate([here[1:], [here[0] + self.period]])
        away[inner] = np.abs(here - (before + after) / 2.0)
        share[inner] = away[inner] / np.maximum(np.abs(after - before) / 2.0, 1e-6)
        # a place and the middle of two others: variance 1 + 1/2
        unit *= max(float(np.median(away[inner])) / NORMAL_MEDIAN, np.sqrt(1.5) * scatter)
        return away, away / unit, share


def judge_curve(
    points: FloatArray,
    structure: str,
    order: FloatArray,
    *,
    closed: bool,
    pooled: Scatter,
    places: Places | None = None,
) -> CurveJudgement:
    """Points off their curve, or repeated.

    Parameters
    ----------
    points : (n, 3), mm, as numbered by the reader.
    order : (n,) places of the points along the curve, such as angles about its centre; sorts them for the curve
        itself, so that a wrong order does not show as a departure.
    pooled : the reader's scatter over all curves; where this curve is rougher, its own counts.
    places : where the points lie along the curve, if the reader's order counts: a point that has also slid along is off
        at a smaller distance.
    """
    again = _repeats(points, closed, REPEATED)
    kept = [int(i) for i in np.argsort(order, kind="stable") if int(i) not in again]
    least = LEAST_CLOSED if closed else LEAST_OPEN
    factor = Scatter(0.0, max(len(points), pooled.points)).factor
    off: list[int] = []
    judged = departures(points[kept], closed) if len(kept) >= least else None
    slid = np.zeros(len(points))
    if places is not None and judged is not None:
        _, scaled, share = places.slides(pooled.value)
        slid = np.where((share > SLID_AT_ALL) & (scaled > SLID_LEAST), np.minimum(scaled, SLID_MOST), 0.0)
    while judged is not None and len(off) <= len(points) // 4:
        worst, own = _odd_one(points[kept], judged, closed, slid[kept], pooled)
        if np.hypot(judged.scaled[worst] / own, slid[kept[worst]]) <= factor:
            break
        off.append(kept.pop(worst))
        judged = departures(points[kept], closed) if len(kept) >= least else None
    usual = pooled.value if judged is None else pooled.beside(judged.scatter)
    found = _repeated(points, structure, closed, usual)
    for i in off:
        place = int(np.searchsorted(order[kept], order[i]))
        among = np.insert(points[kept], place, points[i], axis=0)
        bound = float(np.sqrt(factor**2 - slid[i] ** 2)) * usual
        if closed or 0 < place < len(kept):
            away, share = distance_at_gaps(among, np.array([place]), closed)
            distance, most = float(away[0]), bound * float(share[0])
        else:
            onward = among if place == 0 else among[::-1]
            distance = _end_departure(onward)
            most = float(np.hypot(_end_bend(onward), bound * END_AMPLIFICATION))
        if distance > most:
            found.append(finding("point_off_curve", structure, i + 1, distance, most))
    return CurveJudgement(tuple(found), usual)


def _odd_one(
    points: FloatArray, judged: Departures, closed: bool, slid: FloatArray, pooled: Scatter
) -> tuple[int, float]:
    """The point without which the others agree best, of those farthest off, and the scatter to judge it by: among few
    points one slip reaches into the departures of most. slid : (n,) scatters by which points have slid along."""
    away = np.hypot(judged.scaled, slid * pooled.beside(judged.scatter))
    worst = int(np.argmax(away))
    if len(points) <= (LEAST_CLOSED if closed else LEAST_OPEN):
        return worst, pooled.beside(judged.scatter)
    tried = [int(place) for place in np.argsort(-away)[:CANDIDATES]]
    without = [departures(np.delete(points, p, axis=0), closed).scatter for p in tried]
    own = [pooled.beside(min(scatter, judged.scatter)) for scatter in without]
    odd = int(np.argmax([np.hypot(judged.scaled[p] / scatter, slid[p]) for p, scatter in zip(tried, own, strict=True)]))
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


def judge_places(places: Places, structure: str, scatter: float) -> list[LandmarkFinding]:
    """Points that have slid along their curve onto or past a neighbour, which no distance from the curve shows."""
    away, scaled, share = places.slides(scatter)
    slid = np.flatnonzero((scaled > SLID) & (share > SLID_SHARE))
    return [
        finding("point_slid", structure, int(i) + 1, away[i], away[i] * max(SLID / scaled[i], SLID_SHARE / share[i]))
        for i in slid
    ]
