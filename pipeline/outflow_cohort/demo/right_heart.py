"""Muscle and right heart around the invented left heart: signed distances in the local frame of `anatomy`, mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outflow_cohort.demo import shapes
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.shapes import Array

SEPTAL_DIRECTION = np.radians(48.0)
"""Direction of the middle of the septum in the (x, y) plane; common anatomy, no source."""

RIGHT_WALL = 2.6
"""Thickness of the walls of right heart and vessels, mm."""


@dataclass(frozen=True)
class Surroundings:
    """What lies around the left heart of one phase."""

    heart: HeartPhase

    def muscle(self, x: Array, y: Array, h: Array) -> Array:
        """Left ventricle as a solid, cavity included: thicker where the septum is."""
        case, c = self.heart.case, self.heart.contraction
        wall, septum = case.lv_wall * (1 + 0.35 * c), case.septum * (1 + 0.25 * c)
        rx, ry, power, shift = self.heart.lv_axes
        off = 0.5 * (septum - wall)
        sx, sy = off * np.cos(SEPTAL_DIRECTION), off * np.sin(SEPTAL_DIRECTION)
        mean = 0.5 * (septum + wall)
        length = self.heart.lv_length + 0.8 * wall
        solid = shapes.bullet(x - shift - sx, y - 0.02 * h - sy, h, rx + mean, ry + mean, length, max(power, 2.0))
        solid = shapes.common(solid, -1.5 - h, 3.0)
        u, v, s = self.heart.to_aortic(x, y, h)
        solid = shapes.common(solid, s + 1.0, 3.0)
        bulge = shapes.common(self.heart.septal_bulge(u, v, s) - 1.0, s - 1.0, 2.0)
        return shapes.union(solid, bulge, 3.0)

    def left_walls(self, x: Array, y: Array, h: Array) -> Array:
        """Walls of outflow tract, aorta and left atrium, lumen included."""
        roof = self.heart.tract_roof(x, y, h) - 1.9
        atrium = self.heart.atrium(x, y, h) - 1.8
        annulus = np.sqrt(np.maximum(self.heart.ring.distance(x, y), 0.0) ** 2 + (h + 0.5) ** 2) - 3.5
        return np.minimum(np.minimum(roof, atrium), annulus)

    def right_ventricle(self, x: Array, y: Array, h: Array, muscle: Array) -> Array:
        """Right ventricle and its outflow, a crescent around the septum."""
        c = self.heart.contraction
        shrink = 1.0 - 0.08 * c
        body = shapes.ellipsoid(x - 19.0, y - 23.0, h - 34.0, 33.0 * shrink, 34.0 * shrink, 46.0)
        u, v, s = self.heart.to_aortic(x, y, h)
        mean = sum(self.heart.annulus_axes) / 2.0
        way = [
            (np.array([26.0, -8.0, -14.0]), np.array([mean + 14.0, 5.0, 8.0]), 12.0, 11.0),
            (np.array([mean + 14.0, 5.0, 8.0]), np.array([14.0, mean + 13.0, 24.0]), 11.0, 11.0),
            (np.array([14.0, mean + 13.0, 24.0]), np.array([-14.0, mean + 18.0, 36.0]), 11.5, 12.0),
        ]
        for segment in way:
            body = shapes.union(body, shapes.cone(u, v, s, *segment), 5.0)
        body = shapes.common(body, -4.0 - h - 0.5 * np.maximum(x - 12.0, 0.0), 4.0)
        body = shapes.without(body, muscle, 2.0)
        return self._apart(body, x, y, h)

    def right_atrium(self, x: Array, y: Array, h: Array, muscle: Array) -> Array:
        """Right atrium with both great veins."""
        u, v, s = self.heart.to_aortic(x, y, h)
        mean = sum(self.heart.annulus_axes) / 2.0
        center = np.array([2.0, -(mean + 24.0), 8.0])
        body = shapes.ellipsoid(u - center[0], v - center[1], s - center[2], 25.0, 22.0, 27.0)
        head = self.heart.aortic_axes @ (self.heart.axes @ np.array([0.0, 0.0, 1.0]))
        upper = center + np.array([-6.0, 3.0, 0.0])
        body = shapes.union(body, shapes.cone(u, v, s, upper, upper + 70.0 * head, 10.0, 9.5), 5.0)
        body = shapes.union(body, shapes.cone(u, v, s, center, center - 70.0 * head, 12.0, 12.0), 5.0)
        body = shapes.without(body, muscle - 1.0, 2.0)
        body = shapes.without(body, self.heart.atrium(x, y, h) - RIGHT_WALL, 1.0)
        return self._apart(body, x, y, h)

    def _apart(self, body: Array, x: Array, y: Array, h: Array) -> Array:
        """Keep the membranous septum between right heart and outflow tract, which may be thin."""
        gap = self.heart.case.membranous_septum
        tract = np.minimum(self.heart.tract_roof(x, y, h), self.heart.ventricle(x, y, h))
        body = shapes.without(body, tract - gap, 0.5)
        return body
