"""Signed distances of the invented heart's chambers, walls, leaflets and implants at given points.

Local coordinates of `anatomy`, mm; negative inside. Each shape is worked out once for a set of points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from outflow_cohort.demo import shapes
from outflow_cohort.demo.anatomy import FUNNEL, HeartPhase
from outflow_cohort.demo.shapes import Array

SHEET_UP, SHEET_DOWN = 0.6 / 1.3, 1.0 / 1.3
"""Times the leaflets' thickness: closed mitral leaflets of 1.3 mm fill the ring from 0.6 mm above to 1.0 mm below its
plane, so that no atrial blood is on the ventricular side of the plane: which chamber that blood belonged to would
be a matter of taste."""

TRABECULA = 7.0
"""mm between trabeculae."""

TRACT_CUT = 5.5
"""mm upstream of the aortic plane where the wide ventricle ends: more than the blend, so that the lumen in the
aortic plane is exactly the annulus ellipse."""

SEPTAL_DIRECTION = np.radians(48.0)
"""Direction of the middle of the septum in the (x, y) plane; common anatomy, no source."""

RIGHT_WALL = 2.6
"""Thickness of the walls of right heart and vessels, mm."""


@dataclass(frozen=True)
class Chambers:
    """Shapes of one phase at the points (x, y, h), arrays of one shape."""

    heart: HeartPhase
    x: Array
    y: Array
    h: Array

    @cached_property
    def aortic(self) -> tuple[Array, Array, Array]:
        """Coordinates toward the septum, across, and downstream of the aortic plane."""
        return self.heart.to_aortic(self.x, self.y, self.h)

    @cached_property
    def ring_distance(self) -> Array:
        """In-plane distance to the ring contour."""
        return self.heart.ring.distance(self.x, self.y)

    @cached_property
    def saddle(self) -> Array:
        """Height of the saddle surface through the ring."""
        return self.heart.ring.height(self.x, self.y)

    @cached_property
    def sheet(self) -> tuple[float, float]:
        """mm that the closed leaflets reach above and below the ring plane."""
        thickness = self.heart.case.leaflet_thickness
        return SHEET_UP * thickness, SHEET_DOWN * thickness

    @cached_property
    def turned(self) -> tuple[Array, Array]:
        """x and y in the ventricle's own directions."""
        return self.heart.to_ventricle(self.x, self.y)

    # ------------------------------------------------------------------ left heart
    @cached_property
    def ventricle(self) -> Array:
        """Ventricle, outflow tract and aorta: one cavity, whatever the mitral valve does."""
        heart, (x, y), h, (u, v, s) = self.heart, self.turned, self.h, self.aortic
        rx, ry, power, shift = heart.lv_axes
        body = shapes.bullet(x - shift, y - 0.02 * h, h, rx, ry, heart.lv_length, power)
        if heart.case.trabeculae > 0.0:
            body = body + self.trabeculae
        body = shapes.common(body, s + TRACT_CUT, 4.0)
        base = np.maximum(self.saddle, 0.0) + (self.sheet[1] - 0.2)
        body = shapes.common(body, base - h, 1.0)
        ru, rv = heart.annulus_axes
        wider = 1.0 + 0.0009 * np.minimum(s, 0.0) ** 2
        tract = shapes.common(shapes.ellipse(u, v, ru * wider, rv * wider), s - 6.0, 2.0)
        tract = np.maximum(tract, -24.0 - s)
        cavity = shapes.union(body, tract, 5.0)
        cavity = shapes.without(cavity, self.septal_bulge, 3.0)
        if heart.case.ridge > 0.0:
            cavity = shapes.without(cavity, self.septal_ridge, 1.5)
        for muscle in heart.papillary_muscles:
            cavity = shapes.without(cavity, shapes.cone(x, y, h, *muscle), 1.5)
        cavity = shapes.without(cavity, self.annulus_floor, 0.5)
        return np.minimum(cavity, self.root)

    @cached_property
    def trabeculae(self) -> Array:
        """mm that muscle rises from the smooth wall: three crossed waves, none near valve and outflow tract."""
        (x, y), h, s, wave = self.turned, self.h, self.aortic[2], 2.0 * np.pi / TRABECULA
        waves = np.sin(wave * (x + 0.4 * y)) + np.sin(wave * (y - 0.3 * h)) + np.sin(wave * (0.8 * h + 0.5 * x))
        fade = np.clip((h - 0.3 * self.heart.lv_length) / 15.0, 0.0, 1.0) * np.clip((-24.0 - s) / 8.0, 0.0, 1.0)
        result: Array = self.heart.case.trabeculae * fade * np.clip(0.5 * waves, 0.0, 1.0)
        return result

    @cached_property
    def chordae(self) -> Array:
        """The chordae, thin cords between papillary muscles and leaflets."""
        distance = np.full_like(self.x, 1e3)
        radius = 0.5 * self.heart.case.chordae
        for start, end in self.heart.chordae:
            distance = np.minimum(distance, shapes.cone(self.x, self.y, self.h, start, end, radius, radius))
        return distance

    @cached_property
    def septal_aortic(self) -> tuple[Array, Array, Array]:
        """Coordinates toward the middle of the outflow septum, across, and downstream of the aortic plane."""
        (u, v, s), (cu, cv) = self.aortic, self.heart.septal_way
        return (u, v, s) if cv == 0.0 else (cu * u + cv * v, cu * v - cv * u, s)

    @cached_property
    def annulus_floor(self) -> Array:
        """What bounds the ventricle at the ring: the fibrous annulus, or the sewing cuff of an implant."""
        width, depth = (1.0, 0.3) if self.heart.case.implant.kind == "none" else (2.2, 2.4)
        result: Array = np.maximum(self.ring_distance - width, self.h - depth)
        return result

    @cached_property
    def septal_bulge(self) -> Array:
        """The thickened basal septum that narrows the outflow tract, a flat ellipsoid."""
        (u, v, s), case = self.septal_aortic, self.heart.case
        height = case.bulge * (1.0 + 0.25 * self.heart.contraction)
        depth = 9.0
        center = self.heart.septal_wall + depth - height
        return shapes.ellipsoid(u - center, v, s + case.bulge_below, depth, case.bulge_across, 11.0)

    @cached_property
    def septal_ridge(self) -> Array:
        """A narrow ridge along the outflow septum, which parts the channel into two lobes."""
        (u, v, s), case = self.septal_aortic, self.heart.case
        top = self.heart.septal_wall - case.ridge
        return shapes.ellipsoid(u - (top + 14.0), v, s + case.bulge_below, 14.0, 4.5, 16.0)

    @cached_property
    def root(self) -> Array:
        """Aortic root with three sinuses, and the ascending aorta."""
        u, v, s = self.aortic
        ru, rv = self.heart.annulus_axes
        off = 0.25 * (ru + rv)
        tube = np.maximum(shapes.ellipse(u, v, ru, rv), -1.0 - s)
        tube = shapes.common(tube, s - 24.0, 2.0)
        for angle in np.radians(self.heart.sinus_angles).tolist():
            du, dv = off * np.cos(angle).item(), off * np.sin(angle).item()
            tube = shapes.union(tube, shapes.ellipsoid(u - du, v - dv, s - 10.7, 9.6, 9.6, 10.0), 0.5)
        for segment in self.heart.ascending_aorta:
            tube = shapes.union(tube, shapes.cone(u, v, s, *segment), 2.0)
        return tube

    @cached_property
    def tract_roof(self) -> Array:
        """Outflow tract and root alone, from which atrium and right heart keep their distance."""
        u, v, s = self.aortic
        ru, rv = self.heart.annulus_axes
        tract = np.maximum(shapes.ellipse(u, v, ru, rv), np.maximum(-16.0 - s, s - 6.0))
        result: Array = np.minimum(tract, self.root)
        return result

    @cached_property
    def atrium(self) -> Array:
        """Left atrium: wholly behind the ring plane and the curtain, a thin wall away from the aorta."""
        x, y, h = self.x, self.y, self.h
        size = 1.0 + 0.06 * self.heart.contraction
        body = shapes.ellipsoid(x + 7.0, y + 2.0, h + 24.0 * size, 21.0 * size, 28.0 * size, 26.0 * size)
        for segment in self.heart.veins:
            body = shapes.union(body, shapes.cone(x, y, h, *segment), 4.0)
        body = shapes.common(body, h - np.minimum(self.saddle, 0.0) + self.sheet[0], 0.6)
        body = shapes.without(body, self.tract_roof - self.heart.case.curtain_wall, 1.0)
        result: Array = np.maximum(body, self.curtain_height + 0.6)
        return result

    @cached_property
    def curtain_height(self) -> Array:
        """Height over the aorto-mitral curtain, outflow side positive."""
        drop = np.radians(self.heart.case.curtain_drop)
        edge = self.heart.ring_edge
        result: Array = (self.x - edge[0].item()) * np.sin(drop).item() + (self.h - edge[2].item()) * np.cos(
            drop
        ).item()
        return result

    @cached_property
    def orifice(self) -> Array:
        """The opening inside the ring, from atrium to ventricle."""
        opening = np.maximum(self.ring_distance, np.maximum(self.h - 4.0, -5.0 - self.h))
        # on the atrial side the curtain keeps its thickness
        result: Array = np.maximum(opening, np.minimum(self.heart.case.curtain_wall - self.tract_roof, -self.h))
        return result

    @cached_property
    def leaflets(self) -> Array:
        """Mitral leaflets (native or of a bioprosthesis): a closed sheet in systole, an open funnel in diastole."""
        heart, x, y, h = self.heart, self.x, self.y, self.h
        if heart.case.implant.kind == "bioprosthesis":
            return self._prosthetic_leaflets()
        if heart.valve_closed:
            line = x + 3.5 - 0.02 * y * y
            ridge = 3.6 * np.exp(-((line / 1.8) ** 2))
            result: Array = np.maximum(
                np.maximum(h - self.sheet[1] - ridge, -self.sheet[0] - h), self.ring_distance - 1.5
            )
            return result
        shrink = 1.0 - (FUNNEL / 24.0) * np.clip(h, -2.0, 40.0)
        half = 0.5 * heart.case.leaflet_thickness
        wall = heart.ring.distance(x / shrink, y / shrink) * shrink + half
        c = x / np.sqrt(x * x + y * y + 1.0)
        result = np.maximum(np.abs(wall) - half, np.maximum(h - heart.leaflet_edge(c), -1.0 - h))
        return result

    def _prosthetic_leaflets(self) -> Array:
        heart, h, edge = self.heart, self.h, self.ring_distance
        top = heart.case.implant.leaflet_height
        cuff = np.maximum(np.abs(edge + 0.3) - 0.7, np.maximum(h - top, 0.5 - h))
        if not heart.valve_closed:
            result: Array = cuff
            return result
        cusps = np.maximum(np.abs(h - self._cusp_height) - 0.8, edge)
        result = np.minimum(cuff, cusps)
        return result

    @cached_property
    def _cusp_height(self) -> Array:
        """Height of the closed cusps of a bioprosthesis: a dome with three ribs toward its posts."""
        r = np.sqrt(self.x * self.x + self.y * self.y + shapes.TINY)
        cos3 = (self.x / r) * (4.0 * (self.x / r) ** 2 - 3.0)
        top = 0.55 * self.heart.case.implant.leaflet_height
        share = (r / self.heart.ring.radius) ** 2
        return 0.5 + top * (1.0 - share) * (1.0 - 0.25 * cos3 * share)

    @cached_property
    def left_blood(self) -> Array:
        """All blood of the left heart: ventricle, outflow tract, aorta, atrium, open orifice."""
        pool = np.minimum(np.minimum(self.ventricle, self.atrium), self.orifice)
        return self._without_valve(pool)

    @cached_property
    def outflow_blood(self) -> Array:
        """Left-heart blood joined to the outflow tract: without the atrium while the valve is closed."""
        if not self.heart.valve_closed:
            return self.left_blood
        pool = self._without_valve(np.minimum(self.ventricle, np.maximum(self.orifice, -self.h)))
        if self.heart.case.implant.kind == "bioprosthesis":
            # blood above the closed cusps is the atrium's, also below the ring plane
            pool = np.maximum(pool, -np.maximum(self.h - self._cusp_height, self.ring_distance))
        return pool

    def _without_valve(self, pool: Array) -> Array:
        pool = np.maximum(pool, -self.leaflets)
        if self.heart.case.chordae > 0.0:
            pool = np.maximum(pool, -self.chordae)
        return np.maximum(pool, -self.posts) if self.heart.case.implant.kind == "bioprosthesis" else pool

    @cached_property
    def posts(self) -> Array:
        """The three posts of a bioprosthesis."""
        distance = np.full_like(self.x, 1e3)
        for tip in self.heart.post_tips:
            foot = np.array([tip[0], tip[1], 0.0])
            end = np.array([tip[0], tip[1], tip[2] - 1.1])
            distance = np.minimum(distance, shapes.cone(self.x, self.y, self.h, foot, end, 1.1, 1.1))
        return distance

    @cached_property
    def calcium(self) -> Array:
        """Lumpy crescent of calcium in the posterior annulus, beside the blood and never in it."""
        angle = np.arctan2(self.y, -self.x)
        lumps = 0.35 * np.sin(7.0 * angle + self.heart.case.seed) + 0.25 * np.sin(13.0 * angle + 1.7)
        size = 3.2 * (1.0 + lumps) - 2.2 * np.maximum(np.abs(angle) - 1.2, 0.0)
        lump = np.sqrt((self.ring_distance - 3.4) ** 2 + (self.h + 0.5) ** 2) - size
        result: Array = np.maximum(np.maximum(lump, 0.5 - self.ring_distance), 0.4 - self.ventricle)
        return result

    # ------------------------------------------------------------------ muscle, walls, right heart
    @cached_property
    def muscle(self) -> Array:
        """Left ventricle as a solid, cavity included: thicker where the septum is."""
        heart, (x, y), h, s = self.heart, self.turned, self.h, self.aortic[2]
        wall = heart.case.lv_wall * (1 + 0.35 * heart.contraction)
        septum = heart.case.septum * (1 + 0.25 * heart.contraction)
        rx, ry, power, shift = heart.lv_axes
        off = 0.5 * (septum - wall)
        sx, sy = shift + off * np.cos(SEPTAL_DIRECTION).item(), off * np.sin(SEPTAL_DIRECTION).item()
        mean = 0.5 * (septum + wall)
        length = heart.lv_length + 0.8 * wall
        solid = shapes.bullet(x - sx, y - 0.02 * h - sy, h, rx + mean, ry + mean, length, max(power, 2.0))
        solid = shapes.common(solid, -1.5 - h, 3.0)
        solid = shapes.common(solid, s + 1.0, 3.0)
        bulge = shapes.common(self.septal_bulge - 1.0, s - 1.0, 2.0)
        return shapes.union(solid, bulge, 3.0)

    @cached_property
    def left_walls(self) -> Array:
        """Walls of outflow tract, aorta, left atrium and the fibrous annulus, lumen included."""
        annulus = np.sqrt(np.maximum(self.ring_distance, 0.0) ** 2 + (self.h + 0.5) ** 2) - 3.5
        result: Array = np.minimum(np.minimum(self.tract_roof - 1.9, self.atrium - 1.8), annulus)
        return result

    @cached_property
    def right_blood(self) -> Array:
        """Right ventricle, its outflow, right atrium and great veins, apart from the left heart by thin walls."""
        gap = self.heart.case.membranous_septum
        pool = shapes.union(self._right_ventricle(), self._right_atrium(), 1.0)
        outflow = np.minimum(self.tract_roof, self.ventricle) - gap
        inflow = np.minimum(self.atrium, self.orifice) - RIGHT_WALL
        return shapes.without(pool, np.minimum(outflow, inflow), 0.5)

    def _right_ventricle(self) -> Array:
        (x, y), h, uvs = self.turned, self.h, self.aortic
        shrink = 1.0 - 0.08 * self.heart.contraction
        body = shapes.ellipsoid(x - 19.0, y - 23.0, h - 34.0, 33.0 * shrink, 34.0 * shrink, 46.0)
        for segment in self.heart.right_outflow:
            body = shapes.union(body, shapes.cone(uvs[0], uvs[1], uvs[2], *segment), 5.0)
        body = shapes.common(body, -4.0 - h - 0.5 * np.maximum(x - 12.0, 0.0), 4.0)
        return shapes.without(body, self.muscle, 2.0)

    def _right_atrium(self) -> Array:
        u, v, s = self.aortic
        center, upper, lower = self.heart.right_atrium
        a, b, c = center.tolist()
        body = shapes.ellipsoid(u - a, v - b, s - c, 25.0, 22.0, 27.0)
        body = shapes.union(body, shapes.cone(u, v, s, *upper), 5.0)
        body = shapes.union(body, shapes.cone(u, v, s, *lower), 5.0)
        return shapes.without(body, self.muscle - 1.0, 2.0)
