"""The invented heart at one phase: frames, sizes and parts. The chambers are in `chambers`.

Local coordinates (x, y, h), mm: origin at the ring centre, x within the ring plane toward the aorta, h from atrium
into ventricle, y = h x x (to the patient's right). Distances are negative inside. Points outside this frame are
LPS, mm. Mean directions of the two valve planes: from the published mean views worked out in Blanke 2016 (mitral,
en face LAO 51 CAU 24) and their aortic counterpart; the scatter about them is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from outflow_cohort.demo import shapes
from outflow_cohort.demo.heart_case import VALVE_CLOSED_ABOVE, HeartCase, contraction_at
from outflow_cohort.demo.ring_shape import RingShape
from outflow_cohort.demo.shapes import Array

MEAN_RING_NORMAL = (0.710, -0.575, -0.407)
MEAN_TOWARD_AORTA = (-0.105, -0.657, 0.746)

FUNNEL = 0.30
"""Share by which the open leaflets narrow the orifice over 24 mm."""


Segment = tuple[Array, Array, float, float]
"""Start and end (3,) and their radii, mm."""


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
    def axes(self) -> Array:
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
    def ring_center(self) -> Array:
        """Ring centre (3,), LPS."""
        result: Array = np.asarray(self.case.center) + self.descent * self.axes[2]
        return result

    def to_local(self, points: ArrayLike) -> Array:
        """Local coordinates (..., 3) of LPS points (..., 3)."""
        result: Array = (np.asarray(points) - self.ring_center) @ self.axes.T
        return result

    def to_patient(self, local: ArrayLike) -> Array:
        """LPS points (..., 3) of local coordinates (..., 3)."""
        result: Array = self.ring_center + np.asarray(local) @ self.axes
        return result

    @cached_property
    def aortic_axes(self) -> Array:
        """(3, 3) local: rows are the in-plane direction toward the septum, the one across, and the normal."""
        tilt = np.radians(self.case.out_of_plane)
        cosine = -np.cos(np.radians(self.opening)) / np.cos(tilt)
        sine = np.sqrt(1.0 - cosine**2)
        normal = np.array([np.cos(tilt) * sine, np.sin(tilt), -np.cos(tilt) * cosine])
        septal = np.array([cosine, 0.0, sine])
        return np.stack([septal, np.cross(normal, septal), normal])

    @cached_property
    def ring_edge(self) -> Array:
        """Ring point nearest the aorta (3,), local."""
        return self.ring.points(0.0)

    @cached_property
    def aortic_center(self) -> Array:
        """Centre of the aortic annulus (3,), local; y = 0."""
        drop = np.radians(self.case.curtain_drop)
        near = self.ring_edge + self.case.curtain_length * np.array([np.cos(drop), 0.0, -np.sin(drop)])
        result: Array = near + self.annulus_axes[0] * self.aortic_axes[0]
        return result

    def to_aortic(self, x: Array, y: Array, h: Array) -> tuple[Array, Array, Array]:
        """Coordinates toward the septum, across, and downstream of the aortic plane, mm."""
        cx, cy, ch = self.aortic_center.tolist()  # plain floats keep the arrays' own precision
        dx, dy, dh = x - cx, y - cy, h - ch
        rows = self.aortic_axes.tolist()
        u, v, s = (row[0] * dx + row[1] * dy + row[2] * dh for row in rows)
        return u, v, s

    def from_aortic(self, u: ArrayLike, v: ArrayLike, s: ArrayLike) -> Array:
        """Local points (..., 3) of aortic coordinates."""
        u, v, s = np.broadcast_arrays(u, v, s)
        result: Array = self.aortic_center + np.stack([u, v, s], axis=-1) @ self.aortic_axes
        return result

    @cached_property
    def lv_length(self) -> float:
        """Ring plane to apex of the cavity, mm; the apex stays where it is."""
        return self.case.lv_length - self.descent

    @cached_property
    def lv_axes(self) -> tuple[float, float, float, float]:
        """Semi-axis toward the aorta, semi-axis across, power of the taper, shift toward the aorta."""
        c, short = self.contraction, self.case.shortening
        radius = self.case.lv_radius
        return radius * (1 - 0.40 * short * c), radius * (1 - 0.55 * short * c), 2.6 - 1.2 * c, self.case.lv_shift

    def to_ventricle(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Local (x, y) in the ventricle's own directions: turned about the ring axis by `septal_turn`."""
        if self.case.septal_turn == 0.0:
            return x, y
        c, s = float(np.cos(np.radians(self.case.septal_turn))), float(np.sin(np.radians(self.case.septal_turn)))
        return c * x + s * y, c * y - s * x

    def from_ventricle(self, points: ArrayLike) -> Array:
        """Local points (..., 3) of points given in the ventricle's own directions."""
        p = np.array(points, dtype=np.float64)
        if self.case.septal_turn != 0.0:
            c, s = np.cos(np.radians(self.case.septal_turn)), np.sin(np.radians(self.case.septal_turn))
            p[..., 0], p[..., 1] = c * p[..., 0] - s * p[..., 1], s * p[..., 0] + c * p[..., 1]
        return p

    @cached_property
    def apex(self) -> Array:
        """Apex of the cavity (3,), local."""
        return self.from_ventricle([self.lv_axes[3], 0.02 * self.lv_length, self.lv_length])

    @cached_property
    def septal_way(self) -> tuple[float, float]:
        """Direction (u, v) in the aortic plane from its centre to the middle of the outflow septum."""
        turn = np.radians(self.case.septal_turn)
        return float(np.cos(turn)), -float(np.sin(turn))

    # ------------------------------------------------------------------ parts that give the shapes
    @cached_property
    def septal_wall(self) -> float:
        """From the aortic axis to the outflow septum at the height of the bulge: where tract and ventricle end, mm."""
        below = self.case.bulge_below
        along = np.linspace(0.0, 40.0, 4001)
        rx, _, power, shift = self.lv_axes
        cu, cv = self.septal_way
        p = self.from_aortic(cu * along, cv * along, -below)
        x, y = self.to_ventricle(p[:, 0], p[:, 1])
        body = shapes.bullet(x - shift, y, p[:, 2], rx, 1e3, self.lv_length, power)
        ru, rv = self.annulus_axes
        radius = 1.0 / np.hypot(cu / ru, cv / rv) if cv else ru
        tract = along - radius * (1.0 + 0.0009 * below**2)
        return float(along[np.minimum(body, tract) < 0.0].max())

    @cached_property
    def papillary_muscles(self) -> list[Segment]:
        """Start and end (in the ventricle's directions) and radii of the two papillary muscles."""
        rx, ry, _, shift = self.lv_axes
        muscles = []
        for side in (-1.0, 1.0):
            foot = np.array([shift - 0.62 * rx, side * 0.72 * ry, 0.68 * self.lv_length])
            tip = np.array([shift - 0.42 * rx, side * 0.42 * ry, 0.36 * self.lv_length + 4.0])
            muscles.append((foot, tip, 5.2 - 0.4 * self.contraction, 3.2))
        return muscles

    @cached_property
    def chordae(self) -> list[tuple[Array, Array]]:
        """Ends (3,), local, of the chordae: from the papillary tips to the free edge of the leaflets."""
        found = []
        for (_, tip, _, _), side in zip(self.papillary_muscles, (-1.0, 1.0), strict=True):
            start = self.from_ventricle(tip)
            for angle in np.radians(side * np.array([25.0, 60.0, 95.0, 130.0, 160.0])):
                edge = self.ring.points(float(angle))
                depth = 2.0 if self.valve_closed else self.leaflet_edge(float(np.cos(angle)))
                inward = 0.3 if self.valve_closed else 1.0 - (FUNNEL / 24.0) * depth
                found.append((start, np.array([inward * edge[0], inward * edge[1], depth])))
        return found

    def leaflet_edge(self, cosine: Array | float) -> Array | float:
        """Height over the ring plane of the open leaflets' free edge at the cosine of the angle from the aorta, mm."""
        posterior = 12.0
        length = 0.5 * (self.leaflet_depth + posterior) + 0.5 * (self.leaflet_depth - posterior) * cosine
        return length - 4.0 * (1.0 - cosine * cosine)

    @property
    def sinus_angles(self) -> tuple[float, float, float]:
        """Directions of the right, left and non-coronary sinus about the aortic axis, degrees from the septum."""
        return (-18.0, 102.0, 222.0)

    @cached_property
    def ascending_aorta(self) -> list[Segment]:
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

    @cached_property
    def veins(self) -> list[Segment]:
        """Stumps of the pulmonary veins, local."""
        directions = [(0.1, -0.85, -0.45), (-0.25, -0.85, -0.2), (0.05, 0.9, -0.35), (-0.3, 0.85, -0.1)]
        start = np.array([-10.0, 0.0, -26.0])
        return [(start + 14.0 * np.array(d), start + 42.0 * np.array(d), 7.0, 6.0) for d in directions]

    @cached_property
    def leaflet_depth(self) -> float:
        """Height of the open anterior leaflet's tip over the ring plane: its length along the funnel is the case's."""
        slope = FUNNEL * (self.ring.points(0.0)[0]) / 24.0
        return self.case.leaflet_length / float(np.sqrt(1.0 + slope**2))

    @cached_property
    def post_tips(self) -> Array:
        """Tips (3, 3), local, of the posts of a bioprosthesis."""
        angles = np.radians([60.0, 180.0, 300.0])
        p = self.ring.points(angles) * (1.0 + 0.5 / self.ring.radius)
        p[:, 2] = self.case.implant.post_height
        return p

    @cached_property
    def right_outflow(self) -> list[Segment]:
        """Segments of the right outflow tract and pulmonary trunk, aortic coordinates: around the root's front."""
        mean = sum(self.annulus_axes) / 2.0
        front, left = np.array([mean + 14.0, 5.0, 8.0]), np.array([14.0, mean + 13.0, 24.0])
        return [
            (np.array([26.0, -8.0, -14.0]), front, 12.0, 11.0),
            (front, left, 11.0, 11.0),
            (left, np.array([-14.0, mean + 18.0, 36.0]), 11.5, 12.0),
        ]

    @cached_property
    def right_atrium(self) -> tuple[Array, Segment, Segment]:
        """Centre of the right atrium and the segments of both great veins, aortic coordinates."""
        center = np.array([2.0, -(sum(self.annulus_axes) / 2.0 + 24.0), 8.0])
        head = self.aortic_axes @ self.axes[:, 2]
        upper = center + np.array([-6.0, 3.0, 0.0])
        return center, (upper, upper + 70.0 * head, 10.0, 9.5), (center, center - 70.0 * head, 12.0, 12.0)
