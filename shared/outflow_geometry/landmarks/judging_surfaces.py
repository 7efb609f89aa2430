"""Septum, anterior leaflet and post tips of one reading. Points LPS, mm.

Bounds widen with the reader's own scatter. They were set on invented hearts (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.findings import LandmarkFinding, finding
from outflow_geometry.landmarks.judging_frame import OFF_RING, SCATTERS, Frame, to_polyline

LEAFLET_LENGTH = (8.0, 55.0)
LEAFLET_GAP = 2.5
"""Usual gaps between points of a leaflet by which its tip may be beyond the last but one: a tip that has slipped on
along the leaflet departs from no curve."""
POSTS_UNEVEN, POSTS_SCATTERS = 4.0, 1.6
"""mm, and shares of SCATTERS: how far post tips may differ in height, distance from the axis and mutual distance, these
three taken together."""
SURFACE, SURFACE_SCATTERS = 3.7, 5.9
"""mm, and scatters about the surface, that a point may depart from it."""
MOST_OFF_SURFACE = 2
"""Points that may be slips; where more depart, the septum has a ridge and the surface is no measure."""


def judge_septum(f: Frame) -> list[LandmarkFinding]:
    """Septal points on one smooth surface, beyond the ring as seen from its centre."""
    septum, centre = f.points.get("septum"), f.aorta
    if septum is None or len(septum) < 3:
        return []
    found = []
    if len(septum) >= 7:
        # a plane foretells the corners better, a surface of second order the rest
        found += _off_surface(septum, "septum", f.scatter) or _off_surface(septum, "septum", f.scatter, quadratic=False)
    if f.ring is not None and centre is not None:
        toward = centre - f.ring.point
        toward = toward - (toward @ f.ring.normal) * f.ring.normal
        length = float(np.linalg.norm(toward))
        beyond = (septum - f.ring.point) @ toward / max(length, 1e-9)
        low = 0.4 * f.radius - f.slack
        bad = {g.point_no for g in found}
        for i, value in enumerate(beyond, 1):
            if value < low and i not in bad:
                found.append(finding("septum_off_side", "septum", i, value, low))
    return found


def _off_surface(points: FloatArray, name: str, scatter: float, *, quadratic: bool = True) -> list[LandmarkFinding]:
    """Points off the surface through the others (a plane, from 10 points on one of second order), and points apart."""
    found: list[LandmarkFinding] = []
    kept = list(range(len(points)))
    while True:
        fits = [_surface(points, i, [k for k in kept if k != i], quadratic) for i in kept]
        # the point without which the others agree best
        away, own = min(fits, key=lambda fit: fit[1])
        worst = kept[int(np.argmin([fit[1] for fit in fits]))]
        bound = float(np.hypot(SURFACE, SURFACE_SCATTERS * max(own, scatter)))
        if away <= bound:
            break
        if len(found) == MOST_OFF_SURFACE:
            return []
        kept.remove(worst)
        found.append(finding("point_off_surface", name, worst + 1, away, bound))
    gaps = np.linalg.norm(points[:, None] - points[None], axis=2)
    nearest = np.sort(gaps, axis=1)[:, 1]
    bound = 3.0 * float(np.median(nearest)) + SCATTERS * scatter
    off = {f.point_no for f in found}
    apart = [i for i in np.flatnonzero(nearest > bound) if int(i) + 1 not in off]
    return found + [finding("point_off_surface", name, int(i) + 1, nearest[i], bound) for i in apart]


def _surface(points: FloatArray, place: int, others: list[int], quadratic: bool) -> tuple[float, float]:
    """Distance, mm, of a point from the surface through `others`, scaled for what that foretells badly; and their own
    scatter about it."""
    nodes = points[others]
    center = nodes.mean(axis=0)
    axes = np.linalg.svd(nodes - center)[2]
    local, own = (nodes - center) @ axes.T, (points[place] - center) @ axes.T
    quadratic = quadratic and len(nodes) >= 9

    def terms(p: FloatArray) -> FloatArray:
        x, y = p[..., 0] / 10.0, p[..., 1] / 10.0
        columns = [np.ones_like(x), x, y, *([x * x, x * y, y * y] if quadratic else [])]
        return np.stack(columns, axis=-1)

    design = terms(local)
    fit, *_ = np.linalg.lstsq(design, local[:, 2], rcond=None)
    residual = local[:, 2] - design @ fit
    spread = np.sqrt(float(residual @ residual) / max(len(nodes) - design.shape[1], 1))
    share = np.sqrt(1.0 + float(terms(own) @ np.linalg.pinv(design.T @ design) @ terms(own)))
    return abs(float(own[2] - terms(own) @ fit)) / float(share), float(spread)


def judge_leaflet(f: Frame) -> list[LandmarkFinding]:
    """The leaflet's length, its tip, and its base on the ring."""
    leaflet, ring = f.points.get("anterior_leaflet"), f.points.get("mitral_ring")
    if leaflet is None or len(leaflet) < 2:
        return []
    length = float(np.linalg.norm(np.diff(leaflet, axis=0), axis=1).sum())
    low, high = LEAFLET_LENGTH
    found = []
    if not low <= length <= high + f.slack:
        found.append(finding("leaflet_length_unusual", "anterior_leaflet", None, length, low if length < low else high))
    gaps = np.linalg.norm(np.diff(leaflet, axis=0), axis=1)
    if len(leaflet) >= 6 and float(gaps[-1]) > (most := f.widened(LEAFLET_GAP * float(np.median(gaps)), 1.4)):
        found.append(finding("point_off_curve", "anterior_leaflet", len(leaflet), gaps[-1], most))
    if ring is not None and len(ring) >= 6:
        away = to_polyline(leaflet[0], ring, closed=True)
        if away > (most := f.widened(1.5 * OFF_RING, 1.2)):
            found.append(finding("leaflet_off_ring", "anterior_leaflet", 1, away, most))
    return found


def judge_posts(f: Frame) -> list[LandmarkFinding]:
    """Three post tips: alike in height, in distance from the ring's axis and from each other."""
    tips = f.points.get("post_tip")
    if tips is None or len(tips) != 3 or f.ring is None:
        return []
    height = f.ring.height(tips)
    aside = np.linalg.norm(f.ring.project(tips), axis=1)
    sides = np.linalg.norm(tips - np.roll(tips, 1, axis=0), axis=1)
    bound = f.widened(POSTS_UNEVEN, POSTS_SCATTERS)
    spreads = [float(np.ptp(values)) for values in (height, aside, sides / np.sqrt(3.0))]
    uneven = float(np.linalg.norm(spreads))
    if uneven <= bound:
        return []
    worst = int(np.argmax(np.abs(height - np.median(height)) + np.abs(aside - np.median(aside))))
    return [finding("post_tips_uneven", "post_tip", worst + 1, uneven, bound)]
