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

from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.residual import SEPTAL_FAN
from outflow_geometry.outflow.sections import BEYOND_PART, LEAST_PART, EdgeField, aortic_side, axes_across, line_of
from outflow_geometry.outflow.solids import Solid, half_heights, stacked_pieces

SCAN_STEP = 1.25
"""mm of the scan's grid: the area of a section of 100 mm2 is right to 1.5 percent."""

SHAPE_STEP = 0.6
"""mm of the grid for widths and distances: corners between its lines are lost, so it is finer."""

FAN = np.radians(np.linspace(-SEPTAL_FAN, SEPTAL_FAN, 2 * int(SEPTAL_FAN) + 1))
"""Angles from the aortic direction of the rays on which the septum is looked for."""


@dataclass(frozen=True)
class Cuttings:
    """What cuts the sections of n (redrawn) readings besides the blood edge: anatomies, solids of one device, the rule.

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
    definitions: Definitions

    @classmethod
    def of(cls, anatomies: Sequence[Anatomy], solids: Sequence[Solid], definitions: Definitions = CONTRACT) -> Cuttings:
        """Stack `anatomies` and their `solids` (n each)."""
        pieces, counts = stacked_pieces(solids)
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
            definitions,
        )

    def rows(self, chosen: NDArray[np.int64]) -> Cuttings:
        """Those of `chosen` (m,)."""
        arrays = (name for name in self.__dataclass_fields__ if name != "definitions")
        return replace(self, **{name: getattr(self, name)[chosen] for name in arrays})

    def without_device(self) -> Cuttings:
        """The same readings with nothing taken out of the section."""
        return replace(self, counts=np.zeros_like(self.counts))

    def meets(self, points: FloatArray, normals: FloatArray) -> FloatArray:
        """How far (n, s), mm, planes (n, s, 3), (n, s, 3) reach into the half of the solid on the aortic side.

        Negative where they miss it; see `Solid.half_heights`.
        """
        low, high = half_heights(self.pieces, self.axis[:, 0], self.axis[:, 1], self.side, points, normals)
        result: FloatArray = np.minimum(-low, high)
        return result


def _stacked(planes: Sequence[Plane]) -> FloatArray:
    return np.asarray([(plane.point, plane.normal) for plane in planes])


def quick_areas(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Cuttings,
    cutting_of: NDArray[np.int64],
    windows: FloatArray,
    step: float = SCAN_STEP,
    plane_of: NDArray[np.int64] | None = None,
) -> FloatArray:
    """Areas (j,) of the counted parts in planes (m, 3), (m, 3), each with the cutting that `cutting_of` (j,) names.

    plane_of : (j,) the plane of each, rising; None = each plane once, j = m. What cuts one plane, save the solid, is
    that of its first: readings that share a plane share anatomy and device axis.

    windows : (m, 4) lowest u and v, highest u and v that are looked at in each plane, mm from its point.
    step : mm of the grid.
    """
    return quick_shapes(field, points, normals, cuttings, cutting_of, windows, step, plane_of, area_only=True)[:, 0]


def quick_shapes(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Cuttings,
    cutting_of: NDArray[np.int64],
    windows: FloatArray,
    step: float = SHAPE_STEP,
    plane_of: NDArray[np.int64] | None = None,
    *,
    area_only: bool = False,
) -> FloatArray:
    """Area, device-septum distance, largest and smallest caliper width (j, 4) of the counted parts; NaN where none.

    Arguments as of `quick_areas`; distance and widths as `residual.septum_distance` and `residual.feret_diameters`.
    area_only : give the first column alone (j, 1).
    """
    from outflow_geometry.outflow import scan_kernels

    plane_of = np.arange(len(points)) if plane_of is None else plane_of
    first_cut = np.searchsorted(plane_of, np.arange(len(points) + 1))
    each = cuttings.rows(cutting_of[first_cut[:-1]])
    u, v = axes_across(normals, each.across, each.toward)

    def line(plane: FloatArray) -> FloatArray:
        return line_of(plane[:, 0], plane[:, 1], points, u, v)

    height = line(each.aortic)
    lines = np.stack(
        [
            line_of(each.axis[:, 0], each.side, points, u, v),
            [cuttings.definitions.beyond_aortic_plane, 0.0, 0.0] - height,
            line(each.ring),
            line(each.curtain),
            height - [BEYOND_PART, 0.0, 0.0],
        ],
        axis=1,
    )
    offset, axis = points[plane_of] - cuttings.axis[cutting_of, 0], cuttings.axis[cutting_of, 1]
    across, along = u[plane_of], v[plane_of]
    ways = ((offset, offset), (offset, across), (offset, along), (offset, axis), (across, axis), (along, axis))
    device = np.stack([np.vecdot(one, two) for one, two in ways], axis=1)
    low, high, first, last = np.moveaxis(cuttings.pieces, 2, 0)
    rate = (last - first) / np.where(high > low, high - low, 1.0)
    pieces = np.stack([low, high, first, rate, 1.0 / np.sqrt(1.0 + rate**2)], axis=2)
    out = np.empty((len(plane_of), 1 if area_only else 4))
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
        first_cut.astype(np.int64),
        device,
        cutting_of.astype(np.int64),
        pieces,
        cuttings.counts,
        cuttings.definitions.section_rule == "at_path",
        windows,
        step,
        LEAST_PART,
        FAN,
        out,
    )
    return out
