"""The invented heart that the handbook's figures show: a closed-form shape of the demonstration, measured by the core.

Points LPS, mm, float64. Nothing here is a patient, and no number of a figure is a reference value.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import contourpy
import numpy as np
import shapely

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import DEVICES, heart_case, plans_of
from outflow_cohort.demo.landmarks import chambers_at, true_landmarks
from outflow_cohort.demo.settings import DemoCase
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.inputs import Device, Plan
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy
from outflow_geometry.outflow.outflow_path import OutflowPath, reader_path
from outflow_geometry.outflow.placing import build_solid
from outflow_geometry.outflow.solids import Solid

CASE = DemoCase(case_id="H01", group="native", seed=11)
PHASE_PCT = 40.0
GRID_MM = 0.5
"""Between samples of the heart's formula: fine enough for a drawing of some 5 px a mm."""
SECTION_HALF_WIDTH_MM = 30.0
STATIONS = np.arange(-24.0, 0.01, 1.0)
"""Along the outflow path, mm; 0 is the aortic annulus."""


@dataclass(frozen=True)
class Specimen:
    """The heart in end-systole with its landmarks, a planned device and the reader's outflow path."""

    heart: HeartPhase
    anatomy: Anatomy
    plan: Plan
    solid: Solid
    path: OutflowPath

    def three_chamber_view(self) -> Plane:
        """The three-chamber plane as it is drawn: u to the right, towards the aorta; v down, towards the apex."""
        anatomy = self.anatomy
        normal = anatomy.three_chamber.normal
        plane = Plane.from_normal(anatomy.ring_center, normal, anatomy.toward_aorta)
        if plane.v @ anatomy.ring_plane.normal < 0.0:
            plane = Plane.from_normal(anatomy.ring_center, -normal, anatomy.toward_aorta)
        return plane

    def blood(self, plane: Plane, half_width: float, pool: str = "outflow_blood") -> Any:
        """Shapely geometry, in (u, v) of `plane`, of a pool of blood (or of muscle) within `half_width` mm."""
        axis = np.arange(-half_width, half_width + GRID_MM / 2, GRID_MM)
        u, v = np.meshgrid(axis, axis)
        points = plane.point + u[..., None] * plane.u + v[..., None] * plane.v
        depth = -getattr(chambers_at(self.heart, self.heart.to_local(points)), pool)
        depth[0, :] = depth[-1, :] = depth[:, 0] = depth[:, -1] = -1.0  # closes what runs out of the drawing
        lines = contourpy.contour_generator(axis, axis, depth).lines(0.0)
        shape: Any = shapely.Polygon()
        for line in lines:
            if len(line) > 3:  # rings within rings are holes
                shape = shape.symmetric_difference(shapely.Polygon(line).buffer(0.0))
        return shape

    def section(self, station: float) -> tuple[Plane, Any, Any]:
        """Plane at a station, u towards the aorta's side; blood of the lumen on the aortic side, and device in it."""
        plane = self.path.plane(station, self.anatomy.toward_aorta)
        lumen = self.blood(plane, SECTION_HALF_WIDTH_MM)
        reach = 4.0 * SECTION_HALF_WIDTH_MM
        # aortic side: beyond the plane through the device axis at right angles to the direction to the aorta
        edge = float((self.solid.axis_point - plane.point) @ self.anatomy.toward_aorta)
        slope = float(plane.u @ self.anatomy.toward_aorta)
        half = shapely.box(edge / slope, -reach, reach, reach)
        return plane, lumen.intersection(half), self.solid.outline(plane)

    def areas(self) -> tuple[FloatArray, FloatArray]:
        """Areas (mm2) of native and residual section at STATIONS."""
        native, left = [], []
        for station in STATIONS:
            _, lumen, device = self.section(float(station))
            native.append(lumen.area)
            left.append(lumen.difference(device).area)
        return np.array(native), np.array(left)

    def smallest(self) -> float:
        """Station of the smallest residual section, to the step of STATIONS; a figure needs no more."""
        return float(STATIONS[int(np.argmin(self.areas()[1]))])


@cache
def specimen() -> Specimen:
    """The heart of all figures."""
    heart = HeartPhase(heart_case(CASE), PHASE_PCT)
    anatomy = build_anatomy(true_landmarks(heart))
    planned = plans_of(CASE)[0]
    made = next(device for device in DEVICES if device.device_id == planned.device_id)
    device = Device(made.device_id, made.nominal_diameter, made.height, *made.covered, profile=made.profile)
    plan = Plan(planned.plan_id, device, planned.depth)
    solid = build_solid("full_frame", plan, None, anatomy)
    return Specimen(heart, anatomy, plan, solid, reader_path(anatomy.structure("outflow_path"), anatomy))
