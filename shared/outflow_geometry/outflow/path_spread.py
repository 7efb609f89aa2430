"""What the automatic path itself may be off in the numbers of its smallest section besides the area.

All points LPS, mm, float64; areas mm2.

The area's own doubt is `plane_doubt`. Noise and landmarks may decide which of two flows is taken: along both the area
is nearly the same, distance, widths and native area are not (by 0.9 mm, a fifth of a distance, in one invented heart).
"""

from __future__ import annotations

import math

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import PathSpread
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.bottleneck import WINDOW
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.plane_doubt import SCAN_GRID, SCAN_SPACING
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas, quick_shapes
from outflow_geometry.outflow.sections import edge_field
from outflow_geometry.outflow.smallest_planes import last_meeting_stations
from outflow_geometry.outflow.solids import Solid

EITHER_FLOW = 1.0 / math.sqrt(2.0)
"""Standard deviation, as a share of their difference, of the one of two values about the other where chance decides
between them."""


def path_spread(
    lumen: Lumen,
    paths: tuple[OutflowPath, OutflowPath],
    anatomy: Anatomy,
    solid: Solid,
    definitions: Definitions,
) -> PathSpread:
    """Standard deviations by the choice of the flow; paths : the one taken, the other.

    A number that is missing along one flow (no device in the plane) is left out.
    Raises GeometryError as `last_meeting_stations`.
    """
    own, other = (_numbers(lumen, path, anatomy, solid, definitions) for path in paths)
    return PathSpread(*(EITHER_FLOW * np.abs(np.nan_to_num(other - own))).tolist())


def _numbers(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solid: Solid,
    definitions: Definitions,
) -> FloatArray:
    """Native area, distance to the septum, largest and smallest width (4,) in the smallest plane of a scan."""
    (end,) = last_meeting_stations(path, [solid], anatomy, definitions)
    if isinstance(end, GeometryError):
        raise end
    field, cutting = edge_field(lumen), Cuttings.of([anatomy], [solid], definitions)
    stations = np.linspace(end[0], 0.0, max(math.ceil(-end[0] / SCAN_SPACING), 2) + 1)
    points, tangents = path.at(stations)
    which, windows = np.zeros(len(points), dtype=np.int64), np.broadcast_to(WINDOW, (len(points), 4))
    areas = quick_areas(field, points, tangents, cutting, which, windows, SCAN_GRID)
    best = [int(np.argmin(np.where(areas > 0.0, areas, np.inf)))]
    here, along, which, windows = points[best], tangents[best], which[:1], windows[:1]
    shape = quick_shapes(field, here, along, cutting, which, windows)[0]
    bare = cutting.without_device()
    native = quick_areas(field, here, along, bare, which, windows, SCAN_GRID)
    return np.append(native, shape[1:])
