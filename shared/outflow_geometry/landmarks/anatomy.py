"""Ring, aortic annulus, apex and the planes between them, from the landmarks of one reading.

All points LPS, mm, float64. Normals point downstream: ring normal from atrium into ventricle, aortic normal
from ventricle into aorta. Everything is worked out on first use, so that a reading without hinges still has a
ring, and a reading without ring still has an aortic plane; what is missing raises GeometryError.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.base.contours import Contour, angularly_sorted, circle_fit, closed_contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.planes import (
    checked_points,
    facing,
    flipped,
    hinge_triangle_status,
    least_squares_plane,
    plane_through,
)

HINGES = ("aortic_hinge_right", "aortic_hinge_left", "aortic_hinge_non")
TRIGONES = ("trigone_left", "trigone_right")

LEAST_POINTS: Mapping[str, int] = {
    "mitral_ring": 3,
    "trigone_left": 1,
    "trigone_right": 1,
    "aortic_hinge_left": 1,
    "aortic_hinge_right": 1,
    "aortic_hinge_non": 1,
    "aortic_ring": 3,
    "aortic_contour": 6,
    "lv_apex": 1,
    "post_tip": 3,
    "septum": 3,
    "anterior_leaflet": 2,
    "outflow_path": 2,
    "outflow_trace": 6,
    "blood_sample": 1,
    "muscle_sample": 1,
}
"""Structures of the study contract and the least points of each."""

SHORTEST_CURTAIN = 0.1
"""mm; below this ring and annulus touch, and the curtain plane has no direction of its own."""

CURTAIN_SIDE_PROBE = 10.0
"""mm above the ring centre: a point surely in the atrium. From there to the aortic centre the curtain is crossed
towards the outflow side, whether the valves are coplanar or the aorta leans far over."""


@dataclass(frozen=True)
class Anatomy:
    """The frame of one reading; see `build_anatomy`.

    landmarks : (n, 3) arrays by structure, mm.
    checked : whether rings are refused that run around twice or cross over (off for redrawn landmarks).
    """

    landmarks: Mapping[str, FloatArray]
    checked: bool = True

    def structure(self, name: str) -> FloatArray:
        """Points (n, 3), mm, of a structure; raises `missing_<structure>`, `too_few_points`, `bad_points`."""
        if not self.has(name):
            raise GeometryError(f"missing_{name}", f"the reading has no {name}; add it to the landmarks")
        return checked_points(self.landmarks[name], name, LEAST_POINTS.get(name, 1))

    def has(self, *names: str) -> bool:
        """Whether the reading has points of every structure named."""
        return all(name in self.landmarks and len(self.landmarks[name]) > 0 for name in names)

    # ------------------------------------------------------------------ mitral ring
    @cached_property
    def ring_plane(self) -> Plane:
        """Least-squares plane through the ring's points, through the ring centre, normal from atrium to ventricle.

        Without `lv_apex` the normal is set against the aortic normal (coplanar valves open at 180 degrees), or left
        as it falls; see `oriented`.
        """
        contour = self.ring_contour
        return Plane(contour.center, contour.plane.normal, contour.plane.u, contour.plane.v)

    @cached_property
    def ring_contour(self) -> Contour:
        """Closed periodic cubic spline through the ring's points projected on the ring plane."""
        points = self.structure("mitral_ring")
        plane = least_squares_plane(points, "mitral_ring")
        if self.has("lv_apex"):
            plane = facing(plane, self.apex)
        elif self.has(*HINGES) and float(plane.normal @ self.aortic_plane.normal) > 0.0:
            plane = flipped(plane)
        return closed_contour(points, plane, "mitral_ring", check=self.checked)

    @property
    def ring_center(self) -> FloatArray:
        """Area centroid (3,) of the ring contour, mm."""
        return self.ring_plane.point

    @property
    def oriented(self) -> bool:
        """Whether the ring normal is known to point into the ventricle."""
        return self.has("lv_apex")

    def require_orientation(self) -> None:
        """Raise `missing_lv_apex` where the side of the ventricle is not known."""
        if not self.oriented:
            raise GeometryError(
                "missing_lv_apex", "without lv_apex the ring's ventricular side is not known; add the apex"
            )

    @cached_property
    def apex(self) -> FloatArray:
        """Apex of the left ventricle (3,), mm."""
        result: FloatArray = self.structure("lv_apex").mean(axis=0)
        return result

    # ------------------------------------------------------------------ aortic annulus
    @property
    def has_aorta(self) -> bool:
        """Whether the reading has the landmarks of an aortic plane."""
        return self.has(*HINGES) or self.has("aortic_ring")

    @cached_property
    def hinges(self) -> FloatArray:
        """Hinge points right, left, non-coronary (3, 3), mm."""
        return np.stack([self.structure(name).mean(axis=0) for name in HINGES])

    @cached_property
    def aortic_status(self) -> str:
        """`ok` or `hinge_triangle_ill_posed`."""
        return hinge_triangle_status(self.hinges) if self.has(*HINGES) else "ok"

    @cached_property
    def _raw_aortic_plane(self) -> Plane:
        plane = self._annulus_plane
        if not self.has(*HINGES) and not self.has("lv_apex"):
            raise GeometryError(
                "missing_lv_apex", "aortic_ring alone does not show which side is downstream; add lv_apex"
            )
        return plane

    @cached_property
    def _annulus_plane(self) -> Plane:
        """The aortic plane; its normal points downstream where hinges or apex show the side, else as it falls."""
        if self.has(*HINGES):
            right, left, non = self.hinges
            # right -> left -> non-coronary runs anticlockwise seen from the aorta, so this normal is downstream
            plane = plane_through(right, left, non, "aortic hinges")
            plane = Plane(self.hinges.mean(axis=0), plane.normal, plane.u, plane.v)
        elif self.has("aortic_ring"):
            plane = least_squares_plane(self.structure("aortic_ring"), "aortic_ring")
        else:
            raise GeometryError(
                "missing_aortic_hinges",
                "the aortic plane needs aortic_hinge_left, _right and _non, or aortic_ring; add them to the landmarks",
            )
        return flipped(facing(plane, self.apex)) if self.has("lv_apex") else plane

    @cached_property
    def aortic_plane(self) -> Plane:
        """Plane through the three hinges (or least squares through `aortic_ring`), normal downstream, at its centre."""
        plane = self._raw_aortic_plane
        if self.has("aortic_contour"):
            center = self.traced_aortic_contour.center
        elif self.has(*HINGES):
            center = plane.point
        else:
            ring = angularly_sorted(self.structure("aortic_ring"), plane)
            center = closed_contour(ring, plane, "aortic_ring", check=self.checked).center
        return Plane(center, plane.normal, plane.u, plane.v)

    @property
    def aortic_center(self) -> FloatArray:
        """Centroid (3,), mm: of `aortic_contour` where traced, else of the hinges, else of `aortic_ring`."""
        return self.aortic_plane.point

    @cached_property
    def traced_aortic_contour(self) -> Contour:
        """The reader's annulus outline, projected on the aortic plane."""
        points = self.structure("aortic_contour")
        return closed_contour(points, self._annulus_plane, "aortic_contour", check=self.checked)

    @cached_property
    def _aortic_circle(self) -> tuple[FloatArray, float]:
        plane = self._raw_aortic_plane
        if self.has("aortic_contour"):
            rim = self.traced_aortic_contour.points
        elif self.has(*HINGES):
            rim = self.hinges
        else:
            rim = self.structure("aortic_ring")
        if self.aortic_status != "ok" and len(rim) == 3:
            # three nearly aligned hinges have a huge circumcircle; their spread is the better guess of size
            return self.aortic_center, float(np.linalg.norm(rim - self.aortic_center, axis=1).mean())
        center, radius = circle_fit(plane.project(rim))
        return plane.lift(center), radius

    @property
    def aortic_circle_center(self) -> FloatArray:
        """Centre (3,) of the annulus circle, mm: circle fitted to contour, hinges or ring points."""
        return self._aortic_circle[0]

    @property
    def aortic_radius(self) -> float:
        """Radius of the annulus circle, mm."""
        return self._aortic_circle[1]

    # ------------------------------------------------------------------ directions and planes between them
    @cached_property
    def toward_aorta(self) -> FloatArray:
        """Unit direction (3,) within the ring plane from ring centre to aortic centre."""
        between = self.aortic_center - self.ring_center
        return unit(between - (between @ self.ring_plane.normal) * self.ring_plane.normal)

    @cached_property
    def across(self) -> FloatArray:
        """Unit direction (3,) within the ring plane at right angles to `toward_aorta`: normal x toward_aorta."""
        return np.cross(self.ring_plane.normal, self.toward_aorta)

    @cached_property
    def three_chamber(self) -> Plane:
        """Plane through ring centre, aortic centre and apex; u from ring centre to aortic centre."""
        return plane_through(self.ring_center, self.aortic_center, self.apex, "three-chamber plane")

    @cached_property
    def septal_lateral_direction(self) -> FloatArray:
        """Unit direction (3,) in which the three-chamber plane cuts the ring plane."""
        direction = unit(np.cross(self.three_chamber.normal, self.ring_plane.normal))
        return direction if float(direction @ self.toward_aorta) >= 0.0 else -direction

    @cached_property
    def curtain_plane(self) -> Plane:
        """Plane of the aorto-mitral curtain; normal to the side of the outflow tract, u along `across`.

        Through the ring contour's point nearest the aorta (along `toward_aorta`), through the nearest point of the
        aortic annulus circle, and parallel to `across`.
        """
        ring_edge = self.ring_contour.extreme(self.toward_aorta)
        plane = self._raw_aortic_plane
        inward = ring_edge - self.aortic_circle_center
        in_plane = inward - (inward @ plane.normal) * plane.normal
        aortic_edge = self.aortic_circle_center + self.aortic_radius * unit(in_plane)
        curtain = aortic_edge - ring_edge
        curtain = curtain - (curtain @ self.across) * self.across
        if np.linalg.norm(curtain) < SHORTEST_CURTAIN:
            normal = self.toward_aorta
        else:
            normal = unit(np.cross(self.across, curtain))
            atrium = self.ring_center - CURTAIN_SIDE_PROBE * self.ring_plane.normal
            if float((self.aortic_center - atrium) @ normal) < 0.0:
                normal = -normal
        return Plane.from_normal(ring_edge, normal, toward=self.across)

    def atrial_side(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Whether `points` (..., 3), mm, lie behind the ring plane and behind the curtain plane."""
        result: NDArray[np.bool_] = (self.ring_plane.height(points) < 0.0) & (self.curtain_plane.height(points) < 0.0)
        return result


def build_anatomy(landmarks: Mapping[str, ArrayLike], *, checked: bool = True) -> Anatomy:
    """Anatomy of one reading from its landmarks ((n, 3) by structure, mm; a single point may be (3,)).

    Nothing is refused here: each part raises GeometryError when asked for, if the landmarks cannot give it.

    An invented elliptic ring, apex below:

    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80]})
    >>> (heart.ring_plane.normal.round(6) + 0.0).tolist(), round(heart.ring_contour.area)
    ([0.0, 0.0, -1.0], 792)
    >>> round(float(np.pi * 18 * 14))
    792
    """
    points = {name: np.asarray(value, dtype=np.float64) for name, value in landmarks.items()}
    return Anatomy({name: a[None, :] if a.shape == (3,) else a for name, a in points.items()}, checked)
