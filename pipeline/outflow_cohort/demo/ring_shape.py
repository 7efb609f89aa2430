"""The mitral ring in closed form: a flattened oval with a saddle, in the ring's own frame.

x toward the aorta, y across, h into the ventricle; mm. The outline is the polar curve
R(t) = R0 (1 - e2 cos 2t - e3 cos 3t) about a pole, moved so that its area centroid is the origin; the saddle
h(t) = -S cos 2t + a + b R cos t keeps the least-squares plane of evenly spread points at h = 0 exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from outflow_cohort.demo.shapes import TINY, Array

RING_POINTS = 16
"""Points a reader puts on the ring."""

QUADRATURE = 4096
"""Nodes of the trapezoidal rule on the closed curve; it converges faster than any power, so this is exact."""


@dataclass(frozen=True)
class RingShape:
    """radius R0, mm; longer: e2 > 0 makes the ring longer across; flat: e3 > 0 flattens it toward the aorta."""

    radius: float
    longer: float = 0.0
    flat: float = 0.0
    saddle: float = 0.0

    def polar(self, angle: ArrayLike) -> Array:
        """R(t) about the pole."""
        t = np.asarray(angle, dtype=np.float64)
        return self.radius * (1.0 - self.longer * np.cos(2 * t) - self.flat * np.cos(3 * t))

    @cached_property
    def pole(self) -> float:
        """x of the pole: minus the centroid of the polar curve."""
        t = np.arange(QUADRATURE) * (2 * np.pi / QUADRATURE)
        r = self.polar(t)
        # centroid of a polar curve: (1 / 3A) integral of R^3 cos t, with A = 1/2 integral of R^2
        return float(-(r**3 * np.cos(t)).mean() / (1.5 * (r**2).mean()))

    @property
    def area(self) -> float:
        """pi R0² (1 + e2²/2 + e3²/2), mm2."""
        return float(np.pi * self.radius**2 * (1.0 + (self.longer**2 + self.flat**2) / 2.0))

    @cached_property
    def _saddle_terms(self) -> tuple[float, float]:
        t = np.arange(RING_POINTS) * (2 * np.pi / RING_POINTS)
        columns = np.stack([np.ones_like(t), self.pole + self.polar(t) * np.cos(t)], axis=1)
        a, b = np.linalg.lstsq(columns, self.saddle * np.cos(2 * t), rcond=None)[0]
        return float(a), float(b)

    def points(self, angle: ArrayLike) -> Array:
        """Points (..., 3) = (x, y, h) of the ring at polar angle t, radians."""
        t = np.asarray(angle, dtype=np.float64)
        r = self.polar(t)
        x = self.pole + r * np.cos(t)
        a, b = self._saddle_terms
        return np.stack([x, r * np.sin(t), -self.saddle * np.cos(2 * t) + a + b * x], axis=-1)

    def even_points(self, count: int = RING_POINTS) -> Array:
        """Points (count, 3) at evenly spread polar angles."""
        return self.points(np.arange(count) * (2 * np.pi / count))

    def distance(self, x: Array, y: Array) -> Array:
        """In-plane distance to the outline, negative inside, true to first order."""
        px = x - self.pole
        squared = px * px + y * y + TINY
        r = np.sqrt(squared)
        c = px / r
        cos2 = 2.0 * c * c - 1.0
        cos3 = c * (4.0 * c * c - 3.0)
        s = y / r
        radius = self.radius * (1.0 - self.longer * cos2 - self.flat * cos3)
        # dR/dt = R0 (2 e2 sin 2t + 3 e3 sin 3t)
        slope = self.radius * (4.0 * self.longer * s * c + 3.0 * self.flat * s * (4.0 * c * c - 1.0))
        return (r - radius) / np.sqrt(1.0 + (slope / radius) ** 2)

    def height(self, x: Array, y: Array) -> Array:
        """Saddle surface that bounds the annulus: the ring's height scaled with the square of the radius, mm."""
        px = x - self.pole
        squared = px * px + y * y + TINY
        cos2 = (px * px - y * y) / squared
        a, b = self._saddle_terms
        share = np.minimum(squared / self.radius**2, 1.2)
        return (-self.saddle * cos2 + a + b * x) * share
