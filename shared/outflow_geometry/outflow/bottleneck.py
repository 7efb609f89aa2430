"""The bottleneck: the smallest section over plane orientations near the path's tangent.

All points LPS, mm, float64; areas mm2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.residual import SmallestSection, last_meeting_station
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas
from outflow_geometry.outflow.sections import counted_areas, cut_by, edge_field, plane_axes, planes_stack
from outflow_geometry.outflow.solids import Solid

LARGEST_TILT = 30.0
"""degrees between plane normal and tangent that are searched (study contract)."""

SCAN_TILTS = (10.0, 20.0, 30.0)
"""degrees, first round."""

SCAN_DIRECTIONS = 8
"""Directions of tilt, first round."""

SCAN_HALF_WIDTH = 24.0
"""mm on either side of the path: wider sections are ventricle, never the smallest."""

WINDOW = np.asarray([-SCAN_HALF_WIDTH, -SCAN_HALF_WIDTH, SCAN_HALF_WIDTH, SCAN_HALF_WIDTH])

COARSE, FINE = 2.0, 1.0
"""mm of the grids of the first round and of the pattern search."""

CANDIDATES = 4
"""Orientations that are refined and cut exactly."""

REFINEMENTS = (4.0, 2.0, 1.0)
"""degrees and, in units of 8 degrees a millimetre, steps of the pattern search about each candidate."""


@dataclass(frozen=True)
class Bottleneck:
    """The smallest section over orientations: area mm2, station mm, tilt of its normal from the tangent, degrees."""

    area: float
    station: float
    tilt: float
    normal: FloatArray


def tilted_normals(tangents: FloatArray, tilt: FloatArray, anatomy: Anatomy) -> FloatArray:
    """Normals (m, 3) tilted off the tangents by `tilt` (m, 2) degrees along the plane axes; at most LARGEST_TILT."""
    u, v = plane_axes(tangents, anatomy)
    size = np.linalg.norm(tilt, axis=1)
    angle = np.radians(np.minimum(size, LARGEST_TILT))
    part = tilt / np.maximum(size, 1e-9)[:, None]
    side = part[:, :1] * u + part[:, 1:] * v
    return unit(np.cos(angle)[:, None] * tangents + np.sin(angle)[:, None] * side)


def bottleneck_area(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solid: Solid,
    smallest: SmallestSection,
    definitions: Definitions = CONTRACT,
) -> Bottleneck:
    """Smallest section over planes tilted by up to 30 degrees from the path, at every station of the solid's range.

    A coarse scan of all stations and orientations, a pattern search about the best few, and an exact cut of those;
    never above `smallest`, the smallest perpendicular section of the same solid.
    Raises GeometryError as `smallest_section`.

    Turned planes give no larger a section than those across the path (an invented heart with a device of 27 mm):

    >>> from outflow_geometry import Device, PhaseImage, Plan, build_anatomy, build_solid, outflow_lumen, reader_path
    >>> from outflow_geometry import smallest_section, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> anatomy = build_anatomy(landmarks)
    >>> lumen = outflow_lumen(PhaseImage(volume), anatomy)
    >>> solid = build_solid("full_frame", Plan("P1", Device("D27", 27.0, 22.0), 15.0), None, anatomy)
    >>> path = reader_path(landmarks["outflow_path"], anatomy)
    >>> smallest = smallest_section(lumen, path, anatomy, solid)
    >>> found = bottleneck_area(lumen, path, anatomy, solid, smallest)
    >>> bool(0.9 < found.area / smallest.area <= 1.0), bool(found.tilt <= 30.0)
    (True, True)
    """
    end, _ = last_meeting_station(path, solid, anatomy, definitions)
    field = edge_field(lumen)
    cutting = Cuttings.of([anatomy], [solid], definitions)

    def areas(stations: FloatArray, tilt: FloatArray, grid: float) -> FloatArray:
        points, tangents = path.at(stations)
        normals = tilted_normals(tangents, tilt, anatomy)
        which = np.zeros(len(points), dtype=np.int64)
        windows = np.broadcast_to(WINDOW, (len(points), 4))
        return quick_areas(field, points, normals, cutting, which, windows, grid)

    stations = np.linspace(end, 0.0, max(int(-end / 2.0), 2) + 1)
    turn = 2.0 * math.pi * np.arange(SCAN_DIRECTIONS) / SCAN_DIRECTIONS
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    tilts = np.vstack([[[0.0, 0.0]], *[t * circle for t in SCAN_TILTS]])
    every_station = np.repeat(stations, len(tilts))
    every_tilt = np.tile(tilts, (len(stations), 1))
    found = areas(every_station, every_tilt, COARSE)
    # a turned plane without any section is past the end of the lumen
    found = np.where(found > 0.0, found, np.inf)
    best = np.argsort(found, kind="stable")[:CANDIDATES]
    here = np.column_stack([every_station[best], every_tilt[best]])
    value = areas(here[:, 0], here[:, 1:], FINE)
    value = np.where(value > 0.0, value, np.inf)
    pattern = np.array([[s, a, b] for s in (-1.0, 0.0, 1.0) for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)])
    for step in REFINEMENTS:
        trial = (here[:, None, :] + pattern * [step / 8.0, step, step]).reshape(-1, 3)
        trial[:, 0] = np.clip(trial[:, 0], end, 0.0)
        size = np.linalg.norm(trial[:, 1:], axis=1)
        trial[:, 1:] *= np.minimum(1.0, LARGEST_TILT / np.maximum(size, 1e-9))[:, None]
        tried = areas(trial[:, 0], trial[:, 1:], FINE).reshape(len(here), -1)
        tried = np.where(tried > 0.0, tried, np.inf)
        row = np.argmin(tried, axis=1)
        better = tried[np.arange(len(here)), row] < value
        here[better] = trial.reshape(len(here), -1, 3)[np.arange(len(here)), row][better]
        value = np.minimum(value, tried.min(axis=1))
    points, tangents = path.at(here[:, 0])
    normals = tilted_normals(tangents, here[:, 1:], anatomy)
    stack = planes_stack(lumen, here[:, 0], points, normals, anatomy, solid, definitions)
    exact = counted_areas(stack, cut_by(stack, solid)[0])
    exact = np.where(exact > 0.0, exact, np.inf)
    row_best = int(np.argmin(exact))
    if not exact[row_best] < smallest.area:
        return Bottleneck(smallest.area, smallest.station, 0.0, smallest.plane.normal)
    tilt = float(np.linalg.norm(here[row_best, 1:]))
    return Bottleneck(float(exact[row_best]), float(here[row_best, 0]), tilt, normals[row_best])
