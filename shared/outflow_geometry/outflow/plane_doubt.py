"""How much the smallest section of the automatic path depends on how its planes lie: the path's own doubt.

All points LPS, mm, float64; areas mm2.

A flow tells the direction of the outflow tract to some degrees. Two questions show what that does to the smallest
section: how it changes where all planes lean by 5 degrees, whatever way, and what it is along a second flow that is
kept further off the device. The largest change, as a share, is the doubt. Where it is small the section is the same
by any reasonable path; where it is large the value says `path_unsure` and its interval is as wide as that.
"""

from __future__ import annotations

import math

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.bottleneck import WINDOW, tilted_normals
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.residual import last_meeting_station
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas
from outflow_geometry.outflow.sections import edge_field
from outflow_geometry.outflow.solids import Solid

LEAN, LEAN_DIRECTIONS = 5.0, 8
"""degrees by which all planes are made to lean, and directions: about what the automatic path's planes differ from
those of the true centreline (standard deviation, 35 asymmetric invented hearts at three depths)."""

MOST_DOUBT = 0.04
"""Doubt above which the path is unsure. On those hearts the error against sections along the true centreline was as
large as the doubt (`tests/benchmarks/automatic_path.py`)."""

BASE_ERROR = 0.03
"""Standard deviation, as a share of the area, of the automatic path's smallest section about that along the true
centreline where there is no doubt at all, on the same hearts."""

LARGEST_ERROR = 0.3
"""Share of the area beyond which no doubt widens the interval: the largest error on those hearts was 0.32."""

SCAN_SPACING, SCAN_GRID = 0.75, 0.7
"""mm between the planes of a scan, and of the grid in each."""

NEAR_SMALLEST = 1.5
"""Planes with more than this many times the smallest area do not become the smallest by leaning."""


def smallest_areas(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solid: Solid,
    rule: str,
    search_upstream: float,
    beyond_aortic_plane: float,
    lean: float = 0.0,
) -> FloatArray:
    """The smallest section along `path`, right to a percent; with `lean`, degrees, then that of planes leaning by it
    in each of LEAN_DIRECTIONS directions: (1 + LEAN_DIRECTIONS,).

    Raises GeometryError `solid_not_met`, and `no_section` where no plane has one.
    """
    end, _ = last_meeting_station(path, solid, anatomy, search_upstream)
    field, cutting = edge_field(lumen), Cuttings.of([anatomy], [solid])

    def scanned(stations: FloatArray, tilts: FloatArray) -> FloatArray:
        points, tangents = path.at(np.repeat(stations, len(tilts)))
        normals = tilted_normals(tangents, np.tile(tilts, (len(stations), 1)), anatomy)
        which, windows = np.zeros(len(points), dtype=np.int64), np.broadcast_to(WINDOW, (len(points), 4))
        areas = quick_areas(field, points, normals, cutting, which, rule, beyond_aortic_plane, windows, SCAN_GRID)
        return np.where(areas > 0.0, areas, np.inf).reshape(len(stations), len(tilts))

    stations = np.linspace(end, 0.0, max(math.ceil(-end / SCAN_SPACING), 2) + 1)
    straight = scanned(stations, np.zeros((1, 2)))[:, 0]
    least = float(straight.min())
    if not math.isfinite(least):
        raise GeometryError("no_section", "no plane of the path has a section; check plan and path")
    if lean == 0.0:
        return np.array([least])
    turn = 2.0 * math.pi * np.arange(LEAN_DIRECTIONS) / LEAN_DIRECTIONS
    near = stations[straight <= NEAR_SMALLEST * least]
    leaning = scanned(near, lean * np.stack([np.cos(turn), np.sin(turn)], axis=1)).min(axis=0)
    return np.concatenate([[least], np.where(np.isfinite(leaning), leaning, 0.0)])


def plane_doubt(areas: FloatArray, other: float) -> float:
    """Largest change, as a share, from the first of `areas` (see `smallest_areas`) to those of leaning planes, and
    from it to `other`, the smallest section along a second flow."""
    leaning = float(np.abs(areas[1:] / areas[0] - 1.0).max(initial=0.0))
    own = float(areas[0])
    return max(leaning, abs(own - other) / max(own, other))


def path_error(doubt: float) -> float:
    """Standard deviation, as a share of the area, of the smallest section along the automatic path."""
    return math.hypot(BASE_ERROR, min(doubt, LARGEST_ERROR))
