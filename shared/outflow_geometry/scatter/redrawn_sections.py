"""Smallest sections of a plan with redrawn landmarks: device, cutting planes and path move, the image stays.

All points LPS, mm, float64; areas mm2.

Each draw is scanned in planes over its whole range, all draws in one call. The middle of the draws, the reading with
its curves settled (`settling`), is scanned the same way as draw 0, and only the difference to it is added to the
reading's own, finer result: what the scan's grid leaves out cancels. The reader's path is drawn anew through the
redrawn points, settled as the reading's own (`redrawn_paths`). The automatic path answers to redrawn ring, device and
aorta by its linear response (`automatic_response`).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from outflow_geometry.base.errors import GeometryError, tried_once
from outflow_geometry.base.findings import BOTTLENECK_EVERY, AreaNoise, SectionNumbers, Value
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.landmarks.leaflet import leaflet_length
from outflow_geometry.outflow.outflow_path import OutflowPath, PathStack
from outflow_geometry.outflow.placing import build_solid
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.plane_doubt import path_error
from outflow_geometry.outflow.section_scan import Cuttings
from outflow_geometry.outflow.solids import Solid
from outflow_geometry.scatter.automatic_response import path_response
from outflow_geometry.scatter.redrawn_paths import redrawn_reader_paths
from outflow_geometry.scatter.scanned_draws import (
    NUMBERS,
    areas_about_smallest,
    even_stations,
    range_ends,
    scanned_areas,
    scanned_numbers,
    smallest_of_parabolas,
)
from outflow_geometry.scatter.uncertainty import FEWEST_DRAWS

FAR_FROM_SMALLEST = 2.0
"""Stations where the reading's own area is this many times its smallest are not scanned: a few millimetres do not
make them the smallest."""

CURVE_SPACING, CURVE_DRAWS = 3.0, 40
"""mm between the stations at which the scatter along the whole curve is told, and draws that tell it: a standard
deviation to 11 percent."""


@dataclass(frozen=True)
class PlanRedraws:
    """All draws of one plan; a solid along a path is cut for all draws when the first is asked for."""

    sections: PlanSections
    middle: Anatomy
    """The reading's settled landmarks, about which all draws are made: draw 0."""
    anatomies: Sequence[Anatomy]
    _found: dict[Hashable, object] = field(default_factory=dict)

    def numbers(self, solid: str, method: str) -> FloatArray:
        """(draws, 7) of NUMBERS, NaN where a draw has no section."""
        return tried_once(self._found, (solid, method), lambda: self._numbers(solid, method))

    def _numbers(self, solid: str, method: str) -> FloatArray:
        return tried_once(self._found, (self._ends(solid), method), lambda: _redrawn_numbers(self, solid, method))

    def each_smallest(self, solid: str, method: str) -> list[SectionNumbers | None]:
        """`numbers` by draw (draws,); None where a draw has no section."""
        return tried_once(self._found, ("each", solid, method), lambda: _by_draw(self.numbers(solid, method)))

    def _ends(self, solid: str) -> tuple[tuple[float, float] | None, ...]:
        """Where the solid begins and ends in each draw: solids with the same ends are one under two names."""
        return tried_once(self._found, ("ends", solid), lambda: tuple(map(_ends_of, self.solids(solid))))

    def solids(self, name: str) -> list[Solid | None]:
        """The solid of the middle and of each draw; None where a draw has none."""
        return tried_once(self._found, ("solids", name), lambda: _solids(self, name))

    def cuttings(self, solid: str) -> tuple[NDArray[np.int64], Cuttings]:
        """The draws (d,) that have the solid, the middle as draw 0, and what cuts them."""
        return tried_once(self._found, ("cuttings", self._ends(solid)), lambda: self._cuttings(solid))

    def _cuttings(self, solid: str) -> tuple[NDArray[np.int64], Cuttings]:
        anatomies = [self.middle, *self.anatomies]
        cutters = [(n, cutter) for n, cutter in enumerate(self.solids(solid)) if cutter is not None]
        draws = [n for n, _ in cutters]
        cuttings = Cuttings.of([anatomies[n] for n in draws], [c for _, c in cutters], self.sections.definitions)
        return np.asarray(draws, dtype=np.int64), cuttings

    def path_stack(self, method: str) -> PathStack:
        """The path of the middle and of each draw."""
        return tried_once(self._found, method, lambda: self._path_stack(method))

    def _path_stack(self, method: str) -> PathStack:
        if method == "reader_path":
            course = self.sections.reading.reader_course
            return redrawn_reader_paths(self.sections.path(method), course, [self.middle, *self.anatomies])
        return PathStack.of(_paths(self, method))

    def curve_scatter(self, solid: str, method: str) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Stations (k,), mm, over the whole area curve; the draws' mean shift and standard deviation there, mm2."""
        key = ("curve", self._ends(solid), method)
        return tried_once(self._found, key, lambda: _curve_scatter(self, solid, method))

    def areas_along_path(self, solid: str, method: str) -> FloatArray:
        """(draws,) smallest area, mm2, with the path held; NaN for draws that are not asked or have no section."""
        key = ("held", self._ends(solid), method)
        return tried_once(self._found, key, lambda: _areas_along_path(self, solid, method))

    def each(self) -> list[RedrawnSections]:
        """Sections of every draw, found together on first use."""
        return [RedrawnSections(self, draw) for draw in range(len(self.anatomies))]


@dataclass(frozen=True)
class RedrawnSections:
    """Sections of one draw of a plan."""

    plan: PlanRedraws
    draw: int

    def smallest(self, solid: str, method: str) -> SectionNumbers:
        """Numbers of the redrawn smallest section."""
        found = self.plan.each_smallest(solid, method)[self.draw]
        if found is None:
            raise GeometryError("no_section", "this draw has no section")
        return found

    def area_noise(self, solid: str, method: str) -> AreaNoise:
        """Asked of the reading itself only."""
        raise GeometryError("not_redrawn", "the noise of the image is the same for all draws")

    def bottleneck(self, solid: str, method: str) -> Value:
        """The reading's bottleneck, changed in proportion to the smallest section along the path as it is.

        A path drawn anew turns the planes, which a bottleneck, the smallest over their turns, does not feel.
        Every BOTTLENECK_EVERY-th draw has one.
        """
        found = self.plan.sections.bottleneck(solid, method)
        value = found[0] if isinstance(found, tuple) else found
        own = self.plan.sections.section(solid, method).area
        area = float(self.plan.areas_along_path(solid, method)[self.draw])
        if own <= 0.0 or not math.isfinite(area):
            raise GeometryError("no_section", "this draw or the reading itself has no section")
        return value * area / own


def _by_draw(numbers: FloatArray) -> list[SectionNumbers | None]:
    return [
        SectionNumbers(**dict(zip(NUMBERS, row, strict=True))) if math.isfinite(row[0]) else None
        for row in numbers.tolist()
    ]


def _ends_of(solid: Solid | None) -> tuple[float, float] | None:
    return None if solid is None else (round(solid.solid_from, 6), round(solid.solid_to, 6))


def _paths(redraws: PlanRedraws, method: str) -> list[OutflowPath | None]:
    anatomies = [redraws.middle, *redraws.anatomies]
    paths: list[OutflowPath | None] = []
    sections = redraws.sections
    lumen, own = sections.reading.lumen(method), sections.reading.anatomy
    line = (*sections.path_line(method), sections.plan.anchor, *sections.solid("full_frame").axis_line)
    response = tried_once(
        sections.reading.kept,
        ("response", line),
        lambda: path_response(
            sections.path(method), lumen, own, sections.solid("full_frame"), sections.whole_device, sections.narrowed
        ),
    )
    # depths of one device share the flow and its answers, but each is moved from where it is itself
    response = replace(response, solid=sections.solid("full_frame"))
    for anatomy, solid in zip(anatomies, redraws.solids("full_frame"), strict=True):
        try:
            paths.append(None if solid is None else response.path(anatomy, solid))
        except GeometryError:
            paths.append(None)
    return paths


def _redrawn_numbers(redraws: PlanRedraws, solid: str, method: str) -> FloatArray:
    sections, stack = redraws.sections, redraws.path_stack(method)
    found = sections.section(solid, method)
    draws, stations, cuttings = _ranges(redraws, solid, method, stack, *_cuttings(redraws, solid, stack))
    numbers = np.full((len(stack.known), len(NUMBERS)), np.nan)
    numbers[draws] = scanned_numbers(sections, method, stack, draws, stations, cuttings)
    own = np.asarray([getattr(found, name) for name in NUMBERS])
    moved = own + (numbers[1:] - numbers[0])
    moved[:, 0] += own[0] * _path_errors(sections, solid, method, len(moved))
    # a fraction of differences would not stay one; it is taken of the moved areas
    moved[:, 3] = np.minimum(moved[:, 0] / np.where(moved[:, 2] > 0.0, moved[:, 2], np.nan), 1.0)
    moved[:, 1] = np.minimum(moved[:, 1], 0.0)
    # a difference that leaves no area is a draw without section, not an area of 0
    moved[~((moved[:, 0] > 0.0) & (moved[:, 2] > 0.0))] = np.nan
    signed = np.arange(len(NUMBERS)) == 1
    result: FloatArray = np.where(signed, moved, np.maximum(moved, 0.0))
    return result


def _areas_along_path(redraws: PlanRedraws, solid: str, method: str) -> FloatArray:
    sections, own = redraws.sections, redraws.path_stack(method)
    stack = own.of_one(0)
    draws, cuttings = _cuttings(redraws, solid, stack)
    asked = np.flatnonzero(draws % BOTTLENECK_EVERY == 0)
    draws, stations, cuttings = _ranges(redraws, solid, method, stack, draws[asked], cuttings.rows(asked))
    areas = np.full(len(own.known), np.nan)
    areas[draws] = smallest_of_parabolas(
        stations, areas_about_smallest(sections, method, stack, draws, stations, cuttings)
    )[0]
    area = sections.section(solid, method).area
    moved = area * (1.0 + _path_errors(sections, solid, method, len(areas) - 1)) + areas[1:] - areas[0]
    result: FloatArray = np.where(moved > 0.0, moved, np.nan)
    return result


def _path_errors(sections: PlanSections, solid: str, method: str, draws: int) -> FloatArray:
    """What the path itself may be off in each draw (draws,), as a share of the area: normal quantiles, in an order of
    their own that is the same for every reading. 0 for the reader's path, whose scatter is the reader's own."""
    if method != "automatic_path" or draws == 0:
        return np.zeros(draws)
    quantiles = ndtri((np.arange(draws) + 0.5) / draws)
    errors: FloatArray = np.random.default_rng(draws).permutation(quantiles)
    return path_error(sections.plane_doubt(solid)) * errors


def _ranges(
    redraws: PlanRedraws, solid: str, method: str, stack: PathStack, draws: NDArray[np.int64], cuttings: Cuttings
) -> tuple[NDArray[np.int64], FloatArray, Cuttings]:
    """Of the draws (d,), those whose whole range can be scanned, with their stations (d, s) and what cuts.

    Raises GeometryError `solid_not_met`, `no_section` where the middle, draw 0, is not among them.
    """
    sections, chosen = redraws.sections, redraws.sections.definitions
    ends = range_ends(stack, draws, cuttings, max(-chosen.search_upstream, stack.first))
    if not np.isfinite(ends[0]):
        raise GeometryError("solid_not_met", "no plane near the reading's own range meets the device")
    stations = even_stations(ends)
    curves = sections.curves(method)
    own_areas = np.interp(stations[0], curves.stations, curves.areas[solid])
    least = max(sections.section(solid, method).area, float(np.nanmin(own_areas)))
    stations = stations[:, own_areas <= FAR_FROM_SMALLEST * least]
    inside = sections.reading.lumen(method).field.contains(stack.at(draws, stations)[0]).all(axis=1) & np.isfinite(ends)
    draws, stations, cuttings = draws[inside], stations[inside], cuttings.rows(np.flatnonzero(inside))
    if not len(draws) or draws[0] != 0:
        raise GeometryError("no_section", "the middle of the draws cannot be scanned")
    return draws, stations, cuttings


def _cuttings(redraws: PlanRedraws, solid: str, stack: PathStack) -> tuple[NDArray[np.int64], Cuttings]:
    """The draws (d,) that have a solid and a path, the middle as draw 0, and what cuts them.

    Raises GeometryError `no_section` where the middle is not among them.
    """
    draws, cuttings = redraws.cuttings(solid)
    known = np.flatnonzero(stack.known[draws])
    if draws[known[:1]].tolist() != [0]:
        raise GeometryError("no_section", "the middle of the draws has no solid or no path")
    return draws[known], cuttings if len(known) == len(draws) else cuttings.rows(known)


def _curve_scatter(redraws: PlanRedraws, solid: str, method: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    sections, stack = redraws.sections, redraws.path_stack(method)
    own = sections.curves(method).stations
    stations = np.linspace(own[0], own[-1], math.ceil((own[-1] - own[0]) / CURVE_SPACING) + 1)
    draws, cuttings = _cuttings(redraws, solid, stack)
    some = np.arange(min(len(draws), CURVE_DRAWS + 1))
    if len(some) <= FEWEST_DRAWS:
        raise GeometryError("no_section", "too few redrawn landmarks give a solid and a path")
    everywhere = np.broadcast_to(stations, (len(some), len(stations)))
    areas = scanned_areas(sections, method, stack, draws[some], everywhere, cuttings.rows(some))
    spread = np.std(areas[1:], axis=0, ddof=1)
    if method == "automatic_path":
        spread = np.hypot(spread, path_error(sections.plane_doubt(solid)) * areas[0])
    return stations, areas[1:].mean(axis=0) - areas[0], spread


def _solids(redraws: PlanRedraws, name: str) -> list[Solid | None]:
    """The solid about each redrawn ring; the length of leaflet and the post tips are redrawn too."""
    sections = redraws.sections
    solids: list[Solid | None] = []
    for anatomy in (redraws.middle, *redraws.anatomies):
        try:
            length = leaflet_length(anatomy) if name == "leaflet_limited" and anatomy.has("anterior_leaflet") else None
            tips = anatomy.structure("post_tip") if anatomy.has("post_tip") else None
            solids.append(build_solid(name, sections.plan, sections.prosthesis, anatomy, length, tips))
        except GeometryError:
            solids.append(None)
    return solids
