"""The blood edge in planes: where the lumen's field crosses its level, to a small fraction of a voxel.

All points LPS, mm, float64; in-plane coordinates (u, v), mm; images indexed [k, j, i].

Outlines are found on a coarse grid, then each of their points is moved onto the level of the field smoothed by a
B-spline. Blur and smoothing shift the level of a curved wall; the shift is taken off by the curvature of the field
itself (see `edge_points`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.lumen import Lumen

SPECK = 1.0
"""mm2; blood specks below this are left out at once."""

GRID_STEP = 0.8
"""mm of the coarse grid that finds which outlines there are; every point of them is then refined."""

OUTLINE_STEP = 0.7
"""mm between refined points of an outline, before one more is put between each pair."""

SMOOTHING = 0.43
"""mm; standard deviation of the B-spline smoothing, matched to the blur of CT (0.7 to 1.1 mm at half maximum):
noise at an edge is least where smoothing equals blur."""

LONGEST_MOVE = 0.6
"""mm; an outline point is not moved further in one step (the coarse outline is right to a third of that)."""

FAR_OFF = 0.3
"""Share of the contrast: an outline point that far off the level is on the rim of the window or on the border to
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

    across, upright = np.empty(window.shape), np.empty(window.shape)
    across[:], upright[:] = x, y[:, None]
    generator = SerialContourGenerator(
        across,
        upright,
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
    from outflow_geometry.image import edge_kernels

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
    enough = area >= SPECK
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
    from outflow_geometry.image import edge_kernels

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
        in_plane = np.stack([np.vecdot(gradient, u_step), np.vecdot(gradient, v_step)], axis=1)
        if last:
            gradient = gradient / volume.spacing[::-1]
            steepness = np.maximum(np.sqrt(np.vecdot(gradient, gradient)), 1e-6)
            if blur is None:
                square = (gradient / steepness[:, None]) ** 2
                variance = (field.contrast / (math.sqrt(2.0 * math.pi) * steepness)) ** 2
                image = float(np.median((variance - square @ field.smoothing)[real])) if real.any() else 0.0
                blur = min(math.sqrt(max(image, 0.0)), WIDEST_BLUR)
            value = value - 0.5 * steepness * _tangential_bend(field, index, field.smoothing + blur**2)
        else:
            real = np.abs(value) < FAR_OFF * field.contrast
        slope = np.vecdot(in_plane, in_plane)
        move = -(value / np.maximum(slope, 1e-6))[:, None] * in_plane
        move[~real] = 0.0
        length = np.sqrt(np.vecdot(move, move))
        moved = moved + move * np.minimum(1.0, LONGEST_MOVE / np.maximum(length, 1e-9))[:, None]
    return moved, blur or 0.0


def _tangential_bend(field: EdgeField, index: FloatArray, variance: FloatArray) -> FloatArray:
    """(S : H - S_nn f_nn) / |grad f|, mm, at (n, 3) indices, for the variance S (3,) along k, j, i, mm2.

    For equal variances this is S times minus the sum of the principal curvatures of the blood surface. Second
    derivatives of fine smoothing would double the noise of an area, so they are taken on every other voxel.
    """
    from outflow_geometry.image import edge_kernels

    volume = field.volume
    stride = np.maximum(np.round(BEND_SPACING / volume.spacing[::-1]), 1.0).astype(np.int64)
    step = volume.spacing[::-1] * stride
    found = np.empty((len(index), 10))
    edge_kernels.smooth_derivatives(volume.values, index, np.ones(3), stride, True, found)
    gradient = found[:, 1:4] / step
    steepness = np.maximum(np.sqrt(np.vecdot(gradient, gradient)), 1e-6)
    normal = gradient / steepness[:, None]
    bends = found[:, 4:10] / (step[[0, 1, 2, 0, 0, 1]] * step[[0, 1, 2, 1, 2, 2]])
    along = np.vecdot(normal**2, bends[:, :3]) + 2.0 * (
        normal[:, 0] * normal[:, 1] * bends[:, 3]
        + normal[:, 0] * normal[:, 2] * bends[:, 4]
        + normal[:, 1] * normal[:, 2] * bends[:, 5]
    )
    bend = (bends[:, :3] @ variance - (normal**2 @ variance) * along) / steepness
    limit = SHARPEST_BEND * float(variance.mean())
    result: FloatArray = np.clip(bend, -limit, limit)
    return result
