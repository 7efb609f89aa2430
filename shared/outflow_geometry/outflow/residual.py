"""The neo-LVOT: the smallest section of the outflow lumen beside a virtual device.

All points LPS, mm, float64; areas mm2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import SectionNumbers
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.inputs import CONTRACT, Definitions
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.sections import (
    NativeSections,
    SectionStack,
    aortic_side,
    counted_areas,
    counted_parts,
    cut_by,
)
from outflow_geometry.outflow.smallest_planes import SmallestPlane, last_meeting_stations, smallest_planes
from outflow_geometry.outflow.solids import EXACT_ARC_STEPS, Solid

SEPTAL_FAN = 30.0
"""degrees on either side of the aortic direction that count as septum (ring-to-septum distances use this arc;
from memory)."""

TOUCHING = 0.05
"""mm; a device nearer than this to the septum is 0.0 mm from it as tables write it."""

ADJOINING = 1.0
"""mm from the device at which a section still begins at it: the outline is refined to less, a curtain is thicker."""

SAME_AREA = 1e-9
"""Share by which rounding may tell the same section from itself: the device takes nothing of it, the fraction is 1."""

AT_END = 0.05
"""mm; a smallest section nearer than this to an end of the range is at the end."""


@dataclass(frozen=True, kw_only=True)
class SmallestSection(SectionNumbers):
    """The smallest section of one solid along one path: its numbers, its plane and its outlines.

    plane : section plane; blood, device, residual : shapely geometries in its (u, v).
    status : `ok`, `two_lobes` and `path_unsure` (`lobes`), `device_meets_septum` (distance 0), `smallest_at_annulus`,
        `smallest_at_upstream_end`, `path_short_of_solid`, `section_leaves_image` (part of it is within a voxel of
        the image's border).
    """

    plane: Plane
    blood: Any
    device: Any
    residual: Any


def last_meeting_station(
    path: OutflowPath, solid: Solid, anatomy: Anatomy, definitions: Definitions = CONTRACT
) -> tuple[float, bool]:
    """Most upstream station whose plane meets the solid on the aortic side, mm, and whether the path ended first.

    Located by bisection to 1e-4 mm. Raises GeometryError `solid_not_met`.
    """
    (found,) = last_meeting_stations(path, [solid], anatomy, definitions)
    if isinstance(found, GeometryError):
        raise found
    return found


def lumen_holds_device(lumen: Lumen, solid: Solid) -> None:
    """Raise GeometryError `device_wider_than_image` where the device is wider than the whole image."""
    extent = lumen.field.spacing * (np.asarray(lumen.field.values.shape[::-1]) - 1.0)
    if float(solid.pieces[:, 2:].max()) * 2.0 > float(extent.max()):
        raise GeometryError(
            "device_wider_than_image",
            f"device diameter {2.0 * float(solid.pieces[:, 2:].max()):.0f} mm, image {float(extent.max()):.0f} mm; "
            "check the unit of devices.csv and the region of the image",
        )


def smallest_section(
    lumen: Lumen,
    path: OutflowPath,
    anatomy: Anatomy,
    solid: Solid,
    definitions: Definitions = CONTRACT,
    *,
    native: NativeSections | None = None,
    plane: SmallestPlane | None = None,
) -> SmallestSection:
    """The neo-LVOT of a solid.

    native : the sections without a device along the path, where they are kept; plane : the smallest, where it is known.

    Raises GeometryError `device_wider_than_image`, `no_section` where a plane of the range has no section, and as
    `section_stack` and `last_meeting_station`.

    A device of 27 mm in an invented heart: what is left at the narrowest place is less than the tract there had before:

    >>> from outflow_geometry import Device, PhaseImage, Plan, build_anatomy, build_solid, outflow_lumen, reader_path
    >>> from outflow_geometry import straight_tract
    >>> landmarks, volume = straight_tract()
    >>> anatomy = build_anatomy(landmarks)
    >>> lumen = outflow_lumen(PhaseImage(volume), anatomy)
    >>> solid = build_solid("full_frame", Plan("P1", Device("D27", 27.0, 22.0), 15.0), None, anatomy)
    >>> found = smallest_section(lumen, reader_path(landmarks["outflow_path"], anatomy), anatomy, solid)
    >>> bool(found.area < found.native_area), bool(-24.0 <= found.station <= 0.0), found.status
    (True, True, 'ok')
    """
    lumen_holds_device(lumen, solid)
    if native is None:
        native = NativeSections(lumen, path, anatomy, solid, definitions)
    if plane is None:
        (found_plane,) = smallest_planes(native, [solid], definitions)
        if isinstance(found_plane, GeometryError):
            raise found_plane
        plane = found_plane
    one = native.at(np.array([plane.station]))
    found = described(one, 0, solid, anatomy, plane.end, plane.cut_short, plane.area)
    rim = found.plane.lift(shapely.get_coordinates(found.residual))
    margin = float(lumen.field.spacing.max())
    if found.status == "ok" and not bool(np.all(lumen.field.contains(rim, margin))):
        return replace(found, status="section_leaves_image")
    return found


def described(
    stack: SectionStack, row: int, solid: Solid, anatomy: Anatomy, end: float, cut_short: bool, area: float
) -> SmallestSection:
    """Everything measured on the section of one row."""
    one = stack.rows(np.array([row]))
    residual, device = cut_by(one, solid, EXACT_ARC_STEPS)
    parts, _ = counted_parts(one, residual)
    native = float(counted_areas(one, one.native)[0])
    section = shapely.multipolygons(parts)
    station = float(one.stations[0])
    largest, smallest = feret_diameters(section)
    side = aortic_side(anatomy, solid.axis)
    distance = septum_distance(one, side, device[0], section)
    if station < end + AT_END and cut_short:
        status = "path_short_of_solid"
    elif distance <= TOUCHING:
        status = "device_meets_septum"
    elif station > -AT_END:
        status = "smallest_at_annulus"
    elif station < end + AT_END:
        status = "smallest_at_upstream_end"
    else:
        status = "ok"
    return SmallestSection(
        area=area,
        station=station,
        native_area=native,
        residual_fraction=area / native if area < (1.0 - SAME_AREA) * native else 1.0,
        septum_distance=distance,
        diameter_max=largest,
        diameter_min=smallest,
        plane=one.plane(0),
        blood=one.blood[0],
        device=device[0],
        residual=section,
        status=status,
    )


def feret_diameters(section: Any) -> tuple[float, float]:
    """Largest and smallest caliper width of a geometry, mm; of its convex hull, by its edges' directions.

    A rectangle of 4 by 3 mm: its diagonal and its shorter side:

    >>> largest, smallest = feret_diameters(shapely.box(0, 0, 4, 3))
    >>> round(float(largest), 6), round(float(smallest), 6)
    (5.0, 3.0)
    """
    hull = shapely.convex_hull(section)
    if shapely.get_type_id(hull) != 3:
        return math.nan, math.nan
    corners = shapely.get_coordinates(hull)[:-1]
    edges = np.roll(corners, -1, axis=0) - corners
    normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.linalg.norm(edges, axis=1)[:, None]
    reach = corners @ normals.T
    apart = corners[:, None] - corners[None]
    largest = math.sqrt(float((apart * apart).sum(axis=2).max()))
    return largest, float((reach.max(axis=0) - reach.min(axis=0)).min())


def septum_distance(stack: SectionStack, side: FloatArray, device: Any, section: Any) -> float:
    """Smallest distance in the plane of a one-row stack from the device outline to the septal blood edge, mm.

    Seen from the middle of the device outline, the septal edge is the far edge of the counted section within 30
    degrees of the direction towards the aorta (`side`, (3,)). A direction without section beside one whose section
    begins at the device means that the device reaches the wall: 0. Where it is beside a section that begins further
    off (the aorta behind the curtain), there is no septum that way. NaN where the plane misses the device.
    """
    if shapely.is_empty(device) or shapely.is_empty(section):
        return math.nan
    from outflow_geometry.outflow import outline_kernels

    plane = stack.plane(0)
    toward = math.atan2(float(side @ plane.v), float(side @ plane.u))
    middle = shapely.get_coordinates(shapely.centroid(device))[0]
    angles = toward + np.radians(np.linspace(-SEPTAL_FAN, SEPTAL_FAN, 2 * int(SEPTAL_FAN) + 1))
    ways = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    corners, ring = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(section)), return_index=True)
    nearest, farthest = outline_kernels.ray_reaches(corners, ring, middle, ways)
    seen = np.flatnonzero(farthest > 0.0)
    if not len(seen):
        return 0.0
    unseen = np.flatnonzero(farthest <= 0.0)
    if len(unseen):
        beside = seen[np.unique(np.argmin(np.abs(unseen[:, None] - seen), axis=1))]
        starts = shapely.points(middle + nearest[beside, None] * ways[beside])
        if bool((shapely.distance(device, starts) <= ADJOINING).any()):
            return 0.0
    edge = middle + farthest[seen, None] * ways[seen]
    return float(shapely.distance(device, shapely.linestrings(edge) if len(edge) > 1 else shapely.points(edge[0])))
