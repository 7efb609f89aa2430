"""One reading judged by itself: sizes, sides, order and smoothness of its landmarks.

All points LPS, mm, float64; angles degrees. Bounds widen with the reader's own scatter. They were set on invented
hearts and published ranges where named; the rest is common practice without a source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from outflow_geometry.base.contours import CROSSING_SHARE, polygon_area
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.planes import angle_between, least_squares_plane, triangle_angles_and_sides
from outflow_geometry.landmarks.findings import LandmarkFinding, finding
from outflow_geometry.landmarks.judging_curves import (
    Places,
    Scatter,
    judge_curve,
    judge_order,
    judge_places,
    pooled_scatter,
    sound_departures,
)
from outflow_geometry.landmarks.judging_frame import (
    HINGE_NAMES,
    OFF_RING,
    SCATTERS,
    USUAL_SCATTER,
    Frame,
    Points,
    frame_of,
    to_polyline,
)
from outflow_geometry.landmarks.judging_names import judge_names
from outflow_geometry.landmarks.judging_surfaces import judge_leaflet, judge_posts, judge_septum

CLOSED, OPEN = ("mitral_ring", "aortic_contour", "aortic_ring"), ("outflow_path", "anterior_leaflet")
RING_DIAMETER = (14.0, 65.0)
"""mm; annuli of 25 to 45 mm (Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697), rings in place down to 18 mm
and dilated ones, widened on both sides."""
HINGE_ANGLE, HINGE_ANGLE_SCATTER = 22.0, 4.7
"""deg; how far an angle of the hinge triangle may depart from 60, and more by 5 times 4.7 deg per mm of scatter (the
standard deviation of an angle of a triangle with sides of 21 mm)."""
HINGE_SIDE = (10.0, 45.0)
"""mm; sides of the hinge triangle of annuli of 12 to 52 mm."""
OPENING = (85.0, 175.0)
"""deg; 129.7 +- 10.5 in systole (Theriault-Lauzier 2016, EuroIntervention), 107 +- 10 with obstruction; four standard
deviations, less near 180."""
OBLIQUE = 22.0
"""deg; path against aortic normal (common practice, no source)."""
PATH_NEAR, PATH_BACKWARD = 20.0, 0.35
"""mm from the aortic centre where the path's direction is asked, and how far against the aortic normal it may run."""
CLEARLY_BELOW = 6.0
"""mm from the ring plane from which a structure of the ventricle tells on which side that is."""
APEX_DISTANCE = (30.0, 150.0)
APEX_AXIS = 40.0
"""mm and deg; apex from the ring centre, and away from the ring's axis (common practice, no source)."""
TRIGONE_ANGLE = (10.0, 80.0)
"""deg; trigones about the ring centre, from the direction of the aorta; an intertrigonal distance of 0.9 of the
septal-lateral diameter (Noack 2019, Eur J Cardiothorac Surg 56:1130: ratio 1.11) is 54 deg."""
OFF_CONTOUR = 3.0
"""mm; hinges from the traced annulus, before scatter is added."""


@dataclass(frozen=True)
class ReadingJudgement:
    """Findings of one reading, and its reader's own scatter (standard deviation of one coordinate, mm)."""

    findings: tuple[LandmarkFinding, ...]
    scatter: float


def judge_reading(landmarks: Points, *, names_known: bool = True) -> ReadingJudgement:
    """Judge the landmarks of one reading, (n, 3) mm by structure; nothing raises for bad geometry.

    names_known : False where the study names hinges otherwise than anatomy: then names are no more than noted.

    A round ring of sixteen points, of which one was clicked 9 mm off the curve (invented):

    >>> t = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    >>> ring = 15.0 * np.stack([np.cos(t), np.sin(t), 0.0 * t], axis=1)
    >>> ring[4] *= 1.6
    >>> judged = judge_reading({"mitral_ring": ring, "lv_apex": np.array([[0.0, 0.0, -70.0]])})
    >>> [(f.structure, f.point_no, f.code) for f in judged.findings]
    [('mitral_ring', 5, 'point_off_curve')]
    """
    points = {n: np.atleast_2d(np.asarray(p, dtype=np.float64)) for n, p in landmarks.items() if len(p)}
    known = pooled_scatter([sound_departures(*curve) for curve in _sorted_curves(points)])
    pooled = Scatter(USUAL_SCATTER, 0) if known is None else known
    scatter = pooled.value
    closed = [_closed(points[n], n, pooled) for n in CLOSED if n in points and len(points[n]) >= 3]
    curves = closed + [_open(points[n], n, pooled) for n in OPEN if n in points and len(points[n]) >= 3]
    found = [f for curve in curves for f in curve]
    bad_ring = {f.point_no for f in found if f.structure == "mitral_ring"}
    frame = frame_of(points, bad_ring, scatter)
    for check in (_ring, _aorta, _apex, _trigones, _path, judge_septum, judge_leaflet, judge_posts):
        found += check(frame)
    names = judge_names(frame, _apex_behind(frame))
    found += names if names_known else [replace(f, severity="note") for f in names]
    return ReadingJudgement(tuple(found), scatter)


# ---------------------------------------------------------------------- curves
def _sorted_curves(points: Points) -> list[tuple[FloatArray, FloatArray, bool]]:
    """Points of each curve, their places along it, and whether it is closed."""
    found = []
    for name in (n for n in CLOSED if n in points and len(points[n]) >= 3):
        around = _around(points[name])
        if around is not None:
            found.append((points[name], around[1], True))
    for name in (n for n in OPEN if n in points and len(points[n]) >= 3):
        found.append((points[name], np.arange(len(points[name]), dtype=np.float64), False))
    return found


def _around(points: FloatArray) -> tuple[FloatArray, FloatArray, float] | None:
    """Points of a closed curve in their plane (n, 2), their angles about its middle (n,), and the usual radius, mm."""
    try:
        plane = least_squares_plane(points, "curve")
    except GeometryError:
        return None
    flat = plane.project(points)
    middle = np.median(flat, axis=0)
    angles = np.arctan2(*(flat - middle).T[::-1])
    return flat, angles, float(np.median(np.linalg.norm(flat - middle, axis=1)))


def _closed(points: FloatArray, name: str, pooled: Scatter) -> list[LandmarkFinding]:
    """Points of a closed curve in order around its middle."""
    around = _around(points)
    if around is None:
        return []
    flat, angles, radius = around
    if name == "aortic_ring":
        # its points may come in any order
        return list(judge_curve(points, name, angles, closed=True, pooled=pooled).findings)
    steps = (np.diff(angles) + np.pi) % (2.0 * np.pi) - np.pi
    along = np.concatenate([[0.0], np.cumsum(steps)]) * radius * (1.0 if np.median(steps) >= 0.0 else -1.0)
    places = Places(along, 2.0 * np.pi * radius)
    judged = judge_curve(points, name, angles, closed=True, pooled=pooled, places=places)
    skip = frozenset(f.point_no for f in judged.findings if f.point_no is not None)
    found = [*judged.findings, *judge_order(along, name, judged.scatter, skip)]
    found += [] if found else judge_places(places, name, judged.scatter)
    return found if found or not _crosses(flat) else [finding("curve_crosses_itself", name)]


def _crosses(flat: FloatArray) -> bool:
    """Whether the closed polygon (n, 2) crosses itself by more than a small loop of noisy dense points."""
    polygon = shapely.Polygon(flat) if len(flat) >= 4 else None
    if polygon is None or polygon.is_valid:
        return False
    enclosed = float(shapely.make_valid(polygon).area)
    return abs(enclosed - abs(polygon_area(flat))) > max(CROSSING_SHARE, 0.02) * enclosed


def _open(points: FloatArray, name: str, pooled: Scatter) -> list[LandmarkFinding]:
    """Points of an open curve, in the reader's order."""
    places = Places(_along(points), None)
    number = np.arange(len(points), dtype=np.float64)
    judged = judge_curve(points, name, number, closed=False, pooled=pooled, places=places)
    if any(f.point_no is not None for f in judged.findings):
        return list(judged.findings)
    back = judge_order(places.along, name, judged.scatter) or judge_places(places, name, judged.scatter)
    return [*judged.findings, *back]


def _along(points: FloatArray) -> FloatArray:
    """Places (n,), mm, of points along a smooth line that follows the reader's numbering: a cubic in the numbering,
    fitted again with less weight for points far off, so that one swapped pair does not bend it."""
    if len(points) < 5:
        axis = np.linalg.svd(points - points.mean(axis=0))[2][0]
        along: FloatArray = points @ axis
        return along if along[-1] >= along[0] else -along
    number = np.arange(len(points), dtype=np.float64)
    weights = np.ones(len(points))
    for _ in range(3):
        fit = np.polynomial.polynomial.polyfit(number, points, 3, w=weights)
        away = np.linalg.norm(np.polynomial.polynomial.polyval(number, fit).T - points, axis=1)
        weights = 1.0 / np.maximum(1.0, away / max(2.0 * float(np.median(away)), 0.5)) ** 2
    fine = np.linspace(-1.0, len(points), 20 * (len(points) + 1) + 1)
    curve = np.polynomial.polynomial.polyval(fine, fit).T
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    nearest = np.argmin(np.linalg.norm(points[:, None] - curve[None], axis=2), axis=1)
    result: FloatArray = length[nearest]
    return result


# ---------------------------------------------------------------------- ring, aorta and what is between
def _ring(f: Frame) -> list[LandmarkFinding]:
    if f.ring is None:
        return []
    low, high = RING_DIAMETER
    size = 2.0 * f.radius
    if size < low:
        return [finding("ring_size_unusual", "mitral_ring", None, size, low)]
    return [finding("ring_size_unusual", "mitral_ring", None, size, high)] if size > high else []


def _aorta(f: Frame) -> list[LandmarkFinding]:
    """Shape and size of the hinge triangle, hinges on the traced annulus, aorta beside the ring, angle, path."""
    found: list[LandmarkFinding] = []
    if f.hinges is not None:
        found += _hinge_triangle(f.hinges, f.scatter)
        found += _hinges_on_contour(f)
    centre = f.aorta
    if centre is None or f.ring is None:
        return found
    away = float(np.linalg.norm(centre - f.ring.point))
    low, high = 0.6 * f.radius, f.radius + 40.0
    if not low <= away <= high + f.slack:
        found.append(finding("annulus_against_ring", "mitral_ring", None, away, low if away < low else high + f.slack))
    normal = f.downstream
    if normal is None:
        return found
    if "lv_apex" in f.points:
        opening = angle_between(normal, f.ring.normal)
        low, high = OPENING[0] - 4.0 * f.slack, OPENING[1]
        if opening < low:
            found += [finding("angle_unusual", name, None, opening, low) for name in _aortic_names(f)]
    found += _oblique(f, normal)
    return found


def _aortic_names(f: Frame) -> tuple[str, ...]:
    return HINGE_NAMES if f.hinges is not None else ("aortic_ring",)


def _hinge_triangle(hinges: FloatArray, scatter: float) -> list[LandmarkFinding]:
    angles, sides = triangle_angles_and_sides(hinges)
    bound = float(np.hypot(HINGE_ANGLE, SCATTERS * HINGE_ANGLE_SCATTER * scatter))
    worst = int(np.argmax(np.abs(angles - 60.0)))
    found = []
    if abs(angles[worst] - 60.0) > bound:
        found = [
            finding("hinge_triangle_unusual", name, 1, angles[i], 60.0 + np.sign(angles[worst] - 60.0) * bound)
            for i, name in enumerate(HINGE_NAMES)
        ]
    low, high = HINGE_SIDE
    for i in range(3):
        if not low <= sides[i] <= high:
            ends = [HINGE_NAMES[(i + 1) % 3], HINGE_NAMES[(i + 2) % 3]]
            found += [finding("annulus_size_unusual", n, 1, sides[i], low if sides[i] < low else high) for n in ends]
    return found


def _hinges_on_contour(f: Frame) -> list[LandmarkFinding]:
    contour = f.points.get("aortic_contour")
    if contour is None or len(contour) < 6 or f.hinges is None:
        return []
    bound = f.widened(OFF_CONTOUR, 1.2)
    away = [to_polyline(hinge, contour, closed=True) for hinge in f.hinges]
    pairs = zip(HINGE_NAMES, away, strict=True)
    return [finding("hinge_off_contour", name, 1, d, bound) for name, d in pairs if d > bound]


def _oblique(f: Frame, normal: FloatArray) -> list[LandmarkFinding]:
    """The path meets the aortic plane about at right angles."""
    path, centre = f.points.get("outflow_path"), f.aorta
    if path is None or len(path) < 5 or centre is None:
        return []
    near = path[np.linalg.norm(path - centre, axis=1) < 16.0]
    if len(near) < 3:
        return []
    axis = np.linalg.svd(near - near.mean(axis=0))[2][0]
    length = float(np.ptp(near @ axis))
    if length < 10.0:
        return []
    tilt = angle_between(axis, normal)
    tilt = min(tilt, 180.0 - tilt)
    # normal of three hinges at radius 12 and direction of a line of n points: both scatter by about scatter / length
    error = np.degrees(f.scatter) * np.hypot(1.0 / 10.0, 3.0 / (length * np.sqrt(len(near))))
    bound = OBLIQUE + SCATTERS * float(error)
    return [finding("annulus_oblique", name, None, tilt, bound) for name in _aortic_names(f)] if tilt > bound else []


# ---------------------------------------------------------------------- ventricle
def _heights(f: Frame) -> list[float]:
    """Heights, mm, over the ring plane (toward the apex) of structures that are in the ventricle; samples of blood may
    lie in any left-sided pool."""
    if f.ring is None:
        return []
    found = [float(np.median(f.ring.height(f.points["post_tip"])))] if "post_tip" in f.points else []
    if "septum" in f.points and f.aorta is not None:
        # the septal point farthest from the annulus: the nearest may be above the ring plane
        septum = f.points["septum"]
        found.append(float(f.ring.height(septum[int(np.argmax(np.linalg.norm(septum - f.aorta, axis=1)))])))
    for name, end in (("outflow_path", 0), ("anterior_leaflet", -1)):
        if name in f.points and len(f.points[name]) > 1:
            found.append(float(f.ring.height(f.points[name][end])))
    return [h for h in found if abs(h) > CLEARLY_BELOW]


def _apex_behind(f: Frame) -> bool:
    """Whether what is in the ventricle is on the other side of the ring than lv_apex."""
    heights = _heights(f)
    return len(heights) > 0 and sum(h < 0.0 for h in heights) > len(heights) / 2


def _apex(f: Frame) -> list[LandmarkFinding]:
    apex = f.one("lv_apex")
    if apex is None or f.ring is None:
        return []
    between = apex - f.ring.point
    away = float(np.linalg.norm(between))
    low, high = APEX_DISTANCE
    found = []
    if _apex_behind(f):
        found.append(finding("apex_on_atrial_side", "lv_apex", 1, float(np.median(_heights(f))), 0.0))
    if not low <= away <= high:
        found.append(finding("apex_distance_unusual", "lv_apex", 1, away, low if away < low else high))
    elif (tilt := angle_between(between, f.ring.normal)) > APEX_AXIS + 2.0 * f.slack:
        found.append(finding("apex_off_axis", "lv_apex", 1, tilt, APEX_AXIS + 2.0 * f.slack))
    return found


def _trigones(f: Frame) -> list[LandmarkFinding]:
    """Trigones lie on the ring, on either side of the aorta."""
    left, right, centre = f.one("trigone_left"), f.one("trigone_right"), f.aorta
    if left is None or right is None or f.ring is None:
        return []
    ring = f.points["mitral_ring"]
    bound = f.widened(OFF_RING, 1.2)
    found = []
    for name, point in (("trigone_left", left), ("trigone_right", right)):
        away = to_polyline(point, ring, closed=True) if len(ring) >= 6 else 0.0
        if away > bound:
            found.append(finding("trigone_off_ring", name, 1, away, bound))
    if centre is None or found:
        return found
    flat = f.ring.project(np.stack([left, right, centre]))
    turned = np.degrees(np.arctan2(flat[:, 1], flat[:, 0]))
    sides = [(t - turned[2] + 180.0) % 360.0 - 180.0 for t in turned[:2]]
    error = np.degrees(SCATTERS * f.scatter / max(f.radius, 5.0))
    low, high = TRIGONE_ANGLE[0] - error, TRIGONE_ANGLE[1] + 0.5 * error
    for name, side, other in (("trigone_left", sides[0], sides[1]), ("trigone_right", sides[1], sides[0])):
        # away from the other one: negative where both are on one side of the aorta
        apart = float(-np.sign(other) * side)
        if not low <= apart <= high:
            found.append(finding("trigones_misplaced", name, 1, apart, low if apart < low else high))
    uneven, most = abs(abs(sides[0]) - abs(sides[1])), float(np.hypot(25.0, 1.4 * error))
    if uneven > most and not found:
        found += [finding("trigones_misplaced", n, 1, uneven, most) for n in ("trigone_left", "trigone_right")]
    return found


def _path(f: Frame) -> list[LandmarkFinding]:
    """The path runs from the ventricle through the aortic annulus."""
    path, centre = f.points.get("outflow_path"), f.aorta
    if path is None or len(path) < 2 or centre is None:
        return []
    found = []
    back = _backward(path, centre, f)
    if back is not None:
        found.append(finding("path_reversed", "outflow_path", None, back, 0.0))
    away = to_polyline(centre, path, closed=False)
    bound = 9.0 + f.slack
    if away > bound:
        found.append(finding("path_misses_aorta", "outflow_path", None, away, bound))
    return found


def _backward(path: FloatArray, centre: FloatArray, f: Frame) -> float | None:
    """Length, mm, by which the path runs upstream where it passes the annulus; None where it runs downstream."""
    normal, away = f.downstream, np.linalg.norm(path - centre, axis=1)
    if normal is None:
        back = float(away[-1] - away[0])
        return back if back > f.slack else None
    nearest = int(np.argmin(away))
    near = np.flatnonzero(away <= max(PATH_NEAR, float(away[nearest]) + 1.0))
    first, last = min(int(near[0]), max(nearest - 1, 0)), max(int(near[-1]), min(nearest + 1, len(path) - 1))
    step = path[last] - path[first]
    backward = float(unit(step) @ normal) < -PATH_BACKWARD if np.any(step) else False
    return float(np.linalg.norm(step)) if backward else None
