"""Compiled depths into a section on the nodes of a grid: blood, cutting planes and device; imported on first use.

What `scan_kernels` counts. Lengths mm.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

SURELY = 1e-6
"""mm: what rounding may take from a bound."""


@njit(cache=True, nogil=True, error_model="numpy")
def solid_depth(z, radial, pieces, count):  # type: ignore[no-untyped-def]
    """Signed distance into the frustums at station z and radius `radial` (positive inside), to first order.

    pieces : (n, 5) lowest and highest station, radius at the lowest, its rate, cosine of the side's slope; each begins
    where the one before ends. Of the faces between two frustums only the step from one radius to the other is an edge.
    """
    best = -1e3
    for n in range(count):
        low, high, lowest = pieces[n, 0], pieces[n, 1], pieces[n, 2]
        highest = lowest + pieces[n, 3] * (high - low)
        # radii beside both faces: none beyond the ends
        before, after = -1.0, -1.0
        if n > 0:
            before = pieces[n - 1, 2] + pieces[n - 1, 3] * (pieces[n - 1, 1] - pieces[n - 1, 0])
        if n < count - 1:
            after = pieces[n + 1, 2]
        if n > 0 and z < low:
            if lowest > before:
                best = max(best, min(lowest - radial, z - low))
            continue
        if n < count - 1 and z > high:
            if highest > after:
                best = max(best, min(highest - radial, high - z))
            continue
        within = min(z, high) if z > low else low
        side = (lowest + pieces[n, 3] * (within - low) - radial) * pieces[n, 4]
        first, last = z - low, high - z
        if n > 0:
            first = max(first, before - radial)
        if n < count - 1:
            last = max(last, after - radial)
        best = max(best, min(side, min(first, last)))
    return min(best, min(z - pieces[0, 0], pieces[count - 1, 1] - z))


@njit(cache=True, nogil=True, error_model="numpy")
def device_depth(x, y, device, pieces, count):  # type: ignore[no-untyped-def]
    """Signed distance into the device at (x, y) of a plane with the products `device` (6,); see `quick_areas`."""
    z = device[3] + device[4] * x + device[5] * y
    square = device[0] + 2.0 * (device[1] * x + device[2] * y) + x * x + y * y
    return solid_depth(z, math.sqrt(max(square - z * z, 0.0)), pieces, count)


@njit(cache=True, nogil=True, error_model="numpy")
def device_bounds(pieces, count):  # type: ignore[no-untyped-def]
    """What bounds the depth without a root: least and largest radius, least slope cosine, lowest and highest station.

    At a radius r beside the frustums the depth is at most (largest - r) cosine; within their stations it is at least
    the least of (least - r) cosine and the distances from the end faces.
    """
    least, largest, cosine = 1e9, 0.0, 1.0
    for n in range(count):
        last = pieces[n, 2] + pieces[n, 3] * (pieces[n, 1] - pieces[n, 0])
        least, largest = min(least, min(pieces[n, 2], last)), max(largest, max(pieces[n, 2], last))
        cosine = min(cosine, pieces[n, 4])
    return least, largest, cosine, pieces[0, 0], pieces[count - 1, 1]


@njit(cache=True, nogil=True, error_model="numpy")
def columns_inside(at, rate, size, first, last):  # type: ignore[no-untyped-def]
    """Those of the columns first to last whose index at + column x rate lies within 0 and size - 1: first and last.

    A hair is left out at the far side, so that there is a voxel beyond each.
    """
    top = size - 1.0 - SURELY
    if rate > SURELY or rate < -SURELY:
        one, two = -at / rate, (top - at) / rate
        first, last = max(first, math.ceil(min(one, two))), min(last, math.floor(max(one, two)))
    elif not 0.0 <= at <= top - SURELY * (abs(first) + abs(last)):
        last = first - 1
    return first, last


@njit(cache=True, nogil=True, error_model="numpy")
def within_cell(flat, row, slice_, k, j, i):  # type: ignore[no-untyped-def]
    """Linear interpolation at an index within the image `flat`, whose rows and slices are so many voxels apart.

    In single precision, as the voxels are: half the time of `edge_kernels.trilinear`, right to 1e-7 of the contrast.
    """
    k0, j0, i0 = int(k), int(j), int(i)
    fk, fj, fi = np.float32(k - k0), np.float32(j - j0), np.float32(i - i0)
    # unsigned: an index that may be negative costs a test at each access
    a = np.uint64(k0 * slice_ + j0 * row + i0)
    b, c, d = a + np.uint64(row), a + np.uint64(slice_), a + np.uint64(slice_ + row)
    one = np.uint64(1)
    low = flat[a] + (flat[a + one] - flat[a]) * fi
    high = flat[b] + (flat[b + one] - flat[b]) * fi
    front = low + (high - low) * fj
    low = flat[c] + (flat[c + one] - flat[c]) * fi
    high = flat[d] + (flat[d + one] - flat[d]) * fi
    back = low + (high - low) * fj
    return front + (back - front) * fk


@njit(cache=True, nogil=True, error_model="numpy")
def fill_depth(  # type: ignore[no-untyped-def]
    flat, shape, slope, origin, du, dv, lines, device, pieces, count, at_path, left, low, step, depth, box
):
    """Depth (rows, columns) into the section at the grid's nodes, mm; `box` (4,) rows and columns that hold any.

    Beyond `step` outside the section the depth is `-step`: nothing further in asks for it.
    """
    rows, columns = depth.shape
    top, bottom, leftmost, rightmost = rows, -1, columns, -1
    least, largest, cosine, lowest, highest = 0.0, 0.0, 1.0, 0.0, 0.0
    if count > 0:
        least, largest, cosine, lowest, highest = device_bounds(pieces, count)
    # surely deeper in the device than `step`, by its stations and squared radius
    core = max(least - step / cosine - SURELY, 0.0) ** 2
    lowest, highest = lowest + step + SURELY, highest - step - SURELY
    per_value, nj, ni = 1.0 / slope, shape[1], shape[2]
    dk, dj, di = du[0] * step, du[1] * step, du[2] * step
    for r in range(rows):
        y = (r + low) * step
        for c in range(columns):
            depth[r, c] = -step
        if r == 0 or r == rows - 1:
            continue
        first, last = 1, columns - 2
        for n in range(1 if at_path else 0, 2):
            foot, rate = lines[n, 0] + lines[n, 2] * y + step, lines[n, 1] * step
            if rate > 1e-9:
                first = max(first, math.ceil(-foot / rate) - left)
            elif rate < -1e-9:
                last = min(last, math.floor(-foot / rate) - left)
            elif foot <= 0.0:
                last = -1
        side, side_rate = lines[0, 0] + lines[0, 2] * y, lines[0, 1]
        cut, cut_rate = lines[1, 0] + lines[1, 2] * y, lines[1, 1]
        ring, ring_rate = lines[2, 0] + lines[2, 2] * y, lines[2, 1]
        curtain, curtain_rate = lines[3, 0] + lines[3, 2] * y, lines[3, 1]
        k = origin[0] + y * dv[0] + left * dk
        j = origin[1] + y * dv[1] + left * dj
        i = origin[2] + y * dv[2] + left * di
        # beyond the image nothing is blood
        first, last = columns_inside(k, dk, shape[0], first, last)
        first, last = columns_inside(j, dj, nj, first, last)
        first, last = columns_inside(i, di, ni, first, last)
        for c in range(first, last + 1):
            x = (c + left) * step
            d = cut + cut_rate * x
            if not at_path:
                d = min(d, side + side_rate * x)
            d = min(d, max(ring + ring_rate * x, curtain + curtain_rate * x))
            if d <= -step:
                continue
            if count == 0:
                d = min(d, within_cell(flat, ni, nj * ni, k + c * dk, j + c * dj, i + c * di) * per_value)
            else:
                z = device[3] + device[4] * x + device[5] * y
                square = max(device[0] + 2.0 * (device[1] * x + device[2] * y) + x * x + y * y - z * z, 0.0)
                if square < core and lowest < z < highest:
                    continue
                # the blood edge first: where the device is surely farther off, its own distance need not be known
                blood = min(d, within_cell(flat, ni, nj * ni, k + c * dk, j + c * dj, i + c * di) * per_value)
                reach = largest + (max(blood, 0.0) + SURELY) / cosine
                if square < reach * reach:
                    solid = -solid_depth(z, math.sqrt(square), pieces, count)
                    if min(d, solid) <= -step:
                        continue
                    d = min(blood, solid)
                else:
                    d = blood
            depth[r, c] = d
            if d > 0.0:
                top, bottom = min(top, r), max(bottom, r)
                leftmost, rightmost = min(leftmost, c), max(rightmost, c)
    box[0], box[1], box[2], box[3] = top, bottom, leftmost, rightmost


@njit(cache=True, nogil=True, error_model="numpy")
def cut_by_device(blood, box, device, pieces, count, left, low, step, depth, cut_box):  # type: ignore[no-untyped-def]
    """Depth about the box of `blood`, the depth without a device, less the device; `cut_box` as `box` of `fill_depth`.

    The same as `fill_depth` with the device, for planes that several solids cut.
    """
    cut_box[0], cut_box[1], cut_box[2], cut_box[3] = blood.shape[0], -1, blood.shape[1], -1
    cosine, largest = 1.0, -1e3
    if count > 0:
        _, largest, cosine, _, _ = device_bounds(pieces, count)
    for r in range(box[0] - 1, box[1] + 2):
        y = (r + low) * step
        # the square of the distance from the axis is a parabola along the row
        z0, square0 = device[3] + device[5] * y, device[0] + 2.0 * device[2] * y + y * y
        for c in range(box[2] - 1, box[3] + 2):
            d = blood[r, c]
            x = (c + left) * step
            z = z0 + device[4] * x
            square = max(square0 + (2.0 * device[1] + x) * x - z * z, 0.0)
            reach = max(largest + (max(d, 0.0) + SURELY) / cosine, 0.0)
            if square < reach * reach:
                d = max(min(d, -solid_depth(z, math.sqrt(square), pieces, count)), -step)
            depth[r, c] = d
            if d > 0.0:
                cut_box[0], cut_box[1] = min(cut_box[0], r), max(cut_box[1], r)
                cut_box[2], cut_box[3] = min(cut_box[2], c), max(cut_box[3], c)
