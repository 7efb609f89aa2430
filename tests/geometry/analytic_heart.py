"""A heart of closed forms for the tests of landmark measures: elliptical saddle ring, circular annulus.

All points LPS, mm. Every number below is a choice; the truth of each measure follows from it in closed form.
"""

from __future__ import annotations

import numpy as np

LONG, SHORT = 20.0, 16.0
"""Half axes of the ring, mm: intercommissural and septal-lateral."""
SADDLE = 2.0
"""Height of the saddle, mm: h = SADDLE cos 2t."""
TRIGONE_ANGLE = 2.4
"""Ellipse angle of the trigones either side of the posterior midpoint, radians."""
OPENING = 125.0
"""Angle between the downstream normals, degrees; aortic normal tilted within the plane x = 0."""
AORTIC_CENTER = np.asarray([0.0, -29.0, -6.0])
AORTIC_RADIUS = 12.0


def ring_points(count: int, start: float = 0.1, saddle: float = SADDLE) -> np.ndarray:
    """Ring points (count, 3): toward the aorta is -y, into the ventricle +z."""
    t = start + np.arange(count) * 2.0 * np.pi / count
    return np.stack([LONG * np.sin(t), SHORT * np.cos(t), saddle * np.cos(2.0 * t)], axis=1)


def aortic_axes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Downstream normal and two in-plane unit directions of the annulus."""
    angle = np.radians(OPENING)
    normal = np.asarray([0.0, -np.sin(angle), np.cos(angle)])
    first = np.asarray([1.0, 0.0, 0.0])
    return normal, first, np.cross(normal, first)


def annulus_points(
    angles: np.ndarray, half_long: float = AORTIC_RADIUS, half_short: float = AORTIC_RADIUS
) -> np.ndarray:
    """Points (n, 3) of the annulus at ellipse angles, radians."""
    _, u, v = aortic_axes()
    return AORTIC_CENTER + half_long * np.cos(angles)[:, None] * u + half_short * np.sin(angles)[:, None] * v


def landmarks(ring_count: int = 16, saddle: float = SADDLE) -> dict[str, np.ndarray]:
    """One reading without scatter."""
    t = np.asarray([TRIGONE_ANGLE, -TRIGONE_ANGLE])
    left, right = np.stack([LONG * np.sin(t), SHORT * np.cos(t), saddle * np.cos(2.0 * t)], axis=1)
    hinges = annulus_points(np.radians([90.0, 210.0, 330.0]))
    s = np.linspace(0.0, 1.0, 6)
    return {
        "mitral_ring": ring_points(ring_count, saddle=saddle),
        "trigone_left": left[None],
        "trigone_right": right[None],
        "aortic_hinge_right": hinges[:1],
        "aortic_hinge_left": hinges[1:2],
        "aortic_hinge_non": hinges[2:],
        "aortic_contour": annulus_points(np.arange(24) * np.pi / 12.0, 13.0, 11.0),
        "lv_apex": np.asarray([[6.0, -12.0, 80.0]]),
        "anterior_leaflet": np.stack([0.0 * s, -16.0 + 2.0 * np.sin(1.5 * s), 22.0 * s], axis=1),
        "septum": np.asarray([[0.0, -36, 0], [8, -36.5, 5], [-8, -36.5, 5], [1, -37, 12], [6, -37.5, 18]]),
        "outflow_trace": np.stack([12 * np.cos(s5 := np.arange(10) * np.pi / 5), 7 * np.sin(s5), 3 + 0 * s5], axis=1),
    }


def rotation(seed: int) -> np.ndarray:
    """A random rotation matrix (3, 3)."""
    q, r = np.linalg.qr(np.random.default_rng(seed).standard_normal((3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else q[:, [1, 0, 2]]


def moved(points: dict[str, np.ndarray], turn: np.ndarray, shift: np.ndarray) -> dict[str, np.ndarray]:
    """The landmarks after a rigid motion."""
    return {name: p @ turn.T + shift for name, p in points.items()}
