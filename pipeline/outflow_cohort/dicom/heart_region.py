"""Which part of an image a reading needs: its landmarks with a margin, and the whole left ventricle. LPS, mm."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

BEYOND_APEX = 10.0
"""mm of wall and of the apex's own roundness beyond the marked apex."""

HALF_WIDTH = (5.0, 0.5)
"""mm, and share of the length from ring to apex: half the width of the space that holds a ventricle and its wall beside
the line from ring centre to apex. 45 mm for a length of 80 mm: a ventricle of 60 mm, its axis some 8 mm off that line
(common practice, no source)."""

DIRECTIONS = 200

PATH_STRUCTURE = "outflow_path"


def region_points(readings: Iterable[Mapping[str, list[list[float]]]], margin: float) -> NDArray[np.float64]:
    """Points (n, 3), mm, whose box with `margin`, mm, is the region a phase needs.

    Those of readers' outflow paths count only where they are beyond the box of all others: the image, and with it what
    is measured along the automatic path, must be the same with and without a reader's path.

    >>> ring = {"mitral_ring": [[0.0, 0.0, 0.0], [30.0, 0.0, 0.0], [0.0, 30.0, 0.0]]}
    >>> len(region_points([ring, {"outflow_path": [[-5.0, 0.0, 0.0]]}], 20.0))
    3
    >>> len(region_points([ring, {"outflow_path": [[-25.0, 0.0, 0.0]]}], 20.0))
    4
    """
    paths: list[list[float]] = []
    others: list[list[float]] = []
    for structures in readings:
        for name, points in structures.items():
            (paths if name == PATH_STRUCTURE else others).extend(points)
    needed = np.asarray(others, dtype=np.float64).reshape(-1, 3)
    along = np.asarray(paths, dtype=np.float64).reshape(-1, 3)
    if len(needed):
        low, high = needed.min(axis=0) - margin, needed.max(axis=0) + margin
        along = along[np.any((along < low) | (along > high), axis=1)]
    return np.concatenate([needed, along])


def ventricle_hull(structures: dict[str, list[list[float]]]) -> NDArray[np.float64]:
    """Points (n, 3) of an ellipsoid about the line from ring to apex that holds the ventricle; none without both."""
    ring, apex = structures.get("mitral_ring", []), structures.get("lv_apex", [])
    if len(ring) < 3 or len(apex) != 1:
        return np.empty((0, 3))
    start, end = np.mean(np.asarray(ring, dtype=np.float64), axis=0), np.asarray(apex[0], dtype=np.float64)
    length = float(np.linalg.norm(end - start))
    if length == 0.0:
        return np.empty((0, 3))
    along = (end - start) / length
    # evenly spread directions: a Fibonacci lattice on the sphere
    n = np.arange(DIRECTIONS) + 0.5
    height, turn = 1.0 - 2.0 * n / DIRECTIONS, np.pi * (1.0 + np.sqrt(5.0)) * n
    flat = np.sqrt(1.0 - height**2)
    sphere = np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
    lengthwise = (sphere @ along)[:, None] * along
    half = 0.5 * length + BEYOND_APEX
    wide = HALF_WIDTH[0] + HALF_WIDTH[1] * length
    hull: NDArray[np.float64] = 0.5 * (start + end) + half * lengthwise + wide * (sphere - lengthwise)
    return hull
