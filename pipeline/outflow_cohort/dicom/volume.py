"""Reading a stack into one array and resampling a region of it. LPS, mm; arrays [k, j, i], HU.

Only the rows and slices that the region needs are read; a native frame goes straight into its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from outflow_cohort.dicom.frames import PixelFormat
from outflow_cohort.dicom.pixels import PADDING_HU, FrameDecoder, PixelError, read_frame, to_hu
from outflow_cohort.dicom.settings import ResampleSettings

Row = dict[str, Any]
INTERPOLATION_REACH = 6
"""Voxels around a region that its interpolation draws on: Lanczos 5 on either side, and one for rounding."""


@dataclass(frozen=True)
class Region:
    """Index ranges [start, stop) along i, j, k."""

    start: tuple[int, int, int]
    stop: tuple[int, int, int]

    @property
    def size(self) -> tuple[int, int, int]:
        """Voxels along i, j, k."""
        i, j, k = (b - a for a, b in zip(self.start, self.stop, strict=True))
        return i, j, k


@dataclass(frozen=True)
class Grid:
    """Grid of a source image: origin (3,), direction (3, 3) columns i, j, k, spacing (3,), size, shear (2,)."""

    origin: np.ndarray
    direction: np.ndarray
    spacing: np.ndarray
    size: tuple[int, int, int]
    shear: np.ndarray

    @classmethod
    def of_plan(cls, plan: Row) -> Grid:
        """Grid of an inventory plan."""
        i, j, k = plan["size"]
        return cls(
            np.asarray(plan["origin"], dtype=np.float64),
            np.asarray(plan["direction"], dtype=np.float64),
            np.asarray(plan["spacing"], dtype=np.float64),
            (i, j, k),
            np.asarray(plan["shear"], dtype=np.float64),
        )

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) mm per step along i, j, k, with the shear of a tilted stack."""
        result = self.direction * self.spacing
        result[:, 2] += self.direction[:, :2] @ self.shear
        return result

    def to_index(self, points: np.ndarray) -> np.ndarray:
        """Index (n, 3) along i, j, k of points (n, 3)."""
        return (np.atleast_2d(points) - self.origin) @ np.linalg.inv(self.matrix).T

    def to_points(self, index: np.ndarray) -> np.ndarray:
        """Points (n, 3) of indices (n, 3) along i, j, k."""
        return self.origin + np.atleast_2d(index) @ self.matrix.T

    @property
    def whole(self) -> Region:
        """All voxels."""
        return Region((0, 0, 0), self.size)

    def around(self, points: np.ndarray, margin: float, reach: int) -> Region | None:
        """Region within `margin` mm of the box of `points` (n, 3), plus `reach` voxels; None where empty."""
        index = self.to_index(points)
        border = margin / np.linalg.norm(self.matrix, axis=0) + reach
        low = np.floor(index.min(axis=0) - border).astype(int)
        high = np.ceil(index.max(axis=0) + border).astype(int) + 1
        low, high = np.maximum(low, 0), np.minimum(high, self.size)
        if np.any(high - low < 2):
            return None
        return Region(tuple(int(v) for v in low), tuple(int(v) for v in high))  # type: ignore[arg-type]


@dataclass(frozen=True)
class ReadRegion:
    """HU of a region [k, j, i], int16 (float32 where rescale is not whole), and counts of special voxels."""

    values: np.ndarray
    region: Region
    n_padded: int


def read_stack(plan: Row, paths: list[Path], region: Region, decoder: FrameDecoder) -> ReadRegion:
    """Read `region` of the stack of an inventory plan; raises PixelError."""
    formats = [_pixel_format(row) for row in plan["formats"]]
    (i0, j0, k0), (i1, j1, k1) = region.start, region.stop
    rows, columns = slice(j0, j1), slice(i0, i1)
    slices = plan["slices"][k0:k1]
    whole = all(slope == int(slope) and intercept == int(intercept) for _, _, _, slope, intercept, _ in slices)
    values = np.empty((k1 - k0, j1 - j0, i1 - i0), np.int16 if whole else np.float32)
    padded = 0
    for place, (ordinal, frame_index, offset, slope, intercept, form) in enumerate(slices):
        pixels, big_endian = formats[form]
        stored = read_frame(
            paths[ordinal], offset, frame_index, pixels, big_endian, decoder, rows, columns, plan["inflate"]
        )
        hu, count = to_hu(stored, pixels, slope, intercept)
        values[place] = hu
        padded += count
    return ReadRegion(values, region, padded)


def _pixel_format(row: Row) -> tuple[PixelFormat, bool]:
    content = dict(row)
    big_endian = bool(content.pop("big_endian"))
    return PixelFormat(**content), big_endian


@dataclass(frozen=True)
class Target:
    """Isotropic grid to resample onto, along the source's own axes."""

    origin: np.ndarray
    direction: np.ndarray
    spacing: float
    size: tuple[int, int, int]


def target_grid(grid: Grid, points: np.ndarray | None, settings: ResampleSettings) -> Target | None:
    """Isotropic grid over the box of `points` plus margin, clipped to the image; None where nothing is left.

    points : (n, 3) landmarks, or None for the whole image. Raises PixelError `region_too_large`.
    """
    # Bounds along the orthonormal axes, from the corners of the voxel centres (a sheared stack is a slanted box).
    corners = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * (np.array(grid.size) - 1)
    local = (grid.to_points(corners) - grid.origin) @ grid.direction
    low, high = local.min(axis=0), local.max(axis=0)
    if points is not None:
        asked = (np.atleast_2d(points) - grid.origin) @ grid.direction
        low = np.maximum(low, asked.min(axis=0) - settings.margin_mm)
        high = np.minimum(high, asked.max(axis=0) + settings.margin_mm)
    if np.any(high - low < 2 * settings.spacing_mm):
        return None
    size = np.floor((high - low) / settings.spacing_mm + 1e-6).astype(int) + 1
    if np.prod(size.astype(float)) > settings.max_output_voxels:
        raise PixelError(
            "region_too_large",
            f"{size[0]} x {size[1]} x {size[2]} voxels of {settings.spacing_mm:g} mm; "
            f"at most {settings.max_output_voxels}",
        )
    i, j, k = (int(v) for v in size)
    return Target(grid.origin + grid.direction @ low, grid.direction, settings.spacing_mm, (i, j, k))


def source_region(grid: Grid, target: Target) -> Region | None:
    """Voxels of the source that interpolation onto `target` draws on."""
    corners = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * (np.array(target.size) - 1)
    points = target.origin + (corners * target.spacing) @ target.direction.T
    return grid.around(points, 0.0, INTERPOLATION_REACH)


def to_image(values: np.ndarray, grid: Grid, region: Region) -> Any:
    """SimpleITK image of a read region, without the shear (see `unshearing`)."""
    import SimpleITK as sitk

    image = sitk.GetImageFromArray(values)
    image.SetSpacing(grid.spacing.tolist())
    image.SetDirection(grid.direction.ravel().tolist())
    start = np.array(region.start, dtype=np.float64)
    image.SetOrigin((grid.origin + (grid.direction * grid.spacing) @ start).tolist())
    return image


def unshearing(grid: Grid) -> Any:
    """Transform from true points to the points of the unsheared image that `to_image` builds.

    A slice k of a tilted stack lies shear * k further along i and j than the orthogonal grid says; this is
    linear in the height above the first slice, so one affine map is exact and interpolation happens once.
    """
    import SimpleITK as sitk

    if not grid.shear.any():
        return sitk.Transform(3, sitk.sitkIdentity)
    per_mm = (grid.direction[:, :2] @ grid.shear) / grid.spacing[2]
    matrix = np.eye(3) - np.outer(per_mm, grid.direction[:, 2])
    transform = sitk.AffineTransform(3)
    transform.SetMatrix(matrix.ravel().tolist())
    transform.SetTranslation((grid.origin - matrix @ grid.origin).tolist())
    return transform


def resample(image: Any, grid: Grid, target: Target, settings: ResampleSettings) -> Any:
    """`image` on `target`, int16 HU; outside the source air."""
    import SimpleITK as sitk

    interpolators = {
        "linear": sitk.sitkLinear,
        "bspline": sitk.sitkBSpline,
        "lanczos": sitk.sitkLanczosWindowedSinc,
    }
    if _is_same_grid(image, grid, target):
        return sitk.Cast(image, sitk.sitkInt16)
    resampler = sitk.ResampleImageFilter()
    resampler.SetInterpolator(interpolators[settings.interpolator])
    resampler.SetTransform(unshearing(grid))
    resampler.SetOutputOrigin(target.origin.tolist())
    resampler.SetOutputDirection(target.direction.ravel().tolist())
    resampler.SetOutputSpacing([target.spacing] * 3)
    resampler.SetSize(list(target.size))
    resampler.SetDefaultPixelValue(PADDING_HU)
    resampler.SetOutputPixelType(sitk.sitkFloat32)
    result = resampler.Execute(image)
    rounded = sitk.Round(sitk.Clamp(result, sitk.sitkFloat32, -32768, 32767))
    return sitk.Cast(rounded, sitk.sitkInt16)


SAME_GRID_MM = 1e-6
"""Grids closer than this are one: rounding of origins in float64."""


def _is_same_grid(image: Any, grid: Grid, target: Target) -> bool:
    return (
        not grid.shear.any()
        and tuple(image.GetSize()) == tuple(target.size)
        and np.allclose(image.GetSpacing(), target.spacing, atol=SAME_GRID_MM)
        and np.allclose(image.GetOrigin(), target.origin, atol=SAME_GRID_MM)
    )
