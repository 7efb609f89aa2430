"""Sections of the outflow lumen at right angles to the path, and the area curve along it.

All points LPS, mm, float64; in-plane coordinates (u, v) of each section plane, origin on the path; areas mm2.

The blood edge in a plane is the zero level of the lumen's field. It is found on a coarse grid, then each point of
the outline is moved onto the level of the field smoothed by a B-spline. Blur and smoothing shift the level of a
curved wall; the shift is taken off by the curvature of the field itself (see `edge_points`). Device outlines, the
ring, curtain and aortic planes cut the outline exactly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.errors import GeometryError
from outflow_geometry.frames import FloatArray, Plane, Volume, unit
from outflow_geometry.lumen import Lumen
from outflow_geometry.outflow_path import OutflowPath
from outflow_geometry.solids import CURVE_ARC_STEPS, Solid, outlines

SECTION_RULES = ("aortic_side", "at_path")

LEAST_PART = 5.0
"""mm2; smaller parts of a section do not count (study contract)."""

BEYOND_PART = 1.0
"""mm beyond the aortic plane; a part lying more than half there does not count (study contract)."""

GRID_STEP = 0.8
"""mm of the coarse grid that finds which outlines there are; every point of them is then refined."""

OUTLINE_STEP = 0.7
"""mm between refined points of an outline, before one more is put between each pair."""

FARTHEST = 60.0
"""mm from the path that a section reaches: more than the ventricle's width on one side of the device axis."""

SMOOTHING = 0.43
"""mm; standard deviation of the B-spline smoothing, matched to the blur of CT (0.7 to 1.1 mm at half maximum):
noise at an edge is least where smoothing equals blur."""

LONGEST_MOVE = 0.6
"""mm; an outline point is not moved further in one step (the coarse outline is right to a third of that)."""

FAR_OFF = 0.3
"""Share of the contrast: an outline point that far off the level lies on the rim of the window or on the border to
another chamber, not on a blood edge, and stays."""

BEND_SPACING = 1.0
"""mm between the voxels from which curvatures are taken; their smoothing has a standard deviation of 0.7 mm."""

SHARPEST_BEND = 0.8
"""1/mm; largest sum of principal curvatures that is believed (a lobe of 2.5 mm radius); thin walls can fake more."""

WIDEST_BLUR = 0.8
"""mm; standard deviation of the widest image blur that is corrected for (1.9 mm at half maximum)."""


@dataclass(frozen=True)
class EdgeField:
    """A lumen's field ready for cutting.

    volume : field, HU above the level; contrast : blood minus muscle, HU.
    scale : (3,) stretch of the smoothing B-spline along k, j, i, voxels.
    smoothing : (3,) its variance along k, j, i, mm2.
    """

    volume: Volume
    contrast: float
    scale: FloatArray
    smoothing: FloatArray


def edge_field(lumen: Lumen) -> EdgeField:
    """The field of a lumen, contiguous float32, with the smoothing fit for its spacing."""
    values = np.ascontiguousarray(lumen.field.values, dtype=np.float32)
    spacing = lumen.field.spacing[::-1]
    # a quintic B-spline stretched by s voxels has variance s^2 / 2; whole s reproduce polynomials without ripple
    scale = np.maximum(np.round(SMOOTHING * math.sqrt(2.0) / spacing), 1.0)
    contrast = lumen.level.blood_hu - lumen.level.muscle_hu
    return EdgeField(replace(lumen.field, values=values), contrast, scale, (scale * spacing) ** 2 / 2.0)


@dataclass(frozen=True)
class SectionStack:
    """The native sections of a lumen along a path, by one rule and one device axis.

    stations : (m,) mm; points, tangents, u, v : (m, 3).
    native : (m,) shapely geometries, the kept blood of each plane in (u, v).
    blood : (m,) shapely geometries, all blood of the window.
    """

    stations: FloatArray
    points: FloatArray
    tangents: FloatArray
    u: FloatArray
    v: FloatArray
    rule: str
    native: NDArray[Any]
    blood: NDArray[Any]
    aortic_height: FloatArray
    """(m, 3): height over the aortic plane of (u, v) = constant + rate_u u + rate_v v, mm."""
    blur: float
    """Standard deviation of the image blur found at the edges, mm."""

    def plane(self, row: int) -> Plane:
        """Section plane of one station."""
        return Plane(self.points[row], self.tangents[row], self.u[row], self.v[row])

    def rows(self, chosen: NDArray[Any]) -> SectionStack:
        """The stack of some rows only."""
        return SectionStack(
            self.stations[chosen],
            self.points[chosen],
            self.tangents[chosen],
            self.u[chosen],
            self.v[chosen],
            self.rule,
            self.native[chosen],
            self.blood[chosen],
            self.aortic_height[chosen],
            self.blur,
        )


@dataclass(frozen=True)
class AreaCurves:
    """Areas along the path; `native_area` and each of `areas` are (n,), mm2."""

    stations: FloatArray
    native_area: FloatArray
    areas: Mapping[str, FloatArray]
    stack: SectionStack
    status: str


def aortic_side(anatomy: Anatomy, axis: FloatArray) -> FloatArray:
    """Unit direction (3,) at right angles to `axis` towards the aortic centre (from the ring centre)."""
    between = anatomy.aortic_center - anatomy.ring_center
    return unit(between - (between @ axis) * axis)


def line_of(point: FloatArray, normal: FloatArray, points: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Height over a plane as a linear function of (u, v): (m, 3) constant, rate of u, rate of v."""
    return np.stack([(points - point) @ normal, u @ normal, v @ normal], axis=1)


def half_plane(lines: FloatArray, reach: float = 2.0 * FARTHEST) -> NDArray[Any]:
    """Polygons (m,): where constant + rate_u x + rate_v y >= 0, lines (m, 3), right within `reach` mm of the origin."""
    rate = np.hypot(lines[:, 1], lines[:, 2])
    n = np.where((rate > 0.0)[:, None], lines[:, 1:] / np.where(rate > 0.0, rate, 1.0)[:, None], [1.0, 0.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        # a line beyond `reach` leaves all or nothing
        offset = np.clip(np.nan_to_num(-lines[:, 0] / rate, nan=-np.inf), -reach, reach)
    foot = offset[:, None] * n
    along = np.stack([-n[:, 1], n[:, 0]], axis=1)
    ends = foot[:, None, :] + np.array([-3.0, 3.0, 3.0, -3.0])[:, None] * reach * along[:, None, :]
    ends[:, 2:] += 3.0 * reach * n[:, None, :]
    return np.asarray(shapely.polygons(ends))


def kept_region(
    points: FloatArray,
    tangents: FloatArray,
    u: FloatArray,
    v: FloatArray,
    anatomy: Anatomy,
    axis_point: FloatArray,
    axis: FloatArray,
    rule: str,
    beyond_aortic_plane: float,
) -> NDArray[Any]:
    """Polygons (m,) in (u, v): where blood counts, by the atrial side, the cut beyond the aortic plane and the rule."""
    aortic, ring, curtain = anatomy.aortic_plane, anatomy.ring_plane, anatomy.curtain_plane
    cut = -line_of(aortic.point + beyond_aortic_plane * aortic.normal, aortic.normal, points, u, v)
    square = shapely.box(-FARTHEST, -FARTHEST, FARTHEST, FARTHEST)
    region = shapely.intersection(half_plane(cut), square)
    if rule == "aortic_side":
        side = line_of(axis_point, aortic_side(anatomy, axis), points, u, v)
        region = shapely.intersection(region, half_plane(side))
    behind_ring = half_plane(-line_of(ring.point, ring.normal, points, u, v))
    behind_curtain = half_plane(-line_of(curtain.point, curtain.normal, points, u, v))
    atrial = shapely.intersection(behind_ring, behind_curtain)
    met = shapely.intersects(region, atrial)
    region[met] = shapely.difference(region[met], atrial[met])
    return np.asarray(region)


def _windows(field: EdgeField, region: NDArray[Any], points: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Bounds (m, 4) in (u, v) of the region within the image, with a rim of two grid steps."""
    volume = field.volume
    top = np.asarray(volume.values.shape, dtype=np.float64) - 1.0
    corners = volume.to_points(np.stack(np.meshgrid(*[(0.0, t) for t in top], indexing="ij"), axis=-1).reshape(-1, 3))
    x = (corners[None] * u[:, None]).sum(axis=2) - (points * u).sum(axis=1)[:, None]
    y = (corners[None] * v[:, None]).sum(axis=2) - (points * v).sum(axis=1)[:, None]
    bounds = shapely.bounds(region)
    low = np.stack([np.fmax(bounds[:, 0], x.min(axis=1)), np.fmax(bounds[:, 1], y.min(axis=1))], axis=1)
    high = np.stack([np.fmin(bounds[:, 2], x.max(axis=1)), np.fmin(bounds[:, 3], y.max(axis=1))], axis=1)
    high = np.maximum(high, low)
    return np.concatenate([low - 2.0 * GRID_STEP, high + 2.0 * GRID_STEP], axis=1)


def _filled(x: FloatArray, y: FloatArray, window: NDArray[np.float32]) -> Any:
    """Outlines of the positive part of a window (rows y, columns x): point arrays, and where their rings begin."""
    from contourpy import FillType, LineType, SerialContourGenerator, ZInterp

    across, upright = np.broadcast_arrays(x[None, :], y[:, None])
    generator = SerialContourGenerator(
        np.ascontiguousarray(across),
        np.ascontiguousarray(upright),
        window.astype(np.float64),
        None,  # type: ignore[arg-type]
        corner_mask=False,
        line_type=LineType.Separate,
        fill_type=FillType.OuterOffset,
        quad_as_tri=False,
        z_interp=ZInterp.Linear,
        x_chunk_size=0,
        y_chunk_size=0,
    )
    return generator.filled(0.0, math.inf)


def blood_outlines(
    field: EdgeField,
    region: NDArray[Any],
    points: FloatArray,
    u: FloatArray,
    v: FloatArray,
    blur: float | None = None,
) -> tuple[NDArray[Any], float]:
    """Blood (m,) of m planes, as shapely geometries within the window of `region`, and the image blur, mm.

    blur : standard deviation known from other planes of the same lumen; None = found at the edges of these.
    """
    from outflow_geometry import edge_kernels

    volume = field.volume
    bounds = _windows(field, region, points, u, v)
    columns = np.ceil((bounds[:, 2] - bounds[:, 0]) / GRID_STEP).astype(np.int64) + 1
    rows = np.ceil((bounds[:, 3] - bounds[:, 1]) / GRID_STEP).astype(np.int64) + 1
    start = np.concatenate([[0], np.cumsum(rows * columns)])
    flat = np.empty(start[-1], dtype=np.float32)
    origin = volume.to_index(points)
    du, dv = volume.to_index(points + u) - origin, volume.to_index(points + v) - origin
    shape = np.stack([rows, columns], axis=1)
    edge_kernels.sample_windows(
        volume.values, origin, du, dv, bounds[:, :2].copy(), shape, start[:-1], GRID_STEP, -field.contrast, flat
    )
    rings: list[FloatArray] = []
    ring_polygon: list[int] = []
    polygon_row: list[int] = []
    for p in range(len(points)):
        window = flat[start[p] : start[p + 1]].reshape(rows[p], columns[p])
        x = bounds[p, 0] + GRID_STEP * np.arange(columns[p])
        y = bounds[p, 1] + GRID_STEP * np.arange(rows[p])
        filled: Any = _filled(x, y, window)
        for outline, ends in zip(filled[0], filled[1], strict=True):
            for first, last in pairwise(ends):
                rings.append(outline[first:last])
                ring_polygon.append(len(polygon_row))
            polygon_row.append(p)
    result = np.full(len(points), shapely.MultiPolygon(), dtype=object)
    if not rings:
        return result, blur or 0.0
    coarse = np.concatenate(rings)
    offsets = np.concatenate([[0], np.cumsum([len(ring) for ring in rings])])
    length = np.hypot(*np.diff(coarse, axis=0).T).sum()
    spread = np.empty((int(length / OUTLINE_STEP) + 9 * len(rings), 2))
    new_offsets = np.empty(len(offsets), dtype=np.int64)
    count = edge_kernels.spread_rings(coarse, offsets, OUTLINE_STEP, spread, new_offsets)
    spread = spread[:count]
    ring_row = np.asarray(polygon_row)[np.asarray(ring_polygon)]
    plane_of = np.repeat(ring_row, np.diff(new_offsets))
    refined, blur = edge_points(field, spread, plane_of, origin, du, dv, blur)
    smooth = edge_kernels.doubled_rings(refined, new_offsets)
    closed = shapely.linearrings(smooth, indices=np.repeat(np.arange(len(rings)), 2 * np.diff(new_offsets)))
    polygons = shapely.polygons(closed, indices=np.asarray(ring_polygon))
    broken = ~shapely.is_valid(polygons)
    if broken.any():
        polygons[broken] = shapely.make_valid(polygons[broken], method="structure", keep_collapsed=False)
    area = shapely.area(polygons)
    row_of = np.asarray(polygon_row)
    enough = area >= 0.2 * LEAST_PART
    for p in np.unique(row_of[enough]):
        mine = polygons[enough & (row_of == p)]
        result[p] = mine[0] if len(mine) == 1 else shapely.union_all(mine)
    return result, blur


def edge_points(
    field: EdgeField,
    flat: FloatArray,
    plane_of: NDArray[Any],
    origin: FloatArray,
    du: FloatArray,
    dv: FloatArray,
    blur: float | None = None,
) -> tuple[FloatArray, float]:
    """Move outline points (n, 2) within their planes onto the blood edge; returns them and the image blur, mm.

    Blur of variance S shifts the half-way level of a curved wall: to first order the image gains S : H / 2 (heat
    equation; H second derivatives), of which the part along the gradient leaves the level of a straight wall where
    it is. So the edge is sought where f - (S : H - S_nn f_nn) / 2 = 0. S is the smoothing's (known) plus the
    image's, from the slope at the edge: contrast / (sqrt(2 pi) sigma) for a blurred step.
    """
    from outflow_geometry import edge_kernels

    volume = field.volume
    u_step, v_step = du[plane_of], dv[plane_of]
    found = np.empty((len(flat), 10))
    every = np.ones(3, dtype=np.int64)
    moved = flat
    real = np.ones(len(flat), dtype=bool)
    for last in (False, True):
        index = origin[plane_of] + moved[:, :1] * u_step + moved[:, 1:] * v_step
        edge_kernels.smooth_derivatives(volume.values, index, field.scale, every, False, found)
        value, gradient = found[:, 0], found[:, 1:4]
        in_plane = np.stack([(gradient * u_step).sum(axis=1), (gradient * v_step).sum(axis=1)], axis=1)
        if last:
            gradient = gradient / volume.spacing[::-1]
            steepness = np.maximum(np.linalg.norm(gradient, axis=1), 1e-6)
            if blur is None:
                square = (gradient / steepness[:, None]) ** 2
                variance = (field.contrast / (math.sqrt(2.0 * math.pi) * steepness)) ** 2
                image = float(np.median((variance - square @ field.smoothing)[real])) if real.any() else 0.0
                blur = min(math.sqrt(max(image, 0.0)), WIDEST_BLUR)
            value = value - 0.5 * steepness * _tangential_bend(field, index, field.smoothing + blur**2)
        else:
            real = np.abs(value) < FAR_OFF * field.contrast
        slope = (in_plane**2).sum(axis=1)
        move = -(value / np.maximum(slope, 1e-6))[:, None] * in_plane
        move[~real] = 0.0
        length = np.linalg.norm(move, axis=1)
        moved = moved + move * np.minimum(1.0, LONGEST_MOVE / np.maximum(length, 1e-9))[:, None]
    return moved, blur or 0.0


def _tangential_bend(field: EdgeField, index: FloatArray, variance: FloatArray) -> FloatArray:
    """(S : H - S_nn f_nn) / |grad f|, mm, at (n, 3) indices, for the variance S (3,) along k, j, i, mm2.

    For equal variances this is S times minus the sum of the principal curvatures of the blood surface. Second
    derivatives of fine smoothing would double the noise of an area, so they are taken on every other voxel.
    """
    from outflow_geometry import edge_kernels

    volume = field.volume
    stride = np.maximum(np.round(BEND_SPACING / volume.spacing[::-1]), 1.0).astype(np.int64)
    step = volume.spacing[::-1] * stride
    found = np.empty((len(index), 10))
    edge_kernels.smooth_derivatives(volume.values, index, np.ones(3), stride, True, found)
    gradient = found[:, 1:4] / step
    steepness = np.maximum(np.linalg.norm(gradient, axis=1), 1e-6)
    normal = gradient / steepness[:, None]
    bends = found[:, 4:10] / (step[[0, 1, 2, 0, 0, 1]] * step[[0, 1, 2, 1, 2, 2]])
    along = (normal**2 * bends[:, :3]).sum(axis=1) + 2.0 * (
        normal[:, 0] * normal[:, 1] * bends[:, 3]
        + normal[:, 0] * normal[:, 2] * bends[:, 4]
        + normal[:, 1] * normal[:, 2] * bends[:, 5]
    )
    bend = (bends[:, :3] @ variance - (normal**2 @ variance) * along) / steepness
    limit = SHARPEST_BEND * float(variance.mean())
    result: FloatArray = np.clip(bend, -limit, limit)
    return result


def section_stack(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    stations: ArrayLike,
    axis_point: FloatArray | None = None,
    axis: FloatArray | None = None,
    rule: str = "aortic_side",
    beyond_aortic_plane: float = 8.0,
    blur: float | None = None,
) -> SectionStack:
    """Native sections at `stations` (m,), mm; the axis is a device's, by default the ring's.

    Raises GeometryError `unknown_section_rule`, `path_outside_image` and what the anatomy raises.
    """
    wanted = np.atleast_1d(np.asarray(stations, dtype=np.float64))
    points, tangents = path.at(wanted)
    return planes_stack(lumen, wanted, points, tangents, anatomy, axis_point, axis, rule, beyond_aortic_plane, blur)


def planes_stack(
    lumen: Lumen,
    stations: FloatArray,
    points: FloatArray,
    normals: FloatArray,
    anatomy: Anatomy,
    axis_point: FloatArray | None = None,
    axis: FloatArray | None = None,
    rule: str = "aortic_side",
    beyond_aortic_plane: float = 8.0,
    blur: float | None = None,
) -> SectionStack:
    """Native sections in the planes through `points` (m, 3) with `normals` (m, 3); see `section_stack`."""
    if rule not in SECTION_RULES:
        raise GeometryError("unknown_section_rule", f"section_rule {rule!r}; known: {', '.join(SECTION_RULES)}")
    if not bool(np.all(lumen.field.contains(points))):
        raise GeometryError(
            "path_outside_image", "the outflow path leaves the image within the search range; check path and frames"
        )
    axis_point = anatomy.ring_center if axis_point is None else axis_point
    axis = anatomy.ring_plane.normal if axis is None else axis
    u, v = plane_axes(normals, anatomy)
    field = edge_field(lumen)
    region = kept_region(points, normals, u, v, anatomy, axis_point, axis, rule, beyond_aortic_plane)
    blood, blur = blood_outlines(field, region, points, u, v, blur)
    native = shapely.intersection(blood, region)
    height = line_of(anatomy.aortic_plane.point, anatomy.aortic_plane.normal, points, u, v)
    return SectionStack(stations, points, normals, u, v, rule, np.asarray(native), blood, height, blur)


def plane_axes(normals: FloatArray, anatomy: Anatomy) -> tuple[FloatArray, FloatArray]:
    """In-plane axes u, v (m, 3) of planes with `normals` (m, 3): u along the direction across the ring."""
    u = anatomy.across - (normals @ anatomy.across)[:, None] * normals
    weak = np.linalg.norm(u, axis=1) < 0.2
    if weak.any():
        toward = anatomy.toward_aorta
        u[weak] = toward - (normals[weak] @ toward)[:, None] * normals[weak]
    u = unit(u)
    return u, np.cross(normals, u)


def cut_by(stack: SectionStack, solid: Solid, arc_steps: int = CURVE_ARC_STEPS) -> tuple[NDArray[Any], NDArray[Any]]:
    """Sections (m,) with the solid taken out, and its outlines (m,)."""
    device = outlines(solid, stack.points, stack.tangents, stack.u, stack.v, arc_steps=arc_steps)
    residual = stack.native.copy()
    met = ~shapely.is_empty(device)
    residual[met] = shapely.difference(stack.native[met], device[met])
    return residual, device


def counted_parts(stack: SectionStack, sections: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """The parts of the sections (m,) that count by the rule, and the row of each."""
    parts, row = shapely.get_parts(sections, return_index=True)
    polygonal = shapely.get_type_id(parts) == 3
    parts, row = parts[polygonal], row[polygonal]
    area = shapely.area(parts)
    keep = area >= LEAST_PART
    if stack.rule == "at_path":
        keep |= np.bincount(row[keep], minlength=len(sections))[row] == 0
        parts, row = parts[keep], row[keep]
        distance = shapely.distance(parts, shapely.Point(0.0, 0.0))
        order = np.lexsort((-shapely.area(parts), distance, row))
        first = order[np.unique(row[order], return_index=True)[1]]
        return parts[first], row[first]
    parts, row, area = parts[keep], row[keep], area[keep]
    line = stack.aortic_height[row].copy()
    line[:, 0] -= BEYOND_PART
    bounds = shapely.bounds(parts).reshape(-1, 4)
    highest = line[:, 0] + np.maximum(line[:, 1] * bounds[:, 0], line[:, 1] * bounds[:, 2])
    highest += np.maximum(line[:, 2] * bounds[:, 1], line[:, 2] * bounds[:, 3])
    doubtful = highest > 0.0
    counts = np.ones(len(parts), dtype=bool)
    beyond = shapely.area(shapely.intersection(parts[doubtful], half_plane(line[doubtful])))
    counts[doubtful] = beyond <= 0.5 * area[doubtful]
    return parts[counts], row[counts]


def counted_areas(stack: SectionStack, sections: NDArray[Any]) -> FloatArray:
    """Area (m,) of each section's counted parts, mm2."""
    parts, row = counted_parts(stack, sections)
    return np.bincount(row, weights=shapely.area(parts), minlength=len(sections)).astype(np.float64)


def area_curves(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solids: Mapping[str, Solid],
    rule: str = "aortic_side",
    *,
    search_upstream: float = 30.0,
    station_step: float = 0.5,
    beyond_aortic_plane: float = 8.0,
) -> AreaCurves:
    """Native and residual areas at stations 0, -step, … down to -`search_upstream` (or the path's start), mm2.

    solids : the variants of one plan (they share the device axis).
    Raises GeometryError as `section_stack`, and `solids_differ` where the axes differ.
    """
    stations = curve_stations(path, search_upstream, station_step)
    first = next(iter(solids.values()), None)
    for solid in solids.values():
        if (
            first is None
            or not np.allclose(solid.axis, first.axis)
            or not np.allclose(np.cross(solid.axis_point - first.axis_point, first.axis), 0.0, atol=1e-6)
        ):
            raise GeometryError("solids_differ", "the solids of one curve must share the device axis; ask plan by plan")
    stack = section_stack(
        lumen,
        path,
        anatomy,
        stations,
        None if first is None else first.axis_point,
        None if first is None else first.axis,
        rule,
        beyond_aortic_plane,
    )
    areas = {name: counted_areas(stack, cut_by(stack, solid)[0]) for name, solid in solids.items()}
    return AreaCurves(stations, counted_areas(stack, stack.native), areas, stack, lumen.status)


def curve_stations(path: OutflowPath, search_upstream: float, station_step: float) -> FloatArray:
    """Stations (n,), mm, rising to 0, within the path; raises `path_too_short`."""
    lowest = max(-search_upstream, path.first)
    if lowest > -station_step:
        raise GeometryError("path_too_short", "the outflow path has no length upstream of the annulus; draw it longer")
    return -station_step * np.arange(math.floor(-lowest / station_step + 1e-9), -1, -1.0)
