"""How much the smallest section of the automatic path depends on how its planes lie: the path's own doubt.

All points LPS, mm, float64; areas mm2.

A flow tells the direction of the outflow tract to some degrees. Two questions show what that does to the smallest
section: how it changes where all planes lean by 5 degrees, whatever way, and what it is along a second flow that is
kept further off the device: the truth may lie as far again from the flow taken. The largest change, as a share, is the
doubt. Where it is small the section is the same by any reasonable path; where it is large the value says `path_unsure`
and its interval is as wide as that. A section near the annulus whose plane leans on it is in doubt besides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.bottleneck import WINDOW, tilted_normals
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas
from outflow_geometry.outflow.sections import edge_field
from outflow_geometry.outflow.smallest_planes import last_meeting_stations
from outflow_geometry.outflow.solids import Solid

LEAN, LEAN_DIRECTIONS = 5.0, 8
"""degrees by which all planes are made to lean, and directions: about what the automatic path's planes differ from
those of the true centreline (standard deviation, 35 asymmetric invented hearts at three depths)."""

MOST_DOUBT = 0.045
"""Doubt above which the path is unsure, along the flow taken or the other. On 42 asymmetric invented hearts at three
depths errors below it were the same whatever the doubt (root mean square 3 %), and grew with it above
(`tests/benchmarks/automatic_path.py`)."""

APART_WEIGHT = 2.0
"""What a difference between the two flows counts for: two sections 9 and 11 % too small differed by 2.5 % between the
flows, and by 3.2 % where planes leaned."""

BASE_ERROR = 0.03
"""Standard deviation, as a share of the area, of the automatic path's smallest section about that along the true
centreline where there is no doubt at all, on the same hearts."""

FLOWS_APART = 0.08
"""Share by which a second flow's section must be the smaller for that flow to be taken: where the first goes into one
lobe it differs by tens of percent."""

FLOW_DEPTHS = np.arange(8.0, 22.5, 2.0)
"""mm below the ring plane to which a cylinder is tried along both flows: one choice for all depths of a device that
share a body, so that along one path a deeper device never leaves a larger section."""

NEAR_ANNULUS, MOST_SKEW = 10.0, 12.0
"""mm upstream of the annulus, and degrees: a smallest section that near whose plane leans by more on the annulus is in
doubt, however little its area changes with a lean of 5 degrees. The tract leaves the annulus at right angles; where the
flow crosses it askew, planes were 10 to 20 degrees off those of the true centreline (asymmetric invented hearts 200 to
225) and sections up to 12 % too small."""

SKEW_DOUBT = 0.08
"""Doubt of such a section: the root mean square of their errors on those hearts."""

LARGEST_ERROR = 0.3
"""Share of the area beyond which no doubt widens the interval: the largest error on those hearts was 0.32."""

SCAN_SPACING, SCAN_GRID = 0.75, 0.7
"""mm between the planes of a scan, and of the grid in each."""

NEAR_SMALLEST = 0.5
"""Planes whose area exceeds the smallest by more than this share do not become the smallest by leaning by LEAN; by less
they have less to go."""


def smallest_areas(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solids: Sequence[Solid],
    definitions: Definitions,
    lean: float | Callable[[FloatArray], FloatArray] = 0.0,
) -> list[FloatArray | GeometryError]:
    """The smallest section of each solid along `path`, right to a percent; with `lean`, degrees, then that of planes
    leaning by it in each of LEAN_DIRECTIONS directions: (1 + LEAN_DIRECTIONS,). Where planes lean each in its own way,
    `lean` gives the degrees (n,) at stations (n,), mm.

    The solids share their axis, so that each plane is looked up once for all. GeometryError `solid_not_met`, and
    `no_section` where no plane has one.
    """
    field, cuttings = edge_field(lumen), Cuttings.of([anatomy] * len(solids), solids, definitions)
    found: list[FloatArray | GeometryError] = [
        end if isinstance(end, GeometryError) else np.array([end[0]])
        for end in last_meeting_stations(path, solids, anatomy, definitions)
    ]
    ends = {n: float(end[0]) for n, end in enumerate(found) if not isinstance(end, GeometryError)}
    if not ends:
        return found
    grid = -SCAN_SPACING * np.arange(math.ceil(-min(ends.values()) / SCAN_SPACING) + 1)

    def leans(stations: FloatArray) -> FloatArray:
        return lean(stations) if callable(lean) else np.full(len(stations), lean)

    def scanned(stations: Mapping[int, FloatArray], ways: FloatArray) -> dict[int, FloatArray]:
        """Areas (s, t) of solids at their stations (s,), of planes leaning in the directions `ways` (t, 2); inf where
        there is none."""
        each = np.concatenate(list(stations.values()))
        planes, place = np.unique(each, return_inverse=True)
        order = np.argsort(place, kind="stable")
        cut_by = np.repeat(list(stations), [len(own) for own in stations.values()])[order]
        count = len(ways)
        points, tangents = path.at(np.repeat(planes, count))
        tilts = (leans(planes)[:, None, None] * ways).reshape(-1, 2)
        normals = tilted_normals(tangents, tilts, anatomy)
        # the planes of one station follow each other by tilt, and so do those that cut them
        plane_of = (place[order][:, None] * count + np.arange(count)).ravel()
        turned = np.argsort(plane_of, kind="stable")
        areas = np.empty((len(each) * count,))
        areas[turned] = quick_areas(
            field, points, normals, cuttings, np.repeat(cut_by, count)[turned],
            np.broadcast_to(WINDOW, (len(points), 4)), SCAN_GRID, plane_of[turned],
        )  # fmt: skip
        back = np.empty((len(each), count))
        back[order] = np.where(areas > 0.0, areas, np.inf).reshape(len(each), count)
        return dict(zip(stations, np.split(back, np.cumsum([len(own) for own in stations.values()])[:-1]), strict=True))

    stations = {n: np.append(end, grid[grid > end]) for n, end in ends.items()}
    straight = {n: areas[:, 0] for n, areas in scanned(stations, np.zeros((1, 2))).items()}
    for n, areas in straight.items():
        least = float(areas.min())
        found[n] = np.array([least])
        if not math.isfinite(least):
            found[n] = GeometryError("no_section", "no plane of the path has a section; check plan and path")
            del stations[n]
    if not (callable(lean) or lean) or not stations:
        return found
    turn = 2.0 * math.pi * np.arange(LEAN_DIRECTIONS) / LEAN_DIRECTIONS
    near = {
        n: own[straight[n] <= (1.0 + NEAR_SMALLEST * np.minimum(leans(own) / LEAN, 1.0)) * straight[n].min()]
        for n, own in stations.items()
    }
    for n, areas in scanned(near, np.stack([np.cos(turn), np.sin(turn)], axis=1)).items():
        leaning = areas.min(axis=0)
        found[n] = np.append(straight[n].min(), np.where(np.isfinite(leaning), leaning, 0.0))
    return found


def smaller_kept_off(
    lumen: Lumen,
    near: OutflowPath,
    off: OutflowPath,
    anatomy: Anatomy,
    whole: Solid,
    definitions: Definitions,
) -> bool:
    """Whether the flow kept off the device (`off`) leaves a section that is smaller by more than FLOWS_APART than the
    flow near it, at any of FLOW_DEPTHS or at the body's own end.

    whole : the body of the paths without narrowing (`centreline.path_body`).
    """
    depths = np.union1d(FLOW_DEPTHS[whole.solid_to > FLOW_DEPTHS], [whole.solid_to])
    cylinders = [
        Solid(
            axis_point=whole.axis_point,
            axis=whole.axis,
            stations=np.array([0.0, depth]),
            diameters=whole.diameters,
            solid_from=0.0,
            solid_to=float(depth),
        )
        for depth in depths
    ]
    near_areas, off_areas = (
        [_least(found) for found in smallest_areas(lumen, path, anatomy, cylinders, definitions)]
        for path in (near, off)
    )
    return any(two < (1.0 - FLOWS_APART) * one for one, two in zip(near_areas, off_areas, strict=True))


def _least(found: FloatArray | GeometryError) -> float:
    if not isinstance(found, GeometryError):
        return float(found[0])
    # without any section along it a flow has lost the channel
    return math.inf if found.code == "no_section" else math.nan


def plane_doubt(areas: FloatArray, other: float | None = None) -> float:
    """Largest change, as a share, from the first of `areas` (see `smallest_areas`) to those of leaning planes, and
    APART_WEIGHT times that from it to `other`, the smallest section along a second flow."""
    own = float(areas[0])
    leaning = float(np.abs(areas[1:] / own - 1.0).max(initial=0.0))
    return leaning if other is None else max(leaning, APART_WEIGHT * abs(own - other) / max(own, other))


def crosses_askew(path: OutflowPath, station: float, anatomy: Anatomy) -> bool:
    """Whether the plane of `path` at `station`, mm, is near the annulus and leans on it (NEAR_ANNULUS, MOST_SKEW)."""
    if station < -NEAR_ANNULUS:
        return False
    _, tangent = path.at(station)
    return bool(tangent @ anatomy.aortic_plane.normal < math.cos(math.radians(MOST_SKEW)))


def path_error(doubt: float) -> float:
    """Standard deviation, as a share of the area, of the smallest section along the automatic path."""
    return math.hypot(BASE_ERROR, min(doubt, LARGEST_ERROR))
