"""What is registered between two phases, and the field that comes of it. Points LPS, mm, float64; HU.

The engines that find the field are not part of the core: they take the two prepared images and give back the
displacement of each voxel of the first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter1d, map_coordinates

from outflow_geometry.base.carry_limits import ComparisonSettings
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume

HU_RANGE = (-150.0, 650.0)
"""Below is lung, above metal and calcium: neither says more of the motion than its edge."""

LEAFLET_CYLINDER = (0.85, -6.0, 26.0)
"""Share of the ring's radius, and heights from atrium to ventricle, mm, of what is left out of the comparison: the
leaflets swing from open to closed there, which is no motion of the ring."""

MATCH_REACH = 6.0
"""mm about ring or annulus within which the registered images are compared with each other."""

FEWEST_VOXELS = 50
"""Fewer say nothing of how alike two images are."""

LEFT_OUT = ("lv_apex", "blood_sample", "muscle_sample", "outflow_path", "anterior_leaflet", "outflow_trace")
"""Structures about which nothing is compared: far from the valves, or not carried by the field."""

USUAL_COMPARISON = ComparisonSettings()


@dataclass(frozen=True)
class Comparison:
    """Two phases on one grid, ready for an engine: float32 values (nk, nj, ni) between 0 and 1, and where they count.

    source : the marked phase. target : the phase that its landmarks are carried to. mask : where the source counts.
    """

    source: NDArray[np.float32]
    target: NDArray[np.float32]
    mask: NDArray[np.float32]
    grid: Volume
    """Origin, direction and spacing of the grid; its values are those of the source."""


@dataclass(frozen=True)
class Displacement:
    """Where each point of the source is in the target.

    vectors : (nk, nj, ni, 3) mm, LPS, of the voxels of `grid`.
    """

    vectors: NDArray[np.float32]
    grid: Volume

    def at(self, points: ArrayLike) -> FloatArray:
        """Displacement (..., 3), mm, at `points` (..., 3), linear between voxels, constant beyond the border."""
        index = np.moveaxis(self.grid.to_index(points), -1, 0)
        parts = [
            map_coordinates(self.vectors[..., axis], index, output=np.float64, order=1, mode="nearest")
            for axis in range(3)
        ]
        return np.stack(parts, axis=-1)

    def carry(self, points: ArrayLike) -> FloatArray:
        """Where `points` (..., 3), mm, lie in the target."""
        result: FloatArray = np.asarray(points, dtype=np.float64) + self.at(points)
        return result


def valve_points(landmarks: Mapping[str, ArrayLike]) -> FloatArray:
    """Points (n, 3), mm, about which the phases are compared; raises GeometryError `too_few_points`."""
    kept = [np.asarray(p, dtype=np.float64) for name, p in landmarks.items() if name not in LEFT_OUT and len(p)]  # type: ignore[arg-type]
    if not kept:
        raise GeometryError("too_few_points", "the reading has no landmarks of the valves; add the mitral ring")
    return np.concatenate(kept)


def compared(
    source: Volume,
    target: Volume,
    points: FloatArray,
    ring: FloatArray,
    apex: FloatArray | None,
    settings: ComparisonSettings = USUAL_COMPARISON,
) -> Comparison:
    """Cut both phases to one grid about `points` (n, 3), with the mask; ring (n, 3) and apex (3,), mm.

    Without an apex it is not known on which side the leaflets swing, and both sides are left out.

    Raises GeometryError `no_overlap` where either image holds nothing of the region.
    """
    low, high = points.min(axis=0) - settings.margin, points.max(axis=0) + settings.margin
    count = np.ceil((high - low) / settings.spacing).astype(int) + 1
    shape = (int(count[2]), int(count[1]), int(count[0]))
    grid = Volume(np.zeros(shape, np.float32), low, np.eye(3), np.full(3, settings.spacing))
    first, inside_first = _on_grid(source, grid)
    second, inside_second = _on_grid(target, grid)
    mask = _mask(grid, points, ring, apex, settings) * inside_first
    if not mask.any() or not inside_second.any():
        raise GeometryError("no_overlap", "the images of the two phases share no region about the landmarks")
    return Comparison(first, second, mask.astype(np.float32), Volume(first, low, grid.direction, grid.spacing))


def _on_grid(volume: Volume, grid: Volume) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The volume on the grid, smoothed to its spacing, scaled from HU_RANGE to 0..1; and which voxels it covers."""
    low, high = HU_RANGE
    values = np.clip(volume.values.astype(np.float32), low, high)
    for axis, step in enumerate(volume.spacing[::-1]):
        # a voxel of the grid is the mean of those that it covers, to within a Gaussian of half its width
        width = math.sqrt(max((0.5 * float(grid.spacing[0])) ** 2 - (0.5 * float(step)) ** 2, 0.0)) / float(step)
        if width > 0.1:
            values = gaussian_filter1d(values, width, axis=axis, mode="nearest", truncate=3.0)
    index = _grid_index(volume, grid)
    sampled = map_coordinates(values, index, output=np.float32, order=1, mode="nearest")
    top = np.asarray(values.shape, dtype=np.float64)[:, None, None, None] - 0.5
    inside = np.all((index >= -0.5) & (index <= top), axis=0)
    return (sampled - low) / (high - low), inside


def _grid_index(volume: Volume, grid: Volume) -> FloatArray:
    """Array index (3, nk, nj, ni) in `volume` of the grid's voxels."""
    k, j, i = np.meshgrid(*(np.arange(n, dtype=np.float64) for n in grid.values.shape), indexing="ij")
    result: FloatArray = np.moveaxis(volume.to_index(grid.to_points(np.stack([k, j, i], axis=-1))), -1, 0)
    return result


def _mask(
    grid: Volume, points: FloatArray, ring: FloatArray, apex: FloatArray | None, settings: ComparisonSettings
) -> FloatArray:
    """1 within reach of the landmarks and outside the leaflets' cylinder, else 0."""
    seeds = np.ones(grid.values.shape, bool)
    index = np.rint(grid.to_index(points)).astype(int)
    seeds[tuple(index.T)] = False
    near = distance_transform_edt(seeds, sampling=grid.spacing[::-1]) <= settings.reach
    if not settings.without_leaflets:
        whole: FloatArray = near.astype(np.float64)
        return whole
    k, j, i = np.meshgrid(*(np.arange(n, dtype=np.float64) for n in grid.values.shape), indexing="ij")
    center = ring.mean(axis=0)
    normal = np.linalg.svd(ring - center)[2][2]
    if apex is not None and float((apex - center) @ normal) < 0.0:
        normal = -normal
    relative = grid.to_points(np.stack([k, j, i], axis=-1)) - center
    height = relative @ normal
    across = np.linalg.norm(relative - height[..., None] * normal, axis=-1)
    share, above, below = LEAFLET_CYLINDER
    above = above if apex is not None else -below
    radius = share * float(np.linalg.norm(ring - center, axis=1).mean())
    leaflets = (across < radius) & (height > above) & (height < below)
    result: FloatArray = (near & ~leaflets).astype(np.float64)
    return result


def likeness(pair: Comparison, field: Displacement, points: FloatArray) -> float:
    """Correlation, -1 to 1, of source and moved target within MATCH_REACH of `points` (n, 3); 0 where either is even.

    The contrast of the phases may differ, so the correlation is given, not the difference.
    """
    grid = pair.grid
    index = np.rint(grid.to_index(points)).astype(int)
    kept = np.all((index >= 0) & (index < np.asarray(grid.values.shape)), axis=1)
    if not kept.any():
        return 0.0
    seeds = np.ones(grid.values.shape, bool)
    seeds[tuple(index[kept].T)] = False
    near = (distance_transform_edt(seeds, sampling=grid.spacing[::-1]) <= MATCH_REACH) & (pair.mask > 0.0)
    if int(near.sum()) < FEWEST_VOXELS:
        return 0.0
    places = field.carry(grid.to_points(np.argwhere(near).astype(np.float64)))
    moved = map_coordinates(pair.target, np.moveaxis(grid.to_index(places), -1, 0), order=1, mode="nearest")
    first, second = pair.source[near].astype(np.float64), moved.astype(np.float64)
    first, second = first - first.mean(), second - second.mean()
    spread = math.sqrt(float(first @ first) * float(second @ second))
    return float(first @ second) / spread if spread > 0.0 else 0.0
