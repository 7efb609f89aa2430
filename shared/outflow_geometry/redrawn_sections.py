"""Smallest sections of a plan with redrawn landmarks: device, cutting planes and path move, the image stays.

All points LPS, mm, float64; areas mm2.

Each draw is scanned in a few planes about the place of the smallest section, all draws in one call. The reading
itself is scanned the same way as draw 0, and only the difference to it is added to the reading's own, finer result:
what the scan's grid leaves out cancels. Distances and diameters need the outlines, and are cut for every fifth draw.
The reader's path is drawn anew through the redrawn points. The automatic path follows the redrawn annulus at its
downstream end; further upstream it keeps to the middle between wall and device, and so moves half as far as the
redrawn device does toward it.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.errors import GeometryError, tried_once
from outflow_geometry.frames import FloatArray, Plane
from outflow_geometry.leaflet import leaflet_length
from outflow_geometry.measure_functions import SectionNumbers, Value
from outflow_geometry.outflow_path import OutflowPath, path_through, reader_path
from outflow_geometry.plan_sections import PlanSections
from outflow_geometry.residual import AT_END, SmallestSection, feret_diameters, last_meeting_station, septum_distance
from outflow_geometry.section_scan import Cutting, quick_areas
from outflow_geometry.sections import (
    SectionStack,
    aortic_side,
    blood_outlines,
    counted_parts,
    edge_field,
    kept_region,
    line_of,
    plane_axes,
)
from outflow_geometry.solids import CURVE_ARC_STEPS, Solid, build_solid, outlines

AROUND = (-1.8, -0.9, 0.0, 0.9, 1.8)
"""mm about the smallest section at which each draw is scanned: wider than the redrawn places move."""

RIVAL = 1.15
"""Areas within this factor of the smallest may become the smallest when landmarks move: three standard errors."""

RIVAL_STEP, MOST_RIVALS = 2.5, 3
"""mm between rival stations, and how many are scanned."""

END_SEARCH, END_STEP = 4.0, 0.5
"""mm about the reading's last plane that meets the device, in which that of a draw is looked for."""

WINDOW_MARGIN = 6.0
"""mm by which the window of a redrawn section exceeds that of the reading: ten times the scatter of a landmark."""

FOLLOWS_ANNULUS = 20.0
"""mm upstream of the annulus over which the automatic path lets go of it."""

DEVICE_REACH = 10.0
"""mm beyond the device's end over which the automatic path lets go of it."""

OUTLINED = 5
"""Every so many draws are cut with outlines (see `Measure.draws_share`)."""

Window = tuple[float, float, float, float]
"""Lowest u and v, highest u and v of a part of a plane, mm."""

NUMBERS = ("area", "station", "native_area", "residual_fraction", "septum_distance", "diameter_max", "diameter_min")


@dataclass(frozen=True)
class PlanRedraws:
    """All draws of one plan; a solid along a path is cut for all draws when the first is asked for."""

    sections: PlanSections
    anatomies: Sequence[Anatomy]
    _found: dict[Hashable, object] = field(default_factory=dict)

    def numbers(self, solid: str, method: str) -> FloatArray:
        """(draws, 7) of NUMBERS, NaN where a draw has no section."""
        return tried_once(self._found, (solid, method), lambda: self._numbers(solid, method))

    def _numbers(self, solid: str, method: str) -> FloatArray:
        # solids that end at the same stations in every draw are one solid under two names
        ends = tuple(None if s is None else (s.solid_from, s.solid_to) for s in self.solids(solid))
        return tried_once(self._found, (ends, method), lambda: _redrawn_numbers(self, solid, method))

    def solids(self, name: str) -> list[Solid | None]:
        """The solid of the reading and of each draw; None where a draw has none."""
        return tried_once(self._found, ("solids", name), lambda: _solids(self, name))

    def paths(self, method: str) -> list[OutflowPath | None]:
        """The path of the reading and of each draw; None where a draw has none."""
        return tried_once(self._found, method, lambda: _paths(self, method))


@dataclass(frozen=True)
class RedrawnSections:
    """Sections of one draw of a plan."""

    plan: PlanRedraws
    draw: int

    def smallest(self, solid: str, method: str) -> SectionNumbers:
        """Numbers of the redrawn smallest section."""
        row = self.plan.numbers(solid, method)[self.draw]
        if not np.isfinite(row[0]):
            raise GeometryError("no_section", "this draw has no section")
        area, station, native, fraction, distance, largest, narrowest = row.tolist()
        return SectionNumbers(area, station, native, fraction, distance, largest, narrowest)

    def bottleneck(self, solid: str, method: str) -> Value:
        """The reading's bottleneck, changed in proportion to the smallest section."""
        found = self.plan.sections.bottleneck(solid, method)
        value = found[0] if isinstance(found, tuple) else found
        return value * self.smallest(solid, method).area / self.plan.sections.section(solid, method).area


def redrawn_sections(sections: PlanSections, anatomies: Sequence[Anatomy]) -> list[RedrawnSections]:
    """Sections of every draw, found together on first use."""
    plan = PlanRedraws(sections, anatomies)
    return [RedrawnSections(plan, draw) for draw in range(len(anatomies))]


def _paths(redraws: PlanRedraws, method: str) -> list[OutflowPath | None]:
    own = redraws.sections.path(method)
    base = redraws.sections.reading.anatomy.aortic_plane
    paths: list[OutflowPath | None] = [own]
    solids = redraws.solids("full_frame") if method != "reader_path" else [None] * (len(redraws.anatomies) + 1)
    for anatomy, solid in zip(redraws.anatomies, solids[1:], strict=True):
        try:
            if method == "reader_path":
                paths.append(reader_path(anatomy.structure("outflow_path"), anatomy))
            else:
                paths.append(_following(own, base, anatomy.aortic_plane, solids[0], solid))
        except GeometryError:
            paths.append(None)
    return paths


def _following(
    path: OutflowPath, old: Plane, new: Plane, old_solid: Solid | None, new_solid: Solid | None
) -> OutflowPath:
    """The path carried along by the aortic plane at its downstream end, and by the device further upstream."""
    stations = np.arange(path.stations[0], path.stations[-1] + 0.5, 1.0)
    points, _ = path.at(stations)
    share = np.clip(1.0 + stations / FOLLOWS_ANNULUS, 0.0, 1.0)[:, None]
    share = share * share * (3.0 - 2.0 * share)
    relative = points - old.point
    # smallest rotation that takes one normal to the other (Rodrigues' formula)
    axis = np.cross(old.normal, new.normal)
    cosine = float(old.normal @ new.normal)
    turned = relative * cosine + np.cross(axis, relative) + np.outer(relative @ axis, axis) / (1.0 + cosine)
    moved = share * (new.point + turned - points)
    if old_solid is not None and new_solid is not None:
        moved = moved + (1.0 - share) * _half_way(points, old_solid, new_solid)
    return path_through(points + moved, new, path.method)


def _half_way(points: FloatArray, old: Solid, new: Solid) -> FloatArray:
    """Half the movement (n, 3) of the device toward `points` (n, 3), where they lie beside it."""
    along = (points - old.axis_point) @ old.axis
    beside = np.clip(along, old.solid_from, old.solid_to)[:, None]
    before = old.axis_point + beside * old.axis
    outward = points - before
    outward = outward / np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    toward = ((new.axis_point + beside * new.axis - before) * outward).sum(axis=1, keepdims=True)
    fade = np.clip(1.0 - np.abs(along[:, None] - beside) / DEVICE_REACH, 0.0, 1.0)
    result: FloatArray = 0.5 * fade * toward * outward
    return result


def _redrawn_numbers(redraws: PlanRedraws, solid: str, method: str) -> FloatArray:
    sections = redraws.sections
    found = sections.section(solid, method)
    anatomies = [sections.reading.anatomy, *redraws.anatomies]
    scans = _scans(redraws, solid, method, found, anatomies)
    if not scans or scans[0].draw != 0:
        raise GeometryError("no_section", "the reading's own section cannot be scanned again")
    numbers = np.full((len(anatomies), len(NUMBERS)), np.nan)
    _scan_areas(sections, scans, numbers, _window(sections, found, method, scans[0].stations))
    chosen = [scan for scan in scans if scan.draw % OUTLINED == 0 and np.isfinite(numbers[scan.draw, 0])]
    _outline(sections, method, found, chosen, numbers)
    own = np.asarray([getattr(found, name) for name in NUMBERS])
    moved = own + (numbers[1:] - numbers[0])
    # a fraction of differences would not stay one; it is taken of the moved areas
    moved[:, 3] = np.minimum(moved[:, 0] / np.where(moved[:, 2] > 0.0, moved[:, 2], np.nan), 1.0)
    moved[:, 1] = np.minimum(moved[:, 1], 0.0)
    signed = np.arange(len(NUMBERS)) == 1
    result: FloatArray = np.where(signed, moved, np.maximum(moved, 0.0))
    return result


@dataclass
class _Scan:
    """One draw: where it is scanned, and where its smallest section was found."""

    draw: int
    cutting: Cutting
    path: OutflowPath
    stations: FloatArray
    best: float = np.nan


def _scans(
    redraws: PlanRedraws, solid: str, method: str, found: SmallestSection, anatomies: Sequence[Anatomy]
) -> list[_Scan]:
    sections, chosen = redraws.sections, redraws.sections.definitions
    own_end, _ = last_meeting_station(
        sections.path(method), sections.solid(solid), sections.reading.anatomy, chosen.search_upstream
    )
    lumen = sections.reading.lumen
    rivals = _rivals(sections, solid, method, found, own_end)
    scans: list[_Scan] = []
    for draw, (anatomy, path, cutter) in enumerate(
        zip(anatomies, redraws.paths(method), redraws.solids(solid), strict=True)
    ):
        if path is None or cutter is None:
            continue
        try:
            end = _end(path, cutter, anatomy, own_end, max(-chosen.search_upstream, path.first))
        except GeometryError:
            continue
        stations = _stations(found.station, own_end, end, rivals)
        if lumen.field.contains(path.at(stations)[0]).all():
            scans.append(_Scan(draw, Cutting(anatomy, cutter), path, stations))
    return scans


def _solids(redraws: PlanRedraws, name: str) -> list[Solid | None]:
    """The solid about each redrawn ring; the length of leaflet and the post tips are redrawn too."""
    sections = redraws.sections
    solids: list[Solid | None] = [sections.solid(name)]
    for anatomy in redraws.anatomies:
        try:
            length = leaflet_length(anatomy) if name == "leaflet_limited" and anatomy.has("anterior_leaflet") else None
            tips = anatomy.structure("post_tip") if anatomy.has("post_tip") else None
            solids.append(build_solid(name, sections.plan, sections.prosthesis, anatomy, length, tips))
        except GeometryError:
            solids.append(None)
    return solids


def _end(path: OutflowPath, solid: Solid, anatomy: Anatomy, own_end: float, lowest: float) -> float:
    """Most upstream station near the reading's own whose plane meets the solid on the aortic side."""
    stations = np.arange(max(own_end - END_SEARCH, lowest), min(own_end + END_SEARCH, 0.0) + END_STEP, END_STEP)
    points, tangents = path.at(stations)
    low, high = solid.half_heights(aortic_side(anatomy, solid.axis), points, tangents)
    meets = np.minimum(-low, high)
    met = np.flatnonzero(meets >= 0.0)
    if not len(met):
        raise GeometryError("solid_not_met", "no plane near the reading's own range meets the redrawn device")
    first = int(met[0])
    if first == 0:
        return float(stations[0])
    share = meets[first] / (meets[first] - meets[first - 1])
    return float(stations[first] - share * END_STEP)


def _rivals(sections: PlanSections, solid: str, method: str, found: SmallestSection, own_end: float) -> FloatArray:
    """Stations elsewhere where the reading's area curve comes near its foot: a draw may have its foot there."""
    curves = sections.curves(method)
    areas, stations = curves.areas[solid], curves.stations
    near = (areas < RIVAL * found.area) & (stations >= own_end) & (np.abs(stations - found.station) > AROUND[-1])
    kept: list[float] = []
    for station in stations[near][np.argsort(areas[near], kind="stable")]:
        if all(abs(station - other) >= RIVAL_STEP for other in kept):
            kept.append(float(station))
    return np.asarray(kept[:MOST_RIVALS])


def _stations(station: float, own_end: float, end: float, rivals: FloatArray) -> FloatArray:
    """Stations about the smallest section within the draw's range [end, 0]; they follow an end that it lies at."""
    around = np.asarray(AROUND)
    if station > -AT_END:
        wanted = around - around[-1]
    elif station < own_end + AT_END:
        wanted = end + around - around[0]
    else:
        wanted = station + around
    result: FloatArray = np.unique(np.clip(np.concatenate([wanted, rivals]), end, 0.0))
    return result


def _scan_areas(sections: PlanSections, scans: Sequence[_Scan], numbers: FloatArray, window: Window) -> None:
    """Fill area, station and native area of every draw."""
    counts = np.asarray([len(scan.stations) for scan in scans])
    owner = np.repeat(np.arange(len(scans)), counts)
    placed = [scan.path.at(scan.stations) for scan in scans]
    points, tangents = (np.concatenate(column) for column in zip(*placed, strict=True))
    areas = _quick(sections, points, tangents, [scan.cutting for scan in scans], owner, window)
    starts = np.cumsum(counts) - counts
    for scan, start in zip(scans, starts, strict=True):
        own = areas[start : start + len(scan.stations)]
        if np.any(own > 0.0):
            area, scan.best = _vertex(scan.stations, np.where(own > 0.0, own, np.inf))
            numbers[scan.draw, :2] = area, scan.best
    kept = [scan for scan in scans if np.isfinite(scan.best)]
    placed = [scan.path.at(scan.best) for scan in kept]
    points, tangents = (np.stack(column) for column in zip(*placed, strict=True))
    bare = [Cutting(s.cutting.anatomy, replace(s.cutting.solid, solid_to=s.cutting.solid.solid_from)) for s in kept]
    numbers[[scan.draw for scan in kept], 2] = _quick(sections, points, tangents, bare, np.arange(len(kept)), window)


def _quick(
    sections: PlanSections,
    points: FloatArray,
    tangents: FloatArray,
    cuttings: list[Cutting],
    owner: Any,
    window: Window,
) -> FloatArray:
    rule, beyond = sections.definitions.section_rule, sections.definitions.beyond_aortic_plane
    return quick_areas(edge_field(sections.reading.lumen), points, tangents, cuttings, owner, rule, beyond, window)


def _vertex(stations: FloatArray, areas: FloatArray) -> tuple[float, float]:
    """Smallest area and its station: vertex of the parabola of least squares through the planes about the smallest.

    Least squares over up to five planes, since the scan's grid leaves a percent of noise on each.
    """
    best = int(np.argmin(areas))
    area, station = float(areas[best]), float(stations[best])
    near = np.isfinite(areas) & (np.abs(stations - station) <= AROUND[-1] + 1e-9)
    s, a = stations[near] - station, areas[near]
    if s[0] < 0.0 < s[-1]:
        bend, slope, foot = np.polyfit(s, a, 2)
        if bend > 0.0:
            shift = float(np.clip(-slope / (2.0 * bend), s[0], s[-1]))
            return float(foot + slope * shift + bend * shift * shift), station + shift
    return area, station


def _outline(
    sections: PlanSections, method: str, found: SmallestSection, scans: Sequence[_Scan], numbers: FloatArray
) -> None:
    """Fill septum distance and diameters of some draws, from the outlines in the plane of their smallest section."""
    window = shapely.box(*_window(sections, found, method, np.asarray([found.station])))
    chosen = sections.definitions
    columns: list[tuple[FloatArray, ...]] = []
    regions: list[Any] = []
    for scan in scans:
        anatomy, solid = scan.cutting.anatomy, scan.cutting.solid
        point, tangent = scan.path.at(np.asarray([scan.best]))
        u, v = plane_axes(tangent, anatomy)
        where = (point, tangent, u, v)
        region = kept_region(
            *where, anatomy, solid.axis_point, solid.axis, chosen.section_rule, chosen.beyond_aortic_plane
        )
        columns.append((*where, line_of(anatomy.aortic_plane.point, anatomy.aortic_plane.normal, point, u, v)))
        regions.append(shapely.intersection(region, window))
    points, tangents, u, v, aortic = (np.concatenate(column) for column in zip(*columns, strict=True))
    region = np.concatenate(regions)
    blood, blur = blood_outlines(edge_field(sections.reading.lumen), region, points, u, v)
    native = np.asarray(shapely.intersection(blood, region))
    stations = np.asarray([scan.best for scan in scans])
    stack = SectionStack(stations, points, tangents, u, v, chosen.section_rule, native, blood, aortic, blur)
    for row, scan in enumerate(scans):
        solid, one = scan.cutting.solid, stack.rows(np.asarray([row]))
        device = outlines(solid, one.points, one.tangents, one.u, one.v, arc_steps=CURVE_ARC_STEPS)
        section = shapely.multipolygons(counted_parts(one, shapely.difference(one.native, device))[0])
        side = aortic_side(scan.cutting.anatomy, solid.axis)
        numbers[scan.draw, 4] = septum_distance(one, side, device[0], section)
        numbers[scan.draw, 5:7] = feret_diameters(section)


def _window(sections: PlanSections, found: SmallestSection, method: str, stations: FloatArray) -> Window:
    """Box (lowest u and v, highest u and v) about the reading's native sections at `stations`, with a margin."""
    stack = sections.curves(method).stack
    near = np.abs(stack.stations[:, None] - stations[None, :]).min(axis=1) <= AROUND[-1]
    bounds = shapely.bounds(stack.native[near])
    bounds = bounds[np.all(np.isfinite(bounds), axis=1)]
    if not len(bounds):
        raise GeometryError("no_section", "no blood about the smallest section")
    low, high = bounds[:, :2].min(axis=0) - WINDOW_MARGIN, bounds[:, 2:].max(axis=0) + WINDOW_MARGIN
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
