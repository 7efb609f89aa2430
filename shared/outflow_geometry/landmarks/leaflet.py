"""Anterior leaflet and septum: leaflet length, distance from ring to septum.

All points LPS, mm, float64.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from outflow_geometry.base.contours import gauss_nodes
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Plane
from outflow_geometry.base.planes import checked_points, least_squares_plane
from outflow_geometry.landmarks.anatomy import Anatomy


def curve_length(points: ArrayLike, structure: str = "curve") -> float:
    """Length, mm, of the cubic spline (chord-length parameter, not-a-knot ends) through `points` (n >= 2, 3), mm.

    Two points give the straight distance. Raises GeometryError `too_few_points`, `bad_points`, `repeated_points`.

    A quarter circle of radius 20 mm, 10 pi long:

    >>> t = np.radians(np.arange(0, 91, 10))
    >>> round(curve_length(np.stack([20 * np.cos(t), 20 * np.sin(t), 0 * t], axis=1)), 2)
    31.42
    """
    from scipy.interpolate import CubicSpline  # on first use: whoever only lists the measures needs no scipy

    array = checked_points(points, structure, 2)
    steps = np.linalg.norm(np.diff(array, axis=0), axis=1)
    if np.any(steps <= 0.0):
        raise GeometryError("repeated_points", f"{structure} has one point twice in a row; remove the repeat")
    knots = np.concatenate([[0.0], np.cumsum(steps)])
    if len(array) == 2:
        return float(knots[-1])
    nodes, weights = gauss_nodes(knots)
    return float(weights @ np.linalg.norm(CubicSpline(knots, array)(nodes, 1), axis=1))


def leaflet_length(anatomy: Anatomy) -> float:
    """Length of the anterior leaflet along its curve from base to tip, mm.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> round(leaflet_length(build_anatomy({"anterior_leaflet": [[0, 0, 0], [0, 0, -12], [0, 0, -24]]})), 6)
    24.0
    """
    return curve_length(anatomy.structure("anterior_leaflet"), "anterior_leaflet")


def septum_plane(anatomy: Anatomy) -> Plane:
    """Least-squares plane of the septum's points, normal away from the ring centre (toward the right ventricle).

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> septum = [[0, -25, 0], [10, -25, 0], [0, -25, -30]]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], "septum": septum})
    >>> (septum_plane(heart).normal.round(6) + 0.0).tolist()
    [0.0, -1.0, 0.0]
    """
    plane = least_squares_plane(anatomy.structure("septum"), "septum")
    if float(plane.height(anatomy.ring_center)) > 0.0:
        return Plane(plane.point, -plane.normal, plane.u, -plane.v)
    return plane


def ring_septum_distance(anatomy: Anatomy) -> float:
    """Smallest distance from the ring contour to the septum's plane, mm.

    Raises `septum_crosses_ring` where the plane of the septum's points cuts the ring.

    A ring of radius 15 mm, the septum 25 mm from its centre:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> septum = [[0, -25, 0], [10, -25, 0], [0, -25, -30]]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], "septum": septum})
    >>> round(ring_septum_distance(heart), 2)
    10.0
    """
    heights = -septum_plane(anatomy).height(anatomy.ring_contour.outline)
    if float(heights.min()) < 0.0:
        raise GeometryError("septum_crosses_ring", "the septum's plane cuts the ring; check the septum landmarks")
    return float(heights.min())
