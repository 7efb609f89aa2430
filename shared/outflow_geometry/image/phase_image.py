"""What the readings of one phase share: the coarse image and the walls in it.

All points LPS, mm, float64; images indexed [k, j, i]. The coarse grid pools whole blocks of voxels to about
1 mm: it finds which chamber a voxel belongs to, never where an edge is.
"""

from __future__ import annotations

from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.separation import Separation, separated

COARSE_SPACING = 1.0
"""mm; walls of half a millimetre still show as a dip of a third of the contrast after pooling to this size."""

LEVEL_STEP = 8.0
"""HU; walls are shared between readings whose blood and muscle agree to this step. It moves them by less than a tenth
of a voxel, and they only decide which chamber is which."""


def pooled(values: NDArray[np.generic], factors: tuple[int, int, int]) -> NDArray[np.float32]:
    """Mean over whole blocks of `factors` voxels; a rest at the far end is dropped.

    >>> pooled(np.arange(8).reshape(2, 2, 2), (2, 2, 2)).tolist()
    [[[3.5]]]
    """
    nk, nj, ni = (n // f for n, f in zip(values.shape, factors, strict=True))
    fk, fj, fi = factors
    total = np.zeros((nk, nj, ni), dtype=np.float32)
    for a in range(fk):
        for b in range(fj):
            for c in range(fi):
                total += values[a : nk * fk : fk, b : nj * fj : fj, c : ni * fi : fi]
    total /= np.float32(fk * fj * fi)
    return total


class PhaseImage:
    """One phase's image and what is computed from it once.

    Parameters
    ----------
    volume : Volume, HU.
    """

    def __init__(self, volume: Volume) -> None:
        self.volume = volume
        self.last_level: tuple[Any, Any] | None = None
        """What `levels.blood_level` found last, with the landmarks it was asked for."""
        self.last_lumen: tuple[Any, Any] | None = None
        """What `lumen.outflow_lumen` found last, with the question it answers."""
        self._separation: dict[tuple[int, int], Separation] = {}

    @cached_property
    def factors(self) -> tuple[int, int, int]:
        """Voxels pooled along k, j, i."""
        k, j, i = (max(1, round(COARSE_SPACING / float(s))) for s in self.volume.spacing[::-1])
        return (
            min(k, self.volume.values.shape[0]),
            min(j, self.volume.values.shape[1]),
            min(i, self.volume.values.shape[2]),
        )

    @cached_property
    def coarse(self) -> Volume:
        """The pooled image, HU."""
        values = pooled(self.volume.values, self.factors)
        factors_ijk = np.asarray(self.factors[::-1], dtype=np.float64)
        origin = self.volume.to_points((np.asarray(self.factors, dtype=np.float64) - 1.0) / 2.0)
        return Volume(values, origin, self.volume.direction, self.volume.spacing * factors_ijk)

    @cached_property
    def coarse_points(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Steps (3,) mm of one coarse voxel along k, j, i."""
        steps = (self.coarse.direction * self.coarse.spacing).T[::-1]
        return steps[0], steps[1], steps[2]

    def heights(self, point: FloatArray, normal: FloatArray) -> NDArray[np.float32]:
        """Signed distance, mm, of every coarse voxel's centre from the plane through `point` (3,)."""
        k, j, i = (step @ normal for step in self.coarse_points)
        nk, nj, ni = self.coarse.values.shape
        start = float((self.coarse.origin - point) @ normal)
        column = (start + k * np.arange(nk)).astype(np.float32)[:, None, None]
        row = (j * np.arange(nj)).astype(np.float32)[:, None]
        result: NDArray[np.float32] = column + (row + (i * np.arange(ni)).astype(np.float32))
        return result

    def line_distance(self, ends: FloatArray, box: tuple[slice, slice, slice] | None = None) -> NDArray[np.float32]:
        """Distance, mm, of the coarse voxels (of `box`) from the polyline through `ends` (n, 3), mm."""
        part = (slice(None),) * 3 if box is None else box
        nearest: NDArray[np.float32] | None = None
        for first, second in pairwise(ends):
            along = second - first
            length = max(float(along @ along), 1e-12)
            square = np.zeros((1, 1, 1), dtype=np.float32)
            for axis, step in enumerate(self.coarse_points):
                # the grid's axes are at right angles, so squares of the components add
                size = float(np.linalg.norm(step))
                place = (
                    size * np.arange(self.coarse.values.shape[axis]) + float((self.coarse.origin - first) @ step) / size
                )
                shape = [1, 1, 1]
                shape[axis] = -1
                square = square + (place[part[axis]] ** 2).astype(np.float32).reshape(shape)
            dot = self.heights(first, along)[part]
            share = np.clip(dot / np.float32(length), 0.0, 1.0)
            found = square + share * (share * np.float32(length) - 2.0 * dot)
            nearest = found if nearest is None else np.minimum(nearest, found)
        if nearest is None:
            raise GeometryError("too_few_points", "a polyline needs two points")
        result: NDArray[np.float32] = np.sqrt(np.maximum(nearest, 0.0))
        return result

    def separation(self, blood_hu: float, muscle_hu: float, ceiling_hu: float) -> Separation:
        """Walls between chambers at these levels, HU."""
        key = (round(blood_hu / LEVEL_STEP), round(muscle_hu / LEVEL_STEP))
        if key not in self._separation:
            self._separation[key] = separated(self.coarse, blood_hu, muscle_hu, ceiling_hu)
        return self._separation[key]
