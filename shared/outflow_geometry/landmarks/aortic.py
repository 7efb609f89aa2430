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

    The ring is level, the aortic plane is tilted with slope 3 in 4: 180 degrees less atan(3 / 4):

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(opening_angle(heart), 2)
    143.13
    """
    anatomy.require_orientation()
    return angle_between(anatomy.aortic_plane.normal, anatomy.ring_plane.normal)


def opening_angle_three_chamber(anatomy: Anatomy) -> float:
    """The opening angle after both normals are projected on the three-chamber plane, degrees.

    The aortic plane is tilted within the three-chamber plane, so the angle is `opening_angle`:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(opening_angle_three_chamber(heart), 2)
    143.13
    """
    anatomy.require_orientation()
    across = anatomy.three_chamber.normal
    flat = [n - (n @ across) * across for n in (anatomy.aortic_plane.normal, anatomy.ring_plane.normal)]
    return angle_between(flat[0], flat[1])


def axis_angle(anatomy: Anatomy) -> float:
    """Acute angle between inflow axis and outflow axis: 180 degrees minus the opening angle.

    The slope of the aortic plane over the ring, atan(3 / 4):

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(axis_angle(heart), 2)
    36.87
    """
    return 180.0 - opening_angle(anatomy)


def inflow_azimuth(anatomy: Anatomy) -> float:
    """Angle, degrees, between the way from ring to aortic centre and the ring normal, both seen along n_a.

    The aortic plane leans toward the ring's aortic side:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(inflow_azimuth(heart), 2), angle_status(heart)
    (0.0, 'ok')
    """
    normal = anatomy.aortic_plane.normal
    flat = [d - (d @ normal) * normal for d in (anatomy.aortic_center - anatomy.ring_center, anatomy.ring_plane.normal)]
    if min(float(np.linalg.norm(d)) for d in flat) < 1e-6:
        return 0.0
    return angle_between(flat[0], flat[1])


def angle_status(anatomy: Anatomy) -> str:
    """`ok`, `hinge_triangle_ill_posed`, or `inflow_leans_away` (the number holds, its landmarks need a look).

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> angle_status(heart)
    'ok'
    """
    if anatomy.aortic_status != "ok":
        return anatomy.aortic_status
    return "inflow_leans_away" if inflow_azimuth(anatomy) > SIDEWAYS_AZIMUTH else "ok"


def annulus_status(anatomy: Anatomy, contour: Contour) -> str:
    """`ok`, `hinge_triangle_ill_posed`, or `contour_jagged` where P^2/(4 pi A) exceeds 1.25."""
    if anatomy.aortic_status != "ok":
        return anatomy.aortic_status
    return "contour_jagged" if contour.perimeter**2 / (4.0 * math.pi * contour.area) > JAGGED_RATIO else "ok"
