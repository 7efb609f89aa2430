"""Flooding of an image from markers in descending order of a height map: watershed and widest paths.

Arrays indexed [k, j, i]; heights are small integers, so the priority queue is an array of first-in first-out
lists, one a height (Vincent & Soille 1991, IEEE PAMI 13:583; Meyer 1994, Signal Processing 38:113). scikit-image's
watershed gives the same basins, but neither the height of the pass by which a voxel was reached nor, on some
10^5 voxels, the speed that one flooding a reading asks for.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

HEIGHTS = 1024
"""Number of height steps; heights run from 0 to HEIGHTS - 1."""

CLOSED = -1
"""Height of voxels that no flood enters."""


@njit(cache=True)
def _flood(
    height: NDArray[np.int16],
    label: NDArray[np.int8],
    passed: NDArray[np.int16],
    steps: NDArray[np.int64],
    size: int,
) -> None:
    """Flood flat arrays in place; outermost voxels must be closed, so that no neighbour is outside."""
    first = np.full(size, -1, np.int32)
    last = np.full(size, -1, np.int32)
    following = np.full(height.size, -1, np.int32)
    for voxel in range(height.size):
        if label[voxel] > 0 and height[voxel] >= 0:
            level = height[voxel]
            passed[voxel] = level
            if first[level] < 0:
                first[level] = voxel
            else:
                following[last[level]] = voxel
            last[level] = voxel
    for level in range(size - 1, -1, -1):
        voxel = first[level]
        while voxel >= 0:
            for step in steps:
                other = voxel + step
                if label[other] == 0 and height[other] >= 0:
                    label[other] = label[voxel]
                    reached = min(height[other], level)
                    passed[other] = reached
                    if reached == level:
                        following[last[level]] = other
                        last[level] = other
                    else:
                        if first[reached] < 0:
                            first[reached] = other
                        else:
                            following[last[reached]] = other
                        last[reached] = other
            voxel = following[voxel]


def flood(height: NDArray[np.int16], markers: NDArray[np.int8]) -> tuple[NDArray[np.int8], NDArray[np.int16]]:
    """Watershed of a height map from markers, highest first.

    Parameters
    ----------
    height : (nk, nj, ni) 0 … HEIGHTS - 1, CLOSED where no flood goes; the outermost layer counts as closed.
    markers : (nk, nj, ni) 0 = none, else a label 1 … 127.

    Returns
    -------
    label : (nk, nj, ni) label of the marker whose flood came first, 0 where none came.
    passed : (nk, nj, ni) lowest height on the highest way to a marker (the pass); -1 where no flood came.
    """
    closed = np.full(height.shape, CLOSED, dtype=np.int16)
    inner = (slice(1, -1),) * 3
    closed[inner] = height[inner]
    label = np.where(closed >= 0, markers, 0).astype(np.int8)
    passed = np.full(height.shape, -1, dtype=np.int16)
    _, nj, ni = height.shape
    steps = np.asarray([1, -1, ni, -ni, nj * ni, -nj * ni], dtype=np.int64)
    _flood(closed.reshape(-1), label.reshape(-1), passed.reshape(-1), steps, HEIGHTS)
    return label, passed


@njit(cache=True)
def _settle(
    values: NDArray[np.float32],
    label: NDArray[np.int8],
    open_label: int,
    low: float,
    step: float,
    size: int,
) -> None:
    nk, nj, ni = label.shape
    count = 0
    for k in range(1, nk - 1):
        for j in range(1, nj - 1):
            for i in range(1, ni - 1):
                if label[k, j, i] == open_label:
                    count += 1
    where = np.empty((count, 3), np.int32)
    height = np.empty(count, np.int32)
    slot = np.full(label.shape, -1, np.int32)
    count = 0
    for k in range(1, nk - 1):
        for j in range(1, nj - 1):
            for i in range(1, ni - 1):
                if label[k, j, i] == open_label:
                    total = 0.0
                    for a in range(-1, 2):
                        for b in range(-1, 2):
                            for c in range(-1, 2):
                                weight = (2 - abs(a)) * (2 - abs(b)) * (2 - abs(c))
                                total += weight * values[k + a, j + b, i + c]
                    level = int((total / 64.0 - low) / step)
                    height[count] = min(max(level, 0), size - 1)
                    where[count, 0], where[count, 1], where[count, 2] = k, j, i
                    slot[k, j, i] = count
                    count += 1
    first = np.full(size, -1, np.int32)
    last = np.full(size, -1, np.int32)
    following = np.full(count, -1, np.int32)
    moves = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], np.int32)
    for n in range(count):
        k, j, i = where[n]
        for move in moves:
            other = label[k + move[0], j + move[1], i + move[2]]
            if other > 0 and slot[k + move[0], j + move[1], i + move[2]] < 0:
                label[k, j, i] = other
                level = height[n]
                if first[level] < 0:
                    first[level] = n
                else:
                    following[last[level]] = n
                last[level] = n
                break
    for level in range(size - 1, -1, -1):
        n = first[level]
        while n >= 0:
            k, j, i = where[n]
            for move in moves:
                a, b, c = k + move[0], j + move[1], i + move[2]
                if label[a, b, c] == open_label:
                    m = slot[a, b, c]
                    if m < 0:
                        continue
                    label[a, b, c] = label[k, j, i]
                    reached = min(height[m], level)
                    if reached == level:
                        following[last[level]] = m
                        last[level] = m
                    else:
                        if first[reached] < 0:
                            first[reached] = m
                        else:
                            following[last[reached]] = m
                        last[reached] = m
            n = following[n]


OPEN = -1
"""Label of voxels that `settle_border` gives to the flood that reaches them first."""


def settle_border(values: NDArray[np.float32], label: NDArray[np.int8], low: float, high: float) -> None:
    """Settle in place the voxels labelled OPEN: floods from their labelled neighbours meet on the darkest line.

    Parameters
    ----------
    values : (nk, nj, ni) image, smoothed here with the binomial 1-2-1 kernel where needed.
    label : (nk, nj, ni) 0 = closed, OPEN = to be settled, else 1 … 127; the outermost layer is left alone.
    low, high : values that take the lowest and highest height.
    """
    _settle(values, label, OPEN, low, (high - low) / HEIGHTS, HEIGHTS)
    label[label == OPEN] = 0
