"""Compiled loop for quick section areas on a coarse grid; imported on first use and cached on disk.

Used to search among thousands of planes; what is found is then cut exactly by `sections`.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from outflow_geometry.edge_kernels import trilinear


@njit(cache=True, nogil=True)
def solid_depth(z, radial, pieces, count):  # type: ignore[no-untyped-def]
    """Signed distance into the frustums at station z and radius `radial` (positive inside), to first order."""
    best = -1e3
    for n in range(count):
        low, high, r0, r1 = pieces[n, 0], pieces[n, 1], pieces[n, 2], pieces[n, 3]
        slope = (r1 - r0) / (high - low)
        within = min(z, high) if z > low else low
        side = (r0 + slope * (within - low) - radial) / math.sqrt(1.0 + slope * slope)
        # between frustums the end faces are no edge
        first = z - low if n == 0 else max(z - low, 0.0)
        last = high - z if n == count - 1 else max(high - z, 0.0)
        if (n > 0 and z < low) or (n < count - 1 and z > high):
            continue
        best = max(best, min(side, min(first, last)))
    return best


@njit(cache=True, nogil=True, fastmath=True)
def cell_share(a, b, c, d):  # type: ignore[no-untyped-def]
    """Share of a unit cell where the linear interpolant of its corners (a b / d c, in ring order) is positive."""
    if a > 0.0 and b > 0.0 and c > 0.0 and d > 0.0:
        return 1.0
    if a <= 0.0 and b <= 0.0 and c <= 0.0 and d <= 0.0:
        return 0.0
    # polygon of the positive part by walking the ring; area by the shoelace rule
    area = 0.0
    x0 = 0.0
    y0 = 0.0
    px = 0.0
    py = 0.0
    seen = 0
    for n in range(4):
        if n == 0:
            v, w, ax, ay, bx, by = a, b, 0.0, 0.0, 1.0, 0.0
        elif n == 1:
            v, w, ax, ay, bx, by = b, c, 1.0, 0.0, 1.0, 1.0
        elif n == 2:
            v, w, ax, ay, bx, by = c, d, 1.0, 1.0, 0.0, 1.0
        else:
            v, w, ax, ay, bx, by = d, a, 0.0, 1.0, 0.0, 0.0
        if v > 0.0:
            if seen == 0:
                x0, y0 = ax, ay
            else:
                area += px * ay - ax * py
            px, py = ax, ay
            seen += 1
        if (v > 0.0) != (w > 0.0):
            t = v / (v - w)
            qx, qy = ax + t * (bx - ax), ay + t * (by - ay)
            if seen == 0:
                x0, y0 = qx, qy
            else:
                area += px * qy - qx * py
            px, py = qx, qy
            seen += 1
    area += px * y0 - x0 * py
    return 0.5 * area


@njit(cache=True, nogil=True)
def quick_areas(  # type: ignore[no-untyped-def]
    values, slope, origin, du, dv, lines, device, solid_of, pieces, piece_count, at_path, window, step, least, out
):
    """Area (m,) of the counted parts of m sections on a grid in the `window` (u, v lowest, u, v highest) of each plane.

    lines : (m, 5, 3) heights as linear functions of (u, v): towards the aortic side, before the cut beyond the aortic
    plane, before the ring plane, before the curtain plane, beyond the last plane where parts stop to count.
    device : (m, 6) products of the vector from device to plane origin, p: p.p, p.u, p.v, p.axis, u.axis, v.axis.
    """
    # grid lines run through the plane's origin, whatever the window
    left, low = math.floor(window[0] / step), math.floor(window[1] / step)
    columns = math.ceil(window[2] / step) - left + 1
    rows = math.ceil(window[3] / step) - low + 1
    depth = np.empty((rows, columns))
    label = np.empty((rows, columns), dtype=np.int32)
    stack = np.empty(rows * columns, dtype=np.int32)
    sizes = np.empty(rows * columns + 1)
    beyond = np.empty(rows * columns + 1)
    nearest = np.empty(rows * columns + 1)
    for p in range(len(origin)):
        count = piece_count[solid_of[p]] if solid_of[p] >= 0 else 0
        for r in range(rows):
            y = (r + low) * step
            for c in range(columns):
                x = (c + left) * step
                label[r, c] = 0
                if r == 0 or c == 0 or r == rows - 1 or c == columns - 1:
                    depth[r, c] = -step
                    continue
                d = lines[p, 1, 0] + lines[p, 1, 1] * x + lines[p, 1, 2] * y
                if not at_path:
                    d = min(d, lines[p, 0, 0] + lines[p, 0, 1] * x + lines[p, 0, 2] * y)
                ring = lines[p, 2, 0] + lines[p, 2, 1] * x + lines[p, 2, 2] * y
                curtain = lines[p, 3, 0] + lines[p, 3, 1] * x + lines[p, 3, 2] * y
                d = min(d, max(ring, curtain))
                if d > -step and count > 0:
                    z = device[p, 3] + device[p, 4] * x + device[p, 5] * y
                    square = device[p, 0] + 2.0 * (device[p, 1] * x + device[p, 2] * y) + x * x + y * y
                    radial = math.sqrt(max(square - z * z, 0.0))
                    d = min(d, -solid_depth(z, radial, pieces[solid_of[p]], count))
                if d > -2.0 * step:
                    k = origin[p, 0] + x * du[p, 0] + y * dv[p, 0]
                    j = origin[p, 1] + x * du[p, 1] + y * dv[p, 1]
                    i = origin[p, 2] + x * du[p, 2] + y * dv[p, 2]
                    d = min(d, trilinear(values, k, j, i, -3.0 * step * slope) / slope)
                depth[r, c] = d
        parts = 0
        for r in range(1, rows - 1):
            for c in range(1, columns - 1):
                if depth[r, c] <= 0.0 or label[r, c] != 0:
                    continue
                parts += 1
                sizes[parts] = 0.0
                beyond[parts] = 0.0
                nearest[parts] = 1e9
                label[r, c] = parts
                top = 1
                stack[0] = r * columns + c
                while top > 0:
                    top -= 1
                    at = stack[top]
                    r0, c0 = at // columns, at % columns
                    x, y = (c0 + left) * step, (r0 + low) * step
                    nearest[parts] = min(nearest[parts], x * x + y * y)
                    for q in range(4):
                        r1 = r0 + (1 if q == 0 else (-1 if q == 1 else 0))
                        c1 = c0 + (1 if q == 2 else (-1 if q == 3 else 0))
                        if depth[r1, c1] > 0.0 and label[r1, c1] == 0:
                            label[r1, c1] = parts
                            stack[top] = r1 * columns + c1
                            top += 1
        for r in range(rows - 1):
            for c in range(columns - 1):
                part = max(max(label[r, c], label[r, c + 1]), max(label[r + 1, c], label[r + 1, c + 1]))
                if part == 0:
                    continue
                share = cell_share(depth[r, c], depth[r, c + 1], depth[r + 1, c + 1], depth[r + 1, c])
                sizes[part] += share
                x, y = (c + 0.5 + left) * step, (r + 0.5 + low) * step
                if lines[p, 4, 0] + lines[p, 4, 1] * x + lines[p, 4, 2] * y > 0.0:
                    beyond[part] += share
        total = 0.0
        closest = 1e9
        for part in range(1, parts + 1):
            size = sizes[part] * step * step
            if size < least:
                continue
            if at_path:
                if nearest[part] < closest:
                    closest = nearest[part]
                    total = size
            elif beyond[part] <= 0.5 * sizes[part]:
                total += size
        out[p] = total
