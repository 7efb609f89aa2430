"""How far any point is from the edge of blood: one coarse signed distance map per phase.

All points LPS, mm, float64; HU. Positive in blood, negative outside. About 1 mm coarse: it says whether a landmark is
where it should be, never where an edge is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.phase_image import PhaseImage

SMOOTHING = 0.7
"""Standard deviation, mm, of the smoothing before the threshold: noise must not make islands."""
SMALLEST_POOL, SMALLEST_HOLE = 400.0, 60.0
"""mm3; smaller islands of blood, and holes in it (chordae, trabeculae, noise), are no edges."""

CORE_MM = 2.0
"""mm from any edge: what lies deeper in blood is a chamber's core."""


@dataclass(frozen=True)
class EdgeMap:
    """Signed distance, mm, of the voxels of a coarse image from the edge of blood, and the smoothed image itself."""

    distance: Volume
    smooth: Volume
    level: BloodLevel

    @cached_property
    def core(self) -> tuple[NDArray[np.intp], FloatArray]:
        """Voxels (n, 3) k, j, i that lie deep in blood, and their places (n, 3), mm."""
        index = np.argwhere(self.distance.values > CORE_MM)
        return index, self.distance.to_points(index)

    def at(self, points: FloatArray) -> FloatArray:
        """Distance (...,), mm, at points (..., 3); NaN outside the image."""
        return _sampled(self.distance, points)

    def hu(self, points: FloatArray) -> FloatArray:
        """Smoothed HU (...,) at points (..., 3); NaN outside the image."""
        return _sampled(self.smooth, points)


def _sampled(volume: Volume, points: FloatArray) -> FloatArray:
    index = volume.to_index(points)
    flat = index.reshape(-1, 3).T
    found = ndimage.map_coordinates(volume.values, flat, order=1, mode="nearest").astype(np.float64)
    inside = np.all((flat >= -0.5) & (np.asarray(volume.values.shape) - 0.5 >= flat.T).T, axis=0)
    result: FloatArray = np.where(inside, found, np.nan).reshape(index.shape[:-1])
    return result


def edge_map(image: PhaseImage, level: BloodLevel) -> EdgeMap:
    """The map of one phase at the given blood and muscle level; calcium and metal count as wall."""
    coarse = image.coarse
    sigma = SMOOTHING / coarse.spacing[::-1]
    smooth = ndimage.gaussian_filter(coarse.values.astype(np.float32), sigma)
    # the bright rim that metal shows against muscle is no blood: it is thinner than the opening
    bright = coarse.values > level.ceiling_hu
    blood = (smooth > level.threshold_hu) & ~ndimage.binary_dilation(bright)
    voxel = float(np.prod(coarse.spacing))
    blood = _without_small(blood, SMALLEST_POOL / voxel)
    blood = ~_without_small(~blood, SMALLEST_HOLE / voxel)
    spacing = [float(s) for s in coarse.spacing[::-1]]
    inside = ndimage.distance_transform_edt(blood, sampling=spacing)
    outside = ndimage.distance_transform_edt(~blood, sampling=spacing)
    # half a voxel: the edge is between the last voxel of blood and the first beside it
    half = 0.5 * float(np.mean(spacing))
    signed = np.where(blood, inside - half, half - outside).astype(np.float32)
    frame = (coarse.origin, coarse.direction, coarse.spacing)
    return EdgeMap(Volume(signed, *frame), Volume(smooth, *frame), level)


def _without_small(mask: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """The mask without pieces of fewer than `least` voxels."""
    labels, count = ndimage.label(mask)
    if count == 0:
        return mask
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    result: NDArray[np.bool_] = (sizes >= least)[labels]
    return result
