"""Sections as arrays of rings, for compiled loops. In-plane coordinates (u, v), mm, float64."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray


@dataclass(frozen=True)
class Rings:
    """Sections as rings.

    corners : (k, 2) of all rings, mm, outer ones anticlockwise, holes clockwise, not closed.
    ring_start : (r + 1,) where each ring begins in `corners`; ring_polygon : (r,) the polygon it belongs to.
    plane_start : (m + 1,) where each section begins in the rings.
    """

    corners: FloatArray
    ring_start: NDArray[np.int64]
    ring_polygon: NDArray[np.int64]
    plane_start: NDArray[np.int64]

    @classmethod
    def of(cls, sections: NDArray[Any]) -> Rings:
        """Rings of `sections` (m,), shapely geometries; what is no polygon is left out."""
        parts, row = shapely.get_parts(sections, return_index=True)
        polygonal = shapely.get_type_id(parts) == 3
        parts, row = parts[polygonal], row[polygonal]
        rings, polygon = shapely.get_rings(parts, return_index=True)
        corners, ring = shapely.get_coordinates(rings, return_index=True)
        counts = np.bincount(ring, minlength=len(rings))
        start = np.concatenate([[0], np.cumsum(counts)])
        # a polygon's first ring is its outer one
        hole = np.concatenate([[False], polygon[1:] == polygon[:-1]])[: len(rings)]
        wrong = shapely.is_ccw(rings) == hole
        for one in np.flatnonzero(wrong):
            corners[start[one] : start[one + 1]] = corners[start[one] : start[one + 1]][::-1]
        opened = np.ones(len(corners), dtype=bool)
        opened[start[1:] - 1] = False
        plane = np.searchsorted(row[polygon], np.arange(len(sections) + 1))
        return cls(
            np.ascontiguousarray(corners[opened]),
            start - np.arange(len(start)),
            polygon.astype(np.int64),
            plane.astype(np.int64),
        )

    def joined(self, other: Rings) -> Rings:
        """These sections and then those of `other`."""
        polygons = int(self.ring_polygon[-1]) + 1 if len(self.ring_polygon) else 0
        return Rings(
            np.concatenate([self.corners, other.corners]),
            np.concatenate([self.ring_start, other.ring_start[1:] + len(self.corners)]),
            np.concatenate([self.ring_polygon, other.ring_polygon + polygons]),
            np.concatenate([self.plane_start, other.plane_start[1:] + len(self.ring_polygon)]),
        )
