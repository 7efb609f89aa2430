"""Compiled loop for quick section areas on a coarse grid; imported on first use and cached on disk.

Used to search among thousands of planes; what is found is then cut exactly by `sections`. Lengths mm, areas mm2.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from outflow_geometry.outflow.depth_kernels import cut_by_device, device_bounds, device_depth, fill_depth
from outflow_geometry.outflow.residual import ADJOINING

DEVICE_CELL, DEVICE_CELLS = 2.0, 28
"""mm of the grid on which a device's middle is found, and its cells on either side: a device of 45 mm beside the path
reaches 56 mm."""


@njit(cache=True, nogil=True, error_model="numpy")
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


@njit(cache=True, nogil=True, error_model="numpy")
def counted_cells(depth, lines, at_path, left, low, step, least, box, label, root, sizes, beyond, nearest):  # type: ignore[no-untyped-def]
    """Area of the counted parts; `label` (rows, columns) names the run of each cell in the box, `root` its part, and
    `sizes` is left positive for parts that count."""
    for c in range(box[2] - 1, box[3] + 2):
        label[box[0] - 1, c] = 0
        label[box[1] + 1, c] = 0
    # runs of a row are joined with those they touch in the row before
    runs = 0
    for r in range(box[0], box[1] + 1):
        y = (r + low) * step
        label[r, box[2] - 1] = 0
        label[r, box[3] + 1] = 0
        inside = False
        joined = 0
        for c in range(box[2], box[3] + 1):
            if depth[r, c] <= 0.0:
                label[r, c] = 0
                inside = False
                continue
            if not inside:
                inside = True
                runs += 1
                root[runs] = runs
                nearest[runs] = 1e9
                joined = 0
            label[r, c] = runs
            x = (c + left) * step
            nearest[runs] = min(nearest[runs], x * x + y * y)
            above = label[r - 1, c]
            if above > 0 and above != joined:
                joined = above
                one, two = runs, above
                while root[one] != one:
                    one = root[one]
                while root[two] != two:
                    two = root[two]
                root[max(one, two)] = min(one, two)
    for run in range(1, runs + 1):
        part = run
        while root[part] != part:
            part = root[part]
        root[run] = part
        nearest[part] = min(nearest[part], nearest[run])
        sizes[run] = 0.0
        beyond[run] = 0.0
    for r in range(box[0] - 1, box[1] + 1):
        y = (r + 0.5 + low) * step
        for c in range(box[2] - 1, box[3] + 1):
            run = max(max(label[r, c], label[r, c + 1]), max(label[r + 1, c], label[r + 1, c + 1]))
            if run == 0:
                continue
            part = root[run]
            share = cell_share(depth[r, c], depth[r, c + 1], depth[r + 1, c + 1], depth[r + 1, c])
            sizes[part] += share
            if lines[4, 0] + lines[4, 1] * (c + 0.5 + left) * step + lines[4, 2] * y > 0.0:
                beyond[part] += share
    # the part at the path, or else nearest to it, always counts; by the rule `at_path` it alone, and before it any part
    # that is large enough
    own = 0
    for part in range(1, runs + 1):
        if root[part] != part or sizes[part] <= 0.0:
            continue
        large = not at_path or sizes[part] * step * step >= least
        before = own > 0 and (not at_path or sizes[own] * step * step >= least)
        if own == 0 or (large and not before) or (large == before and nearest[part] < nearest[own]):
            own = part
    total = 0.0
    for part in range(1, runs + 1):
        size = sizes[part] * step * step
        counts = part == own
        if root[part] == part and not at_path:
            counts = counts or (size >= least and beyond[part] <= 0.5 * sizes[part])
        if counts:
            total += size
        else:
            sizes[part] = 0.0
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _ray_end(depth, label, box, left, low, step, x0, y0, x1, y1):  # type: ignore[no-untyped-def]
    """Distance from (x0, y0) along the unit vector (x1, y1) of the last edge of a counted part; 0 where none is."""
    rows, columns = depth.shape
    pace = 0.5 * step
    before = -1.0
    # beyond the box that holds all blood there is no edge: begin a little outside of its farthest corner
    across = max(abs((box[2] - 1 + left) * step - x0), abs((box[3] + 1 + left) * step - x0))
    along = max(abs((box[0] - 1 + low) * step - y0), abs((box[1] + 1 + low) * step - y0))
    farthest = min(int(2.0 * (rows + columns)), int(math.hypot(across, along) / pace) + 2)
    for n in range(farthest, -1, -1):
        reach = n * pace
        c, r = (x0 + reach * x1) / step - left, (y0 + reach * y1) / step - low
        if not (c >= 0.0 and r >= 0.0 and c < columns - 1 and r < rows - 1):
            before = -1.0
            continue
        c0, r0 = int(c), int(r)
        fc, fr = c - c0, r - r0
        d = (depth[r0, c0] * (1.0 - fc) + depth[r0, c0 + 1] * fc) * (1.0 - fr)
        d += (depth[r0 + 1, c0] * (1.0 - fc) + depth[r0 + 1, c0 + 1] * fc) * fr
        if d > 0.0:
            part = max(max(label[r0, c0], label[r0, c0 + 1]), max(label[r0 + 1, c0], label[r0 + 1, c0 + 1]))
            if part > 0:
                return reach + pace * d / (d - before)
        before = min(d, -1e-9)
    return 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _ray_start(depth, label, left, low, step, x0, y0, x1, y1, last):  # type: ignore[no-untyped-def]
    """Distance from (x0, y0) along the unit vector (x1, y1) at which a counted part begins, before `last`."""
    rows, columns = depth.shape
    pace = 0.5 * step
    for n in range(int(last / pace) + 1):
        c, r = (x0 + n * pace * x1) / step - left, (y0 + n * pace * y1) / step - low
        if c >= 0.0 and r >= 0.0 and c < columns - 1 and r < rows - 1 and label[int(r + 0.5), int(c + 0.5)] > 0:
            return n * pace
    return last


@njit(cache=True, nogil=True, error_model="numpy")
def _septum_distance(depth, label, box, left, low, step, x0, y0, toward, fan, device, pieces, count):  # type: ignore[no-untyped-def]
    """See `residual.septum_distance`; x0, y0 : middle of the device's outline."""
    reaches = np.empty(len(fan))
    for n in range(len(fan)):
        reaches[n] = _ray_end(
            depth, label, box, left, low, step, x0, y0, math.cos(toward + fan[n]), math.sin(toward + fan[n])
        )
    distance = 1e9
    for n in range(len(fan)):
        x1, y1 = math.cos(toward + fan[n]), math.sin(toward + fan[n])
        if reaches[n] <= 0.0:
            continue
        x, y = x0 + reaches[n] * x1, y0 + reaches[n] * y1
        distance = min(distance, _device_distance(x, y, device, pieces, count))
        if (n > 0 and reaches[n - 1] <= 0.0) or (n + 1 < len(fan) and reaches[n + 1] <= 0.0):
            start = _ray_start(depth, label, left, low, step, x0, y0, x1, y1, reaches[n])
            if _device_distance(x0 + start * x1, y0 + start * y1, device, pieces, count) <= ADJOINING + 0.5 * step:
                return 0.0
    return 0.0 if distance == 1e9 else distance


@njit(cache=True, nogil=True, error_model="numpy")
def _device_distance(x, y, device, pieces, count):  # type: ignore[no-untyped-def]
    """Distance within the plane from (x, y) to the device's outline, by Newton steps along the gradient."""
    px, py = x, y
    small = 1e-3
    for _ in range(8):
        d = device_depth(px, py, device, pieces, count)
        gx = (device_depth(px + small, py, device, pieces, count) - d) / small
        gy = (device_depth(px, py + small, device, pieces, count) - d) / small
        square = max(gx * gx + gy * gy, 0.05)
        px -= d * gx / square
        py -= d * gy / square
    return math.hypot(px - x, py - y)


@njit(cache=True, nogil=True, error_model="numpy")
def _device_middle(device, pieces, count):  # type: ignore[no-untyped-def]
    """Centroid of the device's outline in the plane; nan where the plane misses it."""
    inside, x0, y0 = 0.0, 0.0, 0.0
    if count == 0:
        return math.nan, math.nan
    _, largest, cosine, _, _ = device_bounds(pieces, count)
    reach = (largest + DEVICE_CELL / cosine) ** 2
    for r in range(-DEVICE_CELLS, DEVICE_CELLS + 1):
        for c in range(-DEVICE_CELLS, DEVICE_CELLS + 1):
            x, y = c * DEVICE_CELL, r * DEVICE_CELL
            z = device[3] + device[4] * x + device[5] * y
            if device[0] + 2.0 * (device[1] * x + device[2] * y) + x * x + y * y - z * z > reach:
                continue  # half a cell and more beside it
            depth = device_depth(x, y, device, pieces, count)
            share = min(max(depth / DEVICE_CELL + 0.5, 0.0), 1.0)
            inside, x0, y0 = inside + share, x0 + share * x, y0 + share * y
    if inside < 1.0:
        return math.nan, math.nan
    return x0 / inside, y0 / inside


@njit(cache=True, nogil=True, error_model="numpy")
def _caliper_widths(depth, label, box, left, low, step, widths):  # type: ignore[no-untyped-def]
    """Largest and smallest width, mm, of the counted parts over len(widths) directions; nan where there is none."""
    turns = len(widths)
    highest, lowest = np.full(turns, -1e9), np.full(turns, 1e9)
    across, along = np.empty(turns), np.empty(turns)
    for t in range(turns):
        across[t], along[t] = math.cos(math.pi * t / turns), math.sin(math.pi * t / turns)
    for r in range(box[0] - 1, box[1] + 1):
        for c in range(box[2] - 1, box[3] + 1):
            for down in range(2):
                r1, c1 = r + down, c + 1 - down
                if label[r, c] == 0 and label[r1, c1] == 0:
                    continue
                a, b = depth[r, c], depth[r1, c1]
                if (a > 0.0) == (b > 0.0):
                    continue
                share = a / (a - b)
                x, y = (c + left + share * (c1 - c)) * step, (r + low + share * (r1 - r)) * step
                for t in range(turns):
                    reach = x * across[t] + y * along[t]
                    highest[t], lowest[t] = max(highest[t], reach), min(lowest[t], reach)
    largest, smallest = 0.0, 1e9
    for t in range(turns):
        largest, smallest = max(largest, highest[t] - lowest[t]), min(smallest, highest[t] - lowest[t])
    if largest <= 0.0:
        return math.nan, math.nan
    return largest, smallest


@njit(cache=True, nogil=True, error_model="numpy")
def quick_areas(  # type: ignore[no-untyped-def]
    values,
    slope,
    origin,
    du,
    dv,
    lines,
    first_cut,
    device,
    solid_of,
    pieces,
    piece_count,
    at_path,
    windows,
    step,
    least,
    fan,
    out,
):
    """Area of the counted parts of m sections on a grid in the window (m, 4) of each (u, v lowest, u, v highest).

    lines : (m, 5, 3) heights as linear functions of (u, v): towards the aortic side, before the cut beyond the aortic
    plane, before the ring plane, before the curtain plane, beyond the last plane where parts stop to count.
    first_cut : (m + 1,); plane p is cut by first_cut[p] : first_cut[p + 1], one after the other; the j solids of all:
    device : (j, 6) products of the vector from device to plane origin, p: p.p, p.u, p.v, p.axis, u.axis, v.axis.
    solid_of : (j,) rows of pieces and piece_count.
    fan : angles (f,) from the aortic direction for the distance from device to septum.
    out : (j, 1) area, or (j, 4) area, device-septum distance, largest and smallest caliper width.
    """
    rows, columns = 0, 0
    for p in range(len(origin)):
        columns = max(columns, math.ceil(windows[p, 2] / step) - math.floor(windows[p, 0] / step) + 1)
        rows = max(rows, math.ceil(windows[p, 3] / step) - math.floor(windows[p, 1] / step) + 1)
    flat, shape = values.ravel(), values.shape
    space, bare_space = np.empty((rows, columns)), np.empty((rows, columns))
    labels = np.zeros((rows, columns), dtype=np.int32)
    root = np.zeros(rows * columns + 1, dtype=np.int32)
    sizes = np.empty(rows * columns + 1)
    beyond = np.empty(rows * columns + 1)
    nearest = np.empty(rows * columns + 1)
    box, bare_box = np.empty(4, dtype=np.int64), np.empty(4, dtype=np.int64)
    widths = np.empty(90)
    for p in range(len(origin)):
        # grid lines run through the plane's origin, whatever the window
        left, low = math.floor(windows[p, 0] / step), math.floor(windows[p, 1] / step)
        columns = math.ceil(windows[p, 2] / step) - left + 1
        rows = math.ceil(windows[p, 3] / step) - low + 1
        depth, bare, label = space[:rows, :columns], bare_space[:rows, :columns], labels[:rows, :columns]
        alone = first_cut[p + 1] == first_cut[p] + 1
        if not alone:
            fill_depth(
                flat, shape, slope, origin[p], du[p], dv[p], lines[p], device[0], pieces[0], 0, at_path, left, low,
                step, bare, bare_box,
            )  # fmt: skip
        for j in range(first_cut[p], first_cut[p + 1]):
            own, count = pieces[solid_of[j]], piece_count[solid_of[j]]
            for n in range(out.shape[1]):
                out[j, n] = math.nan if n > 0 else 0.0
            if alone:
                fill_depth(
                    flat, shape, slope, origin[p], du[p], dv[p], lines[p], device[j], own, count, at_path, left, low,
                    step, depth, box,
                )  # fmt: skip
            elif bare_box[1] < 0:
                continue
            else:
                cut_by_device(bare, bare_box, device[j], own, count, left, low, step, depth, box)
            if box[1] < 0:
                continue
            out[j, 0] = counted_cells(
                depth, lines[p], at_path, left, low, step, least, box, label, root, sizes, beyond, nearest
            )
            if out.shape[1] == 1 or out[j, 0] <= 0.0:
                continue
            for r in range(box[0], box[1] + 1):
                for c in range(box[2], box[3] + 1):
                    if label[r, c] > 0 and sizes[root[label[r, c]]] == 0.0:
                        label[r, c] = 0
            out[j, 2], out[j, 3] = _caliper_widths(depth, label, box, left, low, step, widths)
            x0, y0 = _device_middle(device[j], own, count)
            if not math.isfinite(x0):
                continue
            toward = math.atan2(lines[p, 0, 2], lines[p, 0, 1])
            out[j, 1] = _septum_distance(depth, label, box, left, low, step, x0, y0, toward, fan, device[j], own, count)
