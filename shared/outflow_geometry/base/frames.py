"""Frames: unit vectors, planes with in-plane axes, and image volumes.

All points LPS, mm, float64. An image index is in array order [k, j, i], as
``SimpleITK.GetArrayFromImage`` gives it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.base.errors import GeometryError

FloatArray = NDArray[np.float64]

SHORTEST_LENGTH = 1e-9
"""mm; below this a vector has no direction: rounding of coordinates of some 1000 mm in float64 is 1e-13."""


def unit(vector: ArrayLike) -> FloatArray:
    """Return `vector` (..., 3) scaled to length 1; raises GeometryError `zero_length` where it has none.

    >>> unit([0, 3, 4]).round(6).tolist()
    [0.0, 0.6, 0.8]
    """
    array = np.asarray(vector, dtype=np.float64)
    length = np.linalg.norm(array, axis=-1, keepdims=True)
    if not np.all(length > SHORTEST_LENGTH):
        raise GeometryError("zero_length", "a direction needs two distinct points; check for repeated landmarks")
    result: FloatArray = array / length
    return result


@dataclass(frozen=True)
class Plane:
    """A plane with a right-handed in-plane basis (u x v = normal).

    point, normal, u, v : (3,) arrays, mm and unit vectors.
    """

    point: FloatArray
    normal: FloatArray
    u: FloatArray
    v: FloatArray

    @classmethod
    def from_normal(cls, point: ArrayLike, normal: ArrayLike, toward: ArrayLike | None = None) -> Plane:
        """Plane through `point` (3,) with `normal` (3,); u points along `toward` (3,) as far as the plane allows."""
        n = unit(normal)
        seed = np.eye(3)[int(np.argmin(np.abs(n)))] if toward is None else np.asarray(toward, dtype=np.float64)
        u = unit(seed - np.dot(seed, n) * n)
        return cls(np.asarray(point, dtype=np.float64), n, u, np.cross(n, u))

    def height(self, points: ArrayLike) -> FloatArray:
        """Signed distance of `points` (..., 3) along the normal, mm (...)."""
        result: FloatArray = (np.asarray(points, dtype=np.float64) - self.point) @ self.normal
        return result

    def project(self, points: ArrayLike) -> FloatArray:
        """In-plane coordinates (..., 2) of `points` (..., 3), mm."""
        result: FloatArray = (np.asarray(points, dtype=np.float64) - self.point) @ np.stack([self.u, self.v], axis=1)
        return result

    def lift(self, coordinates: ArrayLike) -> FloatArray:
        """Points (..., 3) of in-plane `coordinates` (..., 2), mm."""
        result: FloatArray = self.point + np.asarray(coordinates, dtype=np.float64) @ np.stack([self.u, self.v], axis=0)
        return result


@dataclass(frozen=True)
class Volume:
    """A scalar image on a regular grid.

    values : (nk, nj, ni) array, HU, indexed [k, j, i].
    origin : (3,) mm, centre of voxel [0, 0, 0].
    direction : (3, 3), columns are the unit LPS directions of increasing i, j, k.
    spacing : (3,) mm along i, j, k.
    """

    values: NDArray[Any]
    origin: FloatArray
    direction: FloatArray
    spacing: FloatArray

    @cached_property
    def _to_index(self) -> FloatArray:
        return np.linalg.inv(self.direction * self.spacing).astype(np.float64)

    def to_index(self, points: ArrayLike) -> FloatArray:
        """Fractional array index (..., 3) in the order [k, j, i] of `points` (..., 3), mm."""
        ijk = (np.asarray(points, dtype=np.float64) - self.origin) @ self._to_index.T
        return ijk[..., ::-1]

    def to_points(self, index: ArrayLike) -> FloatArray:
        """Points (..., 3), mm, of fractional array `index` (..., 3) in the order [k, j, i]."""
        ijk = np.asarray(index, dtype=np.float64)[..., ::-1]
        return self.origin + ijk @ (self.direction * self.spacing).T

    def contains(self, points: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
        """Whether `points` (..., 3) lie between the outermost voxel centres, at least `margin` mm inside."""
        index = self.to_index(points)
        border = margin / self.spacing[::-1]
        top = np.asarray(self.values.shape) - 1 - border
        result: NDArray[np.bool_] = np.all((index >= border - 1e-9) & (index <= top + 1e-9), axis=-1)
        return result
