"""What any device at any depth and tilt would leave free: the neo-LVOT of a grid of implants in one reading.

All points LPS, mm, float64; areas mm2, angles degrees. An implant is a plan without a name: it is cut by the same
functions (`PlanSections`), so that its numbers are those of the plan. What all implants share (lumen, native sections
of a path, the path itself where the device's part in the ventricle is the same) is found once per reading.

The chance that an area is below a cut-off is normal about the area, with three independent shares of its variance:

- landmarks move the device: the area's first-order response to depth, tilt and offset, times the covariance of these
  in the redrawn landmarks;
- placement moves the device: the same response, times the study's own standard deviations;
- what landmarks change besides the device's place (path, planes), and the image's own share: the rest of the variance
  that the draws of one implant (the first solid in the middle of the grid) show, in proportion to the area.

The response is taken in the plane of the smallest section alone. Where that section is a minimum along the path, its
plane moves without first-order effect on the area (envelope theorem; Milgrom & Segal 2002, Econometrica 70:583).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import product

import numpy as np
import shapely
from scipy.special import ndtr

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.findings import UNTROUBLED
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions, Device, ImplantGrid, Plan, Prosthesis
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.landmarks.mitral import ring_plane_status
from outflow_geometry.outflow.placing import device_axis
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.reading_lumen import ReadingLumen
from outflow_geometry.outflow.residual_areas import residual_areas
from outflow_geometry.outflow.rings import Rings
from outflow_geometry.outflow.sections import aortic_side, half_plane, line_of, planes_stack
from outflow_geometry.scatter.redrawn_sections import PlanRedraws

POSE = ("ventricular_depth", "tilt_ap", "tilt_ic", "offset_ap", "offset_ic")
POSE_STEPS = np.array([0.25, 1.0, 1.0, 0.25, 0.25])
"""Numbers of a plan, mm and degrees, and by how much each is moved either way for the response: areas are right to
1e-3 mm2, so that the response is right to some 1e-2 mm2 per mm."""

FEWEST_POSES = 10
"""Draws below which a covariance says nothing."""

SURE = 1e-9
"""mm2; with a smaller standard deviation a chance is 0 or 1."""


@dataclass(frozen=True)
class Implant:
    """One device at one depth and tilt in one reading.

    depth : mm from the ring plane to the outflow end; tilt_ap, tilt_ic : degrees.
    area, native_area : mm2; station : mm; septum_distance : mm; None where they are missing.
    landmark_sd, placement_sd : standard deviations of the area, mm2; None without scatter or response.
    chance_below : chance that the true area is below each cut-off, from both.
    status : `ok` or why a value is missing or needs care, as of a plan.
    """

    device_id: str
    depth: float
    tilt_ap: float
    tilt_ic: float
    solid: str
    method: str
    status: str
    area: float | None = None
    native_area: float | None = None
    station: float | None = None
    septum_distance: float | None = None
    landmark_sd: float | None = None
    placement_sd: float | None = None
    chance_below: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ImplantReading:
    """A reading into which implants are placed; `anatomies` are its redrawn landmarks about `middle`."""

    lumen: ReadingLumen
    prosthesis: Prosthesis | None
    definitions: Definitions
    middle: Anatomy
    anatomies: Sequence[Anatomy] = ()
    _poses: dict[tuple[float, float], FloatArray | None] = field(default_factory=dict)

    def sections(self, plan: Plan) -> PlanSections:
        """The sections of one implant."""
        return PlanSections(plan, self.prosthesis, self.definitions, self.lumen)

    def pose_covariance(self, plan: Plan) -> FloatArray | None:
        """Covariance (5, 5) of depth, tilts, offsets by redrawn landmarks; None without any. Depth plays no part."""
        key = (plan.tilt_ap, plan.tilt_ic)
        if key not in self._poses:
            self._poses[key] = _pose_covariance(plan, self.middle, self.anatomies) if len(self.anatomies) else None
        return self._poses[key]


def implant_plan(device: Device, depth: float, tilt_ap: float, tilt_ic: float) -> Plan:
    """The plan of one implant.

    >>> plan = implant_plan(Device("invented-29", 29.0, 20.0), 14.0, 5.0, 0.0)
    >>> plan.ventricular_depth, plan.tilt_ap, plan.anchor
    (14.0, 5.0, 'ring')
    """
    return Plan(plan_id="", device=device, ventricular_depth=depth, anchor="ring", tilt_ap=tilt_ap, tilt_ic=tilt_ic)


def measure_implants(reading: ImplantReading, grid: ImplantGrid) -> list[Implant]:
    """Every implant of the grid, by solid and path, in the order devices, tilts, depths, solids, methods.

    A missing one has no numbers and a status. Nothing raises for bad geometry.
    """
    reading = replace(reading, definitions=replace(reading.definitions, solids=grid.solids))
    rests: dict[str, float] = {}
    found: list[Implant] = []
    for device, tilt_ap, tilt_ic in product(grid.devices, grid.tilts_ap, grid.tilts_ic):
        # one device at one tilt: its depths share path, planes and axis; nothing else does
        kept = set(reading.lumen.kept)
        placed = [reading.sections(implant_plan(device, depth, tilt_ap, tilt_ic)) for depth in grid.depths]
        columns: list[list[Implant]] = []
        PlanSections.find_doubts(placed, grid.solids)
        for method in placed[0].methods:
            PlanSections.find_planes(placed, grid.solids, method)
            if method == "reader_path":
                PlanSections.find_sparse(placed, grid.solids)
        for solid, method in product(grid.solids, placed[0].methods):
            if method not in rests:
                rests[method] = _rest(reading, grid, grid.solids[0], method)
            scatter = _scatter(reading, grid, placed, solid, method, rests[method])
            columns.append([_implant(s, solid, method, *sds) for s, sds in zip(placed, scatter, strict=True)])
        found.extend(one for of_depth in zip(*columns, strict=True) for one in of_depth)
        reading.lumen.forget_automatic_paths(kept)
    return found


def _implant(
    sections: PlanSections, solid: str, method: str, landmarks: float | None, placement: float | None
) -> Implant:
    plan = sections.plan
    placed = partial(
        Implant,
        device_id=plan.device.device_id,
        depth=float(plan.ventricular_depth or 0.0),
        tilt_ap=plan.tilt_ap,
        tilt_ic=plan.tilt_ic,
        solid=solid,
        method=method,
    )
    try:
        numbers = sections.smallest(solid, method)
    except GeometryError as error:
        return placed(status=error.code)
    distance = numbers.septum_distance if math.isfinite(numbers.septum_distance) else None
    total = math.hypot(landmarks or 0.0, placement or 0.0)
    known = landmarks is not None or placement is not None
    cutoffs = sections.definitions.cutoffs
    status = "two_places" if numbers.jumping and numbers.status in UNTROUBLED else numbers.status
    chances = {c.cutoff_id: _chance(c.area - numbers.area, total) for c in cutoffs} if known else {}
    return placed(
        area=numbers.area,
        native_area=numbers.native_area,
        station=numbers.station,
        septum_distance=distance,
        landmark_sd=landmarks,
        placement_sd=placement,
        chance_below=chances,
        status=ring_plane_status(sections.reading.anatomy) if status == "ok" else status,
    )


def _chance(room: float, deviation: float) -> float:
    """Chance that a normal value with mean 0 and SD `deviation` is below `room`, to 4 decimals."""
    if deviation < SURE:
        return 1.0 if room > 0.0 else 0.0
    return round(float(ndtr(room / deviation)), 4)


def _scatter(
    reading: ImplantReading,
    grid: ImplantGrid,
    placed: Sequence[PlanSections],
    solid: str,
    method: str,
    rest: float,
) -> list[tuple[float | None, float | None]]:
    """Standard deviations of each area by landmarks and by placement, mm2; None where that is not asked or known."""
    by_placement = grid.placement
    moved = np.array(
        [by_placement.depth_sd, by_placement.tilt_sd, by_placement.tilt_sd, by_placement.offset_sd,
         by_placement.offset_sd]
    )  # fmt: skip
    covariance = reading.pose_covariance(placed[0].plan)
    if covariance is None and not moved.any():
        return [(None, None)] * len(placed)
    found: list[tuple[float | None, float | None]] = []
    for sections, response in zip(placed, area_responses(placed, solid, method), strict=True):
        landmarks = None
        if response is None:
            found.append((None, None))
            continue
        if covariance is not None and math.isfinite(rest):
            area = sections.section(solid, method).area
            landmarks = math.hypot(math.sqrt(max(float(response @ covariance @ response), 0.0)), rest * area)
        found.append((landmarks, float(np.linalg.norm(response * moved)) if moved.any() else None))
    return found


def area_responses(placed: Sequence[PlanSections], solid: str, method: str) -> list[FloatArray | None]:
    """Changes (5,) of the neo-LVOT of implants that share path and device axis, mm2, per mm of depth, degree of tilt_ap
    and tilt_ic, mm of offset_ap and offset_ic; None where an implant has no section.

    Central differences in the plane of the smallest section.
    """
    result: list[FloatArray | None] = [None] * len(placed)
    together: dict[int, list[int]] = {}
    for n, sections in enumerate(placed):
        try:
            sections.section(solid, method)
            together.setdefault(id(sections.native(method)), []).append(n)
        except GeometryError:
            continue
    for chosen in together.values():
        for n, response in zip(chosen, _responses([placed[n] for n in chosen], solid, method), strict=True):
            result[n] = response
    return result


def _responses(placed: Sequence[PlanSections], solid: str, method: str) -> FloatArray:
    """Responses (n, 5) of implants with one path and device axis, each in the plane of its smallest section."""
    first = placed[0]
    reading, rule = first.reading, first.definitions.section_rule
    planes = [sections.section(solid, method).plane for sections in placed]
    points, normals = np.asarray([p.point for p in planes]), np.asarray([p.normal for p in planes])
    _, own, which = np.unique(np.column_stack([points, normals]), axis=0, return_index=True, return_inverse=True)
    whole = planes_stack(
        reading.lumen(method), np.zeros(len(own)), points[own], normals[own], reading.anatomy,
        definitions=replace(first.definitions, section_rule="at_path"), blur=first.native(method).blur,
    )  # fmt: skip
    moves = [(name, sign * step) for name, step in zip(POSE, POSE_STEPS.tolist(), strict=True) for sign in (-1.0, 1.0)]
    areas = np.empty((len(moves), len(placed)))
    for row, (name, by) in enumerate(moves):
        solids = [sections.moved_solid(solid, name, by) for sections in placed]
        native = whole.native
        if rule == "aortic_side":
            side = aortic_side(reading.anatomy, solids[0].axis)
            line = line_of(solids[0].axis_point, side, whole.points, whole.u, whole.v)
            native = np.asarray(shapely.intersection(native, half_plane(line)))
        stack = replace(whole, rule=rule, native=native)
        areas[row] = residual_areas(stack, Rings.of(native), solids, which.ravel(), np.arange(len(placed)))
    low, high = areas[0::2], areas[1::2]
    response: FloatArray = ((high - low) / (2.0 * POSE_STEPS[:, None])).T
    return response


def _pose_covariance(plan: Plan, middle: Anatomy, anatomies: Sequence[Anatomy]) -> FloatArray | None:
    """Covariance (5, 5) of depth (mm), tilt_ap, tilt_ic (degrees), offset_ap, offset_ic (mm) of the device's axis."""
    try:
        pivot, axis = device_axis(plan, middle)
        toward, across, normal = middle.toward_aorta, middle.across, middle.ring_plane.normal
    except GeometryError:
        return None
    poses = []
    for again in anatomies:
        try:
            own_pivot, own_axis = device_axis(plan, again)
        except GeometryError:
            continue
        shift, turn = own_pivot - pivot, np.degrees(own_axis - axis)
        poses.append([shift @ normal, turn @ toward, turn @ across, shift @ toward, shift @ across])
    if len(poses) < FEWEST_POSES:
        return None
    result: FloatArray = np.cov(np.asarray(poses), rowvar=False)
    return result


def _rest(reading: ImplantReading, grid: ImplantGrid, solid: str, method: str) -> float:
    """Share of the area by which it scatters beyond what the device's place explains; NaN where nothing shows it.

    From the draws of the first implant with a section, beginning in the middle of the grid.
    """
    if not len(reading.anatomies):
        return math.nan
    middle = (len(grid.depths) - 1) / 2.0
    depths = sorted(grid.depths, key=lambda d: abs(grid.depths.index(d) - middle))
    device = grid.devices[len(grid.devices) // 2]
    for depth in depths:
        plan = implant_plan(device, depth, grid.tilts_ap[0], grid.tilts_ic[0])
        sections = reading.sections(plan)
        try:
            area = sections.section(solid, method).area
            drawn = PlanRedraws(sections, reading.middle, reading.anatomies).numbers(solid, method)[:, 0]
            (response,) = area_responses([sections], solid, method)
        except GeometryError:
            continue
        drawn = drawn[np.isfinite(drawn)]
        covariance = reading.pose_covariance(plan)
        if response is None or len(drawn) < FEWEST_POSES or covariance is None or area <= 0.0:
            continue
        return math.sqrt(max(float(np.var(drawn, ddof=1)) - float(response @ covariance @ response), 0.0)) / area
    return math.nan
