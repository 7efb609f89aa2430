"""Quick section areas of very many planes, for searches: plane orientations, and redrawn landmarks.

All points LPS, mm, float64; areas mm2. The areas are right to about a percent; they rank planes, and the planes
found are cut exactly afterwards (`sections`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.frames import FloatArray
from outflow_geometry.sections import BEYOND_PART, LEAST_PART, EdgeField, aortic_side, line_of, plane_axes
from outflow_geometry.solids import Solid

SCAN_STEP = 1.0
"""mm of the scan's grid."""

SCAN_HALF_WIDTH = 24.0
"""mm on either side of the path: wider sections are ventricle, never the smallest."""


@dataclass(frozen=True)
class Cutting:
    """What cuts a section besides the blood edge: anatomy, device axis and solid of one (redrawn) reading."""

    anatomy: Anatomy
    solid: Solid


def quick_areas(
    field: EdgeField,
    points: FloatArray,
    normals: FloatArray,
    cuttings: Sequence[Cutting],
    cutting_of: NDArray[np.int64],
    rule: str,
    beyond_aortic_plane: float,
    window: tuple[float, float, float, float] = (-SCAN_HALF_WIDTH, -SCAN_HALF_WIDTH, SCAN_HALF_WIDTH, SCAN_HALF_WIDTH),
) -> FloatArray:
    """Areas (m,) of the counted parts in planes (m, 3), (m, 3), each with the cutting that `cutting_of` (m,) names.

    window : lowest u and v, highest u and v of the planes that are looked at, mm from the plane's point.
    """
    from outflow_geometry import scan_kernels

    u, v = np.empty_like(normals), np.empty_like(normals)
    lines = np.empty((len(points), 5, 3))
    device = np.empty((len(points), 6))
    most = max(len(cutting.solid.pieces) for cutting in cuttings)
    pieces = np.zeros((len(cuttings), most, 4))
    counts = np.zeros(len(cuttings), dtype=np.int64)
    order = np.argsort(cutting_of, kind="stable")
    starts = np.searchsorted(cutting_of[order], np.arange(len(cuttings) + 1))
    for n, cutting in enumerate(cuttings):
        mine = order[starts[n] : starts[n + 1]]
        anatomy, solid = cutting.anatomy, cutting.solid
        p, t = points[mine], normals[mine]
        mine_u, mine_v = plane_axes(t, anatomy)
        u[mine], v[mine] = mine_u, mine_v
        aortic, ring, curtain = anatomy.aortic_plane, anatomy.ring_plane, anatomy.curtain_plane
        height = line_of(aortic.point, aortic.normal, p, mine_u, mine_v)
        lines[mine, 0] = line_of(solid.axis_point, aortic_side(anatomy, solid.axis), p, mine_u, mine_v)
        lines[mine, 1] = [beyond_aortic_plane, 0.0, 0.0] - height
        lines[mine, 2] = line_of(ring.point, ring.normal, p, mine_u, mine_v)
        lines[mine, 3] = line_of(curtain.point, curtain.normal, p, mine_u, mine_v)
        lines[mine, 4] = height - [BEYOND_PART, 0.0, 0.0]
        offset = p - solid.axis_point
        device[mine] = np.stack(
            [
                (offset**2).sum(axis=1),
                (offset * mine_u).sum(axis=1),
                (offset * mine_v).sum(axis=1),
                offset @ solid.axis,
                mine_u @ solid.axis,
                mine_v @ solid.axis,
            ],
            axis=1,
        )
        pieces[n, : len(solid.pieces)] = solid.pieces
        counts[n] = len(solid.pieces)
    volume = field.volume
    origin = volume.to_index(points)
    out = np.empty(len(points))
    # slope of a step blurred by the typical 0.4 mm: contrast / (sqrt(2 pi) sigma)
    slope = field.contrast / (math.sqrt(2.0 * math.pi) * 0.4)
    scan_kernels.quick_areas(
        volume.values,
        slope,
        origin,
        volume.to_index(points + u) - origin,
        volume.to_index(points + v) - origin,
        lines,
        device,
        cutting_of.astype(np.int64),
        pieces,
        counts,
        rule == "at_path",
        window,
        SCAN_STEP,
        LEAST_PART,
        out,
    )
    return out
