"""One reading judged against the image: points on the edge of blood, points in blood, and the reading as a whole.

All points LPS, mm, float64; HU. Bounds widen with the reader's own scatter (standard deviation of one coordinate, mm).
They were set on invented hearts, smooth ones and ones as rough as real scans; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.planes import facing, least_squares_plane
from outflow_geometry.image.edge_map import EdgeMap, edge_map
from outflow_geometry.image.levels import BloodLevel, blood_level
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.findings import WHOLE_READING, LandmarkFinding, Severity, finding

ON_WALL: Mapping[str, float] = {
    "mitral_ring": 5.0,
    "trigone_left": 5.0,
    "trigone_right": 5.0,
    "aortic_hinge_left": 4.5,
    "aortic_hinge_right": 4.5,
    "aortic_hinge_non": 4.5,
    "aortic_contour": 4.5,
    "aortic_ring": 4.5,
    "septum": 4.0,
    "lv_apex": 4.5,
}
"""mm; how far points of a structure may be from the edge of blood, before scatter is added. Exact points are within
1.5 mm of the coarse map's edge in the demonstration's hearts, within 5 mm where pools are wide open."""
WALL_SCATTERS = 4.2
"""Scatters of one coordinate, the one across the edge; with the bounds above they add by their squares, as what is rare
in images and what is rare in readers seldom meet."""
MAP_SCATTER = 0.4
"""mm; scatter of the coarse map itself."""

PATH_OUTSIDE = 3.5
"""mm; the path may run this far outside blood (a ridge or a papillary muscle across it), before scatter is added."""
SAMPLE_OUTSIDE = 1.5
BLOOD_SHARE, MUSCLE_SHARE = 0.25, 0.40
"""Shares of the contrast above muscle that a sample of blood must show, and by which one of muscle may differ."""

CAVITY_FROM, CAVITY_ASIDE = 20.0, 45.0
"""mm; the ventricle's cavity is core this far below the ring plane and within this of the ring's axis."""
CAVITY_END, END_DEPTH = 3.0, 1.0
BEYOND_CORE = (1.0, 5.0)
"""mm; lv_apex from where it is expected: this far beyond the cavity's farthest core along its axis. Exact apices are 2
to 4.3 mm beyond it in smooth and rough hearts. Core this little short of the farthest counts as the end too."""

OUTSIDE_SHARE, FREE_MM = 0.25, 3.0
"""Share of the ring's points that must be outside blood for the ring to be shifted; and mm in blood of a point's
neighbours where the ring lies free in a pool."""

POOL_MM = 8.0
"""mm; above and below the ring's centre, where there is blood."""

SEARCH_MM, SEARCH_STEP = 15.0, 2.5
"""mm; shifts tried to make the whole reading fit the image."""
SHIFT_LEAST = 5.0
"""mm; smaller shifts that fit better are chance or the reader's habit."""
SHIFT_GAIN = 1.2
"""mm by which the mean distance from the edges must fall for a shift to be believed."""
FAR = 6.0
"""mm; distances beyond count as this much: one slip must not look like a shift of all."""
SHIFT_POINTS = 8

Points = Mapping[str, FloatArray]
SAMPLES = ("blood_sample", "muscle_sample")


def reading_level(image: PhaseImage, landmarks: Points) -> BloodLevel | None:
    """Blood and muscle level around a reading's flow axis, its own samples not believed yet; None without one."""
    points = {name: p for name, p in landmarks.items() if name not in SAMPLES}
    try:
        return blood_level(image, build_anatomy(points, checked=False))
    except GeometryError:
        return None


def phase_edges(image: PhaseImage, readings: list[Points]) -> EdgeMap | None:
    """The edge map that the readings of a phase share, at the level most of them see; None where none sees blood."""
    levels = [level for level in (reading_level(image, points) for points in readings) if level is not None]
    if not levels:
        return None
    levels.sort(key=lambda level: level.threshold_hu)
    return edge_map(image, levels[len(levels) // 2])


def judge_against_image(landmarks: Points, edges: EdgeMap, scatter: float) -> tuple[LandmarkFinding, ...]:
    """Findings of one reading, (n, 3) mm by structure, against the image."""
    points = {n: np.atleast_2d(np.asarray(p, dtype=np.float64)) for n, p in landmarks.items() if len(p)}
    samples = _samples(points, edges, scatter)
    shift = _best_shift(points, edges)
    if shift is not None:
        bound = SHIFT_LEAST + 1.5 * scatter
        if shift > bound:
            return (*samples, finding("reading_off_image", WHOLE_READING, None, shift, bound))
    walls = _walls(points, edges, scatter)
    if not any(f.structure == "lv_apex" for f in walls):
        walls += _cavity_end(points, edges, scatter)
    return (*samples, *walls, *_path(points, edges, scatter), *_pools(points, edges))


def _widened(bound: float, scatter: float, share: float = 1.0) -> float:
    """A bound, mm, with the scatter of reader and map."""
    return float(np.hypot(bound, share * WALL_SCATTERS * np.hypot(scatter, MAP_SCATTER)))


def _walls(points: Points, edges: EdgeMap, scatter: float) -> list[LandmarkFinding]:
    found = []
    for name, least in ON_WALL.items():
        if name not in points:
            continue
        bound = _widened(least, scatter, 1.2 if name == "lv_apex" else 1.0)
        signed = edges.at(points[name])
        away = np.abs(signed)
        off = np.flatnonzero(away > bound)
        if name == "mitral_ring":
            found += _ring_walls(signed, off, bound)
            continue
        code = "apex_off_cavity_end" if name == "lv_apex" else "not_on_wall"
        found += [finding(code, name, int(i) + 1, away[i], bound) for i in off]
    return found


def _ring_walls(signed: FloatArray, off: NDArray[np.intp], bound: float) -> list[LandmarkFinding]:
    """Ring points off the edge of blood: outside blood they are suspect. Inside, a ring can be free where atrium and
    ventricle are one wide pool: a stretch of several points there is a note."""
    if 2 * len(off) > len(signed):
        outside = int(np.sum(signed[off] < 0.0))
        grave: Severity = "suspect" if outside >= OUTSIDE_SHARE * len(signed) else "note"
        middle = float(np.nanmedian(np.abs(signed)))
        return [finding("ring_off_image", "mitral_ring", None, middle, bound, severity=grave)]
    found = []
    for i in map(int, off):
        beside = min(signed[i - 1], signed[(i + 1) % len(signed)])
        severity: Severity = "note" if signed[i] > 0.0 and beside > FREE_MM else "suspect"
        found.append(finding("not_on_wall", "mitral_ring", i + 1, abs(float(signed[i])), bound, severity=severity))
    return found


def _cavity_end(points: Points, edges: EdgeMap, scatter: float) -> list[LandmarkFinding]:
    """lv_apex near the blood farthest from the ring; nothing is said where the cavity leaves the image."""
    ring, apex = points.get("mitral_ring"), points.get("lv_apex")
    if ring is None or apex is None or len(ring) < 3:
        return []
    try:
        plane = facing(least_squares_plane(ring, "mitral_ring"), apex[0])
    except GeometryError:
        return []
    index, at = edges.core
    height = plane.height(at)
    aside = np.linalg.norm(plane.project(at), axis=1)
    chosen = (height > CAVITY_FROM) & (aside < CAVITY_ASIDE)
    mask = np.zeros(edges.distance.values.shape, dtype=bool)
    mask[tuple(index[chosen].T)] = True
    labels, _ = ndimage.label(mask)
    probe = plane.point + CAVITY_FROM * plane.normal
    own = labels[tuple(index[chosen].T)]
    if not len(own):
        return []
    cavity = own[int(np.argmin(np.linalg.norm(at[chosen] - probe, axis=1)))]
    inside, places = at[chosen][own == cavity], index[chosen][own == cavity]
    border = np.any((places <= 1) | (places >= np.asarray(mask.shape) - 2), axis=1)
    ends = _ends(inside, plane)
    if np.any(border & (ends > -6.0)):
        return []
    axis = unit(inside.mean(axis=0) - plane.point)
    short = apex[0] - inside[ends > -END_DEPTH]
    along = short @ axis
    aside = short - np.clip(along, *BEYOND_CORE)[:, None] * axis
    away = float(np.linalg.norm(aside, axis=1).min())
    bound = _widened(CAVITY_END, scatter)
    return [finding("apex_off_cavity_end", "lv_apex", 1, away, bound)] if away > bound else []


def _ends(inside: FloatArray, plane: Plane) -> FloatArray:
    """How far short of the cavity's end its points (n, 3) lie, mm, 0 at the end: by distance from the ring, by height
    over its plane, or along the cavity's own axis, whichever is least; blunt and lopsided ventricles have their end
    elsewhere by each."""
    from_ring = inside - plane.point
    axis = unit(from_ring.mean(axis=0))
    reaches = (np.linalg.norm(from_ring, axis=1), from_ring @ plane.normal, from_ring @ axis)
    result: FloatArray = np.max([reach - reach.max() for reach in reaches], axis=0)
    return result


def _path(points: Points, edges: EdgeMap, scatter: float) -> list[LandmarkFinding]:
    if "outflow_path" not in points:
        return []
    away, bound = edges.at(points["outflow_path"]), _widened(PATH_OUTSIDE, scatter)
    off = np.flatnonzero(away < -bound)
    return [finding("not_in_blood", "outflow_path", int(i) + 1, -away[i], bound) for i in off]


def _samples(points: Points, edges: EdgeMap, scatter: float) -> list[LandmarkFinding]:
    """Samples of blood in blood and of muscle in muscle, by place and by HU."""
    level, found = edges.level, []
    blood, muscle = points.get("blood_sample"), points.get("muscle_sample")
    if blood is not None:
        away, hu = edges.at(blood), edges.hu(blood)
        low, high = level.muscle_hu + BLOOD_SHARE * level.contrast_hu, level.ceiling_hu
        for i in range(len(blood)):
            if away[i] < -SAMPLE_OUTSIDE or not low <= hu[i] <= high:
                found.append(finding("not_in_blood", "blood_sample", i + 1, max(-away[i], 0.0), SAMPLE_OUTSIDE))
    if muscle is not None:
        # muscle within reach of the reader's scatter is enough
        steps = scatter * np.vstack([np.zeros(3), np.eye(3), -np.eye(3)])
        around = muscle[:, None] + steps
        away, hu = edges.at(around).min(axis=1), edges.hu(around)
        bound = MUSCLE_SHARE * level.contrast_hu
        for i in range(len(muscle)):
            off = float(np.nanmin(np.abs(hu[i] - level.muscle_hu))) if np.isfinite(hu[i]).any() else np.inf
            if not off <= bound or away[i] > SAMPLE_OUTSIDE:
                found.append(finding("not_in_muscle", "muscle_sample", i + 1, off, bound))
    return found


def _pools(points: Points, edges: EdgeMap) -> list[LandmarkFinding]:
    """Blood above and below the ring's centre, within a cone of directions: one leaflet may be in the way."""
    ring, apex = points.get("mitral_ring"), points.get("lv_apex")
    if ring is None or apex is None or len(ring) < 3:
        return []
    try:
        plane = facing(least_squares_plane(ring, "mitral_ring"), apex[0])
    except GeometryError:
        return []
    turn = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    aside = 5.0 * (np.cos(turn)[:, None] * plane.u + np.sin(turn)[:, None] * plane.v)
    for side in (1.0, -1.0):
        probes = plane.point + side * POOL_MM * plane.normal + np.vstack([np.zeros(3), aside])
        hu = edges.hu(probes)
        brightest = float(np.nanmax(hu)) if np.any(np.isfinite(hu)) else None
        if brightest is not None and brightest < edges.level.threshold_hu:
            # an atrium may be missing from the image, or hold no contrast
            severity: Severity = "suspect" if side > 0.0 else "note"
            level = edges.level.threshold_hu
            return [finding("ring_between_no_pools", "mitral_ring", None, brightest, level, severity=severity)]
    return []


def _best_shift(points: Points, edges: EdgeMap) -> float | None:
    """Length, mm, of the shift that makes the whole reading fit the image clearly better; None where none does."""
    walls = [points[name] for name in ON_WALL if name in points]
    if sum(map(len, walls)) < SHIFT_POINTS or len(walls) < 4:
        return None
    steps = np.arange(-SEARCH_MM, SEARCH_MM + 0.1, SEARCH_STEP)
    shifts = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    shifts = shifts[np.linalg.norm(shifts, axis=1) <= SEARCH_MM]
    cost = np.zeros(len(shifts))
    for wall in walls:
        away = np.abs(edges.at(wall[None] + shifts[:, None]))
        cost += np.minimum(np.where(np.isnan(away), FAR, away), FAR).mean(axis=1)
    if "outflow_path" in points:
        depth = edges.at(points["outflow_path"][None] + shifts[:, None])
        cost += np.clip(1.0 - np.where(np.isnan(depth), -FAR, depth), 0.0, FAR).mean(axis=1)
    cost /= len(walls) + ("outflow_path" in points)
    here = cost[int(np.argmin(np.linalg.norm(shifts, axis=1)))]
    best = int(np.argmin(cost))
    return float(np.linalg.norm(shifts[best])) if here - cost[best] > SHIFT_GAIN else None
