"""A closed-form heart with walls a voxel thick: ventricle, outflow tract, root, atrium and right heart in contact.

All points in the heart's own frame unless said otherwise: ring plane z = 0, ventricle below (z < 0), aorta
towards +x; mm. `Heart.pose` turns it into LPS. Every chamber is a signed distance (negative inside) that is exact
for planes, spheres and cylinders and of first order for ellipsoids, so the blurred image of a chamber is the
Gaussian error function of its distance, and the image of a thin wall between two chambers is their sum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import ndtr

from outflow_geometry.base.frames import Volume, unit
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy

APEX = np.array([2.0, 0.0, -57.0])
AORTIC_AXIS = unit([0.78, 0.06, 0.62])
ANNULUS_RADIUS = 11.5
RING_RADIUS = 13.5


def ellipsoid(p, center, axes):
    q = (p - np.asarray(center)) / np.asarray(axes)
    r = np.linalg.norm(q, axis=-1)
    return (r - 1.0) * r / np.maximum(np.linalg.norm(q / np.asarray(axes), axis=-1), 1e-9)


def tube(p, start, axis, radius, first, last):
    """Cylinder about `axis` through `start`, from station `first` to `last`."""
    along = (p - start) @ axis
    radial = np.linalg.norm((p - start) - along[..., None] * axis, axis=-1) - radius
    return np.maximum(radial, np.maximum(first - along, along - last))


def capsule(p, a, b, radius):
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    t = np.clip(((p - a) @ (b - a)) / ((b - a) @ (b - a)), 0.0, 1.0)
    return np.linalg.norm(p - a - t[..., None] * (b - a), axis=-1) - radius


@dataclass(frozen=True)
class Heart:
    """Parameters, mm and HU; see the module."""

    curtain_wall: float = 1.0
    right_wall: float = 1.0
    right_hu: float = 360.0
    blood: float = 360.0
    muscle: float = 105.0
    blur_fwhm: float = 0.9
    noise: float = 20.0
    valve_open: bool = True
    coronary: bool = True
    septal_bulge: float = 0.0
    annulus_radius: float = ANNULUS_RADIUS
    metal_ring: bool = False
    calcium: bool = False
    lead: bool = False
    turn: tuple[float, float, float] = (20.0, -35.0, 60.0)
    seed: int = 1

    @property
    def aortic_center(self):
        return np.array([25.0, 0.0, -5.5])

    @property
    def axis(self):
        return AORTIC_AXIS

    @property
    def rotation(self):
        return Rotation.from_euler("xyz", self.turn, degrees=True).as_matrix()

    def pose(self, p):
        """LPS points of heart-frame points."""
        return np.asarray(p) @ self.rotation.T + np.array([11.3, -42.7, 103.1])

    def unpose(self, p):
        return (np.asarray(p) - np.array([11.3, -42.7, 103.1])) @ self.rotation

    def lumen(self, p):
        """Signed distance to left ventricle, outflow tract and root without the coronary arteries."""
        return replace(self, coronary=False).outflow(p)

    def outflow(self, p):
        """Signed distance to left ventricle, outflow tract, root and coronary arteries."""
        c, a = self.aortic_center, AORTIC_AXIS
        ventricle = ellipsoid(p, [2.0, 0.0, -26.0], [23.0, 21.0, 31.0])
        ventricle = np.maximum(ventricle, p[..., 2] - 0.0)
        tract = tube(p, c, a, self.annulus_radius, -26.0, 16.0)
        if self.septal_bulge:
            bump = c - 8.0 * a + unit([0.62, 0.0, -0.78]) * (self.annulus_radius + 9.0)
            tract = np.maximum(tract, 9.0 + self.septal_bulge - np.linalg.norm(p - bump, axis=-1))
            ventricle = np.maximum(ventricle, 9.0 + self.septal_bulge - np.linalg.norm(p - bump, axis=-1))
        aorta = tube(p, c, a, self.annulus_radius + 1.0, 14.0, 80.0)
        d = np.minimum(np.minimum(ventricle, tract), aorta)
        e1 = unit(np.cross(a, [0.0, 1.0, 0.0]))
        e2 = np.cross(a, e1)
        for k in range(3):
            angle = 2.0 * np.pi * k / 3.0 + 0.4
            lobe = c + 9.0 * a + 6.5 * (np.cos(angle) * e1 + np.sin(angle) * e2)
            d = np.minimum(d, np.linalg.norm(p - lobe, axis=-1) - 9.0)
            if self.coronary and k < 2:
                out = np.cos(angle) * e1 + np.sin(angle) * e2
                first, second = lobe + 4.0 * a + 7.0 * out, lobe + 4.0 * a + 17.0 * out
                d = np.minimum(d, capsule(p, first, second, 1.7))
                d = np.minimum(d, capsule(p, second, second - 30.0 * a + 4.0 * out, 1.6))
        return d

    def atrium(self, p, outflow=None):
        pool = ellipsoid(p, [-5.0, 0.0, 20.0], [27.0, 27.0, 22.0])
        left_side = np.minimum(pool, ellipsoid(p, [12.0, 14.0, 22.0], [22.0, 12.0, 12.0]))
        ceiling = np.maximum(left_side, 0.0 - p[..., 2])
        outflow = self.outflow(p) if outflow is None else outflow
        if not self.valve_open:
            return np.maximum(ceiling, self.curtain_wall - outflow)
        # the open orifice: no wall towards the ventricle within the ring, the curtain rising from its front
        wall = np.maximum(ceiling, self.curtain_wall - outflow)
        orifice = np.maximum(np.hypot(p[..., 0], p[..., 1]) - 12.0, np.maximum(-p[..., 2], p[..., 2] - 4.0))
        tract = tube(p, self.aortic_center, AORTIC_AXIS, self.annulus_radius, -26.0, 16.0)
        return np.minimum(wall, np.maximum(orifice, self.curtain_wall - tract))

    def right(self, p, outflow=None):
        """Right ventricular outflow and pulmonary artery, in contact with root and outflow tract."""
        c, a = self.aortic_center, AORTIC_AXIS
        side = unit([0.4, 0.75, -0.5])
        side = unit(side - (side @ a) * a)
        trunk = c + 23.0 * side
        d = np.minimum(tube(p, trunk, a, 12.0, -25.0, 25.0), ellipsoid(p, trunk - 20 * a, [16.0, 16.0, 24.0]))
        return np.maximum(d, self.right_wall - (self.outflow(p) if outflow is None else outflow))

    def image(self, spacing: float = 0.5, margin: float = 12.0) -> Volume:
        """The blurred, noisy image on an axis-aligned LPS grid."""
        marks = np.vstack([self.pose(x) for x in self.box_points()])
        low, high = marks.min(axis=0) - margin, marks.max(axis=0) + margin
        shape = np.ceil((high - low) / spacing).astype(int) + 1
        volume = Volume(np.zeros(shape[::-1], dtype=np.float32), low, np.eye(3), np.full(3, spacing))
        values = np.empty(shape[::-1], dtype=np.float32)
        # a voxel averages over itself: blur is never finer than the spacing
        sigma = max(self.blur_fwhm, spacing) / 2.3548
        index = np.stack(np.meshgrid(np.arange(shape[1]), np.arange(shape[0]), indexing="ij"), axis=-1)
        for k in range(shape[2]):
            grid = np.concatenate([np.full((*index.shape[:2], 1), k), index], axis=-1)
            p = self.unpose(volume.to_points(grid))
            outflow = self.outflow(p)
            left = ndtr(-outflow / sigma) + ndtr(-self.atrium(p, outflow) / sigma)
            right = ndtr(-self.right(p, outflow) / sigma)
            hu = self.muscle + (self.blood - self.muscle) * np.minimum(left, 1.0)
            hu += (self.right_hu - self.muscle) * np.minimum(right, 1.0 - np.minimum(left, 1.0))
            far = np.linalg.norm(p - np.array([4.0, 0.0, -15.0]), axis=-1)
            outside = ndtr((far - 58.0) / 1.0)
            hu = hu * (1.0 - outside) - 90.0 * outside
            if self.metal_ring:
                torus = np.hypot(np.hypot(p[..., 0], p[..., 1]) - RING_RADIUS - 1.0, p[..., 2]) - 1.0
                hu = hu + (3071.0 - hu) * ndtr(-torus / sigma)
            if self.calcium:
                spot = np.linalg.norm(p - np.array([-9.0, 12.0, -1.0]), axis=-1) - 4.0
                hu = hu + (1100.0 - hu) * ndtr(-spot / sigma)
            if self.lead:
                wire = capsule(p, [30.0, 30.0, 30.0], [25.0, 22.0, -40.0], 1.2)
                hu = hu + (3071.0 - hu) * ndtr(-wire / sigma)
            values[k] = hu
        rng = np.random.default_rng(self.seed)
        values += rng.normal(0.0, self.noise, values.shape).astype(np.float32)
        return Volume(np.round(values).astype(np.int16), volume.origin, volume.direction, volume.spacing)

    def box_points(self):
        c, a = self.aortic_center, AORTIC_AXIS
        return [
            np.array([[0.0, 0.0, 0.0]]),
            APEX[None],
            (c + 12.0 * a)[None],
            np.array([[20.0, 20.0, 5.0]]),
            np.array([[-18.0, -18.0, 6.0]]),
            np.array([[0.0, 22.0, -30.0], [0.0, -22.0, -30.0]]),
        ]

    def landmarks(self, ring_shift: float = 0.0, path: bool = True) -> dict[str, np.ndarray]:
        """The reader's points in LPS; `ring_shift` mm moves the ring towards the aorta and into the ventricle."""
        angles = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
        ring = np.stack([RING_RADIUS * np.cos(angles), RING_RADIUS * np.sin(angles), 0.0 * angles], axis=1)
        ring = ring + ring_shift * unit([1.0, 0.0, -0.6])
        c, a = self.aortic_center, AORTIC_AXIS
        e1 = unit(np.cross(a, [0.0, 1.0, 0.0]))
        e2 = np.cross(a, e1)
        hinges = [c + self.annulus_radius * (np.cos(t) * e1 + np.sin(t) * e2) for t in (0.4, 2.494, 4.589)]
        marks = {
            "mitral_ring": self.pose(ring),
            "aortic_hinge_right": self.pose(hinges[0])[None],
            "aortic_hinge_left": self.pose(hinges[1])[None],
            "aortic_hinge_non": self.pose(hinges[2])[None],
            "lv_apex": self.pose(APEX)[None],
        }
        if path:
            marks["outflow_path"] = self.pose(self.path(np.array([-30.0, -20.0, -10.0, 0.0, 6.0])))
        return marks

    def anatomy(self, ring_shift: float = 0.0, path: bool = True, marks=None) -> Anatomy:
        return build_anatomy(self.landmarks(ring_shift, path) if marks is None else marks)

    def path(self, stations):
        """Heart-frame points of the axis of the outflow tract, straight."""
        return self.aortic_center + np.asarray(stations)[:, None] * AORTIC_AXIS


HEARTS = {
    "open": Heart(noise=25.0, valve_open=True),
    "closed": Heart(noise=35.0, valve_open=False, seed=3),
    "thin": Heart(noise=30.0, curtain_wall=0.6, right_wall=0.6),
    "busy": Heart(noise=30.0, calcium=True, lead=True, septal_bulge=4.0),
}
"""The hearts that several tests share."""


@cache
def thin_walled(name: str, spacing: float) -> tuple[Heart, Volume]:
    """A shared heart and its image."""
    return HEARTS[name], HEARTS[name].image(spacing)
