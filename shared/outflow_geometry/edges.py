"""Edges read from the image: the lumen on the aortic plane, the inner edge of a surgical ring.

All points LPS, mm, float64; image values HU.
"""

from __future__ import annotations

import contourpy
import numpy as np
from scipy import ndimage

from outflow_geometry.anatomy import Anatomy
from outflow_geometry.contours import polygon_area
from outflow_geometry.errors import GeometryError
from outflow_geometry.frames import FloatArray, Plane, Volume
from outflow_geometry.levels import BloodLevel
from outflow_geometry.lumen import Lumen, PhaseImage, outflow_lumen
from outflow_geometry.ring_edges import RingEdges, ring_inner_diameter

__all__ = ["RingEdges", "aortic_lumen_contour", "ring_inner_diameter"]

PLANE_STEP = 0.25
"""mm; grid on which a plane is sampled, half a voxel of a usual image."""

HARMONICS = 12
"""Fourier harmonics kept of an outline: a lobe of 5 mm on a 25 mm annulus is kept, the jag of noise is not, which
would lengthen the perimeter by the half square of its slope."""

OUTLINE_POINTS = 180
"""Points of the returned outline, one every 2 degrees."""

LEAST_ROUNDNESS = 0.6
"""Least 4 pi A / P2 of an annulus outline (science: P2 / 4 pi A above 1.25 is suspect; a leak is far above)."""


def sampled(volume: Volume, points: FloatArray, outside: float) -> FloatArray:
    """Cubic-spline samples (...) of `volume` at `points` (..., 3), mm; `outside` beyond the image."""
    index = volume.to_index(points)
    flat = index.reshape(-1, 3)
    shape = np.asarray(volume.values.shape)
    # the spline's reach fades by 0.27 a voxel: eight voxels more than needed leave 3e-5 of a border's influence
    low = np.clip(np.floor(flat.min(axis=0)).astype(int) - 8, 0, shape - 1)
    high = np.clip(np.ceil(flat.max(axis=0)).astype(int) + 9, low + 1, shape)
    box = volume.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float64)
    coefficients = ndimage.spline_filter(box, order=3, mode="mirror")
    values = ndimage.map_coordinates(
        coefficients, (flat - low).T, order=3, mode="constant", cval=outside, prefilter=False
    )
    result: FloatArray = values.reshape(index.shape[:-1])
    return result


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


def plane_outline(field: Volume, plane: Plane, radius: float, outside: float) -> FloatArray:
    """Zero level line (n, 2) of `field` in `plane`, in-plane mm, that encloses the plane's point, else lies nearest.

    Raises GeometryError `no_lumen_on_plane`, `outline_open` (it leaves the sampled disc or the image).
    """
    steps = np.arange(-radius, radius + 0.5 * PLANE_STEP, PLANE_STEP)
    u, v = np.meshgrid(steps, steps)
    points = plane.lift(np.stack([u, v], axis=-1))
    values = sampled(field, points, outside)
    found = contourpy.contour_generator(steps, steps, values).lines(0.0)
    lines = [np.asarray(line, dtype=np.float64) for line in found if len(line) > 8]
    best: FloatArray | None = None
    for line in lines:
        if not np.allclose(line[0], line[-1]):
            continue
        ring = line[:-1]
        relative = ring / np.linalg.norm(ring, axis=1)[:, None]
        ahead = np.roll(relative, -1, axis=0)
        turn = np.arctan2(relative[:, 0] * ahead[:, 1] - relative[:, 1] * ahead[:, 0], (relative * ahead).sum(axis=1))
        encloses = abs(float(turn.sum())) > np.pi
        if encloses and (best is None or abs(polygon_area(ring)) > abs(polygon_area(best))):
            best = ring
    if best is None:
        if not lines:
            raise GeometryError("no_lumen_on_plane", "no blood edge on the plane; check hinge points and blood level")
        raise GeometryError(
            "outline_open", "the blood edge does not close around the centre; check hinges, image region"
        )
    return best if polygon_area(best) > 0.0 else best[::-1]


def aortic_lumen_contour(
    phase_image: PhaseImage, anatomy: Anatomy, level: BloodLevel | None = None, lumen: Lumen | None = None
) -> FloatArray:
    """Blood edge on the aortic plane: closed outline (n, 3), mm, first point not repeated, anticlockwise about n_a.

    The zero level of the outflow lumen's field, where it encloses the aortic centre, kept to its first Fourier
    harmonics (noise would lengthen the perimeter). `lumen`: the reading's, found if None.

    Raises GeometryError `no_lumen_on_plane`, `outline_open`, `aortic_outline_leaks`, and what the lumen raises.
    """
    lumen = outflow_lumen(phase_image, anatomy, None, level) if lumen is None else lumen
    plane = anatomy.aortic_plane
    radius = 1.6 * anatomy.aortic_radius + 6.0
    ring = plane_outline(lumen.field, plane, radius, -lumen.level.contrast_hu)
    flat = low_pass_outline(ring)
    area = polygon_area(flat)
    around = np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1).sum()
    if 4.0 * np.pi * area < LEAST_ROUNDNESS * around**2 or area > 2.5 * np.pi * anatomy.aortic_radius**2:
        raise GeometryError(
            "aortic_outline_leaks", "the blood edge on the aortic plane is no annulus; trace it instead"
        )
    return plane.lift(flat)
