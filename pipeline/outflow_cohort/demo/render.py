"""From a heart at a phase to a CT volume: blurred edges, correlated noise, saturation.

All points LPS, mm; HU. `supersample` 1 draws each voxel as the Gaussian step across the nearest surface (fast; the
half-way level is exactly on the surface). 2 or more draws sharp edges on a grid that many times finer and blurs
them there, which also gives curved edges and corners their true blur.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.heart_case import HeartCase
from outflow_cohort.demo.shapes import Array
from outflow_cohort.demo.tissue import AIR, LUNG, Canvas, Chest
from outflow_geometry.base.frames import Volume

FWHM_TO_SD = 1.0 / np.sqrt(8.0 * np.log(2.0))
BLOCK = 4
"""Samples along the edge of a block that is drawn as one value where no edge is near."""
SAFETY = 1.5
"""How much a first-order distance may exceed the true one a few mm from its surface."""
CHUNK_BLOCKS = 640
"""Blocks drawn at a time: 41,000 points stay in the processor's cache."""
FINE_EDGE = 0.5
"""Standard deviation of an edge on the fine grid, in fine steps: smooth enough to sample, small beside the blur."""
LARGEST_HU, SMALLEST_HU = 3071.0, -1024.0
"""A 12-bit scale with intercept -1024."""


@dataclass(frozen=True)
class Grid:
    """Axis-parallel grid (i to the left, j to posterior, k to the head) of the first voxel `origin` (3,), mm."""

    origin: tuple[float, float, float]
    spacing: tuple[float, float, float]
    shape: tuple[int, int, int]
    """Voxels along i, j, k."""

    def axis(self, dimension: int, first: float = 0.0, count: int | None = None, step: float = 1.0) -> Array:
        """Coordinates along one dimension from voxel `first`, every `step` voxels."""
        number = self.shape[dimension] if count is None else count
        return self.origin[dimension] + self.spacing[dimension] * (first + step * np.arange(number))

    @classmethod
    def around(cls, low: Array, high: Array, spacing: tuple[float, float, float]) -> Grid:
        """Grid that covers the box from `low` to `high` (3,)."""
        step = np.asarray(spacing)
        shape = np.ceil((high - low) / step).astype(int) + 1
        origin = (float(low[0]), float(low[1]), float(low[2]))
        return cls(origin, spacing, (int(shape[0]), int(shape[1]), int(shape[2])))


@dataclass(frozen=True)
class Coarse:
    """The chest at block centres: HU without and with the heart, nearest edges of both, distance to the heart's fat."""

    chest_level: Array
    chest_edge: Array
    level: Array
    heart_edge: Array
    fat: Array

    def work(self, near: float) -> Iterator[tuple[NDArray[np.intp], bool, bool]]:
        """Blocks with an edge nearer than `near` mm, in portions, and whether chest and heart are to be drawn."""
        heart = self.heart_edge < near
        seen = self.fat > -near
        chest = seen & ((self.chest_edge < near) | ((self.chest_level == LUNG) & (self.level == LUNG)))
        for with_chest, with_heart in ((True, False), (False, True), (True, True)):
            chosen = np.flatnonzero((chest == with_chest) & (heart == with_heart))
            for i in range(0, len(chosen), CHUNK_BLOCKS):
                yield chosen[i : i + CHUNK_BLOCKS], with_chest, with_heart


@dataclass(frozen=True)
class Drawing:
    """A chest drawn on a regular grid of points."""

    chest: Chest
    sigma: float

    def draw(self, xs: Array, ys: Array, zs: Array) -> Array:
        """HU (nz, ny, nx) without metal and noise; blocks far from any edge get one value."""
        axes = [self._blocks(a) for a in (xs, ys, zs)]
        centers = [a.reshape(-1, BLOCK).mean(axis=1).astype(np.float32) for a in axes]
        shape = tuple(len(c) for c in centers)
        coarse = self._coarse([g.ravel() for g in np.meshgrid(*centers, indexing="ij")])
        half = 0.5 * BLOCK * float(np.sqrt(sum((a[1] - a[0]) ** 2 for a in (xs, ys, zs))))
        near = SAFETY * half + 4.0 * self.sigma
        image = np.empty((shape[2] * BLOCK, shape[1] * BLOCK, shape[0] * BLOCK), np.float32)
        blocks = image.reshape(shape[2], BLOCK, shape[1], BLOCK, shape[0], BLOCK)
        blocks[...] = coarse.level.reshape(shape).transpose(2, 1, 0)[:, None, :, None, :, None]
        offsets = [a.reshape(-1, BLOCK).astype(np.float32) for a in axes]
        for chosen, with_chest, with_heart in coarse.work(near):
            bi, bj, bk = np.unravel_index(chosen, shape)
            x, y, z = np.broadcast_arrays(
                offsets[0][bi][:, None, None, :], offsets[1][bj][:, None, :, None], offsets[2][bk][:, :, None, None]
            )
            x, y, z = (np.ascontiguousarray(c).reshape(-1) for c in (x, y, z))
            canvas = Canvas(np.repeat(coarse.chest_level[chosen], BLOCK**3), self.sigma)
            if with_chest:
                canvas.image[:] = AIR
                self.chest.draw_chest(canvas, x, y, z)
            if with_heart:
                self.chest.draw_heart(canvas, x, y, z)
            blocks[bk, :, bj, :, bi, :] = canvas.image.reshape(len(chosen), BLOCK, BLOCK, BLOCK)
        return image[: len(zs), : len(ys), : len(xs)]

    def _coarse(self, flat: list[Array]) -> Coarse:
        """Block centres, a chunk at a time."""
        parts = []
        for i in range(0, len(flat[0]), CHUNK_BLOCKS * BLOCK**3):
            x, y, z = (c[i : i + CHUNK_BLOCKS * BLOCK**3] for c in flat)
            chest = Canvas(np.full_like(x, AIR), self.sigma)
            self.chest.draw_chest(chest, x, y, z, vessels=False)
            heart = Canvas(chest.image, self.sigma)
            hidden = self.chest.draw_heart(heart, x, y, z)
            parts.append((chest.image, chest.nearest, heart.image, heart.nearest, hidden))
        return Coarse(*(np.concatenate(p) for p in zip(*parts, strict=True)))

    @staticmethod
    def _blocks(axis: Array) -> Array:
        """The coordinates continued to a whole number of blocks."""
        extra = -len(axis) % BLOCK
        step = axis[1] - axis[0]
        return np.concatenate([axis, axis[-1] + step * np.arange(1, extra + 1)])


@dataclass(frozen=True)
class Scanner:
    """How a scanner sees the chest."""

    blur_fwhm: float = 0.8
    noise_sd: float = 20.0
    supersample: int = 2
    largest_hu: float = LARGEST_HU
    noise_grain_fwhm: float = 0.7
    """mm; noise of filtered backprojection is finer than the blur of edges (common practice, no source)."""

    @cached_property
    def blur_sd(self) -> float:
        """Standard deviation of the Gaussian point spread, mm."""
        result: float = self.blur_fwhm * FWHM_TO_SD
        return result

    def clean(self, heart: HeartPhase, grid: Grid) -> Array:
        """Noise-free HU (nk, nj, ni), float32."""
        chest = Chest(heart)
        image = (
            Drawing(chest, self.blur_sd).draw(*(grid.axis(d) for d in range(3)))
            if self.supersample == 1
            else self._fine(chest, grid)
        )
        if heart.case.implant.kind != "none":
            self._add_metal(image, chest, grid)
        return image

    def _fine(self, chest: Chest, grid: Grid) -> Array:
        s = self.supersample
        step = np.asarray(grid.spacing) / s
        edge = min(FINE_EDGE * float(step.max()), 0.6 * self.blur_sd)
        rest = float(np.sqrt(self.blur_sd**2 - edge**2))
        pad = [int(np.ceil(4.0 * rest / d)) for d in step]
        drawing = Drawing(chest, edge)
        ni, nj, nk = grid.shape
        xs, ys = (grid.axis(d, -pad[d] / s, (grid.shape[d] - 1) * s + 1 + 2 * pad[d], 1 / s) for d in (0, 1))
        image = np.empty((nk, nj, ni), np.float32)
        slab = 24
        for k in range(0, nk, slab):
            count = min(slab, nk - k)
            zs = grid.axis(2, k - pad[2] / s, (count - 1) * s + 1 + 2 * pad[2], 1 / s)
            fine = drawing.draw(xs, ys, zs)
            for dimension, axis in ((2, 0), (1, 1), (0, 2)):
                fine = gaussian_filter1d(fine, rest / step[dimension], axis=axis, mode="nearest", truncate=4.0)
                keep = [slice(None)] * 3
                keep[axis] = slice(pad[dimension], fine.shape[axis] - pad[dimension], s)
                fine = fine[tuple(keep)]
            image[k : k + count] = fine
        return image

    def _add_metal(self, image: Array, chest: Chest, grid: Grid) -> None:
        """Lay the metal band over the box around the ring."""
        heart = chest.heart
        reach = heart.ring.radius * 1.25 + heart.case.implant.height + 6.0
        ranges = []
        for d in range(3):
            first = int(np.floor((heart.ring_center[d] - reach - grid.origin[d]) / grid.spacing[d]))
            last = int(np.ceil((heart.ring_center[d] + reach - grid.origin[d]) / grid.spacing[d]))
            ranges.append(slice(max(first, 0), max(min(last + 1, grid.shape[d]), 0)))
        x, y, z = (grid.axis(d)[ranges[d]] for d in range(3))
        part = image[ranges[2], ranges[1], ranges[0]]
        if part.size:
            zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
            part += chest.metal(xx, yy, zz, self.blur_sd) * (heart.case.levels.metal - part)

    def noise(self, grid: Grid, seed: int) -> Array:
        """Correlated Gaussian noise (nk, nj, ni), float32, of standard deviation `noise_sd`."""
        ni, nj, nk = grid.shape
        field = np.random.Generator(np.random.SFC64(seed)).standard_normal((nk, nj, ni), dtype=np.float32)
        gain = 1.0
        for dimension, axis in ((2, 0), (1, 1), (0, 2)):
            width = self.noise_grain_fwhm * FWHM_TO_SD / grid.spacing[dimension]
            field = gaussian_filter1d(field, width, axis=axis, mode="wrap", truncate=3.0)
            impulse = np.zeros(41)
            impulse[20] = 1.0
            gain *= float(np.sqrt(np.sum(gaussian_filter1d(impulse, width, mode="wrap", truncate=3.0) ** 2)))
        field *= self.noise_sd / gain
        return field

    def scan(self, heart: HeartPhase, grid: Grid, seed: int) -> Volume:
        """The CT of a heart: int16 HU."""
        image = self.clean(heart, grid)
        if self.noise_sd > 0.0:
            image += self.noise(grid, seed)
        np.clip(np.rint(image, out=image), SMALLEST_HU, self.largest_hu, out=image)
        return Volume(
            image.astype(np.int16), np.asarray(grid.origin, dtype=float), np.eye(3), np.asarray(grid.spacing, float)
        )


def landmark_box(heart: HeartPhase, margin: float) -> tuple[Array, Array]:
    """Box (low, high), LPS, around ring, annulus, apex and tract of a heart."""
    local = np.concatenate(
        [
            heart.ring.even_points(),
            heart.from_aortic([15.0, -15.0, 0.0, 0.0], [0.0, 0.0, 15.0, -15.0], [0.0, 0.0, 10.0, 10.0]),
            [heart.from_ventricle([heart.lv_axes[3], 0.0, heart.lv_length])],
        ]
    )
    points = heart.to_patient(local)
    return points.min(axis=0) - margin, points.max(axis=0) + margin


def render_volume(
    case: HeartCase,
    phase: float,
    spacing: tuple[float, float, float],
    blur_fwhm: float,
    noise_sd: float,
    seed: int,
    *,
    margin: float = 20.0,
    supersample: int = 2,
    largest_hu: float = LARGEST_HU,
) -> Volume:
    """CT volume (int16 HU) of a case at a phase, of the region around its landmarks.

    spacing : (3,) mm along i, j, k; blur_fwhm : mm; noise_sd : HU; margin : mm around the landmarks.
    """
    heart = HeartPhase(case, phase)
    grid = Grid.around(*landmark_box(heart, margin), spacing)
    return Scanner(blur_fwhm, noise_sd, supersample, largest_hu).scan(heart, grid, seed)
