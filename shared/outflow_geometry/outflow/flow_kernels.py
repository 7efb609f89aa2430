"""Compiled loops that solve a flow and sum it over shells of its potential; imported on first use, cached on disk.

Lengths mm; potentials without unit, 0 to 1.
"""

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
    energy, moment = np.zeros(shells), np.zeros((shells, 3))
    slope_sum, square_sum = np.zeros(shells), np.zeros(shells)
    # what whole shells get is a constant, and for the moment a constant and a rate by the shell's number: noted where
    # it begins and ends, and summed up afterwards
    steady = np.zeros((shells + 1, 9))
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
        from_shell, to_shell = max(int(low), 0), min(int(high), shells - 1)
        rate = counted * square / (high - low)
        for n in (from_shell, to_shell):
            inner, outer = max(low, float(n)), min(high, n + 1.0)
            if outer <= inner:
                continue
            part = rate * (outer - inner)
            place = (0.5 * (inner + outer) / shells - potential[a]) / step
            energy[n] += part
            for axis in range(3):
                moment[n, axis] += part * (points[a, axis] + place * (points[b, axis] - points[a, axis]))
            if from_shell == to_shell:
                break
        if to_shell - from_shell > 1:
            start, end = from_shell + 1, to_shell
            steady[start, 0] += rate
            steady[end, 0] -= rate
            place = (0.5 / shells - potential[a]) / step
            for axis in range(3):
                across = points[b, axis] - points[a, axis]
                constant, slope = rate * (points[a, axis] + place * across), rate * across / (shells * step)
                steady[start, 1 + axis] += constant
                steady[end, 1 + axis] -= constant
                steady[start, 4 + axis] += slope
                steady[end, 4 + axis] -= slope
    for c in range(len(potential)):
        if weight[c] <= 0.0 or share[c] <= 0.0 or by_cell[c] <= 0.0:
            continue
        slope = math.sqrt(by_cell[c] / share[c])
        middle = potential[c] * shells
        low, high = middle - 0.5 * slope * shells, middle + 0.5 * slope * shells
        low, high = max(low, 0.0), min(high, float(shells))
        if high <= low:
            continue
        from_shell, to_shell = int(low), min(int(high), shells - 1)
        rate = weight[c] / (high - low)
        for n in (from_shell, to_shell):
            part = rate * (min(high, n + 1.0) - max(low, float(n)))
            if part > 0.0:
                slope_sum[n] += part * slope * share[c]
                square_sum[n] += part * by_cell[c]
            if from_shell == to_shell:
                break
        if to_shell - from_shell > 1:
            for n, sign in ((from_shell + 1, 1.0), (to_shell, -1.0)):
                steady[n, 7] += sign * rate * slope * share[c]
                steady[n, 8] += sign * rate * by_cell[c]
    sums = np.zeros(9)
    for n in range(shells):
        sums += steady[n]
        energy[n] += sums[0]
        for axis in range(3):
            moment[n, axis] += sums[1 + axis] + n * sums[4 + axis]
        slope_sum[n] += sums[7]
        square_sum[n] += sums[8]
    return energy, moment, slope_sum, square_sum


@njit(cache=True, nogil=True, error_model="numpy")
def reached(openness, below, above, first, second, seeds):  # type: ignore[no-untyped-def]
    """Cells (n,) joined to the cells `seeds` (n,) by open faces.

    below, above : (n, 3) the face towards the lower and higher neighbour along each axis, or -1.
    """
    count = len(seeds)
    found = np.zeros(count, dtype=np.bool_)
    stack = np.empty(count, dtype=np.int64)
    depth = 0
    for c in range(count):
        if seeds[c]:
            found[c] = True
            stack[depth] = c
            depth += 1
    while depth > 0:
        depth -= 1
        c = stack[depth]
        for axis in range(3):
            face = below[c, axis]
            if face >= 0 and openness[face] > 0.0 and not found[first[face]]:
                found[first[face]] = True
                stack[depth] = first[face]
                depth += 1
            face = above[c, axis]
            if face >= 0 and openness[face] > 0.0 and not found[second[face]]:
                found[second[face]] = True
                stack[depth] = second[face]
                depth += 1
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def potentials(openness, below, above, first, second, live, held, known, guess, fill, tolerance, most):  # type: ignore[no-untyped-def]
    """Potential (n,) of the live cells by finite volumes: `known` where held, solved elsewhere; 0 in dead cells.

    Conjugate gradients, preconditioned by a modified incomplete Cholesky factor without fill (Gustafsson 1978, BIT
    18:142), of which the share `fill` of the dropped entries goes to the diagonal; the product with the matrix is had
    from the factor's own two sweeps (Eisenstat 1981, SIAM J Sci Stat Comput 2:1). Cells are numbered so that `first` <
    `second`. guess : (n,) to start from.
    """
    count = len(live)
    place = np.full(count, -1, dtype=np.int64)
    cells = np.empty(count, dtype=np.int64)
    free = 0
    for c in range(count):
        if live[c] and not held[c]:
            place[c] = free
            cells[free] = c
            free += 1
    lower, higher = np.full((free, 3), -1, dtype=np.int32), np.full((free, 3), -1, dtype=np.int32)
    a_low, a_high = np.zeros((free, 3)), np.zeros((free, 3))
    diagonal, right, x = np.zeros(free), np.zeros(free), np.empty(free)
    for n in range(free):
        c = cells[n]
        x[n] = guess[c]
        for axis in range(3):
            for up in range(2):
                face = above[c, axis] if up else below[c, axis]
                if face < 0 or openness[face] <= 0.0:
                    continue
                other = second[face] if up else first[face]
                diagonal[n] += openness[face]
                if held[other]:
                    right[n] += openness[face] * known[other]
                elif up:
                    higher[n, axis] = place[other]
                    a_high[n, axis] = openness[face]
                else:
                    lower[n, axis] = place[other]
                    a_low[n, axis] = openness[face]
    # the factor's diagonal; off it the matrix has -openness
    pivot = np.empty(free)
    for n in range(free):
        own = diagonal[n]
        for axis in range(3):
            m = lower[n, axis]
            if m >= 0:
                a = a_low[n, axis]
                rest = a_high[m, 0] + a_high[m, 1] + a_high[m, 2] - a
                own -= a * (a + fill * rest) / pivot[m]
        # a pivot that small would make the factor worse than the diagonal
        pivot[n] = own if own > 0.05 * diagonal[n] else diagonal[n]
    # scaled so that the factor has ones on its diagonal: matrix = excess + 2 - low - high, factor = (1 - low)(1 - high)
    scale, excess = np.empty(free), np.empty(free)
    for n in range(free):
        scale[n] = 1.0 / math.sqrt(pivot[n])
        excess[n] = diagonal[n] / pivot[n] - 2.0
    for n in range(free):
        for axis in range(3):
            if lower[n, axis] >= 0:
                a_low[n, axis] *= scale[n] * scale[lower[n, axis]]
            else:
                lower[n, axis] = free
            if higher[n, axis] >= 0:
                a_high[n, axis] *= scale[n] * scale[higher[n, axis]]
            else:
                higher[n, axis] = free
    # the cell past the last one stands for walls
    r, p, t, s = np.zeros(free + 1), np.zeros(free + 1), np.zeros(free + 1), np.zeros(free + 1)
    norm = 0.0
    for n in range(free):
        x[n] /= scale[n]
        s[n] = right[n] * scale[n]
        for axis in range(3):
            s[n] += a_low[n, axis] * s[lower[n, axis]]
        norm += s[n] * s[n]
    limit = tolerance * tolerance * norm
    size = 0.0
    for n in range(free):
        t[n] = x[n]
    for n in range(free):
        total = right[n] * scale[n] - (excess[n] + 2.0) * t[n]
        for axis in range(3):
            total += a_low[n, axis] * (t[lower[n, axis]] + r[lower[n, axis]]) + a_high[n, axis] * t[higher[n, axis]]
        r[n] = total
        size += total * total
    turn = 0.0
    for _ in range(most):
        if size <= limit:
            break
        for n in range(free - 1, -1, -1):
            p[n] = r[n] + turn * p[n]
            high = higher[n]
            a = a_high[n]
            t[n] = p[n] + a[0] * t[high[0]] + a[1] * t[high[1]] + a[2] * t[high[2]]
        along = 0.0
        for n in range(free):
            low = lower[n]
            a = a_low[n]
            s[n] = p[n] + excess[n] * t[n] + a[0] * s[low[0]] + a[1] * s[low[1]] + a[2] * s[low[2]]
            along += p[n] * (t[n] + s[n])
        step = size / along
        before, size = size, 0.0
        for n in range(free):
            x[n] += step * t[n]
            r[n] -= step * (t[n] + s[n])
            size += r[n] * r[n]
        turn = size / before
    for n in range(free):
        x[n] *= scale[n]
    result = np.zeros(count)
    for c in range(count):
        if live[c]:
            result[c] = known[c] if held[c] else x[place[c]]
    return result
