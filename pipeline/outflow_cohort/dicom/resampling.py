"""Region around the landmarks on the grid that the measurements use. LPS, mm; arrays [k, j, i], HU.

Where the image's own grid is fine and even enough it is kept, since interpolation can only lose; otherwise the region
is resampled to cubes along the image's own axes, by a cubic spline along each axis in turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from outflow_cohort.dicom.pixels import PADDING_HU, PixelError
from outflow_cohort.dicom.settings import ResampleSettings
from outflow_cohort.dicom.volume import Grid, ReadRegion, Region

SPLINE_REACH = 12
"""Voxels around a region that its interpolation draws on: the cubic spline's prefilter decays by 0.27 a voxel
(Unser 1999 IEEE Signal Process Mag 16(6):22, pole sqrt(3) - 2), which leaves 2e-7 after 12."""
CORNERS = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])


@dataclass(frozen=True)
class Target:
    """Grid to hand on: origin (3,), direction (3, 3), spacing (3,), size along i, j, k.

    kept : the region of the source whose voxels are handed on as they are, None where they are resampled.
    """

    origin: np.ndarray
    direction: np.ndarray
    spacing: np.ndarray
    size: tuple[int, int, int]
    kept: Region | None = None


def keeps_grid(grid: Grid, settings: ResampleSettings) -> bool:
    """Whether the source grid is fine and even enough to be used as it is."""
    fine = float(grid.spacing.max()) <= settings.keep_grid_up_to_mm
    even = float(grid.spacing.max() / grid.spacing.min()) <= settings.keep_grid_ratio
    return fine and even and not grid.shear.any()


def target_grid(
    grid: Grid, points: np.ndarray | None, settings: ResampleSettings, hull: np.ndarray | None = None
) -> Target | None:
    """Grid over the box of `points` plus margin and of `hull`, clipped to the image; None where nothing is left.

    points : (n, 3) landmarks, or None for the whole image; hull : (m, 3) points of the ventricle's surroundings, which
    need no margin. Raises PixelError `region_too_large`.
    """
    if keeps_grid(grid, settings):
        region = grid.whole if points is None else grid.around(points, settings.margin_mm, 0)
        if region is None:
            return None
        if points is not None and hull is not None and len(hull):
            region = region.joined(grid.around(hull, 0.0, 0))
        _check_size(np.array(region.size), grid.spacing, settings)
        origin = grid.to_points(np.array(region.start))[0]
        return Target(origin, grid.direction, grid.spacing, region.size, region)
    # Bounds along the orthonormal axes, from the corners of the voxel centres (a sheared stack is a slanted box).
    local = (grid.to_points(CORNERS * (np.array(grid.size) - 1)) - grid.origin) @ grid.direction
    low, high = local.min(axis=0), local.max(axis=0)
    if points is not None:
        asked = (np.atleast_2d(points) - grid.origin) @ grid.direction
        lowest, highest = asked.min(axis=0) - settings.margin_mm, asked.max(axis=0) + settings.margin_mm
        if hull is not None and len(hull):
            around = (hull - grid.origin) @ grid.direction
            lowest, highest = np.minimum(lowest, around.min(axis=0)), np.maximum(highest, around.max(axis=0))
        low, high = np.maximum(low, lowest), np.minimum(high, highest)
    if np.any(high - low < 2 * settings.spacing_mm):
        return None
    size = np.floor((high - low) / settings.spacing_mm + 1e-6).astype(int) + 1
    spacing = np.full(3, settings.spacing_mm)
    _check_size(size, spacing, settings)
    i, j, k = (int(v) for v in size)
    return Target(grid.origin + grid.direction @ low, grid.direction, spacing, (i, j, k))


def _check_size(size: np.ndarray, spacing: np.ndarray, settings: ResampleSettings) -> None:
    if np.prod(size.astype(float)) > settings.max_output_voxels:
        raise PixelError(
            "region_too_large",
            f"{size[0]} x {size[1]} x {size[2]} voxels of {spacing.min():g} mm; at most {settings.max_output_voxels}",
        )


def source_region(grid: Grid, target: Target) -> Region | None:
    """Voxels of the source that `target` draws on."""
    if target.kept is not None:
        return target.kept
    corners = CORNERS * (np.array(target.size) - 1) * target.spacing
    return grid.around(target.origin + corners @ target.direction.T, 0.0, SPLINE_REACH)


def resample(read: ReadRegion, grid: Grid, target: Target, settings: ResampleSettings) -> Any:
    """SimpleITK image of `read` on `target`, int16 HU; outside the source air."""
    if target.kept is not None:
        values = read.values
    elif grid.shear.any():
        values = _resample_sheared(read, grid, target, settings)
    else:
        values = _resample_axes(read, grid, target, settings)
    if values.dtype != np.int16:
        values = np.clip(np.rint(values), -32768, 32767).astype(np.int16)
    return _image(values, target.origin, target.direction, target.spacing)


def crop_image(read: ReadRegion, grid: Grid, region: Region) -> Any:
    """SimpleITK image of a part of `read` at the source's own resolution."""
    a = np.subtract(region.start, read.region.start)
    b = np.subtract(region.stop, read.region.start)
    part = np.ascontiguousarray(read.values[a[2] : b[2], a[1] : b[1], a[0] : b[0]])
    return _image(part, grid.to_points(np.array(region.start))[0], grid.direction, grid.spacing)


def _image(values: np.ndarray, origin: np.ndarray, direction: np.ndarray, spacing: np.ndarray) -> Any:
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(values)
    image.SetOrigin(origin.tolist())
    image.SetDirection(direction.ravel().tolist())
    image.SetSpacing(spacing.tolist())
    return image


def _resample_axes(read: ReadRegion, grid: Grid, target: Target, settings: ResampleSettings) -> np.ndarray:
    """Separable interpolation: source and target share their axes, so that each is treated in turn."""
    first = ((target.origin - grid.origin) @ grid.direction) / grid.spacing - np.array(read.region.start)
    values = read.values
    for axis in range(3):  # array axis 0 is k, 2 is i
        along = 2 - axis
        positions = first[along] + np.arange(target.size[along]) * target.spacing[along] / grid.spacing[along]
        values = interpolate_axis(values, positions, axis, settings.interpolator)
    return values


ON_VOXEL = 1e-6
"""Voxels; a position this near a voxel centre is that voxel."""


def interpolate_axis(values: np.ndarray, positions: np.ndarray, axis: int, interpolator: str) -> np.ndarray:
    """`values` at fractional indices `positions` (m,) along `axis`: linear, or a cubic spline mirrored at its ends."""
    from scipy import ndimage

    n = values.shape[axis]
    nearest = np.rint(positions).astype(int)
    if np.all(np.abs(positions - nearest) < ON_VOXEL):
        out: np.ndarray = np.take(values, np.clip(nearest, 0, n - 1), axis=axis)
        return out
    taps: tuple[int, ...]
    weights: tuple[np.ndarray, ...]
    base = np.floor(positions).astype(int)
    t = positions - base
    if interpolator == "linear" or n < 4:
        taps, weights = (0, 1), (1 - t, t)
        source = values
    else:
        # Cubic B-spline weights: Unser 1999 IEEE Signal Process Mag 16(6):22, eq. 7
        taps = (-1, 0, 1, 2)
        weights = ((1 - t) ** 3 / 6, (4 - 6 * t**2 + 3 * t**3) / 6, (1 + 3 * t + 3 * t**2 - 3 * t**3) / 6, t**3 / 6)
        source = ndimage.spline_filter1d(values, order=3, axis=axis, output=np.float32, mode="mirror")
    # Slab by slab along the axis: no temporary is larger than one slab.
    slabs = np.ascontiguousarray(np.moveaxis(source, axis, 0), dtype=np.float32)
    result = np.zeros((len(positions), *slabs.shape[1:]), np.float32)
    scratch = np.empty(slabs.shape[1:], np.float32)
    for tap, weight in zip(taps, weights, strict=True):
        for place, (index, share) in enumerate(zip(_mirrored(base + tap, n), weight, strict=True)):
            np.multiply(slabs[index], np.float32(share), out=scratch)
            result[place] += scratch
    return np.moveaxis(result, 0, axis)


def _mirrored(index: np.ndarray, n: int) -> np.ndarray:
    """Indices folded back at the first and last voxel."""
    index = np.abs(index)
    return np.clip(np.where(index > n - 1, 2 * (n - 1) - index, index), 0, n - 1)


def _resample_sheared(read: ReadRegion, grid: Grid, target: Target, settings: ResampleSettings) -> np.ndarray:
    """One interpolation from the tilted stack to the target.

    A slice k of a tilted stack is shear * k further along i and j than an orthogonal grid says; this is linear in
    the height above the first slice, so that one affine map from true to orthogonal points is exact.
    """
    import SimpleITK as sitk

    start = np.array(read.region.start, dtype=np.float64)
    source = _image(read.values, grid.origin + (grid.direction * grid.spacing) @ start, grid.direction, grid.spacing)
    per_mm = (grid.direction[:, :2] @ grid.shear) / grid.spacing[2]
    matrix = np.eye(3) - np.outer(per_mm, grid.direction[:, 2])
    transform = sitk.AffineTransform(3)
    transform.SetMatrix(matrix.ravel().tolist())
    transform.SetTranslation((grid.origin - matrix @ grid.origin).tolist())
    resampler = sitk.ResampleImageFilter()
    resampler.SetInterpolator(sitk.sitkLinear if settings.interpolator == "linear" else sitk.sitkBSpline)
    resampler.SetTransform(transform)
    resampler.SetOutputOrigin(target.origin.tolist())
    resampler.SetOutputDirection(target.direction.ravel().tolist())
    resampler.SetOutputSpacing(target.spacing.tolist())
    resampler.SetSize(list(target.size))
    resampler.SetDefaultPixelValue(PADDING_HU)
    resampler.SetOutputPixelType(sitk.sitkFloat32)
    result: np.ndarray = sitk.GetArrayFromImage(resampler.Execute(source))
    return result
