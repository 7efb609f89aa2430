"""Measures of the mitral ring: areas, perimeters, diameters, D-shape, departure from its plane.

All points LPS, mm, float64; areas mm2. Each function takes the anatomy of one reading and returns one number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.contours import circle_fit, polygon_area, polygon_perimeter
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.landmarks.anatomy import TRIGONES, Anatomy

TRIGONE_REACH = 10.0
"""mm; a trigone farther than this from the ring contour is not one of its points but a wrong landmark."""

FEWEST_SPLINE_POINTS = 6
"""Below this a periodic cubic spline misses an ellipse's area by more than 0.2 % (3 points: 12 %)."""


PLANE_POINTS = 3
"""Points that set a plane with none left over."""


@dataclass(frozen=True)
class DShape:
    """The ring contour cut at the trigones and closed by the straight line between them.

    flat : (n, 2) outline in the ring plane, mm; its last and first points are the two cuts.
    """

    flat: FloatArray

    @property
    def area(self) -> float:
        """Enclosed projected area, mm2."""
        return abs(polygon_area(self.flat))

    @property
    def perimeter(self) -> float:
        """Length of the projected outline with the straight side, mm."""
        return polygon_perimeter(self.flat)


def ring_status(anatomy: Anatomy) -> str:
    """`ok`, or `few_ring_points` where the spline through so few points falls inside a smooth ring.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> ring_status(build_anatomy({"mitral_ring": ring}))
    'ok'
    """
    return "ok" if len(anatomy.ring_contour.points) >= FEWEST_SPLINE_POINTS else "few_ring_points"


def ring_plane_status(anatomy: Anatomy) -> str:
    """`ok`, or `few_ring_points` where no point is left to show how far the ring plane is off.

    Three points fit any plane exactly; of a saddle 2 mm high they miss the true one by up to 4 degrees.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians([0, 120, 240])
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> ring_plane_status(build_anatomy({"mitral_ring": ring}))
    'few_ring_points'
    """
    return "ok" if len(anatomy.ring_contour.points) > PLANE_POINTS else "few_ring_points"


def trigones(anatomy: Anatomy) -> FloatArray:
    """The two trigones (2, 3), mm; raises `missing_trigone_left` or `missing_trigone_right`.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> heart = build_anatomy({"trigone_left": [15, 0, 0], "trigone_right": [-15, 0, 0]})
    >>> trigones(heart).tolist()
    [[15.0, 0.0, 0.0], [-15.0, 0.0, 0.0]]
    """
    return np.stack([anatomy.structure(name).mean(axis=0) for name in TRIGONES])


def d_shape(anatomy: Anatomy) -> DShape:
    """D-shaped contour: cut where the ring contour passes nearest to each trigone, anterior part left out.

    The anterior part is the one reaching farther toward the aorta; where the reading has no aortic plane, the
    shorter one. Source: truncation at the trigones, Abdelghani 2017, Eur Heart J Cardiovasc Imaging 18:697.
    Raises `missing_trigone_left`, `missing_trigone_right`, `trigones_off_ring`, `trigones_coincide`.

    A circle of radius 15 mm cut at its diameter leaves pi 15^2 / 2 = 353.4 mm2:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> trigones = {"trigone_left": [15, 0, 0], "trigone_right": [-15, 0, 0]}
    >>> heart = build_anatomy({"mitral_ring": ring, "aortic_ring": [[10, -34, -3], [-10, -34, -3], [0, -22, 6]],
    ...                        "lv_apex": [0, 0, -80], **trigones})
    >>> round(d_shape(heart).area)
    353
    """
    contour = anatomy.ring_contour
    outline = contour.flat
    count = len(outline)
    cuts: list[float] = []
    for trigone in contour.plane.project(trigones(anatomy)):
        position, distance = _nearest_on_outline(outline, trigone)
        if distance > TRIGONE_REACH:
            raise GeometryError(
                "trigones_off_ring",
                f"a trigone is {distance:.1f} mm from the ring contour; at most {TRIGONE_REACH:g} mm is taken as "
                "on the ring; correct the landmark",
            )
        cuts.append(position)
    first, second = sorted(cuts)
    if second - first < 1.0 or count - (second - first) < 1.0:
        raise GeometryError("trigones_coincide", "both trigones cut the ring at one place; correct the landmarks")
    one = _between(outline, first, second)
    other = _between(outline, second, first + count)
    if anatomy.has_aorta:
        toward = np.asarray([anatomy.toward_aorta @ contour.plane.u, anatomy.toward_aorta @ contour.plane.v])
        posterior = one if float((one @ toward).max()) < float((other @ toward).max()) else other
    else:
        posterior = one if second - first > count / 2.0 else other
    return DShape(posterior)


def _nearest_on_outline(outline: FloatArray, point: FloatArray) -> tuple[float, float]:
    """Fractional index on the closed outline nearest to `point`, and the distance, mm."""
    edge = np.roll(outline, -1, axis=0) - outline
    share = np.clip(np.sum((point - outline) * edge, axis=1) / np.sum(edge**2, axis=1), 0.0, 1.0)
    distance = np.linalg.norm(outline + share[:, None] * edge - point, axis=1)
    best = int(np.argmin(distance))
    return best + float(share[best]), float(distance[best])


def _between(outline: FloatArray, start: float, end: float) -> FloatArray:
    """Outline from fractional index `start` to `end` (> start, may run past the end), both ends included."""
    count = len(outline)
    whole = np.arange(math.floor(start) + 1, math.ceil(end))
    positions = np.concatenate([[start], whole, [end]])
    low = np.floor(positions).astype(int)
    share = (positions - low)[:, None]
    result: FloatArray = (1.0 - share) * outline[low % count] + share * outline[(low + 1) % count]
    return result


def intertrigonal_distance(anatomy: Anatomy) -> float:
    """Distance between the trigones in space, mm.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> heart = build_anatomy({"trigone_left": [15, 0, 0], "trigone_right": [-15, 0, 0]})
    >>> intertrigonal_distance(heart)
    30.0
    """
    left, right = trigones(anatomy)
    return float(np.linalg.norm(left - right))


def septal_lateral_diameter(anatomy: Anatomy) -> float:
    """Chord of the ring contour in the three-chamber plane through the ring centre, mm.

    An elliptic ring with semi-axes 18 and 14 mm, the shorter one toward the aorta:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(septal_lateral_diameter(heart), 1)
    28.0
    """
    return anatomy.ring_contour.chord(anatomy.septal_lateral_direction)


def intercommissural_diameter(anatomy: Anatomy) -> float:
    """Chord of the ring contour through the ring centre at right angles to the septal-lateral one, mm.

    An elliptic ring with semi-axes 18 and 14 mm, the shorter one toward the aorta:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> round(intercommissural_diameter(heart), 1)
    36.0
    """
    return anatomy.ring_contour.chord(np.cross(anatomy.ring_plane.normal, anatomy.septal_lateral_direction))


def circle_fit_diameter(anatomy: Anatomy) -> float:
    """Diameter of the circle fitted to the ring's points on the ring plane, mm; exact with three points.

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 0 * t], axis=1)
    >>> round(circle_fit_diameter(build_anatomy({"mitral_ring": ring})), 6)
    30.0
    """
    contour = anatomy.ring_contour
    return 2.0 * circle_fit(contour.plane.project(contour.points))[1]


def area_diameter(area: float) -> float:
    """Diameter of the circle of `area` mm2, mm: 2 sqrt(A / pi).

    >>> round(area_diameter(math.pi * 15.0**2), 6)
    30.0
    """
    return 2.0 * math.sqrt(area / math.pi)


def perimeter_diameter(perimeter: float) -> float:
    """Diameter of the circle of `perimeter` mm, mm: P / pi.

    >>> round(perimeter_diameter(30.0 * math.pi), 6)
    30.0
    """
    return perimeter / math.pi


def eccentricity(longest: float, shortest: float) -> float:
    """1 - D_min / D_max (Blanke 2014, J Cardiovasc Comput Tomogr 8:67).

    >>> eccentricity(40.0, 30.0)
    0.25
    """
    return 1.0 - shortest / longest


def nonplanarity_rms(anatomy: Anatomy) -> float:
    """Root mean square distance of the ring's points from the ring plane, mm.

    A saddle with heights 2 cos 2t, so the root of 2:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 2 * np.cos(2 * t)], axis=1)
    >>> heart = build_anatomy({"mitral_ring": ring})
    >>> round(nonplanarity_rms(heart), 3)
    1.414
    """
    return float(np.sqrt(np.mean(_heights(anatomy) ** 2)))


def nonplanarity_range(anatomy: Anatomy) -> float:
    """Range of the signed distances of the ring's points from the ring plane (annular height), mm.

    A saddle with heights 2 cos 2t, from -2 to 2 mm:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([15 * np.cos(t), 15 * np.sin(t), 2 * np.cos(2 * t)], axis=1)
    >>> heart = build_anatomy({"mitral_ring": ring})
    >>> round(nonplanarity_range(heart), 3)
    4.0
    """
    return float(np.ptp(_heights(anatomy)))


def _heights(anatomy: Anatomy) -> FloatArray:
    return anatomy.ring_contour.plane.height(anatomy.ring_contour.points)
