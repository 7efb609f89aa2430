"""Measures of the aortic annulus, and the angle between the aortic and mitral planes.

All points LPS, mm, float64; angles in degrees, always under the name of their definition.
"""

from __future__ import annotations

import math

import numpy as np

from outflow_geometry.base.contours import Contour
from outflow_geometry.base.planes import angle_between
from outflow_geometry.landmarks.anatomy import Anatomy

JAGGED_RATIO = 1.25
"""P^2 / (4 pi A) above which an annulus outline is jagged and its perimeter inflated (an ellipse of axes 2:1 has
1.19; by calculation, common practice)."""

SIDEWAYS_AZIMUTH = 90.0
"""degrees between the ways to the ring's aortic side and to the inflow axis, seen along the aortic normal; beyond
this the inflow axis leans away from the outflow tract: swapped or flipped planes, or a very unusual heart."""


def opening_angle(anatomy: Anatomy) -> float:
    """Angle between the downstream normals, 180 = coplanar valves: arccos(n_a . n_m), degrees.

    Raises `missing_lv_apex` (side of the ventricle unknown) and what the planes raise.
    """
    anatomy.require_orientation()
    return angle_between(anatomy.aortic_plane.normal, anatomy.ring_plane.normal)


def opening_angle_three_chamber(anatomy: Anatomy) -> float:
    """The opening angle after both normals are projected on the three-chamber plane, degrees."""
    anatomy.require_orientation()
    across = anatomy.three_chamber.normal
    flat = [n - (n @ across) * across for n in (anatomy.aortic_plane.normal, anatomy.ring_plane.normal)]
    return angle_between(flat[0], flat[1])


def axis_angle(anatomy: Anatomy) -> float:
    """Acute angle between inflow axis and outflow axis: 180 degrees minus the opening angle."""
    return 180.0 - opening_angle(anatomy)


def inflow_azimuth(anatomy: Anatomy) -> float:
    """Angle, degrees, between the way from ring to aortic centre and the ring normal, both seen along n_a."""
    normal = anatomy.aortic_plane.normal
    flat = [d - (d @ normal) * normal for d in (anatomy.aortic_center - anatomy.ring_center, anatomy.ring_plane.normal)]
    if min(float(np.linalg.norm(d)) for d in flat) < 1e-6:
        return 0.0
    return angle_between(flat[0], flat[1])


def angle_status(anatomy: Anatomy) -> str:
    """`ok`, `hinge_triangle_ill_posed`, or `inflow_leans_away` (the number holds, its landmarks need a look)."""
    if anatomy.aortic_status != "ok":
        return anatomy.aortic_status
    return "inflow_leans_away" if inflow_azimuth(anatomy) > SIDEWAYS_AZIMUTH else "ok"


def annulus_status(anatomy: Anatomy, contour: Contour) -> str:
    """`ok`, `hinge_triangle_ill_posed`, or `contour_jagged` where P^2/(4 pi A) exceeds 1.25."""
    if anatomy.aortic_status != "ok":
        return anatomy.aortic_status
    return "contour_jagged" if contour.perimeter**2 / (4.0 * math.pi * contour.area) > JAGGED_RATIO else "ok"
