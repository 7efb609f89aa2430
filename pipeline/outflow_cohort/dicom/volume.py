"""Reading a region of a stack into one array. LPS, mm; arrays [k, j, i], HU.

Only the rows and slices that the region needs are read; a native frame goes straight into its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from outflow_cohort.dicom.pixels import FrameDecoder, read_frame, to_hu
from outflow_cohort.handover.inventory import SeriesPlan


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

    def joined(self, other: Region | None) -> Region:
        """The smallest region that holds both."""
        if other is None:
            return self
        i, j, k = (min(a, b) for a, b in zip(self.start, other.start, strict=True))
        p, q, r = (max(a, b) for a, b in zip(self.stop, other.stop, strict=True))
        return Region((i, j, k), (p, q, r))


@dataclass(frozen=True)
class Grid:
    """Grid of a source image: origin (3,), direction (3, 3) columns i, j, k, spacing (3,), size, shear (2,)."""

    origin: np.ndarray
    direction: np.ndarray
    spacing: np.ndarray
    size: tuple[int, int, int]
    shear: np.ndarray

    @classmethod
    def of_plan(cls, plan: SeriesPlan) -> Grid:
        """Grid of an inventory plan."""
        return cls(
            np.asarray(plan.origin, dtype=np.float64),
            np.asarray(plan.direction, dtype=np.float64),
            np.asarray(plan.spacing, dtype=np.float64),
            plan.size,
            np.asarray(plan.shear, dtype=np.float64),
        )

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) mm per step along i, j, k, with the shear of a tilted stack."""
        result = self.direction * self.spacing
        result[:, 2] += self.direction[:, :2] @ self.shear
        out: np.ndarray = result
        return out

    def to_index(self, points: np.ndarray) -> np.ndarray:
        """Index (n, 3) along i, j, k of points (n, 3)."""
        result: np.ndarray = (np.atleast_2d(points) - self.origin) @ np.linalg.inv(self.matrix).T
        return result

    def to_points(self, index: np.ndarray) -> np.ndarray:
        """Points (n, 3) of indices (n, 3) along i, j, k."""
        result: np.ndarray = self.origin + np.atleast_2d(index) @ self.matrix.T
        return result

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


def read_stack(plan: SeriesPlan, paths: list[Path], decoder: FrameDecoder, region: Region) -> ReadRegion:
    """Read `region` of the stack of an inventory plan; raises PixelError."""
    (i0, j0, k0), (i1, j1, k1) = region.start, region.stop
    rows, columns = slice(j0, j1), slice(i0, i1)
    slices = plan.slices[k0:k1]
    whole = all(one.slope == int(one.slope) and one.intercept == int(one.intercept) for one in slices)
    values = np.empty((k1 - k0, j1 - j0, i1 - i0), np.int16 if whole else np.float32)
    padded = 0
    for place, one in enumerate(slices):
        pixels = plan.formats[one.form]
        stored = read_frame(paths[one.file], one.offset, one.frame, pixels, decoder, rows, columns, plan.inflate)
        hu, count = to_hu(stored, pixels, one.slope, one.intercept)
        values[place] = hu
        padded += count
    return ReadRegion(values, region, padded)
