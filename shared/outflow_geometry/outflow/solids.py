"""The virtual device as a solid of revolution, and its exact outline in any plane.

All points LPS, mm, float64. Stations along the device axis run from the inflow end (0) to the outflow end (height).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.base.frames import FloatArray, Plane, unit

EXACT_ARC_STEPS = 1024
"""Steps of one conic arc; the outline keeps the exact area, and its sagitta on a 20 mm radius is 2e-4 mm."""

CURVE_ARC_STEPS = 48
"""Steps of one conic arc where hundreds of sections are cut: same exact area, points within 0.006 mm of the arc."""

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(48)
"""A conic's width over its angle is smooth: 48 nodes integrate it to rounding."""

PERPENDICULAR_SINE = 1e-9
"""Sine of the angle between axis and plane normal below which the plane cuts the axis at right angles."""

SHORTEST_SOLID = 1e-6
"""mm; a solid part below this has no volume."""

AXIS_DECIMALS = 7
"""Decimals, mm, to which the axes of two devices are the same line: far below any landmark, above rounding."""


@dataclass(frozen=True)
class Solid:
    """A solid of revolution: the part of a profile that is solid.

    axis_point : (3,) centre of the inflow end (station 0), mm.
    axis : (3,) unit direction downstream.
    stations, diameters : (n,) profile, mm, linear between; two equal stations make a step.
    solid_from, solid_to : stations between which the profile is solid, mm.
    """

    axis_point: FloatArray
    axis: FloatArray
    stations: FloatArray
    diameters: FloatArray
    solid_from: float
    solid_to: float

    @cached_property
    def pieces(self) -> FloatArray:
        """Frustums (k, 4): first and last station, first and last radius, mm, within the solid part."""
        first, last = self.stations[:-1], self.stations[1:]
        low, high = np.maximum(first, self.solid_from), np.minimum(last, self.solid_to)
        keep = high - low > SHORTEST_SOLID
        first, last, low, high = first[keep], last[keep], low[keep], high[keep]
        r0, r1 = self.diameters[:-1][keep] / 2.0, self.diameters[1:][keep] / 2.0
        slope = (r1 - r0) / (last - first)
        return np.stack([low, high, r0 + slope * (low - first), r0 + slope * (high - first)], axis=1)

    @property
    def axis_line(self) -> tuple[float, ...]:
        """The axis as a line: its direction and its point nearest the origin, rounded."""
        foot = self.axis_point - (self.axis_point @ self.axis) * self.axis
        return tuple(np.round(np.concatenate([self.axis, foot]), AXIS_DECIMALS).tolist())

    @property
    def outflow_end(self) -> FloatArray:
        """Centre (3,) of the last solid station, mm."""
        result: FloatArray = self.axis_point + self.solid_to * self.axis
        return result

    def radius(self, stations: ArrayLike) -> FloatArray:
        """Radius (...) at `stations` (...), mm; 0 outside the solid part."""
        z = np.asarray(stations, dtype=np.float64)
        result = np.zeros(z.shape)
        for low, high, r0, r1 in self.pieces:
            inside = (z >= low) & (z <= high)
            result = np.where(inside, np.maximum(result, r0 + (r1 - r0) * (z - low) / (high - low)), result)
        return result

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Whether `points` (..., 3), mm, lie in the solid."""
        relative = np.asarray(points, dtype=np.float64) - self.axis_point
        along = relative @ self.axis
        radial = np.linalg.norm(relative - along[..., None] * self.axis, axis=-1)
        inside: NDArray[np.bool_] = (radial <= self.radius(along)) & (along >= self.solid_from)
        return inside & (along <= self.solid_to)

    def outline(self, plane: Plane) -> Any:
        """Outline in (u, v) of `plane`, mm: a shapely geometry, empty where they do not meet.

        Each frustum is cut in closed form (a conic); the polygon keeps the conic's area to 1e-9.
        """
        return outlines(
            self, plane.point[None], plane.normal[None], plane.u[None], plane.v[None], arc_steps=EXACT_ARC_STEPS
        )[0]

    def half_heights(self, side: FloatArray, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest height (m,) above planes (m, 3), (m, 3) of the half of the solid towards `side` (3,).

        The half-space is bounded by the plane through the axis with normal `side` (at right angles to the axis).
        The half-solid is connected, so a plane meets it exactly where lowest <= 0 <= highest. Extremes of a linear
        function over the half-discs at the profile's corners, in closed form.
        """
        return half_heights(self.pieces, self.axis_point, self.axis, side, points, normals)


def stacked_pieces(solids: Sequence[Solid]) -> tuple[FloatArray, NDArray[np.int64]]:
    """Frustums (n, k, 4) of solids (n,) as `Solid.pieces`, filled up with the first, and how many each has (n,)."""
    counts = np.asarray([len(solid.pieces) for solid in solids], dtype=np.int64)
    pieces = np.zeros((len(solids), max(int(counts.max(initial=0)), 1), 4))
    for row, solid in zip(pieces, solids, strict=True):
        row[:] = solid.pieces[0] if len(solid.pieces) else 0.0
        row[: len(solid.pieces)] = solid.pieces
    return pieces, counts


def half_heights(
    pieces: FloatArray, start: FloatArray, axis: FloatArray, side: FloatArray, points: FloatArray, normals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """`Solid.half_heights` (..., m) of solids (...) at once: pieces (..., k, 4), start, axis, side (..., 3), planes
    (..., m, 3), (..., m, 3)."""
    z = np.concatenate([pieces[..., 0], pieces[..., 1]], axis=-1)[..., None, :]
    r = np.concatenate([pieces[..., 2], pieces[..., 3]], axis=-1)[..., None, :]
    start, across = start[..., None, :], np.cross(axis, side)[..., None, :]
    axis, side = axis[..., None, :], side[..., None, :]
    along = (normals * axis).sum(axis=-1)
    center = ((start - points) * normals).sum(axis=-1)[..., None] + along[..., None] * z
    radial = normals - along[..., None] * axis
    steep = np.linalg.norm(radial, axis=-1)
    edge = np.abs((radial * across).sum(axis=-1))
    toward = (radial * side).sum(axis=-1)
    rise = np.where(toward >= 0.0, steep, edge)[..., None] * r
    fall = np.where(toward <= 0.0, steep, edge)[..., None] * r
    return (center - fall).min(axis=-1), (center + rise).max(axis=-1)


def outlines(
    solid: Solid, points: FloatArray, normals: FloatArray, u: FloatArray, v: FloatArray, *, arc_steps: int
) -> NDArray[Any]:
    """Outlines (m,) of shapely geometries in (u, v) of m planes given by (m, 3) arrays.

    In a frame with a = axis, e = the normal's direction off the axis, b = a x e, the plane is
    z = d c + t s, x_e = d s - t c (c, s: cosine and sine between normal and axis; d: height of the plane), and a
    frustum of radius r(z) is cut where y^2 <= r(z)^2 - x_e^2 = (r - x_e)(r + x_e): a conic, in one interval of t,
    because both factors are linear in t and neither may be negative.
    """
    axis = solid.axis
    count = len(points)
    c = normals @ axis
    off = normals - c[:, None] * axis
    s = np.linalg.norm(off, axis=1)
    helper = unit(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
    e = np.where((s > PERPENDICULAR_SINE)[:, None], off / np.maximum(s, PERPENDICULAR_SINE)[:, None], helper)
    s = np.where(s > PERPENDICULAR_SINE, s, 0.0)
    b = np.cross(axis, e)
    m = s[:, None] * axis - c[:, None] * e
    d = ((points - solid.axis_point) * normals).sum(axis=1)
    pieces = solid.pieces
    z0, z1, r0, r1 = (column[None, :] for column in pieces.T)
    slope = (r1 - r0) / (z1 - z0)
    dc, ds = (d * c)[:, None], (d * s)[:, None]
    c_, s_ = c[:, None], s[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        low = np.where(s_ > 0.0, (z0 - dc) / s_, np.where((dc >= z0) & (dc <= z1), -np.inf, np.inf))
        high = np.where(s_ > 0.0, (z1 - dc) / s_, np.where((dc >= z0) & (dc <= z1), np.inf, -np.inf))
        at_zero = r0 + slope * (dc - z0)
        for sign in (-1.0, 1.0):
            # r(t) + sign x_e(t) = constant + rate t >= 0
            constant, rate = at_zero + sign * ds, slope * s_ - sign * c_
            root = -constant / rate
            low = np.where(rate > 0.0, np.maximum(low, root), low)
            high = np.where(rate < 0.0, np.minimum(high, root), high)
            high = np.where((rate == 0.0) & (constant < 0.0), -np.inf, high)
    met = high - low > SHORTEST_SOLID
    result = np.full(count, shapely.Polygon(), dtype=object)
    rows, columns = np.nonzero(met)
    if len(rows) == 0:
        return result
    lo, hi = low[rows, columns], high[rows, columns]
    angle = np.linspace(0.0, math.pi, arc_steps + 1)
    middle, half = (lo + hi) / 2.0, (hi - lo) / 2.0
    t = middle[:, None] - half[:, None] * np.cos(angle)
    radius = at_zero[rows, columns][:, None] + (slope * s_)[rows, columns][:, None] * t
    x_e = ds[rows, 0][:, None] - c_[rows, 0][:, None] * t
    width = np.sqrt(np.maximum((radius - x_e) * (radius + x_e), 0.0))
    # a chord c of curvature k cuts off k c^3 / 12: each point moves out by k c^2 / 12, a twelfth of the second
    # difference; at a tip the arc goes on below, at a corner it ends
    tips = width[:, [0, -1]] <= SHORTEST_SOLID
    bend_t, bend_w = np.zeros(t.shape), np.zeros(t.shape)
    bend_t[:, 1:-1] = t[:, 2:] - 2.0 * t[:, 1:-1] + t[:, :-2]
    bend_w[:, 1:-1] = width[:, 2:] - 2.0 * width[:, 1:-1] + width[:, :-2]
    bend_t[:, 0] = np.where(tips[:, 0], 2.0 * (t[:, 1] - t[:, 0]), 0.0)
    bend_t[:, -1] = np.where(tips[:, 1], 2.0 * (t[:, -2] - t[:, -1]), 0.0)
    t, width = t - bend_t / 12.0, width - bend_w / 12.0
    # what is left, of fourth order, goes into the width: the polygon has the area of its conic
    polygon_area = ((width[:, 1:] + width[:, :-1]) / 2.0 * np.diff(t, axis=1)).sum(axis=1)
    exact = _conic_areas(lo, hi, at_zero[rows, columns], (slope * s_)[rows, columns], ds[rows, 0], c_[rows, 0])
    width *= (exact / polygon_area)[:, None]
    right = np.stack([t, width], axis=2)
    left = np.stack([t, -width], axis=2)[:, ::-1]
    frame_u = np.stack([(m * u).sum(axis=1), (b * u).sum(axis=1)], axis=1)
    frame_v = np.stack([(m * v).sum(axis=1), (b * v).sum(axis=1)], axis=1)
    foot = d[:, None] * normals + solid.axis_point - points
    shift = np.stack([(foot * u).sum(axis=1), (foot * v).sum(axis=1)], axis=1)
    turn = np.stack([frame_u, frame_v], axis=1)
    if len(pieces) == 1:
        ring = np.einsum("nij,nkj->nki", turn[rows], np.concatenate([left, right], axis=1)) + shift[rows][:, None, :]
        result[rows] = shapely.polygons(ring)
        return result
    for row in np.unique(rows):
        parts = np.flatnonzero(rows == row)
        rings = []
        start = 0
        for k in range(1, len(parts) + 1):
            joined = (
                k < len(parts)
                and columns[parts[k]] == columns[parts[k - 1]] + 1
                and lo[parts[k]] - hi[parts[k - 1]] <= SHORTEST_SOLID
                and min(width[parts[k], 0], width[parts[k - 1], -1]) > SHORTEST_SOLID
            )
            if not joined:
                run = parts[start:k]
                flat = np.concatenate([np.concatenate(left[run[::-1]]), np.concatenate(right[run])])
                rings.append(shapely.Polygon(flat @ turn[row].T + shift[row]))
                start = k
        result[row] = rings[0] if len(rings) == 1 else shapely.union_all(rings)
    return result


def _conic_areas(
    low: FloatArray, high: FloatArray, constant: FloatArray, rate: FloatArray, ds: FloatArray, c: FloatArray
) -> FloatArray:
    """Half the area (n,) under sqrt((constant + rate t)^2 - (ds - c t)^2), t from low to high.

    Gauss-Legendre in the angle of t = middle - half cos(angle), where the square roots at the ends are smooth.
    """
    angle = (GAUSS_NODES + 1.0) * math.pi / 2.0
    middle, half = ((low + high) / 2.0)[:, None], ((high - low) / 2.0)[:, None]
    t = middle - half * np.cos(angle)
    radius = constant[:, None] + rate[:, None] * t
    x_e = ds[:, None] - c[:, None] * t
    value = np.sqrt(np.maximum((radius - x_e) * (radius + x_e), 0.0)) * half * np.sin(angle)
    result: FloatArray = value @ GAUSS_WEIGHTS * (math.pi / 2.0)
    return result
