"""Where the landmarks of an invented heart truly are. Points LPS, mm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from outflow_cohort.demo.anatomy import FUNNEL, HeartPhase
from outflow_cohort.demo.chambers import Chambers
from outflow_cohort.demo.shapes import Array

PATH_POINTS = 13
LEAFLET_POINTS = 7
SEPTUM_DEPTHS = (5.0, 9.0, 13.0, 17.0)
SEPTUM_ASIDE = (-5.0, 0.0, 5.0)
"""mm upstream of the aortic plane and across, where readers mark the septum."""
TRACE_POINTS = 24


def chambers_at(heart: HeartPhase, local: Array) -> Chambers:
    """Shapes of the heart at local points (..., 3)."""
    return Chambers(heart, *(np.ascontiguousarray(local[..., i]) for i in range(3)))


class OutflowCurve:
    """The true outflow path, local coordinates: a cubic Bezier from the ventricle to the aortic centre, arriving
    along the aortic normal, then straight on. Stations are arc lengths, 0 at the aortic centre, negative upstream.
    """

    STEPS = 4000
    BEYOND = 12.0

    def __init__(self, heart: HeartPhase) -> None:
        normal, end = heart.aortic_axes[2], heart.aortic_center
        depth = 0.62 * heart.lv_length
        cu, cv = heart.septal_way
        wall = heart.from_aortic(cu * heart.septal_wall, cv * heart.septal_wall, -heart.case.bulge_below)
        reach = heart.to_ventricle(wall[0], wall[1])[0]
        radius, _, _, shift = heart.lv_axes
        start = heart.from_ventricle(np.array([shift + min(8.0, 0.45 * radius), 0.0, depth]))
        second = heart.from_ventricle(np.array([float(reach) - heart.case.path_depth, 0.0, 0.5 * depth]))
        self._control = np.stack([start, second, end - 9.0 * normal, end])
        self._normal = normal
        t = np.linspace(0.0, 1.0, self.STEPS + 1)
        speed = np.linalg.norm(self._slope(t), axis=1)
        # Simpson on each step
        middle = np.linalg.norm(self._slope(t[:-1] + 0.5 / self.STEPS), axis=1)
        length = np.concatenate([[0.0], np.cumsum((speed[:-1] + 4.0 * middle + speed[1:]) / (6.0 * self.STEPS))])
        self._t, self._station = t, length - length[-1]

    @property
    def first(self) -> float:
        """Most upstream station, mm."""
        return float(self._station[0])

    def _slope(self, t: Array) -> Array:
        p = self._control
        w = (3.0 * (1 - t) ** 2, 6.0 * (1 - t) * t, 3.0 * t**2)
        result: Array = sum(wi[:, None] * (p[i + 1] - p[i]) for i, wi in enumerate(w))
        return result

    def at(self, stations: ArrayLike) -> tuple[Array, Array]:
        """Points and unit tangents (n, 3), local, at stations (n,)."""
        s = np.atleast_1d(np.asarray(stations, dtype=np.float64))
        t = np.interp(np.minimum(s, 0.0), self._station, self._t)
        p = self._control
        w = ((1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t**2, t**3)
        points = sum(wi[:, None] * p[i] for i, wi in enumerate(w))
        points = points + np.maximum(s, 0.0)[:, None] * self._normal
        slope = self._slope(t)
        return points, slope / np.linalg.norm(slope, axis=1, keepdims=True)


def septal_edge(heart: HeartPhase, v: ArrayLike, s: ArrayLike) -> Array:
    """Local points (n, 3) of the septal endocardium at aortic coordinates v, s (n,), by bisection to 1e-6 mm."""
    v, s = (np.asarray(a, dtype=np.float64) for a in (v, s))
    low, high = np.full(v.shape, 0.0), np.full(v.shape, 40.0)
    for _ in range(28):
        middle = 0.5 * (low + high)
        inside = chambers_at(heart, heart.from_aortic(middle, v, s)).ventricle < 0.0
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return heart.from_aortic(0.5 * (low + high), v, s)


def anterior_leaflet(heart: HeartPhase) -> Array:
    """Middle line (n, 3), local, of the anterior leaflet from base to tip, its length the case's in every phase."""
    base = np.array([heart.ring.points(0.0)[0], 0.0, 0.0])
    length = heart.case.leaflet_length
    if not heart.valve_closed:
        tip = base + heart.leaflet_depth * np.array([-FUNNEL * base[0] / 24.0, 0.0, 1.0])
        result: Array = base + np.linspace(0.0, 1.0, LEAFLET_POINTS)[:, None] * (tip - base)
        return result
    # closed: along the sheet that fills the ring
    result = base - np.linspace(0.0, length, LEAFLET_POINTS)[:, None] * np.array([1.0, 0.0, 0.0])
    return result


def _muscle_depth(heart: HeartPhase, points: Array) -> Array:
    """Depth (n,), mm, of local `points` (n, 3) in the muscle of the left ventricle, away from all blood."""
    parts = chambers_at(heart, points)
    return np.minimum(-parts.muscle, np.minimum(parts.left_blood, parts.right_blood))


def _within(points: Array, depth: Callable[[Array], Array], least: float) -> Array:
    """Points (n, 3) at least `least` mm inside a tissue: as given, or the deepest place within 9 mm of them."""
    steps = np.linspace(-9.0, 9.0, 7)
    around = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    found = points.copy()
    for n in np.flatnonzero(depth(points) < least):
        nearby = points[n] + around
        found[n] = nearby[int(np.argmax(depth(nearby)))]
    return found


def true_landmarks(heart: HeartPhase) -> dict[str, Array]:
    """Every structure of one phase, (n, 3) LPS, in the order of the study's contract."""
    ring = heart.ring
    ru, rv = heart.annulus_axes
    hinge = np.radians(heart.sinus_angles)
    trigone = np.radians(heart.case.trigone_angle)
    s, v = (a.ravel() for a in np.meshgrid(-np.array(SEPTUM_DEPTHS), SEPTUM_ASIDE, indexing="ij"))
    curve = OutflowCurve(heart)
    path, _ = curve.at(np.linspace(curve.first, 7.0, PATH_POINTS))
    shift, half = heart.lv_axes[3], 0.45 * heart.lv_length
    muscle_depth = heart.lv_axes[1] + 0.5 * heart.case.lv_wall
    contour = np.arange(16) * (2 * np.pi / 16)
    local = {
        "mitral_ring": ring.even_points(),
        "trigone_left": ring.points([-trigone]),
        "trigone_right": ring.points([trigone]),
        "aortic_hinge_left": heart.from_aortic(ru * np.cos(hinge[1:2]), rv * np.sin(hinge[1:2]), 0.0),
        "aortic_hinge_right": heart.from_aortic(ru * np.cos(hinge[:1]), rv * np.sin(hinge[:1]), 0.0),
        "aortic_hinge_non": heart.from_aortic(ru * np.cos(hinge[2:]), rv * np.sin(hinge[2:]), 0.0),
        "aortic_contour": heart.from_aortic(ru * np.cos(contour), rv * np.sin(contour), 0.0),
        "lv_apex": heart.apex[None],
        "septum": septal_edge(heart, v, s),
        "outflow_path": path,
        "blood_sample": _within(
            heart.from_ventricle([[shift, 0.0, half], [shift + 6.0, 2.0, half - 6.0], [shift + 4.0, -3.0, half + 6.0]]),
            lambda points: -chambers_at(heart, points).left_blood,
            3.0,
        ),
        "muscle_sample": _within(
            heart.from_ventricle([[shift, -muscle_depth, h] for h in (0.28 * heart.lv_length, 0.36 * heart.lv_length)]),
            lambda points: _muscle_depth(heart, points),
            2.0,
        ),
    }
    if heart.case.implant.kind == "bioprosthesis":
        local["post_tip"] = heart.post_tips
    else:
        local["anterior_leaflet"] = anterior_leaflet(heart)
    return {name: heart.to_patient(points) for name, points in local.items()}
