"""Whether the clicks of the reader's path leave open how large its smallest section is.

All points LPS, mm, float64; areas mm2. Clicks far apart do not show how the path turns between them, and a plane that
leans cuts another section. `path_course` gives how far each plane may lean; leaning all of them in each direction gives
what that does to the smallest section. Where that changes it much, the value says `path_sparse`. Two or three
clicks always do: they leave nothing by which the assumptions about the course could be judged. Clicks that are far
apart do too where they contradict these assumptions.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.path_course import PathCourse
from outflow_geometry.outflow.plane_doubt import plane_doubt, smallest_areas
from outflow_geometry.outflow.solids import Solid

FEWEST_CLICKS = 4

MOST_OPEN = 0.06
"""Share of the smallest section that may change where planes lean by one standard deviation of what is open. The prior
of the curvature is wide, so that errors above 8 % are rare below it (`tests/benchmarks/reader_clicks.py`)."""

DENSE = 1.0
"""degrees of lean, one standard deviation, below which no section is asked: they change by 1 to 2 percent."""

LARGEST_SURPRISE = 3.03
"""Standard deviations by which clicks that are far apart may meet the annulus askew: in two directions, 1 percent of
the paths that are as assumed are further off (Rayleigh distribution, sqrt(-2 ln 0.01))."""

FAR_APART = 2.0
"""degrees of lean from which such clicks are not dense: six on 50 mm."""

NEAR_SECTION = 3.0
"""mm about a plane within which the largest lean counts: the place of the smallest section is no surer than that."""


def clicks_too_sparse(
    lumen: Lumen,
    path: OutflowPath,
    course: PathCourse,
    anatomy: Anatomy,
    solids: Sequence[Solid],
    stations: FloatArray,
    definitions: Definitions,
) -> list[bool | GeometryError]:
    """Whether the smallest section of each solid (n,), at `stations` (n,) mm of the reader's `path`, depends on what
    its clicks leave open; or why it has none (`smallest_areas`).

    course : of the same path. The solids share their axis, so that they are cut out of the same planes.
    """
    if course.from_clicks.shape[1] < FEWEST_CLICKS:
        return [True] * len(solids)

    def lean(places: FloatArray) -> FloatArray:
        return course.tilt_near(places, NEAR_SECTION)

    own = lean(stations)
    astray = (own > FAR_APART) & (course.surprise > LARGEST_SURPRISE)
    found: list[bool | GeometryError] = astray.tolist()
    asked = np.flatnonzero(~astray & (own >= DENSE)).tolist()
    if not asked:
        return found
    scanned = smallest_areas(lumen, path, anatomy, [solids[n] for n in asked], definitions, lean)
    for n, areas in zip(asked, scanned, strict=True):
        found[n] = areas if isinstance(areas, GeometryError) else plane_doubt(areas) > MOST_OPEN
    return found
