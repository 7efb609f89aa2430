"""Compiled outlines of a solid of revolution in planes, and rings of corners; imported on first use, cached on disk.

In the plane's frame along the axis (t, w) an outline is |w| <= W(t), W linear between knots.
Lengths mm, areas mm2.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

TINY = 1e-6
"""mm; shorter arcs of an outline are none (`solids.SHORTEST_SOLID`)."""


@njit(cache=True, nogil=True, error_model="numpy")
def device_knots(point, normal, axis_point, axis, helper, pieces, count, cosines, nodes, weights, frame, knots, widths):  # type: ignore[no-untyped-def]
    """Knots (k,) along the outline and half widths there; returns their number, 0 without outline, -1 in pieces.

    See `solids.outlines`. cosines : (n + 1,) of the arc's angles. nodes, weights : Gauss-Legendre over an arc, nodes as
    (cosine, sine) rows (g, 2). frame : (3, 3) filled with m, b and the foot of the plane.
    """
    c = normal @ axis
    off = normal - c * axis
    s = math.sqrt(off @ off)
    e = helper.copy()
    if s > 1e-9:
        e = off / s
    else:
        s = 0.0
    b = np.cross(axis, e)
    d = (point - axis_point) @ normal
    frame[0] = s * axis - c * e
    frame[1] = b
    frame[2] = d * normal + axis_point - point
    dc, ds = d * c, d * s
    steps = len(cosines) - 1
    filled = 0
    before, before_width, last = 0.0, 0.0, -2
    for k in range(count):
        z0, z1, r0, r1 = pieces[k, 0], pieces[k, 1], pieces[k, 2], pieces[k, 3]
        slope = (r1 - r0) / (z1 - z0)
        low, high = -math.inf, math.inf
        if s > 0.0:
            low, high = (z0 - dc) / s, (z1 - dc) / s
        elif dc < z0 or dc > z1:
            continue
        at_zero = r0 + slope * (dc - z0)
        for sign in (-1.0, 1.0):
            constant, rate = at_zero + sign * ds, slope * s - sign * c
            if rate > 0.0:
                low = max(low, -constant / rate)
            elif rate < 0.0:
                high = min(high, -constant / rate)
            elif constant < 0.0:
                high = -math.inf
        if not high - low > TINY:
            continue
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        rate = slope * s
        start = filled
        for n in range(steps + 1):
            t = middle - half * cosines[n]
            radius, x = at_zero + rate * t, ds - c * t
            knots[start + n] = t
            widths[start + n] = math.sqrt(max((radius - x) * (radius + x), 0.0))
        filled = start + steps + 1
        first_tip, last_tip = widths[start] <= TINY, widths[filled - 1] <= TINY
        t0, w0 = knots[start], widths[start]
        if first_tip:
            knots[start] -= (knots[start + 1] - t0) / 6.0
        for n in range(start + 1, filled - 1):
            t1, w1 = knots[n], widths[n]
            knots[n] -= (knots[n + 1] - 2.0 * t1 + t0) / 12.0
            widths[n] -= (widths[n + 1] - 2.0 * w1 + w0) / 12.0
            t0, w0 = t1, w1
        if last_tip:
            knots[filled - 1] -= (t0 - knots[filled - 1]) / 6.0
        polygon = 0.0
        for n in range(start, filled - 1):
            polygon += 0.5 * (widths[n] + widths[n + 1]) * (knots[n + 1] - knots[n])
        exact = 0.0
        for n in range(len(weights)):
            t = middle - half * nodes[n, 0]
            radius, x = at_zero + rate * t, ds - c * t
            exact += weights[n] * math.sqrt(max((radius - x) * (radius + x), 0.0)) * half * nodes[n, 1]
        exact *= 0.5 * math.pi
        for n in range(start, filled):
            widths[n] *= exact / polygon
        if start > 0 and not (k == last + 1 and low - before <= TINY and min(widths[start], before_width) > TINY):
            return -1
        before, before_width, last = high, widths[filled - 1], k
    return filled


@njit(cache=True, nogil=True, error_model="numpy")
def corner(index, knots, widths, count):  # type: ignore[no-untyped-def]
    """Corner of the outline, anticlockwise: below from the first knot to the last, then back above."""
    if index < count:
        return knots[index], -widths[index]
    back = 2 * count - 1 - index
    return knots[back], widths[back]


@njit(cache=True, nogil=True, error_model="numpy")
def inside_device(t, w, knots, widths, count):  # type: ignore[no-untyped-def]
    """Whether (t, w), mm, is inside the outline of `count` knots and half-widths."""
    if t <= knots[0] or t >= knots[count - 1]:
        return False
    n = min(max(np.searchsorted(knots[:count], t, side="right") - 1, 0), count - 2)
    gap = knots[n + 1] - knots[n]
    share = (t - knots[n]) / gap if gap > 0.0 else 0.0
    return abs(w) < widths[n] + share * (widths[n + 1] - widths[n])


@njit(cache=True, nogil=True, error_model="numpy")
def ring_holds(ring, t, w):  # type: ignore[no-untyped-def]
    """Whether a ring (k, 2), not closed, holds a point, by the even-odd rule."""
    inside = False
    before = len(ring) - 1
    for n in range(len(ring)):
        if (ring[n, 1] > w) != (ring[before, 1] > w):
            share = (w - ring[before, 1]) / (ring[n, 1] - ring[before, 1])
            if t < ring[before, 0] + share * (ring[n, 0] - ring[before, 0]):
                inside = not inside
        before = n
    return inside


@njit(cache=True, nogil=True, error_model="numpy")
def ring_distance(ring, t, w):  # type: ignore[no-untyped-def]
    """Distance, mm, of (t, w) from the ring's (n, 2) edges."""
    least = math.inf
    before = len(ring) - 1
    for n in range(len(ring)):
        x, y = ring[n, 0] - ring[before, 0], ring[n, 1] - ring[before, 1]
        px, py = t - ring[before, 0], w - ring[before, 1]
        square = x * x + y * y
        share = min(max((px * x + py * y) / square, 0.0), 1.0) if square > 0.0 else 0.0
        least = min(least, (px - share * x) ** 2 + (py - share * y) ** 2)
        before = n
    return math.sqrt(least)


@njit(cache=True, nogil=True, error_model="numpy")
def ring_area(ring):  # type: ignore[no-untyped-def]
    """Area, mm2, of a ring (n, 2), above 0 where its corners turn to the left."""
    total = 0.0
    x0, y0 = ring[0, 0], ring[0, 1]
    for n in range(1, len(ring) - 1):
        total += (ring[n, 0] - x0) * (ring[n + 1, 1] - y0) - (ring[n + 1, 0] - x0) * (ring[n, 1] - y0)
    return 0.5 * total


@njit(cache=True, nogil=True, error_model="numpy")
def ring_area_beyond(ring, constant, rate_t, rate_w):  # type: ignore[no-untyped-def]
    """Signed area of a ring where constant + rate_t t + rate_w w >= 0."""
    total, seen = 0.0, 0
    x0, y0, px, py = 0.0, 0.0, 0.0, 0.0
    before = len(ring) - 1
    high_before = constant + rate_t * ring[before, 0] + rate_w * ring[before, 1]
    for n in range(len(ring)):
        high = constant + rate_t * ring[n, 0] + rate_w * ring[n, 1]
        for step in range(2):
            if step == 0:
                if (high >= 0.0) == (high_before >= 0.0):
                    continue
                share = high_before / (high_before - high)
                x = ring[before, 0] + share * (ring[n, 0] - ring[before, 0])
                y = ring[before, 1] + share * (ring[n, 1] - ring[before, 1])
            else:
                if high < 0.0:
                    continue
                x, y = ring[n, 0], ring[n, 1]
            if seen == 0:
                x0, y0 = x, y
            else:
                total += (px - x0) * (y - y0) - (x - x0) * (py - y0)
            px, py = x, y
            seen += 1
        before, high_before = n, high
    return 0.5 * total


@njit(cache=True, nogil=True, error_model="numpy")
def edge_crossings(p, q, knots, widths, count, widest, shares, places, inward):  # type: ignore[no-untyped-def]
    """Where the edge p to q crosses the outline: shares of the edge, places along the outline, and whether it enters.

    Returns their number, in order along the edge, or -1 where there are too many.
    """
    low, high = min(p[0], q[0]), max(p[0], q[0])
    if high < knots[0] or low > knots[count - 1]:
        return 0
    if min(p[1], q[1]) > widest or max(p[1], q[1]) < -widest:
        return 0
    corners = 2 * count
    found = 0
    start = max(np.searchsorted(knots[:count], low, side="left") - 1, 0)
    n = start - 1
    while True:
        # the outline's edges below and above knot n, and at the ends its caps
        n += 1
        last = n >= count - 1 or knots[n] > high
        for side in range(2):
            if last:
                edge = count - 1 if side == 0 else corners - 1
                if (side == 0 and high < knots[count - 1]) or (side == 1 and low > knots[0]):
                    continue
            else:
                edge = n if side == 0 else corners - 2 - n
            ax, ay = corner(edge, knots, widths, count)
            bx, by = corner((edge + 1) % corners, knots, widths, count)
            one = (bx - ax) * (p[1] - ay) - (by - ay) * (p[0] - ax)
            two = (bx - ax) * (q[1] - ay) - (by - ay) * (q[0] - ax)
            if (one > 0.0) == (two > 0.0):
                continue
            three = (q[0] - p[0]) * (ay - p[1]) - (q[1] - p[1]) * (ax - p[0])
            four = (q[0] - p[0]) * (by - p[1]) - (q[1] - p[1]) * (bx - p[0])
            if (three > 0.0) == (four > 0.0):
                continue
            if found == len(shares):
                return -1
            share = one / (one - two)
            k = found
            while k > 0 and shares[k - 1] > share:
                shares[k], places[k], inward[k] = shares[k - 1], places[k - 1], inward[k - 1]
                k -= 1
            shares[k], places[k], inward[k] = share, edge + three / (three - four), two > 0.0
            found += 1
        if last:
            break
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def ray_reaches(corners, ring, middle, ways):  # type: ignore[no-untyped-def]
    """Nearest and farthest distance (n,) from `middle` (2,) along unit vectors `ways` (n, 2) at which closed rings are
    crossed; inf and 0 where none is. The nearest is 0 where the rings hold `middle`.

    corners : (k, 2), the first of a ring repeated at its end; ring : (k,) the ring of each.
    """
    nearest, farthest = np.full(len(ways), math.inf), np.zeros(len(ways))
    inside = False
    for n in range(len(corners) - 1):
        if ring[n + 1] != ring[n]:
            continue
        ax, ay = corners[n, 0] - middle[0], corners[n, 1] - middle[1]
        bx, by = corners[n + 1, 0] - middle[0], corners[n + 1, 1] - middle[1]
        if (ay > 0.0) != (by > 0.0) and ax + (bx - ax) * ay / (ay - by) > 0.0:
            inside = not inside
        for way in range(len(ways)):
            one = ways[way, 0] * ay - ways[way, 1] * ax
            two = ways[way, 0] * by - ways[way, 1] * bx
            if (one > 0.0) == (two > 0.0):
                continue
            share = one / (one - two)
            reach = ways[way, 0] * (ax + share * (bx - ax)) + ways[way, 1] * (ay + share * (by - ay))
            if reach > 0.0:
                nearest[way] = min(nearest[way], reach)
                farthest[way] = max(farthest[way], reach)
    if inside:
        nearest[:] = 0.0
    return nearest, farthest
