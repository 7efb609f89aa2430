"""Exact areas of what solids leave of sections, many planes and solids in one compiled call.

All points LPS, mm, float64; areas mm2. The numbers are those of `sections.counted_areas` of `sections.cut_by`, to
rounding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.outflow.rings import Rings
from outflow_geometry.outflow.sections import BEYOND_PART, LEAST_PART, SectionStack, counted_areas, cut_by
from outflow_geometry.outflow.solids import CURVE_ARC_STEPS, GAUSS_NODES, GAUSS_WEIGHTS, Solid, stacked_pieces

COSINES = np.cos(np.linspace(0.0, math.pi, CURVE_ARC_STEPS + 1))
ARC_NODES = np.stack([np.cos((GAUSS_NODES + 1.0) * math.pi / 2.0), np.sin((GAUSS_NODES + 1.0) * math.pi / 2.0)], axis=1)


def residual_areas(
    stack: SectionStack,
    rings: Rings,
    solids: Sequence[Solid],
    planes: NDArray[np.int64],
    solid_of: NDArray[np.int64],
) -> FloatArray:
    """Areas (n,), mm2, of the counted parts of the sections `planes` (n,) of the stack less solid `solid_of` (n,).

    NaN where a section has none. rings : of `stack.native`.
    """
    from outflow_geometry.outflow import residual_kernels

    if not len(planes):
        return np.empty(0)
    pieces, counts = stacked_pieces(solids)
    areas = np.empty(len(planes))
    axes = np.asarray([solid.axis for solid in solids])
    residual_kernels.residual_areas(
        rings.corners,
        rings.ring_start,
        rings.ring_polygon,
        rings.plane_start,
        np.ascontiguousarray(stack.points),
        np.ascontiguousarray(stack.tangents),
        np.ascontiguousarray(stack.u),
        np.ascontiguousarray(stack.v),
        np.ascontiguousarray(stack.aortic_height),
        planes,
        solid_of,
        np.asarray([solid.axis_point for solid in solids]),
        axes,
        _beside(axes),
        pieces,
        counts,
        COSINES,
        ARC_NODES,
        GAUSS_WEIGHTS,
        stack.rule == "at_path",
        LEAST_PART,
        BEYOND_PART,
        areas,
    )
    for n in np.flatnonzero(areas < 0.0):
        one = stack.rows(planes[n : n + 1])
        areas[n] = counted_areas(one, cut_by(one, solids[solid_of[n]])[0])[0]
    return areas


def _beside(axes: FloatArray) -> FloatArray:
    """Unit vectors (n, 3) at right angles to the axes (n, 3), as `solids.outlines` takes them."""
    return unit(np.cross(axes, np.eye(3)[np.argmin(np.abs(axes), axis=1)]))
