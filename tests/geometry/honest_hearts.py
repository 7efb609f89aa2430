"""Four hearts of closed forms, each unlike the demonstration's, with exact landmarks: what honest strangers may write.

All points LPS, mm; HU. They share nothing but the contract's names: walls are thick or absent, roots are turned, some
have no atrium, no trigones, few points, samples anywhere in blood, and lie in the scanner any way round.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.spatial.transform import Rotation

from outflow_geometry.base.frames import Volume, unit

BLOOD, MUSCLE, OUTSIDE = 380.0, 110.0, -80.0
Distance = Callable[[np.ndarray], np.ndarray]
Points = dict[str, np.ndarray]


@dataclass(frozen=True)
class HonestHeart:
    """A blood pool (signed distance, negative inside, own frame) in a ball of muscle, its landmarks, its pose."""

    name: str
    pool: Distance
    marks: Points
    turn: tuple[float, float, float]
    muscle_radius: float = 90.0

    @property
    def rotation(self) -> np.ndarray:
        return Rotation.from_euler("xyz", self.turn, degrees=True).as_matrix()

    @property
    def landmarks(self) -> Points:
        """LPS."""
        return {name: p @ self.rotation.T + np.array([12.0, -31.0, 55.0]) for name, p in self.marks.items()}

    def image(self, spacing: float = 1.5, noise: float = 15.0) -> Volume:
        """Blurred over about a voxel, with white noise."""
        everything = np.vstack([self.landmarks[n] for n in self.landmarks])
        low, high = everything.min(axis=0) - 22.0, everything.max(axis=0) + 22.0
        shape = np.ceil((high - low) / spacing).astype(int) + 1
        frame = (low, np.eye(3), np.full(3, spacing))
        grid = np.stack(np.meshgrid(*(np.arange(n) for n in shape[::-1]), indexing="ij"), axis=-1)
        local = (low + spacing * grid[..., ::-1] - np.array([12.0, -31.0, 55.0])) @ self.rotation
        share = np.clip(0.5 - self.pool(local) / (1.5 * spacing), 0.0, 1.0)
        muscle = np.linalg.norm(local - np.array([0.0, 0.0, -30.0]), axis=-1) < self.muscle_radius
        hu = np.where(muscle, MUSCLE, OUTSIDE) * (1.0 - share) + BLOOD * share
        hu += np.random.default_rng(5).normal(0.0, noise, hu.shape)
        return Volume(np.round(hu).astype(np.int16), *frame)


# ---------------------------------------------------------------------- shapes (own frame: ring plane z = 0, apex z < 0)
def ellipsoid(center, axes) -> Distance:
    center, axes = np.asarray(center, dtype=float), np.asarray(axes, dtype=float)

    def distance(p):
        q = (p - center) / axes
        r = np.linalg.norm(q, axis=-1)
        return (r - 1.0) * r / np.maximum(np.linalg.norm(q / axes, axis=-1), 1e-9)

    return distance


def tube(start, end, radius) -> Distance:
    """Cylinder with flat ends."""
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    axis, length = unit(b - a), float(np.linalg.norm(b - a))

    def distance(p):
        along = (p - a) @ axis
        radial = np.linalg.norm((p - a) - along[..., None] * axis, axis=-1) - radius
        return np.maximum(radial, np.maximum(-along, along - length))

    return distance


def elliptic_tube(axes, low, high) -> Distance:
    """Cylinder about z over an ellipse."""
    a, b = axes

    def distance(p):
        r = np.hypot(p[..., 0] / a, p[..., 1] / b)
        return np.maximum((r - 1.0) * min(a, b), np.maximum(low - p[..., 2], p[..., 2] - high))

    return distance


def below(shape: Distance, z: float) -> Distance:
    return lambda p: np.maximum(shape(p), p[..., 2] - z)


def above(shape: Distance, z: float) -> Distance:
    return lambda p: np.maximum(shape(p), z - p[..., 2])


def outside(shape: Distance, other: Distance, wall: float) -> Distance:
    """`shape` less what is within `wall` of `other`."""
    return lambda p: np.maximum(shape(p), wall - other(p))


def union(*shapes: Distance) -> Distance:
    return lambda p: np.minimum.reduce([shape(p) for shape in shapes])


def circle(center, normal, radius, angles, first=(0.0, 1.0, 0.0)) -> np.ndarray:
    """Points (n, 3) of a circle at angles, degrees, from the direction of `first`, anticlockwise about the normal."""
    n = unit(np.asarray(normal, dtype=float))
    u = np.asarray(first, dtype=float)
    u = unit(u - (u @ n) * n)
    t = np.radians(angles)[:, None]
    return np.asarray(center) + radius * (np.cos(t) * u + np.sin(t) * np.cross(n, u))


def ellipse(a, b, count, z=0.0) -> np.ndarray:
    t = np.arange(count) * 2.0 * np.pi / count
    return np.stack([a * np.cos(t), b * np.sin(t), z + 0.0 * t], axis=1)


def hinges(center, normal, radius, angles=(0.0, 120.0, 240.0), first=(0.0, 1.0, 0.0)) -> Points:
    """Right, left, non-coronary at the three angles."""
    points = circle(center, normal, radius, np.asarray(angles), first)
    names = ("aortic_hinge_right", "aortic_hinge_left", "aortic_hinge_non")
    return {name: p[None] for name, p in zip(names, points, strict=True)}


# ---------------------------------------------------------------------- the hearts
def straight_tract() -> HonestHeart:
    """Symmetric ellipsoid, straight tube, no atrium, 8 ring points, a path of 3 points that begins near the annulus and
    runs on into the aorta, root turned by a quarter."""
    axis, center = unit([0.6, 0.0, 0.8]), np.array([26.0, 0.0, 2.0])
    ventricle = below(ellipsoid([4.0, 0.0, -28.0], [26.0, 26.0, 48.0]), 0.0)
    tract = tube(center - 32.0 * axis, center + 50.0 * axis, 11.0)
    marks = {
        "mitral_ring": ellipse(15.0, 17.0, 8),
        **hinges(center, axis, 11.0, (90.0, 210.0, 330.0), first=(1.0, 0.0, 0.0)),
        "lv_apex": np.array([[4.0, 0.0, -76.0]]),
        "outflow_path": center + np.array([[-14.0], [0.0], [28.0]]) * axis,
        "blood_sample": (center + 20.0 * axis)[None],
    }
    return HonestHeart("straight tract", union(ventricle, tract), marks, (0.0, 0.0, 0.0))


def ball_and_bend() -> HonestHeart:
    """A ball for a ventricle with the ring off its middle, an atrium beyond a plate, a tract along a quarter circle, the
    hinges' names turned half round, 6 ring points, a lopsided apex."""
    ventricle = below(ellipsoid([0.0, 0.0, -30.0], [33.0, 33.0, 33.0]), 0.0)
    center, normal = np.array([30.0, 0.0, -2.0]), np.array([0.0, 0.0, 1.0])
    t = np.radians(np.linspace(0.0, 90.0, 6))
    arc = np.stack([30.0 - 24.0 * (1.0 - np.sin(t)) - 0.0, 0.0 * t, -26.0 + 24.0 * (1.0 - np.cos(t))], axis=1)
    arc = np.vstack([arc, center + np.array([[8.0]]) * normal])
    bend = union(*(tube(a, b, 10.0) for a, b in pairwise(arc)), tube(center, center + 45 * normal, 10.0))
    ring = ellipse(13.0, 15.0, 6) + np.array([-6.0, 0.0, 0.0])
    atrium = outside(above(ellipsoid([-10.0, 0.0, 18.0], [26.0, 26.0, 20.0]), 2.0), bend, 2.0)
    orifice = lambda p: elliptic_tube((13.0, 15.0), -3.0, 5.0)(p - np.array([-6.0, 0.0, 0.0]))  # noqa: E731
    marks = {
        "mitral_ring": ring,
        **hinges(center, normal, 10.0, (180.0, 300.0, 60.0), first=(1.0, 0.0, 0.0)),
        "lv_apex": np.array([[0.0, 0.0, -63.0]]),
        "outflow_path": arc,
        "septum": np.array([30.0, 0.0, -16.0]) + np.array([[0.0, -4.0, 0.0], [0.4, 0.0, 1.0], [0.0, 4.0, 0.0]]),
        "blood_sample": np.array([[0.0, 0.0, -30.0], [30.0, 0.0, 30.0], [-10.0, 0.0, 20.0]]),
        "muscle_sample": np.array([[-40.0, 0.0, -30.0]]),
    }
    return HonestHeart("ball and bend", union(ventricle, bend, atrium, orifice), marks, (35.0, -50.0, 110.0))


def open_pools() -> HonestHeart:
    """Ventricle and atrium one wide pool without a waist (the ring lies free in blood), valves nearly coplanar, a path
    with a corner, an oval annulus traced, trigones named against the hinges, the apex a blunt cylinder's end."""
    ventricle = tube([0.0, 0.0, 4.0], [0.0, 0.0, -70.0], 24.0)
    atrium = tube([-6.0, 0.0, 2.0], [-6.0, 0.0, 40.0], 21.0)
    axis, center = unit([0.25, 0.0, 0.97]), np.array([31.0, 0.0, 4.0])
    tract = tube(center - 30.0 * axis, center + 45.0 * axis, 12.0)
    pool = union(ventricle, outside(atrium, tract, 1.5), tract)
    ring = ellipse(14.0, 18.0, 12)
    t = np.radians([35.0, -35.0])
    trigones = np.stack([14.0 * np.cos(t), 18.0 * np.sin(t), 0.0 * t], axis=1)
    marks = {
        "mitral_ring": ring,
        "trigone_left": trigones[:1],
        "trigone_right": trigones[1:],
        **hinges(center, axis, 12.0, (240.0, 0.0, 120.0), first=(1.0, 0.0, 0.0)),
        "aortic_contour": circle(center, axis, 12.0, np.arange(0.0, 360.0, 30.0)),
        "lv_apex": np.array([[3.0, 0.0, -70.0]]),
        "outflow_path": np.vstack(
            [
                np.array([[4.0, 0.0, -45.0], [12.0, 0.0, -36.0], [20.0, 0.0, -27.0]]),
                center + np.array([[-20.0], [-8.0], [4.0], [12.0]]) * axis,
            ]
        ),
        "anterior_leaflet": np.array([[14.0, 0.0, 0.0], [13.0, 0.0, -9.0], [11.0, 0.0, -18.0]]),
        "blood_sample": np.array([[0.0, 10.0, -50.0], [-8.0, 0.0, 25.0]]),
        "muscle_sample": np.array([[0.0, 40.0, -30.0]]),
    }
    return HonestHeart("open pools", pool, marks, (170.0, 15.0, -40.0))


def right_angle() -> HonestHeart:
    """Aorta at right angles to the ring's axis, a ring of 40 points on a saddle, a long thin ventricle with a sharp
    apex, hinges unevenly round the annulus and in the other order, a prosthesis' posts."""
    axis, center = np.array([1.0, 0.0, 0.0]), np.array([36.0, 0.0, -14.0])
    ventricle = below(ellipsoid([0.0, 0.0, -20.0], [21.0, 18.0, 62.0]), 0.0)
    tract = tube(center - 36.0 * axis, center + 60.0 * axis, 11.0)
    t = np.arange(40) * 2.0 * np.pi / 40
    ring = np.stack([13.5 * np.cos(t), 13.5 * np.sin(t), 1.5 * np.cos(2.0 * t)], axis=1)
    atrium = above(ellipsoid([-2.0, 0.0, 20.0], [24.0, 24.0, 20.0]), 2.0)
    orifice = elliptic_tube((13.5, 13.5), -6.0, 4.0)
    posts = circle([0.0, 0.0, -12.0], [0.0, 0.0, -1.0], 12.0, np.array([30.0, 150.0, 270.0]))
    s, v = np.meshgrid([-4.0, -8.0, -12.0], [-25.0, 0.0, 25.0], indexing="ij")
    wall = np.radians(v.ravel())
    septum = np.stack([36.0 + s.ravel(), 11.0 * np.sin(wall), -14.0 - 11.0 * np.cos(wall)], axis=1)
    marks = {
        "mitral_ring": ring,
        **hinges(center, axis, 11.0, (0.0, 255.0, 140.0), first=(0.0, 0.0, -1.0)),
        "lv_apex": np.array([[0.0, 0.0, -82.0]]),
        "post_tip": posts,
        "septum": septum,
        "outflow_path": np.vstack(
            [
                [[4.0, 0.0, -36.0], [8.0, 0.0, -24.0], [18.0, 0.0, -16.0]],
                center + np.array([[-9.0], [2.0], [9.0]]) * axis,
            ]
        ),
        "blood_sample": np.array([[0.0, 0.0, -70.0], [60.0, 0.0, -14.0]]),
    }
    return HonestHeart("right angle", union(ventricle, tract, atrium, orifice), marks, (-90.0, 0.0, 25.0))


HEARTS: dict[str, Callable[[], HonestHeart]] = {
    "straight_tract": straight_tract,
    "ball_and_bend": ball_and_bend,
    "open_pools": open_pools,
    "right_angle": right_angle,
}


@cache
def honest(name: str) -> tuple[HonestHeart, Volume]:
    """A heart and its image."""
    heart = HEARTS[name]()
    return heart, heart.image()
