"""How findings in the image answer to redrawn landmarks, without looking again for every draw.

All points LPS, mm, float64. A redrawn reading moves the aortic and the ring plane by a millimetre and a few
degrees; to that, outlines and volumes answer linearly. The annulus outline is looked up in three slightly moved
planes and carried from there; the ventricle's volume changes by the slices at its two planes; the septum is looked
up anew in each draw, which takes no longer.
"""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from outflow_geometry.base.contours import Contour, closed_contour
from outflow_geometry.base.errors import GeometryError, tried_once
from outflow_geometry.base.findings import Value
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.edges import low_pass_outline, plane_outline
from outflow_geometry.outflow.image_findings import PhaseFindings

RAYS = 72
"""Directions in which the annulus outline is carried: with 12 harmonics its radius is smooth over 5 degrees."""

SHIFT_STEP = 0.5
"""mm along the aortic normal: step of the finite difference, about the size of the redrawn shifts."""

TILT_STEP = math.tan(math.radians(2.0))
"""The same for the two tilts."""

CUBIC_MM_PER_ML = 1000.0
"""mm3 in 1 ml."""


@dataclass(frozen=True)
class AnnulusResponse:
    """The annulus outline in cylinder coordinates about the reading's aortic axis.

    plane : the reading's aortic plane, at its centre.
    angles, radii : (RAYS,) radians and mm; rates : (RAYS, 3) mm per mm of shift, and per unit of either tilt.
    """

    plane: Plane
    angles: FloatArray
    radii: FloatArray
    rates: FloatArray

    def outline(self, plane: Plane) -> FloatArray:
        """The outline (RAYS, 3), mm, on another plane near by."""
        base = self.plane
        upright = float(plane.normal @ base.normal)
        shift = float((plane.point - base.point) @ plane.normal) / upright
        tilt_u, tilt_v = float(plane.normal @ base.u) / upright, float(plane.normal @ base.v) / upright
        radii = self.radii + self.rates @ np.asarray([shift, tilt_u, tilt_v])
        x, y = radii * np.cos(self.angles), radii * np.sin(self.angles)
        height = shift - x * tilt_u - y * tilt_v
        result: FloatArray = base.lift(np.stack([x, y], axis=1)) + height[:, None] * base.normal
        return result


def annulus_response(findings: PhaseFindings) -> AnnulusResponse:
    """Look the outline up in the reading's aortic plane and in three moved ones; raises what the look-up raises."""
    base = findings.anatomy.aortic_plane
    angles = np.arange(RAYS) * 2.0 * math.pi / RAYS
    steps = np.diag([SHIFT_STEP, TILT_STEP, TILT_STEP])
    radii = _radii(findings, base, base, angles)
    rates = []
    for shift, tilt_u, tilt_v in steps:
        moved = Plane.from_normal(
            base.point + shift * base.normal, unit(base.normal + tilt_u * base.u + tilt_v * base.v), toward=base.u
        )
        rates.append((_radii(findings, moved, base, angles) - radii) / (shift + tilt_u + tilt_v))
    return AnnulusResponse(base, angles, radii, np.stack(rates, axis=1))


def _radii(findings: PhaseFindings, plane: Plane, base: Plane, angles: FloatArray) -> FloatArray:
    """Distance (n,), mm, of the outline on `plane` from the axis of `base`, seen along that axis."""
    lumen = findings.lumen
    radius = 1.6 * findings.anatomy.aortic_radius + 6.0
    outline = low_pass_outline(plane_outline(lumen, plane, radius))
    x, y = base.project(plane.lift(outline)).T
    turn = np.unwrap(np.arctan2(y, x))
    if turn[-1] < turn[0]:
        turn, x, y = turn[::-1], x[::-1], y[::-1]
    if np.any(np.diff(turn) <= 0.0):
        raise GeometryError("outline_open", "the blood edge on the aortic plane does not run around its centre once")
    length = np.hypot(x, y)
    around = CubicSpline(np.append(turn, turn[0] + 2.0 * math.pi), np.append(length, length[0]), bc_type="periodic")
    result: FloatArray = around(turn[0] + np.mod(angles - turn[0], 2.0 * math.pi))
    return result


@dataclass(frozen=True)
class ReadingResponses:
    """Responses of one reading's findings, each worked out on first use."""

    findings: PhaseFindings
    _found: dict[Hashable, object] = field(default_factory=dict)

    @property
    def annulus(self) -> AnnulusResponse:
        """Response of the annulus outline."""
        return tried_once(self._found, "annulus", lambda: annulus_response(self.findings))


@dataclass(frozen=True)
class RedrawnFindings:
    """Findings as they would be with the landmarks of `anatomy`."""

    responses: ReadingResponses
    anatomy: Anatomy

    def lumen_status(self) -> str:
        """Status of the reading's own lumen."""
        return self.responses.findings.lumen_status()

    def aortic_contour(self) -> Contour:
        """The carried annulus outline on the redrawn aortic plane."""
        plane = self.anatomy.aortic_plane
        return closed_contour(self.responses.annulus.outline(plane), plane, check=False)

    def ring_inner_diameter(self, variant: str) -> Value:
        """Not known to depend on where exactly the reader put the ring."""
        raise GeometryError("not_redrawn", "the ring's edges are found in the image around the reader's ring")

    def annulus_noise(self, length: float) -> float:
        """Asked of the reading itself only."""
        raise GeometryError("not_redrawn", "the noise of the image is the same for all draws")

    def septal_thickness(self) -> float:
        """Septal thickness, mm, looked up with the redrawn landmarks."""
        return self.responses.findings.septal_thickness_of(self.anatomy)

    def lv_volume(self) -> Value:
        """The volume, ml, less the slice between old and new ring plane, plus that between the aortic planes."""
        old, new = self.responses.findings.anatomy, self.anatomy
        found = self.responses.findings.lv_volume()
        value = found[0] if isinstance(found, tuple) else found
        ring = float((new.ring_center - old.ring_center) @ old.ring_plane.normal) * old.ring_contour.area
        aorta = (
            float((new.aortic_center - old.aortic_center) @ old.aortic_plane.normal) * math.pi * old.aortic_radius**2
        )
        return value + (aorta - ring) / CUBIC_MM_PER_ML
