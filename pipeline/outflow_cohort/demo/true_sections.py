"""True neo-LVOT: sections of the implicit heart, unblurred and free of noise, by the contract's definitions.

Local coordinates of `anatomy`, mm; areas mm2. Independent of the measuring code: the heart's own signed distances
are sampled on a plane and the zero outline is followed between samples. At 0.15 mm the area of a 10 mm circle
is then right to 4e-5, and each corner costs about 0.004 mm2.
The station of a smallest section is less sharp, since areas change little beside their minimum: about 0.02 mm, and
with it the native area there about 0.1 %.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import contourpy
import numpy as np
import shapely
from scipy.optimize import minimize_scalar

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import OutflowCurve, chambers_at
from outflow_cohort.demo.shapes import Array
from outflow_cohort.demo.true_device import TrueSolid

COARSE = 1.25
"""mm between samples that find where the section is."""
EDGE_BAND = 2.5
"""mm from the edge, by the coarse sample, within which fine samples are worked out: nearly three times the way to that
sample, since distances are true to first order only."""
FINE = 0.15
"""mm between samples of a true value; grids this fine are not kept."""


@dataclass(frozen=True)
class Steps:
    """mm: between stations and samples of the first search, between samples of the refined search and of the value."""

    scan: float = 1.0
    scan_grid: float = 0.6
    search_grid: float = 0.2
    grid: float = FINE


EXACT = Steps()
SKETCH = Steps(2.0, 1.0, 1.0, 0.5)
"""Rough and quick."""

HALF_WIDTH = 48.0
"""mm around the path that hold the whole section."""
UPSTREAM = 30.0
BEYOND = 8.0
SMALLEST_PART = 5.0
SINUS_HEIGHT = 1.0
SEPTAL_FAN = 30.0
"""The contract's mm, mm, mm2 and mm; degrees on either side of the aortic direction that count as septum."""


@dataclass(frozen=True)
class SectionPlane:
    """A plane at right angles to the path."""

    point: Array
    u: Array
    v: Array

    def lift(self, a: Array, b: Array) -> Array:
        """Local points (..., 3)."""
        result: Array = self.point + a[..., None] * self.u + b[..., None] * self.v
        return result


@dataclass(frozen=True)
class LumenSamples:
    """The lumen's signed distance on a grid (a, b) of a plane that holds the whole section."""

    plane: SectionPlane
    a: Array
    b: Array
    values: Array

    @classmethod
    def of(cls, plane: SectionPlane, field: Callable[[Array], Array], step: float) -> LumenSamples:
        """Sample `field` of local points (..., 3) where it is near or below 0."""
        axis = np.arange(-HALF_WIDTH, HALF_WIDTH + COARSE / 2, COARSE)
        a, b = np.meshgrid(axis, axis)
        coarse = field(plane.lift(a, b))
        near = coarse < 1.5 * COARSE
        if not near.any():
            return cls(plane, *(np.zeros((0, 0)) for _ in range(3)))
        low = np.array([a[near].min(), b[near].min()]) - COARSE
        high = np.array([a[near].max(), b[near].max()]) + COARSE
        # an offset that is no fraction of anything keeps samples off straight edges that run along the grid
        a, b = np.meshgrid(
            np.arange(low[0] - 0.137 * step, high[0] + step, step),
            np.arange(low[1] - 0.291 * step, high[1] + step, step),
        )
        # far from any edge the distance of the nearest coarse sample will do: its sign alone matters there
        column, row = (np.rint((c - axis[0]) / COARSE).astype(np.int64) for c in (a[0], b[:, 0]))
        values = coarse[np.clip(row, 0, len(axis) - 1)[:, None], np.clip(column, 0, len(axis) - 1)]
        band = np.abs(values) < EDGE_BAND
        values[band] = field(plane.lift(a[band], b[band]))
        return cls(plane, a, b, values)


@dataclass(frozen=True)
class TrueSection:
    """A section of a solid; polygons in (u, v) of the plane."""

    station: float
    area: float
    native_area: float
    septum_distance: float
    diameter_max: float
    diameter_min: float
    plane: SectionPlane
    residual: shapely.Geometry


def circumcircle(points: Array) -> tuple[Array, float]:
    """Centre (3,) and radius of the circle through three points (3, 3)."""
    a, b = points[0] - points[2], points[1] - points[2]
    normal = np.cross(a, b)
    offset = np.cross((a @ a) * b - (b @ b) * a, normal) / (2.0 * normal @ normal)
    return points[2] + offset, float(np.linalg.norm(offset))


@dataclass(frozen=True)
class TrueOutflow:
    """The outflow lumen of one phase and its sections along the true path."""

    heart: HeartPhase

    @cached_property
    def path(self) -> OutflowCurve:
        """The true outflow path."""
        return OutflowCurve(self.heart)

    @cached_property
    def curtain(self) -> tuple[Array, Array]:
        """Point and unit normal of the curtain plane, outflow side positive.

        Through the ring's foremost point, the nearest point of the circle through the hinges, parallel to y.
        """
        heart = self.heart
        edge = heart.ring.points(np.linspace(-0.5, 0.5, 20001))
        edge = edge[int(np.argmax(edge[:, 0]))] * np.array([1.0, 1.0, 0.0])
        hinge = np.radians(heart.sinus_angles)
        ru, rv = heart.annulus_axes
        center, radius = circumcircle(heart.from_aortic(ru * np.cos(hinge), rv * np.sin(hinge), 0.0))
        normal = heart.aortic_axes[2]
        inward = edge - center
        inward = inward - (inward @ normal) * normal
        near = center + radius * inward / np.linalg.norm(inward)
        along = near - edge
        plane = np.cross(np.array([0.0, 1.0, 0.0]), along * np.array([1.0, 0.0, 1.0]))
        plane = plane / np.linalg.norm(plane)
        probe = heart.aortic_center - 10.0 * normal - edge
        return edge, plane if probe @ plane > 0.0 else -plane

    def lumen(self, points: Array) -> Array:
        """Below 0 in the outflow lumen: not on the atrial side, not farther than 8 mm beyond the aortic plane."""
        blood = chambers_at(self.heart, points).outflow_blood
        edge, normal = self.curtain
        kept = np.maximum(points[..., 2], (points - edge) @ normal)
        beyond = (points - self.heart.aortic_center) @ self.heart.aortic_axes[2] - BEYOND
        result: Array = np.maximum(np.maximum(blood, -kept), beyond)
        return result

    def plane(self, station: float) -> SectionPlane:
        """Section plane at a station."""
        point, tangent = (a[0] for a in self.path.at(station))
        u = np.array([1.0, 0.0, 0.0]) - tangent[0] * tangent
        u = u / np.linalg.norm(u)
        return SectionPlane(point, u, np.cross(tangent, u))

    def last_station(self, solid: TrueSolid) -> float:
        """Most upstream station whose plane meets the solid on the side of the aorta."""
        rims = solid.half_rims()

        def meets(station: float) -> bool:
            point, tangent = (a[0] for a in self.path.at(station))
            height = (rims - point) @ tangent
            return bool(height.min() <= 0.0 <= height.max())

        lowest = max(-UPSTREAM, self.path.first)
        stations = np.arange(lowest, 1e-9, 0.25)
        first = next((i for i, s in enumerate(stations) if meets(float(s))), None)
        if first is None:
            return 0.0
        if first == 0:
            return float(lowest)
        low, high = float(stations[first - 1]), float(stations[first])
        for _ in range(24):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if meets(middle) else (middle, high)
        return high

    @cached_property
    def _seen(self) -> dict[tuple[float, float], LumenSamples]:
        return {}

    def samples(self, station: float, step: float) -> LumenSamples:
        """The lumen sampled on the section plane at a station; kept, since all solids share it."""
        key = (float(station), step)
        if key not in self._seen:
            samples = LumenSamples.of(self.plane(float(station)), self.lumen, step)
            if step < 0.5:
                return samples
            self._seen[key] = samples
        return self._seen[key]

    def section(self, station: float, solid: TrueSolid, step: float, with_device: bool = True) -> shapely.Geometry:
        """Parts that count of the section at a station, as polygons in (u, v) of its plane."""
        samples = self.samples(station, step)
        points = samples.plane.lift(samples.a, samples.b)
        value = np.maximum(samples.values, -solid.side_height(points))
        if with_device:
            value = np.maximum(value, -solid.distance(points))
        parts = outlines(samples.a, samples.b, value)
        if not parts:
            return shapely.MultiPolygon()
        # the part at the path, or else nearest to it, always counts
        own = min(parts, key=lambda p: (p.distance(shapely.Point(0.0, 0.0)), -p.area))
        beyond = self._beyond(samples.plane)
        large = [p for p in parts if p is not own and p.area >= SMALLEST_PART]
        return shapely.MultiPolygon([own, *(p for p in large if p.intersection(beyond).area <= 0.5 * p.area)])

    def _beyond(self, plane: SectionPlane) -> shapely.Geometry:
        """The part of the plane that is more than 1 mm beyond the aortic plane."""
        normal = self.heart.aortic_axes[2]
        gradient = np.array([normal @ plane.u, normal @ plane.v])
        slope = float(np.linalg.norm(gradient))
        start = float((plane.point - self.heart.aortic_center) @ normal) - SINUS_HEIGHT
        if slope < 1e-9:
            return shapely.box(-200, -200, 200, 200) if start > 0 else shapely.Polygon()
        toward = gradient / slope
        across = np.array([-toward[1], toward[0]])
        foot = -start / slope * toward
        corners = [foot + 300 * across, foot + 300 * across + 300 * toward, foot - 300 * across + 300 * toward]
        return shapely.Polygon([*corners, foot - 300 * across])

    def smallest(self, solid: TrueSolid, steps: Steps = EXACT) -> TrueSection:
        """The smallest section from the annulus to the last plane that meets the solid."""
        end = self.last_station(solid)
        stations = np.concatenate([np.arange(0.0, end, -steps.scan), [end]])
        areas = np.array([self.section(s, solid, steps.scan_grid).area for s in stations])
        best = (float("inf"), 0.0)
        for i in _lowest(areas):
            bounds = (stations[min(i + 1, len(stations) - 1)], stations[max(i - 1, 0)])
            found = minimize_scalar(
                lambda s: self.section(s, solid, steps.search_grid).area,
                bounds=bounds,
                method="bounded",
                options={"xatol": 4e-3},
            )
            at_scan = (self.section(stations[i], solid, steps.search_grid).area, stations[i])
            best = min(best, (float(found.fun), float(found.x)), at_scan)
        return self.describe(float(best[1]), solid, steps.grid)

    def describe(self, station: float, solid: TrueSolid, step: float) -> TrueSection:
        """Everything about one section."""
        residual = self.section(station, solid, step)
        native = self.section(station, solid, step, with_device=False).area
        plane = self.plane(station)
        hull = shapely.get_coordinates(residual.convex_hull) if not residual.is_empty else np.zeros((1, 2))
        angle = np.linspace(0.0, np.pi, 3601)
        reach = hull @ np.stack([np.cos(angle), np.sin(angle)])
        widths = reach.max(axis=0) - reach.min(axis=0)
        around = LumenSamples.of(plane, solid.distance, 0.2)
        device = shapely.union_all(outlines(around.a, around.b, around.values))
        distance = self._septum_distance(plane, solid, device, residual)
        return TrueSection(
            station=station,
            area=residual.area,
            native_area=native,
            septum_distance=distance,
            diameter_max=float(widths.max()),
            diameter_min=float(widths.min()),
            plane=plane,
            residual=residual,
        )

    def _septum_distance(
        self, plane: SectionPlane, solid: TrueSolid, device: shapely.Geometry, residual: shapely.Geometry
    ) -> float:
        """From the device to the far edge of the section within 30 degrees of the aortic direction."""
        if device.is_empty or residual.is_empty:
            return float("nan")
        middle = shapely.get_coordinates(device.centroid)[0]
        toward = float(np.arctan2(solid.side @ plane.v, solid.side @ plane.u))
        edge = []
        for angle in toward + np.radians(np.linspace(-SEPTAL_FAN, SEPTAL_FAN, 121)):
            ray = shapely.LineString([middle, middle + 200.0 * np.array([np.cos(angle), np.sin(angle)])])
            hit = shapely.get_coordinates(ray.intersection(residual))
            if not len(hit):
                return 0.0
            edge.append(hit[int(np.argmax(np.linalg.norm(hit - middle, axis=1)))])
        return float(device.distance(shapely.LineString(edge)))


def _lowest(areas: Array) -> list[int]:
    """Places of the local minima that may be the smallest: within 3 % of it."""
    padded = np.concatenate([[np.inf], areas, [np.inf]])
    local = (padded[1:-1] <= padded[:-2]) & (padded[1:-1] <= padded[2:])
    return np.flatnonzero(local & (areas <= 1.03 * areas.min() + 1.0)).tolist()


def outlines(a: Array, b: Array, values: Array) -> list[shapely.Polygon]:
    """Polygons where `values` on the grid (a, b) are below 0, the edge linear between samples."""
    if not a.size:
        return []
    generator = contourpy.contour_generator(a, b, values, fill_type=contourpy.FillType.OuterOffset)
    polygons = []
    for points, offsets in zip(*generator.filled(-1e9, 0.0), strict=True):
        rings = [points[offsets[k] : offsets[k + 1]] for k in range(len(offsets) - 1)]
        polygons.append(shapely.Polygon(rings[0], rings[1:]))
    return polygons
