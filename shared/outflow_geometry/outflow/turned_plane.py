"""What the automatic path's direction means for the numbers of its smallest section besides the area.

All points LPS, mm, float64; areas mm2.

The area hardly feels how its plane lies, since it is the smallest of many (`plane_doubt` says where it does). Native
area, distance to the septum and widths are those of the plane that happens to be the smallest, so they change with its
direction. What they change by where the plane leans by LEAN is their standard deviation by the path.

Beside a device that reaches the open ventricle a flow runs along the device, and the outflow tract's middle line does
not: the planes of both were 20 to 30 degrees apart in two wide invented hearts, native areas 10 to 27 % apart. Two
signs tell such planes: their native section is clearly wider than the annulus, or it changes much where they turn.
"""

from __future__ import annotations

import math

import numpy as np

from outflow_geometry.base.findings import PathSpread
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.bottleneck import WINDOW, tilted_normals
from outflow_geometry.outflow.plane_doubt import LEAN, LEAN_DIRECTIONS, SCAN_GRID
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas, quick_shapes
from outflow_geometry.outflow.sections import edge_field
from outflow_geometry.outflow.solids import Solid

TURN, MOST_TURNED = 10.0, 0.10
"""degrees by which the plane is turned, and share of its native area that may change by it. In tracts of invented
hearts it changes by 2 to 9 %, where they open into the ventricle by 13 to 20 %."""

WIDER = 1.25
"""Native area, in areas of the lumen at the annulus, from which the plane lies in the open ventricle. Set on readings
of seven demonstration hearts: off by more than 8 % in 11 of 19 above it, in 3 of 49 below; on three other hearts in 1
of 11 and in none of 30."""

DOUBTED_ERROR = 0.12
"""Standard deviation, as a share, of a native area in doubt: the root mean square error of those 30 above WIDER."""

IN_DOUBT = frozenset({"native_area", "residual_fraction"})
"""Numbers that such a plane leaves in doubt."""


def leaning_spread(
    lumen: Lumen, plane: Plane, anatomy: Anatomy, solid: Solid, definitions: Definitions
) -> tuple[PathSpread, float]:
    """Standard deviations of the numbers in `plane` by the direction of the path, and the largest change of the native
    area, as a share, where it turns by TURN.

    A number that is missing in a leaning plane (no device there) is left out.
    """
    turn = 2.0 * math.pi * np.arange(LEAN_DIRECTIONS) / LEAN_DIRECTIONS
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    tilts = np.vstack([np.zeros((1, 2)), LEAN * circle, TURN * circle])
    field, cutting = edge_field(lumen), Cuttings.of([anatomy], [solid], definitions)
    normals = tilted_normals(np.broadcast_to(plane.normal, (len(tilts), 3)), tilts, anatomy)
    points, which = np.broadcast_to(plane.point, normals.shape), np.zeros(len(tilts), dtype=np.int64)
    windows = np.broadcast_to(2.0 * WINDOW, (len(tilts), 4))
    bare, near = cutting.without_device(), slice(LEAN_DIRECTIONS + 1)
    native = quick_areas(field, points, normals, bare, which, windows, SCAN_GRID)
    shapes = quick_shapes(field, points[near], normals[near], cutting, which[near], windows[near])
    numbers: FloatArray = np.column_stack([native[near], shapes[:, 1:]])
    change = np.nan_to_num(np.abs(numbers[1:] - numbers[0])).max(axis=0)
    turned = float(np.abs(native[LEAN_DIRECTIONS + 1 :] / native[0] - 1.0).max()) if native[0] > 0.0 else math.inf
    return PathSpread(*change.tolist()), turned
