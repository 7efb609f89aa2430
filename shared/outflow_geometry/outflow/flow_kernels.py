"""Compiled loop that sums a flow over shells of its potential; imported on first use and cached on disk."""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy")
def shell_sums(potential, share, openness, first, second, points, weight, spacing, shells):  # type: ignore[no-untyped-def]
    """Sums over `shells` shells of equal steps of the potential from 0 to 1.

    Each face spreads its energy, openness times the square of the potential's step, evenly over the shells between its
    two cells, at the places between their centres; each cell spreads its own over those that it spans.
    weight : (n,) of each cell, 0 to 1: what counts.
    Returns energy (shells,), energy times position (shells, 3), and sums of |gradient| V and |gradient|^2 V by cell.
    """
    energy = np.zeros(shells)
    moment = np.zeros((shells, 3))
    slope_sum, square_sum = np.zeros(shells), np.zeros(shells)
    by_cell = np.zeros(len(potential))
    for f in range(len(first)):
        a, b = first[f], second[f]
        if openness[f] <= 0.0:
            continue
        step = potential[b] - potential[a]
        square = openness[f] * step * step
        by_cell[a] += 0.5 * square
        by_cell[b] += 0.5 * square
        counted = 0.5 * (weight[a] + weight[b])
        if counted <= 0.0 or square <= 0.0:
            continue
        low, high = potential[a] * shells, potential[b] * shells
        if low > high:
            low, high = high, low
        for n in range(max(int(low), 0), min(int(high), shells - 1) + 1):
            inner, outer = max(low, float(n)), min(high, n + 1.0)
            if outer <= inner:
                continue
            part = counted * square * (outer - inner) / (high - low)
            place = (0.5 * (inner + outer) / shells - potential[a]) / step
            energy[n] += part
            for axis in range(3):
                moment[n, axis] += part * (points[a, axis] + place * (points[b, axis] - points[a, axis]))
    for c in range(len(potential)):
        if weight[c] <= 0.0 or share[c] <= 0.0 or by_cell[c] <= 0.0:
            continue
        slope = math.sqrt(by_cell[c] / share[c])
        middle = potential[c] * shells
        low, high = middle - 0.5 * slope * shells, middle + 0.5 * slope * shells
        low, high = max(low, 0.0), min(high, float(shells))
        if high <= low:
            continue
        for n in range(int(low), min(int(high), shells - 1) + 1):
            part = weight[c] * (min(high, n + 1.0) - max(low, float(n))) / (high - low)
            if part > 0.0:
                slope_sum[n] += part * slope * share[c]
                square_sum[n] += part * by_cell[c]
    return energy, moment, slope_sum, square_sum
