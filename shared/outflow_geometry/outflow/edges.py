"""Edges read from the image: the lumen on the aortic plane, the inner edge of a surgical ring.

All points LPS, mm, float64; image values HU.
"""

from __future__ import annotations

import numpy as np
import shapely

from outflow_geometry.base.contours import polygon_area
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.lumen import Lumen, PhaseImage, outflow_lumen
from outflow_geometry.image.ring_edges import RingEdges, ring_inner_diameter
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.sections import blood_outlines, edge_field

__all__ = ["RingEdges", "aortic_lumen_contour", "ring_inner_diameter"]

HARMONICS = 12
"""Fourier harmonics kept of an outline: a lobe of 5 mm on a 25 mm annulus is kept, the jag of noise is not, which
would lengthen the perimeter by the half square of its slope."""

OUTLINE_POINTS = 180
"""Points of the returned outline, one every 2 degrees."""

LEAST_ROUNDNESS = 0.6
"""Least 4 pi A / P2 of an annulus outline (science: P2 / 4 pi A above 1.25 is suspect; a leak is far above)."""


def low_pass_outline(flat: FloatArray, harmonics: int = HARMONICS, count: int = OUTLINE_POINTS) -> FloatArray:
    """Closed outline (n, 2), mm, resampled evenly along its length and kept to its first Fourier harmonics.

    Source: Kuhl & Giardina 1982, Comput Graph Image Process 18:236 (Fourier features of a closed contour).
    """
    closed = np.vstack([flat, flat[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    even = np.linspace(0.0, length[-1], 1024, endpoint=False)
    curve = np.interp(even, length, closed[:, 0]) + 1j * np.interp(even, length, closed[:, 1])
    spectrum = np.fft.fft(curve) / len(curve)
    order = np.fft.fftfreq(len(curve), 1.0 / len(curve)).round().astype(int)
    kept = np.abs(order) <= harmonics
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    smooth = np.exp(1j * np.outer(angle, order[kept])) @ spectrum[kept]
    return np.stack([smooth.real, smooth.imag], axis=1)


def plane_outline(lumen: Lumen, plane: Plane, radius: float) -> FloatArray:
    """Blood edge (n, 2) of the lumen in `plane` that encloses its point, in-plane mm, within `radius` mm.

    The same edge as the sections': half-way level, the shift of blur on curved walls taken out.
    Raises GeometryError `no_lumen_on_plane`, `outline_open` (it leaves the disc or the image).
    """
    disc = np.array([shapely.Point(0.0, 0.0).buffer(radius)], dtype=object)
    blood, _ = blood_outlines(edge_field(lumen), disc, plane.point[None], plane.u[None], plane.v[None])
    parts = [part for part in shapely.get_parts(blood[0]) if part.geom_type == "Polygon"]
    if not parts:
        raise GeometryError("no_lumen_on_plane", "no blood on the plane; check hinge points and blood level")
    center = shapely.Point(0.0, 0.0)
    best = min(parts, key=lambda part: (round(shapely.distance(shapely.Polygon(part.exterior), center), 3), -part.area))
    if shapely.distance(shapely.Polygon(best.exterior), center) > 0.5 * radius:
        raise GeometryError("no_lumen_on_plane", "no blood at the aortic centre; check hinge points and blood level")
    outline = np.asarray(best.exterior.coords, dtype=np.float64)[:-1]
    if float(np.hypot(outline[:, 0], outline[:, 1]).max()) > radius:
        raise GeometryError(
            "outline_open", "the blood edge does not close around the centre; check hinges, image region"
        )
    return outline if polygon_area(outline) > 0.0 else outline[::-1]


def aortic_lumen_contour(
    phase_image: PhaseImage, anatomy: Anatomy, level: BloodLevel | None = None, lumen: Lumen | None = None
) -> FloatArray:
    """Blood edge on the aortic plane: closed outline (n, 3), mm, first point not repeated, anticlockwise about n_a.

    The zero level of the outflow lumen's field, where it encloses the aortic centre, kept to its first Fourier
    harmonics (noise would lengthen the perimeter). `lumen`: the reading's, found if None.

    Raises GeometryError `no_lumen_on_plane`, `outline_open`, `aortic_outline_leaks`, and what the lumen raises.

    The tract's radius is 10 mm, so its outline encloses 100 pi = 314 mm2; with voxels of 0.8 mm it is found within 1 %:

    >>> from outflow_geometry import build_anatomy, straight_tract
    >>> landmarks, volume = straight_tract()
    >>> anatomy = build_anatomy(landmarks)
    >>> outline = aortic_lumen_contour(PhaseImage(volume), anatomy)
    >>> bool(abs(polygon_area(anatomy.aortic_plane.project(outline)) - 100 * np.pi) < 3.2)
    True
    """
    lumen = outflow_lumen(phase_image, anatomy, None, level) if lumen is None else lumen
    plane = anatomy.aortic_plane
    radius = 1.6 * anatomy.aortic_radius + 6.0
    ring = plane_outline(lumen, plane, radius)
    flat = low_pass_outline(ring)
    area = polygon_area(flat)
    around = np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1).sum()
    if 4.0 * np.pi * area < LEAST_ROUNDNESS * around**2 or area > 2.5 * np.pi * anatomy.aortic_radius**2:
        raise GeometryError(
            "aortic_outline_leaks", "the blood edge on the aortic plane is no annulus; trace it instead"
        )
    return plane.lift(flat)
