"""Compiled loops over images and contours; imported when sections are first cut, and cached on disk.

Images are (nk, nj, ni) float32 arrays; an index is [k, j, i] in voxels. Planes are given in index space: the index
of a plane's origin and the index steps per mm along u and v.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from outflow_geometry.base.frames import FloatArray


@njit(cache=True, nogil=True)
def trilinear(values, k, j, i, outside):  # type: ignore[no-untyped-def]
    """Linear interpolation at one index; `outside` beyond the outermost voxel centres."""
    nk, nj, ni = values.shape
    if not (k >= 0.0 and j >= 0.0 and i >= 0.0 and k <= nk - 1 and j <= nj - 1 and i <= ni - 1):
        return outside
    k0, j0, i0 = min(int(k), nk - 2), min(int(j), nj - 2), min(int(i), ni - 2)
    fk, fj, fi = k - k0, j - j0, i - i0
    # unsigned: an index that may be negative costs a test at each access
    front, back = values[np.uint64(k0)], values[np.uint64(k0 + 1)]
    lower, upper = np.uint64(j0), np.uint64(j0 + 1)
    left, right = np.uint64(i0), np.uint64(i0 + 1)
    a = (front[lower, left] * (1.0 - fi) + front[lower, right] * fi) * (1.0 - fj)
    a += (front[upper, left] * (1.0 - fi) + front[upper, right] * fi) * fj
    b = (back[lower, left] * (1.0 - fi) + back[lower, right] * fi) * (1.0 - fj)
    b += (back[upper, left] * (1.0 - fi) + back[upper, right] * fi) * fj
    return a * (1.0 - fk) + b * fk


@njit(cache=True, nogil=True)
def sample_windows(values, origin, du, dv, corner, shape, start, step, outside, out):  # type: ignore[no-untyped-def]
    """Sample the windows of m planes into the flat `out`: window p, shape[p] = (rows, columns), begins at start[p]."""
    for p in range(len(start)):
        rows, columns = shape[p, 0], shape[p, 1]
        at = start[p]
        for r in range(rows):
            y = corner[p, 1] + r * step
            for c in range(columns):
                border = r == 0 or c == 0 or r == rows - 1 or c == columns - 1
                x = corner[p, 0] + c * step
                k = origin[p, 0] + x * du[p, 0] + y * dv[p, 0]
                j = origin[p, 1] + x * du[p, 1] + y * dv[p, 1]
                i = origin[p, 2] + x * du[p, 2] + y * dv[p, 2]
                value = trilinear(values, k, j, i, outside)
                # the window's rim is dry, so that every outline closes
                out[at] = min(value, outside * 1e-3) if border else value
                at += 1


@njit(cache=True, nogil=True)
def spread_rings(points, offsets, spacing, out, out_offsets):  # type: ignore[no-untyped-def]
    """Spread points evenly along closed rings (first point repeated last); returns the number written.

    Rings with a perimeter below four spacings keep eight points.
    """
    written = 0
    out_offsets[0] = 0
    for ring in range(len(offsets) - 1):
        first, last = offsets[ring], offsets[ring + 1]
        length = 0.0
        for n in range(first, last - 1):
            length += math.hypot(points[n + 1, 0] - points[n, 0], points[n + 1, 1] - points[n, 1])
        count = max(int(length / spacing + 0.5), 8)
        n = first
        passed = 0.0
        edge = math.hypot(points[n + 1, 0] - points[n, 0], points[n + 1, 1] - points[n, 1])
        for q in range(count):
            wanted = length * q / count
            while passed + edge < wanted and n < last - 2:
                passed += edge
                n += 1
                edge = math.hypot(points[n + 1, 0] - points[n, 0], points[n + 1, 1] - points[n, 1])
            share = (wanted - passed) / edge if edge > 0.0 else 0.0
            out[written, 0] = points[n, 0] + share * (points[n + 1, 0] - points[n, 0])
            out[written, 1] = points[n, 1] + share * (points[n + 1, 1] - points[n, 1])
            written += 1
        out_offsets[ring + 1] = written
    return written


@njit(cache=True, nogil=True)
def spline_weights(position, scale, first, value, slope, bend):  # type: ignore[no-untyped-def]
    """Weights of the quintic B-spline stretched by `scale` voxels at `position`, and of its two derivatives."""
    for n in range(len(value)):
        x = (position - (first + n)) / scale
        a = abs(x)
        sign = 1.0 if x > 0.0 else -1.0
        if a < 1.0:
            w = 0.55 + a * a * (-0.5 + a * a * (0.25 - a / 12.0))
            d = a * (-1.0 + a * a * (1.0 - a * 5.0 / 12.0))
            b = -1.0 + a * a * (3.0 - a * 5.0 / 3.0)
        elif a < 2.0:
            w = 0.425 + a * (0.625 + a * (-1.75 + a * (1.25 + a * (-0.375 + a / 24.0))))
            d = 0.625 + a * (-3.5 + a * (3.75 + a * (-1.5 + a * 5.0 / 24.0)))
            b = -3.5 + a * (7.5 + a * (-4.5 + a * 5.0 / 6.0))
        elif a < 3.0:
            c = 3.0 - a
            w = c * c * c * c * c / 120.0
            d = -c * c * c * c / 24.0
            b = c * c * c / 6.0
        else:
            w = 0.0
            d = 0.0
            b = 0.0
        # whole stretches sum to one exactly: refinable
        value[n] = w / scale
        slope[n] = sign * d / (scale * scale)
        bend[n] = b / (scale * scale * scale)


@njit(cache=True, nogil=True)
def smooth_derivatives(values, index, scale, stride, bends, out):  # type: ignore[no-untyped-def]
    """Value, gradient and (where `bends`) second derivatives at (n, 3) indices, smoothed by a quintic B-spline.

    scale : (3,) stretch of the B-spline along k, j, i, whole voxels; its variance is scale^2 / 2 voxels^2.
    stride : (3,) every how many voxels one is used; scale and derivatives then count in such steps.
    out : (n, 10), per voxel: f, f_k, f_j, f_i, f_kk, f_jj, f_ii, f_kj, f_ki, f_ji.
    """
    sk, sj, si = stride[0], stride[1], stride[2]
    nk, nj, ni = (values.shape[0] - 1) // sk + 1, (values.shape[1] - 1) // sj + 1, (values.shape[2] - 1) // si + 1
    wide = np.empty(3, dtype=np.int64)
    for a in range(3):
        wide[a] = math.ceil(6.0 * scale[a])
    kv, ks, kb = np.empty(wide[0]), np.empty(wide[0]), np.empty(wide[0])
    jv, js, jb = np.empty(wide[1]), np.empty(wide[1]), np.empty(wide[1])
    iv, is_, ib = np.empty(wide[2]), np.empty(wide[2]), np.empty(wide[2])
    at = np.empty(wide[2], dtype=np.uint64)
    six = wide[2] == 6
    for n in range(len(index)):
        k0 = math.floor(index[n, 0] / sk - 3.0 * scale[0]) + 1
        j0 = math.floor(index[n, 1] / sj - 3.0 * scale[1]) + 1
        i0 = math.floor(index[n, 2] / si - 3.0 * scale[2]) + 1
        spline_weights(index[n, 0] / sk, scale[0], k0, kv, ks, kb)
        spline_weights(index[n, 1] / sj, scale[1], j0, jv, js, jb)
        spline_weights(index[n, 2] / si, scale[2], i0, iv, is_, ib)
        for c in range(wide[2]):
            at[c] = si * min(max(i0 + c, 0), ni - 1)
        p0, p1, p2, p3, p4, p5 = at[0], at[1], at[2], at[3], at[4], at[5]
        v0, v1, v2, v3, v4, v5 = iv[0], iv[1], iv[2], iv[3], iv[4], iv[5]
        s0, s1, s2, s3, s4, s5 = is_[0], is_[1], is_[2], is_[3], is_[4], is_[5]
        b0, b1, b2, b3, b4, b5 = ib[0], ib[1], ib[2], ib[3], ib[4], ib[5]
        for q in range(10):
            out[n, q] = 0.0
        for a in range(wide[0]):
            k = np.uint64(sk * min(max(k0 + a, 0), nk - 1))
            v = 0.0
            v_i = 0.0
            v_ii = 0.0
            v_j = 0.0
            v_ji = 0.0
            v_jj = 0.0
            for b in range(wide[1]):
                row = values[k, np.uint64(sj * min(max(j0 + b, 0), nj - 1))]
                f, f_i, f_ii = 0.0, 0.0, 0.0
                if six:  # in pairs: the processor does at once what does not wait for each other
                    x0, x1, x2 = row[p0], row[p1], row[p2]
                    x3, x4, x5 = row[p3], row[p4], row[p5]
                    f = (v0 * x0 + v1 * x1) + (v2 * x2 + v3 * x3) + (v4 * x4 + v5 * x5)
                    f_i = (s0 * x0 + s1 * x1) + (s2 * x2 + s3 * x3) + (s4 * x4 + s5 * x5)
                    if bends:
                        f_ii = (b0 * x0 + b1 * x1) + (b2 * x2 + b3 * x3) + (b4 * x4 + b5 * x5)
                else:
                    for c in range(wide[2]):
                        sample = row[at[c]]
                        f += iv[c] * sample
                        f_i += is_[c] * sample
                        f_ii += ib[c] * sample
                v += jv[b] * f
                v_i += jv[b] * f_i
                v_j += js[b] * f
                if bends:
                    v_ii += jv[b] * f_ii
                    v_ji += js[b] * f_i
                    v_jj += jb[b] * f
            out[n, 0] += kv[a] * v
            out[n, 1] += ks[a] * v
            out[n, 2] += kv[a] * v_j
            out[n, 3] += kv[a] * v_i
            if bends:
                out[n, 4] += kb[a] * v
                out[n, 5] += kv[a] * v_jj
                out[n, 6] += kv[a] * v_ii
                out[n, 7] += ks[a] * v_j
                out[n, 8] += ks[a] * v_i
                out[n, 9] += kv[a] * v_ji


def doubled_rings(points: FloatArray, offsets: np.ndarray) -> FloatArray:
    """Rings (n, 2) of evenly spread points with a point between each pair (2 n, 2), for polygons that keep the area.

    Source of the points between: Dyn, Levin & Gregory 1987, CAGD 4:257, tension 1/16 (reproduces cubics). A chord c
    of curvature k cuts off k c^3 / 12, so each point is moved out by k c^2 / 12: minus a twelfth of the second
    difference.
    """

    def shifted(values: FloatArray, by: int, per_point: int) -> FloatArray:
        place = np.arange(len(values))
        ring = np.repeat(np.arange(len(offsets) - 1), per_point * np.diff(offsets))
        first, count = per_point * offsets[:-1][ring], per_point * np.diff(offsets)[ring]
        result: FloatArray = values[first + (place - first + by) % count]
        return result

    ahead = shifted(points, 1, 1)
    between = (9.0 * (points + ahead) - shifted(points, -1, 1) - shifted(ahead, 1, 1)) / 16.0
    doubled = np.stack([points, between], axis=1).reshape(-1, 2)
    bend: FloatArray = shifted(doubled, -1, 2) - 2.0 * doubled + shifted(doubled, 1, 2)
    return doubled - bend / 12.0
