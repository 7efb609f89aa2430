"""Quick section areas of very many planes, for searches: plane orientations, and redrawn landmarks.

All points LPS, mm, float64; areas mm2. The areas are right to about a percent; they rank planes, and the planes
found are cut exactly afterwards (`sections`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.frames import FloatArray, Plane, unit
from outflow_geometry.residual import SEPTAL_FAN
from outflow_geometry.sections import BEYOND_PART, LEAST_PART, EdgeField, aortic_side
from outflow_geometry.solids import Solid

SCAN_STEP = 1.25
"""mm of the scan's grid: the area of a section of 100 mm2 is right to 1.5 percent."""

SHAPE_STEP = 0.6
"""mm of the grid for widths and distances: corners between its lines are lost, so it is finer."""

FAN = np.radians(np.linspace(-SEPTAL_FAN, SEPTAL_FAN, 31))
"""Angles from the aortic direction of the rays on which the septum is looked for."""

WEAK_AXIS = 0.2
"""Length of the projected direction across the ring below which the aortic direction stands in (`plane_axes`)."""


@dataclass(frozen=True)
class Cuttings:
    """What cuts the sections of n (redrawn) readings besides the blood edge: anatomies, and solids of one device.

    aortic, ring, curtain : (n, 2, 3) point and normal of each plane.
    axis : (n, 2, 3) point and direction of the device's axis.
    side : (n, 3) towards the aorta at right angles to the device's axis; across, toward : (n, 3) ring's directions.
    pieces : (n, k, 4) frustums as `Solid.pieces`, filled up with the first; counts : (n,) how many there are.
    """

    aortic: FloatArray
    ring: FloatArray
    curtain: FloatArray
    axis: FloatArray
    side: FloatArray
    across: FloatArray
    toward: FloatArray
    pieces: FloatArray
    counts: NDArray[np.int64]

    @classmethod
    def of(cls, anatomies: Sequence[Anatomy], solids: Sequence[Solid]) -> Cuttings:
        """Stack `anatomies` and their `solids` (n each)."""
        counts = np.asarray([len(solid.pieces) for solid in solids])
        pieces = np.zeros((len(solids), max(int(counts.max()), 1), 4))
        for row, solid in zip(pieces, solids, strict=True):
            row[:] = solid.pieces[0] if len(solid.pieces) else 0.0
            row[: len(solid.pieces)] = solid.pieces
        return cls(
            _stacked([a.aortic_plane for a in anatomies]),
            _stacked([a.ring_plane for a in anatomies]),
            _stacked([a.curtain_plane for a in anatomies]),
            np.asarray([(solid.axis_point, solid.axis) for solid in solids]),
            np.asarray([aortic_side(a, solid.axis) for a, solid in zip(anatomies, solids, strict=True)]),
            np.asarray([a.across for a in anatomies]),
            np.asarray([a.toward_aorta for a in anatomies]),
            pieces,
            counts,
        )

    def rows(self, chosen: NDArray[np.int64]) -> Cuttings:
        """Those of `chosen` (m,)."""
        return Cuttings(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def without_device(self) -> Cuttings:
        """The same readings with nothing taken out of the section."""
        return replace(self, counts=np.zeros_like(self.counts))

    def meets(self, points: FloatArray, normals: FloatArray) -> FloatArray:
        """How far (n, s), mm, planes (n, s, 3), (n, s, 3) reach into the half of the solid on the aortic side.

        Negative where they miss it; see `Solid.half_heights`, which this does for all readings in one go.
        """
        z = np.concatenate([self.pieces[:, :, 0], self.pieces[:, :, 1]], axis=1)[:, None, :]
        r = np.concatenate([self.pieces[:, :, 2], self.pieces[:, :, 3]], axis=1)[:, None, :]
        start, axis = self.axis[:, None, 0], self.axis[:, None, 1]
        along = (normals * axis).sum(axis=-1)
        center = ((start - points) * normals).sum(axis=-1)[..., None] + along[..., None] * z
        radial = normals - along[..., None] * axis
        steep = np.sqrt((radial**2).sum(axis=-1))
        edge = np.abs((radial * np.cross(self.axis[:, 1], self.side)[:, None]).sum(axis=-1))
        toward = (radial * self.side[:, None]).sum(axis=-1)
        rise = np.where(toward >= 0.0, steep, edge)[..., None] * r
        fall = np.where(toward <= 0.0, steep, edge)[..., None] * r
        result: FloatArray = np.minimum(-(center - fall).min(axis=-1), (center + rise).max(axis=-1))
        return result


def _stacked(planes: Sequence[Plane]) -> FloatArray:
    return np.asarray([(plane.point, plane.normal) for plane in planes])


def quick_areas(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Cuttings,
    cutting_of: NDArray[np.int64],
    rule: str,
    beyond_aortic_plane: float,
    windows: FloatArray,
    step: float = SCAN_STEP,
) -> FloatArray:
    """Areas (m,) of the counted parts in planes (m, 3), (m, 3), each with the cutting that `cutting_of` (m,) names.

    windows : (m, 4) lowest u and v, highest u and v that are looked at in each plane, mm from its point.
    step : mm of the grid.
    """
    out = np.empty((len(points), 1))
    _scan(field, points, normals, cuttings, cutting_of, rule, beyond_aortic_plane, windows, step, out)
    return out[:, 0]


def quick_shapes(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Cuttings,
    cutting_of: NDArray[np.int64],
    rule: str,
    beyond_aortic_plane: float,
    windows: FloatArray,
) -> FloatArray:
    """Area, device-septum distance, largest and smallest caliper width (m, 4) of the counted parts; NaN where none.

    Arguments as of `quick_areas`; distance and widths as `residual.septum_distance` and `residual.feret_diameters`.
    """
    out = np.empty((len(points), 4))
    _scan(field, points, normals, cuttings, cutting_of, rule, beyond_aortic_plane, windows, SHAPE_STEP, out)
    return out


def _scan(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Cuttings,
    cutting_of: NDArray[np.int64],
    rule: str,
    beyond_aortic_plane: float,
    windows: FloatArray,
    step: float,
    out: FloatArray,
) -> None:
    from outflow_geometry import scan_kernels

    each = cuttings.rows(cutting_of)
    u, v = _axes(normals, each)

    def line(point: FloatArray, normal: FloatArray) -> FloatArray:
        """Height over a plane as a linear function of (u, v): (m, 3) constant, rate of u, rate of v."""
        return np.stack([_dot(points - point, normal), _dot(u, normal), _dot(v, normal)], axis=1)

    height = line(each.aortic[:, 0], each.aortic[:, 1])
    lines = np.stack(
        [
            line(each.axis[:, 0], each.side),
            [beyond_aortic_plane, 0.0, 0.0] - height,
            line(each.ring[:, 0], each.ring[:, 1]),
            line(each.curtain[:, 0], each.curtain[:, 1]),
            height - [BEYOND_PART, 0.0, 0.0],
        ],
        axis=1,
    )
    offset, axis = points - each.axis[:, 0], each.axis[:, 1]
    ways = ((offset, offset), (offset, u), (offset, v), (offset, axis), (u, axis), (v, axis))
    device = np.stack([_dot(one, two) for one, two in ways], axis=1)
    low, high, first, last = np.moveaxis(cuttings.pieces, 2, 0)
    rate = (last - first) / np.where(high > low, high - low, 1.0)
    pieces = np.stack([low, high, first, rate, 1.0 / np.sqrt(1.0 + rate**2)], axis=2)
    volume = field.volume
    origin = volume.to_index(points)
    scan_kernels.quick_areas(
        volume.values,
        # slope of a step blurred by the typical 0.4 mm: contrast / (sqrt(2 pi) sigma)
        field.contrast / (math.sqrt(2.0 * math.pi) * 0.4),
        origin,
        volume.to_index(points + u) - origin,
        volume.to_index(points + v) - origin,
        lines,
        device,
        cutting_of.astype(np.int64),
        pieces,
        cuttings.counts,
        rule == "at_path",
        windows,
        step,
        LEAST_PART,
        FAN,
        out,
    )


def _dot(one: FloatArray, two: FloatArray) -> FloatArray:
    result: FloatArray = (one * two).sum(axis=-1)
    return result


def _axes(normals: FloatArray, each: Cuttings) -> tuple[FloatArray, FloatArray]:
    """In-plane axes (m, 3), (m, 3); see `sections.plane_axes`."""
    u = each.across - _dot(normals, each.across)[:, None] * normals
    toward = each.toward - _dot(normals, each.toward)[:, None] * normals
    u = unit(np.where(np.linalg.norm(u, axis=1, keepdims=True) < WEAK_AXIS, toward, u))
    return u, np.cross(normals, u)
