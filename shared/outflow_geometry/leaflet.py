"""Anterior leaflet and septum: leaflet length, septal thickness, distance from ring to septum.

All points LPS, mm, float64.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline
from scipy.ndimage import map_coordinates

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.contours import gauss_nodes
from outflow_geometry.errors import GeometryError
from outflow_geometry.frames import FloatArray, Plane, Volume
from outflow_geometry.planes import checked_points, least_squares_plane

BASAL_DEPTH = 20.0
"""mm upstream of the aortic plane: the basal septum, where thickness bears on the outflow tract."""

CONE_HALF_ANGLE = 20.0
"""degrees about the septum's mean normal within which the perpendicular of a curved septum is looked for."""

RAY_STEP = 0.25
"""mm between samples of a ray: half the smallest voxel, so that linear interpolation sees each one."""

INTO_BLOOD = 8.0
"""mm from the landmark back into the left ventricle: readers miss the edge by less."""

THICKEST_SEPTUM = 40.0
"""mm; beyond this a second edge is not the septum's (from memory: the thickest septa reach about this)."""


def curve_length(points: ArrayLike, structure: str = "curve") -> float:
    """Length, mm, of the cubic spline (chord-length parameter, not-a-knot ends) through `points` (n >= 2, 3), mm.

    Two points give the straight distance. Raises GeometryError `too_few_points`, `bad_points`, `repeated_points`.
    """
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
    """Length of the anterior leaflet along its curve from base to tip, mm."""
    return curve_length(anatomy.structure("anterior_leaflet"), "anterior_leaflet")


def septum_plane(anatomy: Anatomy) -> Plane:
    """Least-squares plane of the septum's points, normal away from the ring centre (toward the right ventricle)."""
    plane = least_squares_plane(anatomy.structure("septum"), "septum")
    if float(plane.height(anatomy.ring_center)) > 0.0:
        return Plane(plane.point, -plane.normal, plane.u, -plane.v)
    return plane


def ring_septum_distance(anatomy: Anatomy) -> float:
    """Smallest distance from the ring contour to the septum's plane, mm.

    Raises `septum_crosses_ring` where the plane of the septum's points cuts the ring.
    """
    heights = -septum_plane(anatomy).height(anatomy.ring_contour.outline)
    if float(heights.min()) < 0.0:
        raise GeometryError("septum_crosses_ring", "the septum's plane cuts the ring; check the septum landmarks")
    return float(heights.min())


def _cone(normal: FloatArray) -> FloatArray:
    """Unit directions (19, 3): the normal, and two rings at half and full cone angle about it."""
    plane = Plane.from_normal(np.zeros(3), normal)
    directions = [plane.normal]
    for share, count in ((0.5, 6), (1.0, 12)):
        tilt = math.radians(share * CONE_HALF_ANGLE)
        for turn in np.arange(count) * 2.0 * math.pi / count:
            aside = math.cos(turn) * plane.u + math.sin(turn) * plane.v
            directions.append(math.cos(tilt) * plane.normal + math.sin(tilt) * aside)
    return np.stack(directions)


def septal_thickness(anatomy: Anatomy, volume: Volume, threshold: float) -> float:
    """Largest thickness of the basal septum, mm.

    From each septum point within 20 mm upstream of the aortic plane: the shortest way, within 20 degrees of the
    septum's mean normal, from the left ventricular blood edge to the blood beyond; the largest of these. Edges lie
    where the image passes `threshold` (HU, half-way between blood and muscle), linear between samples.

    Raises `septum_not_basal` (no point there), `no_right_ventricular_edge` (no blood beyond, e.g. no contrast in
    the right heart), and what the planes raise.
    """
    points = anatomy.structure("septum")
    depth = -anatomy.aortic_plane.height(points)
    basal = points[(depth >= 0.0) & (depth <= BASAL_DEPTH)]
    if not len(basal):
        raise GeometryError(
            "septum_not_basal", f"no septum point lies within {BASAL_DEPTH:g} mm upstream of the aortic plane; add some"
        )
    directions = _cone(septum_plane(anatomy).normal)
    along = np.arange(-INTO_BLOOD, THICKEST_SEPTUM + INTO_BLOOD, RAY_STEP)
    rays = basal[:, None, None, :] + along[:, None] * directions[:, None, :]
    values = map_coordinates(
        volume.values, np.moveaxis(volume.to_index(rays), -1, 0), output=np.float64, order=1, mode="nearest"
    )
    excess = values - threshold
    thickness = [min(map(_wall_along, point, [along] * len(directions))) for point in excess]
    found = [t for t in thickness if t <= THICKEST_SEPTUM]
    if not found:
        raise GeometryError(
            "no_right_ventricular_edge", "no blood edge beyond the septum; the right heart may hold no contrast"
        )
    return max(found)


def _wall_along(excess: FloatArray, along: FloatArray) -> float:
    """Distance, mm, between the blood-to-muscle edge nearest 0 and the next muscle-to-blood edge; inf if none."""
    falls = np.flatnonzero((excess[:-1] > 0.0) & (excess[1:] <= 0.0))
    if not len(falls):
        return math.inf
    start = int(falls[np.argmin(np.abs(along[falls]))])
    rises = np.flatnonzero((excess[:-1] <= 0.0) & (excess[1:] > 0.0))
    rises = rises[rises > start]
    if not len(rises):
        return math.inf
    return _edge(excess, along, int(rises[0])) - _edge(excess, along, start)


def _edge(excess: FloatArray, along: FloatArray, index: int) -> float:
    share = excess[index] / (excess[index] - excess[index + 1])
    return float(along[index] + share * (along[index + 1] - along[index]))
