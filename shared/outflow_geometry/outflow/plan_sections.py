"""Sections of one plan for the measures: solids, paths and sections found once, on first use.

All points LPS, mm, float64.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import cast

import numpy as np

from outflow_geometry.base.errors import GeometryError, kept_or_raised, tried_once
from outflow_geometry.base.findings import UNTROUBLED, AreaNoise, PathSpread, Value
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions, Plan, Prosthesis
from outflow_geometry.image.edge_noise import edge_length
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.landmarks.leaflet import leaflet_length
from outflow_geometry.outflow.area_curves import AreaCurves, area_curves
from outflow_geometry.outflow.bottleneck import bottleneck_area
from outflow_geometry.outflow.centreline import KEPT_OFF, NARROWED, body_line, path_about, path_body
from outflow_geometry.outflow.lobes import turned_section
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.path_spread import path_spread
from outflow_geometry.outflow.placing import build_solid
from outflow_geometry.outflow.plane_doubt import (
    LEAN,
    MOST_DOUBT,
    SKEW_DOUBT,
    crosses_askew,
    plane_doubt,
    smaller_kept_off,
    smallest_areas,
)
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.outflow.residual import SmallestSection, described, lumen_holds_device, smallest_section
from outflow_geometry.outflow.rival_places import numbers_that_jump
from outflow_geometry.outflow.sections import NativeSections, counted_areas, cut_by
from outflow_geometry.outflow.smallest_planes import SmallestPlane, smallest_planes
from outflow_geometry.outflow.solids import Solid
from outflow_geometry.outflow.sparse_clicks import clicks_too_sparse
from outflow_geometry.outflow.turned_plane import DOUBTED_ERROR, IN_DOUBT, MOST_TURNED, WIDER, leaning_spread

PATH_METHODS = ("reader_path", "automatic_path")

PATHS_APART = 0.15
"""Share of their mean by which the smallest sections along both paths differ before both say so (`paths_differ`)."""

SPARSE_REPLACES = (*UNTROUBLED, "device_meets_septum")
"""Statuses of a section along the reader's path that `path_sparse` replaces: those that leave the area usable."""

AT_ANNULUS = 3.0
"""mm upstream of the annulus within which a doubt about the path around the full frame does not touch other solids."""

BOTTLENECK_SHARE = 0.6
"""Share of the smallest section below which a bottleneck needs a look (`bottleneck_far_below`): common practice, no
source."""


@dataclass(frozen=True)
class PlanSections:
    """Smallest sections, area curves and bottlenecks of one plan, by solid and method."""

    plan: Plan
    prosthesis: Prosthesis | None
    definitions: Definitions
    reading: ReadingLumen
    _found: dict[Hashable, object] = field(default_factory=dict)

    @property
    def methods(self) -> tuple[str, ...]:
        """The paths that the reading has: the reader's where drawn, the automatic one always."""
        return PATH_METHODS if self.reading.anatomy.has("outflow_path") else PATH_METHODS[1:]

    def solid(self, name: str) -> Solid:
        """The solid variant of the planned device."""
        return tried_once(self._found, ("solid", name), lambda: self._solid(name))

    def whole_device(self, anatomy: Anatomy) -> Solid:
        """The whole device (`full_frame`) about another anatomy."""
        tips = anatomy.structure("post_tip") if anatomy.has("post_tip") else None
        return build_solid("full_frame", self.plan, self.prosthesis, anatomy, None, tips)

    def _solid(self, name: str) -> Solid:
        anatomy = self.reading.anatomy
        length = leaflet_length(anatomy) if anatomy.has("anterior_leaflet") else None
        tips = anatomy.structure("post_tip") if anatomy.has("post_tip") else None
        return build_solid(name, self.plan, self.prosthesis, anatomy, length, tips)

    def moved_solid(self, name: str, number: str, by: float) -> Solid:
        """The solid variant where one number of the plan (`tilt_ap`, …) is more by `by`."""
        moved = replace(self.plan, **{number: (getattr(self.plan, number) or 0.0) + by})  # type: ignore[arg-type]
        return tried_once(
            self._found, ("moved", name, number, by), lambda: replace(self, plan=moved, _found={}).solid(name)
        )

    def solids(self) -> dict[str, Solid]:
        """Every solid variant that is possible."""
        found: dict[str, Solid] = {}
        for name in self.definitions.solids:
            try:
                found[name] = self.solid(name)
            except GeometryError:
                continue  # its own rows say why
        return found

    def path(self, method: str) -> OutflowPath:
        """The outflow path of `method`; the automatic one runs through the lumen left by the whole device."""
        if method == "reader_path":
            return self.reading.reader_path
        return self._flow_path(self.narrowed)

    @property
    def narrowed(self) -> float:
        """mm by which the device is narrowed for its automatic path: NARROWED, or KEPT_OFF where that flow finds a
        clearly smaller section. Devices that share a body, as all depths of one do down to LENGTHENED, share it."""
        reading = self.reading
        whole = path_body(self.solid("full_frame"), reading.anatomy, 0.0)
        return tried_once(reading.kept, ("narrowed", *body_line(whole)), lambda: self._narrowed(whole))

    def _narrowed(self, whole: Solid) -> float:
        try:
            near = self._flow_path(NARROWED)
        except GeometryError:
            return KEPT_OFF  # so near to the device there is no channel
        try:
            off = self._flow_path(KEPT_OFF)
        except GeometryError:
            return NARROWED
        reading = self.reading
        smaller = smaller_kept_off(reading.findings.lumen, near, off, reading.anatomy, whole, self.definitions)
        return KEPT_OFF if smaller else NARROWED

    def _leaning(self, solid: str, narrowed: float) -> FloatArray:
        """The smallest section along one of both flows, right to a percent, and those of leaning planes
        (`plane_doubt.smallest_areas`); found for all solids at once."""
        key = ("leaning", solid, narrowed)
        if key not in self._found:
            self._find_leaning([self], [solid, *self.solids()], narrowed)
        return cast(FloatArray, kept_or_raised(self._found[key]))

    @staticmethod
    def _find_leaning(plans: Sequence[PlanSections], solids: Sequence[str], narrowed: float) -> None:
        """Find those of many plans of one reading and keep each, or why there is none, with its plan."""
        reading, definitions = plans[0].reading, plans[0].definitions

        def line(plan: PlanSections, solid: Solid) -> Hashable:
            return body_line(path_body(plan.solid("full_frame"), reading.anatomy, narrowed)) + solid.axis_line

        def find(plan: PlanSections, group: Sequence[Solid]) -> Sequence[FloatArray | GeometryError]:
            path = plan._flow_path(narrowed)
            return smallest_areas(reading.findings.lumen, path, reading.anatomy, group, definitions, LEAN)

        _find_together(plans, solids, lambda name: ("leaning", name, narrowed), line, find)

    @classmethod
    def find_doubts(cls, plans: Sequence[PlanSections], solids: Sequence[str]) -> None:
        """Find what `section_unsure` of many plans of one reading rests on, all plans at once."""
        for narrowed in (NARROWED, KEPT_OFF):
            cls._find_leaning(plans, [*solids, "full_frame"], narrowed)

    def plane_doubt(self, solid: str) -> float:
        """Share by which the smallest section of the automatic path depends on how its planes lie (`plane_doubt`), or
        may lie askew where it is near the annulus (`crosses_askew`)."""
        try:
            doubt = plane_doubt(self._leaning(solid, self.narrowed), float(self._leaning(solid, self._other_flow)[0]))
            station = self._plane_of(solid, "automatic_path").station
        except GeometryError:
            return 1.0  # along one of the flows there is no section at all
        askew = crosses_askew(self.path("automatic_path"), station, self.reading.anatomy)
        return max(doubt, SKEW_DOUBT) if askew else doubt

    def path_unsure(self, solid: str) -> bool:
        """Whether that doubt, or that of the flow not taken, is above MOST_DOUBT."""
        return self.plane_doubt(solid) > MOST_DOUBT or plane_doubt(self._leaning(solid, self._other_flow)) > MOST_DOUBT

    def section_unsure(self, solid: str, station: float) -> bool:
        """Whether the section of `solid` at `station`, mm, along the automatic path is in doubt: its own planes are, or
        those of the full frame, about which the path of all solids runs. At the annulus all paths run alike."""
        return self.path_unsure(solid) or (station < -AT_ANNULUS and self.path_unsure("full_frame"))

    @property
    def _other_flow(self) -> float:
        return KEPT_OFF if self.narrowed == NARROWED else NARROWED

    def _flow_path(self, narrowed: float) -> OutflowPath:
        """The automatic path about the device `narrowed` by so many mm; plans with the same body share it."""
        reading = self.reading
        body = path_body(self.solid("full_frame"), reading.anatomy, narrowed)
        return tried_once(
            reading.kept, ("path", *body_line(body)), lambda: path_about(body, reading.anatomy, reading.ground)
        )

    def path_line(self, method: str) -> tuple[float, ...]:
        """What tells the paths of `method` in one reading apart."""
        if method == "reader_path":
            return ()
        return body_line(path_body(self.solid("full_frame"), self.reading.anatomy, self.narrowed))

    def native(self, method: str) -> NativeSections:
        """The sections without a device along the path of `method`; plans with the same path and device axis share
        them."""
        reading, chosen, whole = self.reading, self.definitions, next(iter(self.solids().values()), None)

        def kept() -> NativeSections:
            return NativeSections(reading.lumen(method), self.path(method), reading.anatomy, whole, chosen)

        line = () if whole is None else whole.axis_line
        key = ("native", self.path_line(method), line, chosen.section_rule, chosen.beyond_aortic_plane)
        return tried_once(reading.kept, key, kept)

    def curves(self, method: str) -> AreaCurves:
        """Area curves of all solids along the path of `method`."""
        return tried_once(self._found, ("curves", method), lambda: self._curves(method))

    def _curves(self, method: str) -> AreaCurves:
        return area_curves(
            self.reading.lumen(method),
            self.path(method),
            self.reading.anatomy,
            self.solids(),
            self.definitions,
            native=self.native(method),
        )

    def section(self, solid: str, method: str) -> SmallestSection:
        """The smallest section with its outlines."""
        return tried_once(self._found, ("section", solid, method), lambda: self._section(solid, method))

    def _section(self, solid: str, method: str) -> SmallestSection:
        wanted = self.solid(solid)
        lumen_holds_device(self.reading.lumen(method), wanted)
        found = smallest_section(
            self.reading.lumen(method),
            self.path(method),
            self.reading.anatomy,
            wanted,
            self.definitions,
            native=self.native(method),
            plane=self._plane_of(solid, method),
        )
        if method == "reader_path":
            sparse = found.status in SPARSE_REPLACES and self._sparse(solid)
            return replace(found, status="path_sparse") if sparse else found
        return turned_section(
            self.reading.lumen(method),
            self.path(method),
            self.reading.anatomy,
            wanted,
            found,
            self.definitions,
            unsure=self.section_unsure(solid, found.station),
        )

    def _sparse(self, solid: str) -> bool:
        """Whether the clicks of the reader's path are too few for its smallest section; asked of all solids at once."""
        key = ("sparse", solid)
        if key not in self._found:
            self.find_sparse([self], [solid, *self.solids()])
        return cast(bool, kept_or_raised(self._found[key]))

    @staticmethod
    def find_sparse(plans: Sequence[PlanSections], solids: Sequence[str]) -> None:
        """Find that of solids of many plans at once and keep each, or why there is none, with its plan."""
        stations: dict[int, float] = {}
        for plan, name in product(plans, dict.fromkeys(solids)):
            try:
                stations[id(plan.solid(name))] = plan._plane_of(name, "reader_path").station
            except GeometryError as error:
                plan._found[("sparse", name)] = error

        def find(plan: PlanSections, group: Sequence[Solid]) -> Sequence[bool | GeometryError]:
            reading = plan.reading
            return clicks_too_sparse(
                reading.lumen("reader_path"), reading.reader_path, reading.reader_course, reading.anatomy, group,
                np.asarray([stations[id(solid)] for solid in group]), plan.definitions,
            )  # fmt: skip

        _find_together(plans, solids, lambda name: ("sparse", name), lambda _, solid: solid.axis_line, find)

    def _plane_of(self, solid: str, method: str) -> SmallestPlane:
        """The plane of the smallest section; those of all solids are found together."""
        key = ("plane", solid, method)
        if key not in self._found:
            self.find_planes([self], [solid, *self.solids()], method)
        return cast(SmallestPlane, kept_or_raised(self._found[key]))

    @staticmethod
    def find_planes(plans: Sequence[PlanSections], solids: Sequence[str], method: str) -> None:
        """Find the smallest planes of solids of many plans at once and keep each, or why there is none, with its plan.

        Those that share path and device axis share the sections without a device.
        """

        def find(plan: PlanSections, group: Sequence[Solid]) -> Sequence[SmallestPlane | GeometryError]:
            return smallest_planes(plan.native(method), group, plan.definitions)

        _find_together(
            plans, solids, lambda name: ("plane", name, method), lambda plan, _: id(plan.native(method)), find
        )

    def paths_differ(self, solid: str) -> bool:
        """Whether the smallest sections along both paths are more than PATHS_APART from each other."""
        try:
            areas = [self.section(solid, method).area for method in PATH_METHODS]
        except GeometryError:
            return False  # the row of the path without section says why
        return abs(areas[0] - areas[1]) > PATHS_APART * 0.5 * sum(areas)

    def smallest(self, solid: str, method: str) -> SmallestSection:
        """The smallest section with the status of its row: a doubtful lumen speaks first, then paths that differ, then
        the section's own status."""
        found = self.section(solid, method)
        status = self.reading.lumen(method).status
        if status == "ok":
            status = "paths_differ" if self.paths_differ(solid) else found.status
        if found.status not in UNTROUBLED:
            return replace(found, status=status)
        unsure = IN_DOUBT if method == "automatic_path" and self._direction_counts(solid) else frozenset[str]()
        return replace(found, status=status, jumping=self._jumping(solid, method), unsure=unsure)

    def _direction_counts(self, solid: str) -> bool:
        """Whether the direction of its plane leaves the automatic path's native area in doubt (`turned_plane`)."""
        annulus = self.native("automatic_path").at(np.zeros(1))
        wide = self.section(solid, "automatic_path").native_area > WIDER * counted_areas(annulus, annulus.native)[0]
        return bool(wide) or self._leaning_spread(solid)[1] > MOST_TURNED

    def _leaning_spread(self, solid: str) -> tuple[PathSpread, float]:
        reading = self.reading
        return tried_once(
            self._found,
            ("leaning_spread", solid),
            lambda: leaning_spread(
                reading.findings.lumen,
                self.section(solid, "automatic_path").plane,
                reading.anatomy,
                self.solid(solid),
                self.definitions,
            ),
        )

    def _jumping(self, solid: str, method: str) -> frozenset[str]:
        """Names of the numbers that would be others at a second place, as small as the smallest within noise."""
        return tried_once(self._found, ("jumping", solid, method), lambda: self._found_jumping(solid, method))

    def _found_jumping(self, solid: str, method: str) -> frozenset[str]:
        plane = self._plane_of(solid, method)
        if not plane.rivals:
            return frozenset()
        device, anatomy = self.solid(solid), self.reading.anatomy
        stack = self.native(method).at(np.asarray(plane.rivals))
        others = [
            described(stack, row, device, anatomy, plane.end, plane.cut_short, float(area))
            for row, area in enumerate(counted_areas(stack, cut_by(stack, device)[0]))
        ]
        return numbers_that_jump(self.section(solid, method), others)

    def area_noise(self, solid: str, method: str) -> AreaNoise:
        """What the image's noise gives to the smallest section and to its native section; see `image.edge_noise`."""
        return tried_once(self._found, ("noise", solid, method), lambda: self._area_noise(solid, method))

    def _area_noise(self, solid: str, method: str) -> AreaNoise:
        stack = self.curves(method).stack
        noise = self.reading.edge_noise(method, stack.blur)
        found = self.section(solid, method)
        nearest = int(np.argmin(np.abs(stack.stations - found.station)))
        return AreaNoise(
            noise.area_sd(edge_length(found.residual, found.blood)),
            noise.area_sd(edge_length(stack.native[nearest], stack.blood[nearest])),
            noise.displacement,
            self._path_spread(solid) if method == "automatic_path" else PathSpread(),
        )

    def _path_spread(self, solid: str) -> PathSpread:
        reading = self.reading
        try:
            paths = self._flow_path(self.narrowed), self._flow_path(self._other_flow)
            either = path_spread(reading.findings.lumen, paths, reading.anatomy, self.solid(solid), self.definitions)
        except GeometryError:
            either = PathSpread()  # one flow alone has a section: the status says `path_unsure`
        either = either.with_more(self._leaning_spread(solid)[0])
        if not self._direction_counts(solid):
            return either
        return either.with_more(PathSpread(DOUBTED_ERROR * self.section(solid, "automatic_path").native_area))

    def bottleneck(self, solid: str, method: str) -> Value:
        """The smallest section over plane orientations, mm2."""
        return tried_once(self._found, ("bottleneck", solid, method), lambda: self._bottleneck(solid, method))

    def _bottleneck(self, solid: str, method: str) -> Value:
        lumen, section = self.reading.lumen(method), self.section(solid, method)
        found = bottleneck_area(
            lumen,
            self.path(method),
            self.reading.anatomy,
            self.solid(solid),
            section,
            self.definitions,
        )
        if lumen.status != "ok":
            return found.area, lumen.status
        if self.paths_differ(solid):
            return found.area, "paths_differ"
        if section.status == "path_sparse":
            return found.area, section.status
        return found.area, "ok" if found.area >= BOTTLENECK_SHARE * section.area else "bottleneck_far_below"


def _find_together(
    plans: Sequence[PlanSections],
    solids: Sequence[str],
    key_of: Callable[[str], Hashable],
    line_of: Callable[[PlanSections, Solid], Hashable],
    find: Callable[[PlanSections, Sequence[Solid]], Sequence[object]],
) -> None:
    """Find something of each solid of each plan and keep it, or the error, with its plan under `key_of`; what is kept
    already is not found again.

    find : one result or GeometryError per solid, for solids that share `line_of` at once, and one of their plans.
    """
    together: dict[Hashable, list[tuple[PlanSections, Hashable, Solid]]] = {}
    for plan, name in product(plans, dict.fromkeys(solids)):
        key = key_of(name)
        if key in plan._found:
            continue
        try:
            solid = plan.solid(name)
            together.setdefault(line_of(plan, solid), []).append((plan, key, solid))
        except GeometryError as error:
            plan._found[key] = error
    for group in together.values():
        found: Sequence[object]
        try:
            found = find(group[0][0], [solid for _, _, solid in group])
        except GeometryError as error:
            found = [error] * len(group)
        for (plan, key, _), one in zip(group, found, strict=True):
            plan._found[key] = one
