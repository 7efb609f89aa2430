"""The invented heart at one phase: frames, landmarks and signed distances of its chambers and walls.

Local coordinates (x, y, h), mm: origin at the ring centre, x within the ring plane toward the aorta, h from atrium
into ventricle, y = h x x (to the patient's right). Distances are negative inside. Points outside this frame are
LPS, mm. Mean directions of the two valve planes: from the published mean views worked out in Blanke 2016 (mitral,
en face LAO 51 CAU 24) and their aortic counterpart; the scatter about them is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outflow_cohort.demo import shapes
from outflow_cohort.demo.heart_case import VALVE_CLOSED_ABOVE, HeartCase, contraction_at
from outflow_cohort.demo.ring_shape import RingShape
from outflow_cohort.demo.shapes import Array

MEAN_RING_NORMAL = (0.710, -0.575, -0.407)
MEAN_TOWARD_AORTA = (-0.105, -0.657, 0.746)

LEAFLET_THICKNESS = 1.3
SHEET_UP, SHEET_DOWN = 0.6, 1.0
"""Closed mitral leaflets fill the ring from 0.6 mm above to 1.0 mm below its plane, so that no atrial blood lies
on the ventricular side of the plane: which chamber that blood belonged to would be a matter of taste."""
FUNNEL = 0.30
"""Share by which the open leaflets narrow the orifice over 24 mm."""


@dataclass(frozen=True)
class HeartPhase:
    """A heart at one phase of the beat; see the module."""

    case: HeartCase
    phase_pct: float

    # ------------------------------------------------------------------ sizes at this phase
    @cached_property
    def contraction(self) -> float:
        """0 at the end of filling, 1 at the end of systole."""
        return contraction_at(self.phase_pct)

    @property
    def valve_closed(self) -> bool:
        """Whether the mitral valve is closed."""
        return self.contraction > VALVE_CLOSED_ABOVE

    @cached_property
    def ring(self) -> RingShape:
        """Ring shape; an implanted valve or ring does not change over the beat."""
        ring = self.case.ring
        if self.case.implant.kind != "none":
            return ring
        shrink = 1.0 - 0.04 * self.contraction
        return RingShape(ring.radius * shrink, ring.longer * (1 - 0.3 * self.contraction), ring.flat, ring.saddle)

    @cached_property
    def opening(self) -> float:
        """True aorto-mitral opening angle, degrees."""
        return self.case.opening - 3.0 * self.contraction

    @cached_property
    def annulus_axes(self) -> tuple[float, float]:
        """Semi-axes of the aortic annulus toward the septum and across, mm."""
        radius = self.case.annulus_radius * (1 + 0.02 * self.contraction)
        longer = self.case.annulus_longer * (1 - 0.4 * self.contraction)
        return radius * (1 - longer), radius * (1 + longer)

    # ------------------------------------------------------------------ frames
    @cached_property
    def axes(self) -> NDArray:
        """(3, 3): rows are the LPS directions of x, y, h."""
        h = np.asarray(MEAN_RING_NORMAL)
        h = h / np.linalg.norm(h)
        x = np.asarray(MEAN_TOWARD_AORTA)
        x = x - (x @ h) * h
        x = x / np.linalg.norm(x)
        frame = np.stack([x, np.cross(h, x), h])
        for axis, angle in enumerate(np.radians(self.case.roll)):
            i, j = [(1, 2), (2, 0), (0, 1)][axis]
            turn = np.eye(3)
            turn[i, i] = turn[j, j] = np.cos(angle)
            turn[i, j], turn[j, i] = -np.sin(angle), np.sin(angle)
            frame = frame @ turn.T
        return frame

    @cached_property
    def descent(self) -> float:
        """How far the ring has moved toward the apex, mm."""
        return 9.0 * self.contraction

    @cached_property
    def ring_center(self) -> NDArray:
        """Ring centre (3,), LPS."""
        return np.asarray(self.case.center) + self.descent * self.axes[2]

    def to_local(self, points: ArrayLike) -> NDArray:
        """Local coordinates (..., 3) of LPS points (..., 3)."""
        return (np.asarray(points) - self.ring_center) @ self.axes.T

    def to_patient(self, local: ArrayLike) -> NDArray:
        """LPS points (..., 3) of local coordinates (..., 3)."""
        return self.ring_center + np.asarray(local) @ self.axes

    @cached_property
    def aortic_axes(self) -> NDArray:
        """(3, 3) local: rows are the in-plane direction toward the septum, the one across, and the normal."""
        tilt = np.radians(self.case.out_of_plane)
        cosine = -np.cos(np.radians(self.opening)) / np.cos(tilt)
        sine = np.sqrt(1.0 - cosine**2)
        normal = np.array([np.cos(tilt) * sine, np.sin(tilt), -np.cos(tilt) * cosine])
        septal = np.array([cosine, 0.0, sine])
        return np.stack([septal, np.cross(normal, septal), normal])

    @cached_property
    def ring_edge(self) -> NDArray:
        """Ring point nearest the aorta (3,), local."""
        return self.ring.points(0.0)

    @cached_property
    def aortic_center(self) -> NDArray:
        """Centre of the aortic annulus (3,), local; y = 0."""
        drop = np.radians(self.case.curtain_drop)
        near = self.ring_edge + self.case.curtain_length * np.array([np.cos(drop), 0.0, -np.sin(drop)])
        return near + self.annulus_axes[0] * self.aortic_axes[0]

    def to_aortic(self, x: Array, y: Array, h: Array) -> tuple[Array, Array, Array]:
        """Coordinates toward the septum, across, and downstream of the aortic plane, mm."""
        cx, cy, ch = self.aortic_center.tolist()
        dx, dy, dh = x - cx, y - cy, h - ch
        rows = self.aortic_axes.tolist()
        u, v, s = (row[0] * dx + row[1] * dy + row[2] * dh for row in rows)
        return u, v, s

    def from_aortic(self, u: ArrayLike, v: ArrayLike, s: ArrayLike) -> NDArray:
        """Local points (..., 3) of aortic coordinates."""
        u, v, s = np.broadcast_arrays(u, v, s)
        return self.aortic_center + np.stack([u, v, s], axis=-1) @ self.aortic_axes

    @cached_property
    def lv_length(self) -> float:
        """Ring plane to apex of the cavity, mm; the apex stays where it is."""
        return self.case.lv_length - self.descent

    @cached_property
    def lv_axes(self) -> tuple[float, float, float, float]:
        """Semi-axis toward the aorta, semi-axis across, power of the taper, shift toward the aorta."""
        c, short = self.contraction, self.case.shortening
        radius = self.case.lv_radius
        return radius * (1 - 0.40 * short * c), radius * (1 - short * c), 2.6 - 1.0 * c, self.case.lv_shift

    # ------------------------------------------------------------------ chambers of the left heart
    def ventricle(self, x: Array, y: Array, h: Array) -> Array:
        """Ventricle, outflow tract and aorta: one cavity, whatever the mitral valve does."""
        rx, ry, power, shift = self.lv_axes
        u, v, s = self.to_aortic(x, y, h)
        body = shapes.bullet(x - shift, y - 0.02 * h, h, rx, ry, self.lv_length, power)
        body = shapes.common(body, s + 3.0, 4.0)
        base = np.maximum(self.ring.height(x, y), 0.0) + SHEET_DOWN - 0.2
        body = shapes.common(body, base - h, 1.0)
        ru, rv = self.annulus_axes
        wider = 1.0 + 0.0009 * np.minimum(s, 0.0) ** 2
        tract = shapes.common(shapes.ellipse(u, v, ru * wider, rv * wider), s - 6.0, 2.0)
        tract = np.maximum(tract, -24.0 - s)
        cavity = shapes.union(body, tract, 5.0)
        cavity = shapes.without(cavity, self.septal_bulge(u, v, s), 3.0)
        if self.case.ridge > 0.0:
            cavity = shapes.without(cavity, self.septal_ridge(u, v, s), 1.5)
        for start, end, r_start, r_end in self.papillary_muscles:
            cavity = shapes.without(cavity, shapes.cone(x, y, h, start, end, r_start, r_end), 1.5)
        return shapes.union(cavity, self.root(u, v, s), 0.8)

    @cached_property
    def septal_wall(self) -> float:
        """u of the outflow septum at the height of the bulge: where tract and ventricle end, mm."""
        below = self.case.bulge_below
        along = np.linspace(0.0, 40.0, 4001)
        rx, _, power, shift = self.lv_axes
        p = self.from_aortic(along, 0.0, -below)
        body = shapes.bullet(p[:, 0] - shift, p[:, 1], p[:, 2], rx, 1e3, self.lv_length, power)
        tract = along - self.annulus_axes[0] * (1.0 + 0.0009 * below**2)
        return float(along[np.minimum(body, tract) < 0.0].max())

    def septal_bulge(self, u: Array, v: Array, s: Array) -> Array:
        """The thickened basal septum that narrows the outflow tract, a flat ellipsoid."""
        height = self.case.bulge * (1.0 + 0.25 * self.contraction)
        depth = 9.0
        return shapes.ellipsoid(
            u - (self.septal_wall + depth - height), v, s + self.case.bulge_below, depth, self.case.bulge_across, 11.0
        )

    def septal_ridge(self, u: Array, v: Array, s: Array) -> Array:
        """A narrow ridge along the outflow septum."""
        top = self.septal_wall - self.case.ridge
        return shapes.ellipsoid(u - top - 14.0, v, s + self.case.bulge_below, 14.0, 4.5, 16.0)

    @cached_property
    def papillary_muscles(self) -> list[tuple[NDArray, NDArray, float, float]]:
        """Start and end (local) and radii of the two papillary muscles."""
        rx, ry, _, shift = self.lv_axes
        muscles = []
        for side in (-1.0, 1.0):
            foot = np.array([shift - 0.62 * rx, side * 0.72 * ry, 0.68 * self.lv_length])
            tip = np.array([shift - 0.42 * rx, side * 0.42 * ry, 0.36 * self.lv_length + 4.0])
            muscles.append((foot, tip, 5.2 - 0.4 * self.contraction, 3.2))
        return muscles

    def root(self, u: Array, v: Array, s: Array) -> Array:
        """Aortic root with three sinuses, and the ascending aorta."""
        ru, rv = self.annulus_axes
        mean = 0.5 * (ru + rv)
        tube = shapes.common(shapes.ellipse(u, v, ru, rv), -s, 0.0)
        tube = shapes.common(tube, s - 24.0, 2.0)
        for angle in np.radians(self.sinus_angles):
            off = 0.50 * mean
            tube = shapes.union(
                tube,
                shapes.ellipsoid(u - off * np.cos(angle), v - off * np.sin(angle), s - 10.6, 9.6, 9.6, 10.0),
                0.8,
            )
        for start, end, r_start, r_end in self.ascending_aorta:
            tube = shapes.union(tube, shapes.cone(u, v, s, start, end, r_start, r_end), 2.0)
        return tube

    @property
    def sinus_angles(self) -> tuple[float, float, float]:
        """Directions of the right, left and non-coronary sinus about the aortic axis, degrees from the septum."""
        return (-18.0, 102.0, 222.0)

    @cached_property
    def ascending_aorta(self) -> list[tuple[NDArray, NDArray, float, float]]:
        """Segments of the ascending aorta in aortic coordinates: straight, then bending to the head."""
        mean = sum(self.annulus_axes) / 2.0
        head = self.aortic_axes @ (self.axes @ np.array([0.12, 0.05, 1.0]))
        head = head / np.linalg.norm(head)
        first = np.array([0.0, 0.0, 26.0])
        second = first + 16.0 * (0.6 * head + np.array([0.0, 0.0, 0.4]))
        third = second + 60.0 * head
        return [
            (np.array([0.0, 0.0, 15.5]), first, 0.95 * mean, 1.16 * mean),
            (first, second, 1.16 * mean, 1.25 * mean),
            (second, third, 1.25 * mean, 1.28 * mean),
        ]

    def tract_roof(self, x: Array, y: Array, h: Array) -> Array:
        """Outflow tract and root alone, from which atrium and right heart keep their distance."""
        u, v, s = self.to_aortic(x, y, h)
        ru, rv = self.annulus_axes
        tract = shapes.common(shapes.ellipse(u, v, ru, rv), np.maximum(-16.0 - s, s - 6.0))
        return np.minimum(tract, self.root(u, v, s))

    def atrium(self, x: Array, y: Array, h: Array) -> Array:
        """Left atrium: wholly behind the ring plane and the curtain, a thin wall away from the aorta."""
        size = 1.0 + 0.06 * self.contraction
        body = shapes.ellipsoid(x + 7.0, y + 2.0, h + 24.0 * size, 21.0 * size, 28.0 * size, 26.0 * size)
        appendage = shapes.cone(x, y, h, np.array([2.0, -20.0, -18.0]), np.array([17.0, -36.0, -10.0]), 8.0, 4.5)
        body = shapes.union(body, appendage, 4.0)
        for vein in self.veins:
            body = shapes.union(body, shapes.cone(x, y, h, *vein), 4.0)
        floor = np.minimum(self.ring.height(x, y), 0.0) - SHEET_UP
        body = shapes.common(body, h - floor, 0.6)
        body = shapes.without(body, self.tract_roof(x, y, h) - self.case.curtain_wall, 1.0)
        return np.maximum(body, self.curtain_height(x, h) + 0.6)

    @cached_property
    def veins(self) -> list[tuple[NDArray, NDArray, float, float]]:
        """Stumps of the pulmonary veins, local."""
        directions = [(-0.55, -0.75, -0.55), (-0.2, -0.75, -0.75), (-0.6, 0.7, -0.45), (-0.2, 0.7, -0.75)]
        start = np.array([-10.0, 0.0, -26.0])
        return [(start + 14.0 * np.array(d), start + 52.0 * np.array(d), 7.0, 6.0) for d in directions]

    def curtain_height(self, x: Array, h: Array) -> Array:
        """Height over the plane of the aorto-mitral curtain, outflow side positive, mm."""
        drop = np.radians(self.case.curtain_drop)
        return (x - self.ring_edge[0]) * np.sin(drop) + (h - self.ring_edge[2]) * np.cos(drop)

    def orifice(self, x: Array, y: Array, h: Array) -> Array:
        """The opening inside the ring, from atrium to ventricle."""
        return np.maximum(self.ring.distance(x, y), np.maximum(h - 4.0, -5.0 - h))

    def leaflets(self, x: Array, y: Array, h: Array) -> Array:
        """Mitral leaflets (native or of a bioprosthesis): a closed sheet in systole, an open funnel in diastole."""
        edge = self.ring.distance(x, y)
        if self.case.implant.kind == "bioprosthesis":
            return self._prosthetic_leaflets(x, y, h, edge)
        if self.valve_closed:
            line = x + 3.5 - 0.02 * y * y
            ridge = 3.6 * np.exp(-((line / 1.8) ** 2))
            return np.maximum(np.maximum(h - SHEET_DOWN - ridge, -SHEET_UP - h), edge - 1.5)
        shrink = 1.0 - FUNNEL * np.clip(h, -2.0, 40.0) / 24.0
        wall = np.abs(self.ring.distance(x / shrink, y / shrink) * shrink + LEAFLET_THICKNESS / 2.0)
        c = x / np.sqrt(x * x + y * y + 1.0)
        length = 0.5 * (self.leaflet_depth + 12.0) + 0.5 * (self.leaflet_depth - 12.0) * c - 4.0 * (1.0 - c * c)
        return np.maximum(wall - LEAFLET_THICKNESS / 2.0, np.maximum(h - length, -1.0 - h))

    def _prosthetic_leaflets(self, x: Array, y: Array, h: Array, edge: Array) -> Array:
        top = self.case.implant.leaflet_height
        cuff = np.maximum(np.abs(edge + 0.2) - 0.9, np.maximum(h - top, -1.0 - h))
        if not self.valve_closed:
            return cuff
        r = np.sqrt(x * x + y * y + shapes.TINY)
        cos3 = (x / r) * (4.0 * (x / r) ** 2 - 3.0)
        dome = 0.55 * top * (1.0 - (r / self.ring.radius) ** 2) * (1.0 - 0.25 * cos3)
        cusps = np.maximum(np.abs(h - 0.5 - dome) - 0.8, edge)
        floor = np.maximum(np.maximum(h - SHEET_DOWN, -SHEET_UP - h), edge)
        return np.minimum(cuff, np.minimum(cusps, floor))

    @cached_property
    def leaflet_depth(self) -> float:
        """Height of the open anterior leaflet's tip over the ring plane: its length along the funnel is the case's."""
        slope = FUNNEL * (self.ring.points(0.0)[0]) / 24.0
        return self.case.leaflet_length / float(np.sqrt(1.0 + slope**2))

    def left_blood(self, x: Array, y: Array, h: Array) -> Array:
        """All blood of the left heart: ventricle, outflow tract, aorta, atrium, open orifice."""
        pool = np.minimum(self.ventricle(x, y, h), self.atrium(x, y, h))
        pool = np.minimum(pool, self.orifice(x, y, h))
        pool = np.maximum(pool, -self.leaflets(x, y, h))
        if self.case.implant.kind == "bioprosthesis":
            pool = np.maximum(pool, -self.posts(x, y, h))
        return pool

    def outflow_blood(self, x: Array, y: Array, h: Array) -> Array:
        """Left-heart blood joined to the outflow tract: without the atrium while the valve is closed."""
        if not self.valve_closed:
            return self.left_blood(x, y, h)
        pool = np.maximum(self.ventricle(x, y, h), -self.leaflets(x, y, h))
        if self.case.implant.kind == "bioprosthesis":
            pool = np.maximum(pool, -self.posts(x, y, h))
        return pool

    # ------------------------------------------------------------------ implants and calcium
    @cached_property
    def post_tips(self) -> NDArray:
        """Tips (3, 3), local, of the posts of a bioprosthesis."""
        angles = np.radians([60.0, 180.0, 300.0])
        p = self.ring.points(angles) * (1.0 + 0.5 / self.ring.radius)
        p[:, 2] = self.case.implant.post_height
        return p

    def posts(self, x: Array, y: Array, h: Array) -> Array:
        """The three posts of a bioprosthesis."""
        distance = np.full_like(x, 1e3)
        for tip in self.post_tips:
            foot = np.array([tip[0], tip[1], 0.0])
            end = np.array([tip[0], tip[1], tip[2] - 1.1])
            distance = np.minimum(distance, shapes.cone(x, y, h, foot, end, 1.1, 1.1))
        return distance

    def calcium(self, x: Array, y: Array, h: Array) -> Array:
        """Lumpy crescent of calcium in the posterior annulus."""
        edge = self.ring.distance(x, y)
        angle = np.arctan2(y, -x)
        lumps = 0.35 * np.sin(7.0 * angle + self.case.seed) + 0.25 * np.sin(13.0 * angle + 1.7)
        size = 3.2 * (1.0 + lumps) - 2.2 * np.maximum(np.abs(angle) - 1.2, 0.0)
        lump = np.sqrt((edge - 3.4) ** 2 + (h + 0.5) ** 2) - size
        # outside the ring and away from the blood of the ventricle, so that no blood is hidden under calcium
        return np.maximum(np.maximum(lump, 0.5 - edge), 0.4 - self.ventricle(x, y, h))
