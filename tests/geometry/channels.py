"""Closed-form outflow channels: ventricle, tract with lobes and bulges, device; their truly blurred images and truths.

All points mm in the channel's own frame (ring plane z = 0, ventricle below, aorta towards +x); `pose` turns it
into LPS. Images are an anti-aliased indicator on a fine grid, convolved with a Gaussian, then sampled: unlike the
error function of a distance this keeps the shift that blur gives to curved walls. Truths count sub-pixels of a
fine grid of the closed-form shapes, independently of the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation

from outflow_geometry.base.frames import Volume, unit
from outflow_geometry.base.inputs import Device, Plan
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.lumen import OUTFLOW, Lumen
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath, path_through
from outflow_geometry.outflow.placing import build_solid
from outflow_geometry.outflow.solids import Solid

FINE = np.array([0.25, 0.25, 0.2])
"""mm, the fine grid's steps along x, y, z of the image."""


SMOOTH_UNION = 5.0
"""mm over which ventricle and tract pass into each other."""


@dataclass(frozen=True)
class Channel:
    """Parameters, mm and HU. The tract is an ellipse (radii across, toward) with lobes and a septal bulge."""

    angle: float = 55.0
    radius_across: float = 11.0
    radius_toward: float = 9.0
    lobes: float = 0.0
    bulge: float = 0.0
    bulge_station: float = -12.0
    bend: float = 0.0
    center_x: float = 19.0
    center_z: float = -2.0
    ring_radius: float = 15.0
    device_diameter: float = 27.0
    device_height: float = 22.0
    depth: float = 15.0
    tilt_ap: float = 0.0
    tilt_ic: float = 0.0
    ventricle: bool = True
    blood: float = 380.0
    muscle: float = 110.0
    blur: float = 0.9
    noise: float = 25.0
    spacing: tuple[float, float, float] = (0.5, 0.5, 0.6)
    seed: int = 1
    turn: tuple[float, float, float] = (10.0, -25.0, 40.0)

    @property
    def axis(self):
        a = np.radians(self.angle)
        return np.array([np.cos(a), 0.0, np.sin(a)])

    @property
    def aortic_center(self):
        return np.array([self.center_x, 0.0, self.center_z])

    @property
    def rotation(self):
        return Rotation.from_euler("xyz", self.turn, degrees=True).as_matrix()

    def pose(self, p):
        return np.asarray(p) @ self.rotation.T + np.array([11.3, -42.7, 103.1])

    def unpose(self, p):
        return (np.asarray(p) - np.array([11.3, -42.7, 103.1])) @ self.rotation

    def path_points(self, stations):
        """Centre line: straight, or an arc of curvature `bend` in the plane of x and z."""
        s = np.asarray(stations, dtype=float)[:, None]
        side = np.array([self.axis[2], 0.0, -self.axis[0]])
        if self.bend == 0.0:
            return self.aortic_center + s * self.axis
        return (
            self.aortic_center
            + np.sin(s * self.bend) / self.bend * self.axis
            + ((1.0 - np.cos(s * self.bend)) / self.bend) * side
        )

    def blood_value(self, p):
        """Implicit function, positive in blood, of slope about one at the wall."""
        q = p - self.aortic_center
        side = np.array([self.axis[2], 0.0, -self.axis[0]])
        along, toward, across = q @ self.axis, q @ side, q[..., 1]
        if self.bend != 0.0:
            big = 1.0 / self.bend
            radial = np.hypot(along, toward - big)
            toward, along = (
                np.sign(big) * (np.abs(big) - radial),
                np.arctan2(along, np.abs(big) - np.sign(big) * toward) * np.abs(big),
            )
        angle = np.arctan2(across / self.radius_across, toward / self.radius_toward)
        r = np.hypot(across, toward)
        edge = (
            self.radius_across
            * self.radius_toward
            / np.maximum(
                np.hypot(
                    self.radius_toward * np.sin(np.arctan2(across, toward)),
                    self.radius_across * np.cos(np.arctan2(across, toward)),
                ),
                1e-9,
            )
        )
        edge = edge * (1.0 - self.lobes * (1.0 + np.cos(2.0 * angle)) / 2.0)
        tract = edge - r
        if self.bulge > 0.0:
            big_radius = 9.0
            center_toward = self.radius_toward * (1.0 - self.lobes) + big_radius - self.bulge
            away = np.sqrt((toward - center_toward) ** 2 + (across * 0.7) ** 2 + (along - self.bulge_station) ** 2)
            tract = np.minimum(tract, away - big_radius)
        if not self.ventricle:
            return tract
        tract = np.minimum(tract, along + 24.0)
        e = (p - np.array([0.0, 0.0, -30.0])) / np.array([21.0, 20.0, 30.0])
        n = np.linalg.norm(e, axis=-1)
        cavity = (1.0 - n) * n / np.maximum(np.linalg.norm(e / np.array([21.0, 20.0, 30.0]), axis=-1), 1e-9)
        # the ventricle passes into the tract smoothly: blur fills any sharp crease, and no method can tell
        near = np.maximum(0.0, 1.0 - np.abs(tract - cavity) / SMOOTH_UNION)
        return np.maximum(tract, cavity) + SMOOTH_UNION / 4.0 * near**2

    def landmarks(self):
        t = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
        ring = self.ring_radius * np.stack([np.cos(t), np.sin(t), 0.0 * t], axis=1)
        side = np.array([self.axis[2], 0.0, -self.axis[0]])
        hinges = [
            self.aortic_center + 11.0 * (np.cos(a) * side + np.sin(a) * np.array([0.0, 1.0, 0.0]))
            for a in (0.3, 0.3 - 2.0 * np.pi / 3.0, 0.3 + 2.0 * np.pi / 3.0)
        ]
        names = ("aortic_hinge_right", "aortic_hinge_left", "aortic_hinge_non")
        marks = {"mitral_ring": self.pose(ring), "lv_apex": self.pose(np.array([[0.0, 0.0, -58.0]]))}
        marks.update({name: self.pose(h)[None] for name, h in zip(names, hinges, strict=True)})
        marks["outflow_path"] = self.pose(self.path_points(np.linspace(-32.0, 4.0, 19)))
        return marks

    def anatomy(self) -> Anatomy:
        return build_anatomy(self.landmarks())

    def path(self) -> OutflowPath:
        return path_through(self.landmarks()["outflow_path"], self.anatomy().aortic_plane, "reader_path")

    def plan(self) -> Plan:
        device = Device("ring-29", self.device_diameter, self.device_height, 0.0, 0.6 * self.device_height)
        return Plan("p", device, self.depth, tilt_ap=self.tilt_ap, tilt_ic=self.tilt_ic)

    def solid(self, variant: str = "full_frame") -> Solid:
        return build_solid(variant, self.plan(), None, self.anatomy())

    def clean_image(self) -> Volume:
        """The blurred image without noise, in an axis-aligned LPS frame, float32."""
        marks = np.vstack([self.pose(self.path_points(np.linspace(-32.0, 10.0, 9)))])
        low, high = marks.min(axis=0) - 16.0, marks.max(axis=0) + 16.0
        spacing = np.asarray(self.spacing)
        factor = np.maximum(np.round(spacing / FINE), 1).astype(int)
        fine = spacing / factor
        shape = (np.ceil((high - low) / spacing).astype(int) + 1) * factor
        x, y, z = (low[a] + fine[a] * np.arange(shape[a]) for a in range(3))
        values = np.empty(tuple(shape[::-1]), dtype=np.float32)
        for k in range(shape[2]):
            p = self.unpose(np.stack(np.broadcast_arrays(x[None, :], y[:, None], z[k]), axis=-1))
            values[k] = np.clip(self.blood_value(p) / fine[0] + 0.5, 0.0, 1.0)
        values = ndimage.gaussian_filter(values, self.blur / 2.3548 / fine[::-1], truncate=4.5)
        values = values[:: factor[2], :: factor[1], :: factor[0]]
        hu = self.muscle + (self.blood - self.muscle) * values
        return Volume(np.ascontiguousarray(hu, dtype=np.float32), low, np.eye(3), spacing)

    def image(self) -> Volume:
        clean = self.clean_image()
        noise = np.random.default_rng(self.seed).normal(0.0, self.noise, clean.values.shape)
        return Volume(np.round(clean.values + noise).astype(np.int16), clean.origin, clean.direction, clean.spacing)

    def lumen(self, image: Volume | None = None) -> Lumen:
        return lumen_of(self.image() if image is None else image, self.blood, self.muscle, self.noise)

    def true_area(self, station: float, path: OutflowPath, anatomy: Anatomy, solid: Solid | None, step: float = 0.1):
        """Section by the contract's words on a fine grid (aortic_side rule), mm2."""
        point, tangent = path.at(station)
        return true_section(self, point, tangent, anatomy, solid, self.solid(), step)


def lumen_of(image: Volume, blood: float, muscle: float, noise: float) -> Lumen:
    """A lumen whose territory is the whole image."""
    level = 0.5 * (blood + muscle)
    contrast = blood - muscle
    field = np.clip(image.values.astype(np.float32) - level, -1.5 * contrast, contrast)
    volume = Volume(field, image.origin, image.direction, image.spacing)
    found = BloodLevel(blood, muscle, level, noise, contrast / max(noise, 1.0), "samples", "ok")
    territory = replace(volume, values=np.full(field.shape, OUTFLOW, dtype=np.int8))
    return Lumen(volume, found, "ok", territory, volume, 2.0)


def coverage(value, step):
    """Share of a pixel in which an implicit function of slope one is positive."""
    return np.clip(value / step + 0.5, 0.0, 1.0)


def true_section(channel, point, tangent, anatomy, solid, axis_solid, step=0.1):
    """Area of blood − device in a plane, by counting sub-pixels; parts by labelling."""
    n = tangent / np.linalg.norm(tangent)
    u = unit(np.cross(n, [0.3, 0.5, 0.8]))
    v = np.cross(n, u)
    reach = np.arange(-24.0, 24.0 + step / 2, step)
    p = point + reach[None, :, None] * u + reach[:, None, None] * v
    side = anatomy.aortic_center - anatomy.ring_center
    side = unit(side - (side @ axis_solid.axis) * axis_solid.axis)

    def half(height_point, normal):
        rate = max(np.hypot(normal @ u, normal @ v), 1e-6)
        return coverage((p - height_point) @ normal / rate, step)

    aortic, ring, curtain = anatomy.aortic_plane, anatomy.ring_plane, anatomy.curtain_plane
    total = half(axis_solid.axis_point, side)
    total = total * half(aortic.point + 8.0 * aortic.normal, -aortic.normal)
    total = total * (1.0 - half(ring.point, -ring.normal) * half(curtain.point, -curtain.normal))
    if solid is not None:
        relative = p - solid.axis_point
        along = relative @ solid.axis
        relative_in = relative - along[..., None] * solid.axis
        radial = np.linalg.norm(relative_in, axis=-1)
        r = np.interp(along, solid.stations, solid.diameters / 2.0)
        c = abs(n @ solid.axis)
        s = max(np.sqrt(1.0 - c * c), 1e-6)
        slope = np.hypot(relative_in @ u, relative_in @ v) / np.maximum(radial, 1e-6)
        inside = coverage((r - radial) / np.maximum(slope, 0.05), step)
        inside = inside * coverage((along - solid.solid_from) / s, step) * coverage((solid.solid_to - along) / s, step)
        total = total * (1.0 - inside)
    # the implicit function is worked out where it matters, its slope (for coverage) only near the edge
    rest = np.flatnonzero(total.ravel() > 0.0)
    q = channel.unpose(p.reshape(-1, 3)[rest])
    value = channel.blood_value(q)
    share = (value > 0.0).astype(float)
    near = np.abs(value) < 2.0 * step
    h = 1e-4
    du = (channel.blood_value(q[near] + h * (channel.rotation.T @ u)) - value[near]) / h
    dv = (channel.blood_value(q[near] + h * (channel.rotation.T @ v)) - value[near]) / h
    share[near] = coverage(value[near] / np.maximum(np.hypot(du, dv), 1e-3), step)
    total.ravel()[rest] *= share
    label, _ = ndimage.label(total > 0.01)
    beyond = aortic.height(p) > 1.0
    whole = np.bincount(label.ravel(), total.ravel()) * step**2
    past = np.bincount(label.ravel(), (total * beyond).ravel()) * step**2
    counts = (whole >= 5.0) & (past <= 0.5 * whole)
    counts[0] = False
    return float(whole[counts].sum())


def random_channel(number: int) -> Channel:
    """Channel `number` of the random cohort; by remainder of 4: plain, two-lobed, septal bulge, narrow."""
    rng = np.random.default_rng(1000 + number)
    kind = number % 4
    channel = Channel(
        angle=rng.uniform(38.0, 65.0),
        radius_across=rng.uniform(9.5, 13.0),
        radius_toward=rng.uniform(8.0, 11.5),
        bend=float(rng.choice([0.0, rng.uniform(-0.015, 0.02)])),
        center_x=rng.uniform(18.5, 22.0),
        center_z=rng.uniform(-4.0, 0.0),
        device_diameter=rng.uniform(23.0, 30.0),
        depth=rng.uniform(8.0, 18.0),
        tilt_ap=rng.uniform(-4.0, 6.0),
        tilt_ic=rng.uniform(-4.0, 4.0),
        blur=rng.uniform(0.7, 1.1),
        noise=rng.uniform(15.0, 35.0),
        seed=number,
        turn=tuple(rng.uniform(-60.0, 60.0, 3).tolist()),
        blood=rng.uniform(330.0, 430.0),
        muscle=rng.uniform(90.0, 130.0),
    )
    if kind == 1:
        return replace(channel, lobes=rng.uniform(0.25, 0.5))
    if kind == 2:
        return replace(channel, bulge=rng.uniform(2.0, 5.0), bulge_station=rng.uniform(-15.0, -7.0))
    if kind == 3:
        return replace(
            channel,
            radius_toward=rng.uniform(6.0, 7.5),
            radius_across=rng.uniform(8.0, 10.0),
            center_x=rng.uniform(18.0, 20.0),
            tilt_ap=rng.uniform(2.0, 8.0),
        )
    return channel


def range_end(path: OutflowPath, anatomy: Anatomy, solid: Solid) -> float:
    """Last station whose plane meets the half-solid, by brute force on its rims, to 0.01 mm."""
    side = anatomy.aortic_center - anatomy.ring_center
    side = unit(side - (side @ solid.axis) * solid.axis)
    across = np.cross(solid.axis, side)
    angle = np.linspace(-np.pi / 2.0, np.pi / 2.0, 721)
    rim = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * across
    ends = np.concatenate([[solid.solid_from, solid.solid_to], solid.stations])
    ends = ends[(ends >= solid.solid_from) & (ends <= solid.solid_to)]
    radii = np.interp(ends, solid.stations, solid.diameters / 2.0)
    surface = np.concatenate([solid.axis_point + z * solid.axis + r * rim for z, r in zip(ends, radii, strict=True)])
    stations = np.arange(-30.0, 0.005, 0.01)
    points, tangents = path.at(stations)
    height = surface @ tangents.T - (points * tangents).sum(axis=1)
    return float(stations[(height.min(axis=0) <= 0.0) & (height.max(axis=0) >= 0.0)][0])


def true_smallest(channel: Channel, path: OutflowPath, anatomy: Anatomy, solid: Solid) -> tuple[float, float, float]:
    """Area, mm2, and station, mm, of the smallest true section, and the end of its range; by repeated narrowing."""
    end = range_end(path, anatomy, solid)

    def areas(stations, step):
        return np.array([channel.true_area(s, path, anatomy, solid, step) for s in stations])

    stations = np.unique(np.concatenate([[end], np.arange(0.0, end, -0.5)]))
    found = areas(stations, 0.4)
    neighbours = np.minimum(np.concatenate([[np.inf], found[:-1]]), np.concatenate([found[1:], [np.inf]]))
    best = (np.inf, 0.0)
    for start in stations[(found <= neighbours) & (found < found.min() + 6.0)]:
        center = start
        for reach, step in ((0.5, 0.2), (0.15, 0.1), (0.05, 0.1)):
            around = np.clip(center + reach * np.linspace(-1.0, 1.0, 7), end, 0.0)
            values = areas(around, step)
            center = around[int(np.argmin(values))]
        best = min(best, (float(values.min()), float(center)))
    return best[0], best[1], end
