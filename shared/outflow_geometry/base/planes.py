"""Planes through landmarks and the angles between them.

All points LPS, mm, float64; angles in degrees.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit

COLLINEAR_RATIO = 0.01
"""Second over first singular value below which points are on a line: no ring or hinge triangle is 100 times
longer than wide, and beyond that the normal turns by degrees for a landmark moved by 0.1 mm."""

HINGE_ANGLE_MIN = 20.0
"""degrees; a hinge triangle with a smaller angle leaves the aortic plane ill-posed (common practice, no source)."""

HINGE_SIDE_MIN = 8.0
"""mm; the same for a shorter side (common practice, no source)."""


def checked_points(points: ArrayLike, structure: str, least: int) -> FloatArray:
    """Return `points` as an (n, 3) float64 array with at least `least` rows.

    Raises GeometryError `bad_points` (not (n, 3), or not finite) or `too_few_points`.

    >>> checked_points([[0, 0, 0], [1, 0, 0], [0, 1, 0]], "mitral_ring", 3).dtype.name
    'float64'
    >>> try:
    ...     checked_points([[0, 0, 0]], "mitral_ring", 3)
    ... except GeometryError as error:
    ...     print(error.code)
    too_few_points
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3 or not np.all(np.isfinite(array)):
        raise GeometryError(
            "bad_points",
            f"{structure} has shape {array.shape}; rows of three finite coordinates in mm are needed",
        )
    if len(array) < least:
        raise GeometryError(
            "too_few_points", f"{structure} has {len(array)} points; {least} are needed; add the missing landmarks"
        )
    return array


def least_squares_plane(points: ArrayLike, structure: str = "points") -> Plane:
    """Plane of least squared distance to `points` (n >= 3, 3), mm, through their mean; its normal may point either way.

    Source: orthogonal regression, the right singular vector of the smallest singular value of the centred
    points (Golub & Van Loan, Matrix Computations, section 6.3: total least squares).
    Raises GeometryError `too_few_points`, `bad_points`, `collinear_points`.

    >>> plane = least_squares_plane([[0, 0, 5], [10, 0, 5], [10, 10, 5], [0, 10, 5]])
    >>> plane.point.tolist(), abs(plane.normal).round(6).tolist()
    ([5.0, 5.0, 5.0], [0.0, 0.0, 1.0])
    """
    array = checked_points(points, structure, 3)
    center = array.mean(axis=0)
    _, singular, axes = np.linalg.svd(array - center, full_matrices=False)
    if singular[1] <= COLLINEAR_RATIO * singular[0] or singular[0] == 0.0:
        raise GeometryError(
            "collinear_points",
            f"{structure}: {len(array)} points are on a line (widths {singular[0]:.3g} and {singular[1]:.3g} mm); "
            "a plane needs points around it; correct the landmarks",
        )
    return Plane.from_normal(center, axes[2], toward=axes[0])


def flipped(plane: Plane) -> Plane:
    """The same plane with the opposite normal (v turns over, so u x v = normal still holds).

    >>> flipped(Plane.from_normal([0, 0, 0], [0, 0, 1])).normal.tolist()[2]
    -1.0
    """
    return Plane(plane.point, -plane.normal, plane.u, -plane.v)


def facing(plane: Plane, point: ArrayLike) -> Plane:
    """The plane with its normal toward the side of `point` (3,), mm.

    >>> float(facing(Plane.from_normal([0, 0, 0], [0, 0, 1]), [0, 0, -80]).normal[2])
    -1.0
    """
    return plane if float(plane.height(point)) >= 0.0 else flipped(plane)


def plane_through(first: ArrayLike, second: ArrayLike, third: ArrayLike, name: str) -> Plane:
    """Plane through three points (3,), mm, u from first to second; `collinear_points` where they are on one line.

    >>> plane_through([0, 0, 5], [10, 0, 5], [0, 10, 5], "plane").normal.round(6).tolist()
    [0.0, 0.0, 1.0]
    """
    a, b, c = (np.asarray(p, dtype=np.float64) for p in (first, second, third))
    normal = np.cross(b - a, c - a)
    longest = max(float(np.linalg.norm(b - a)), float(np.linalg.norm(c - a)), float(np.linalg.norm(c - b)))
    # the cross product is twice the triangle's area: longest side times height
    if np.linalg.norm(normal) <= COLLINEAR_RATIO * longest**2:
        raise GeometryError("collinear_points", f"{name}: its three points are on a line; correct the landmarks")
    return Plane.from_normal(a, normal, toward=b - a)


def angle_between(first: ArrayLike, second: ArrayLike) -> float:
    """Angle between two directions (3,), 0 to 180 degrees; accurate near both ends too.

    Source: Kahan, "How futile are mindless assessments of roundoff", section 12: 2 atan2(|a - b|, |a + b|).

    >>> round(angle_between([1, 0, 0], [1, 1, 0]), 6)
    45.0
    """
    a, b = unit(first), unit(second)
    return math.degrees(2.0 * math.atan2(float(np.linalg.norm(a - b)), float(np.linalg.norm(a + b))))


def triangle_angles_and_sides(corners: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Angles (3,), degrees, at the corners (3, 3), mm, and the sides (3,), mm, opposite to them.

    A right triangle with sides 3, 4 and 5:

    >>> angles, sides = triangle_angles_and_sides([[0, 0, 0], [3, 0, 0], [0, 4, 0]])
    >>> angles.round(2).tolist(), sides.round(6).tolist()
    ([90.0, 53.13, 36.87], [5.0, 4.0, 3.0])
    """
    p = np.asarray(corners, dtype=np.float64)
    sides = np.asarray([np.linalg.norm(p[(i + 1) % 3] - p[(i + 2) % 3]) for i in range(3)])
    if np.any(sides == 0.0):
        return np.zeros(3), sides
    angles = np.asarray([angle_between(p[(i + 1) % 3] - p[i], p[(i + 2) % 3] - p[i]) for i in range(3)])
    return angles, sides


def hinge_triangle_status(hinges: ArrayLike) -> str:
    """`ok`, or `hinge_triangle_ill_posed` where an angle is below 20 degrees or a side below 8 mm.

    >>> hinge_triangle_status([[10, 0, 0], [-10, 0, 0], [0, 15, 0]])
    'ok'
    >>> hinge_triangle_status([[10, 0, 0], [-10, 0, 0], [0, 1, 0]])
    'hinge_triangle_ill_posed'
    """
    angles, sides = triangle_angles_and_sides(hinges)
    if angles.min() < HINGE_ANGLE_MIN or sides.min() < HINGE_SIDE_MIN:
        return "hinge_triangle_ill_posed"
    return "ok"
