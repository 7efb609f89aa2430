"""Compiled loops for what a solid leaves of sections: exact areas of very many planes and solids in one call.

The same numbers as Shapely's difference of a section and the solid's outline, to rounding: the outline is the polygon
of `solids.outlines`, the parts that count are those of `sections.counted_parts`. In the plane's frame along the axis
(t, w) the outline is |w| <= W(t), W linear between knots, so an edge of the section meets it in few places.
Lengths mm, areas mm2.
"""

# mypy: disable-error-code="no-any-return, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from outflow_geometry.outflow.outline_kernels import (
    corner,
    device_knots,
    edge_crossings,
    inside_device,
    ring_area,
    ring_area_beyond,
    ring_distance,
    ring_holds,
)

UNTOLD = -1.0
"""Area of a plane whose outlines touch where they do not cross, or of a device outline in pieces: Shapely is asked."""


@njit(cache=True, nogil=True, error_model="numpy")
def residual_areas(  # type: ignore[no-untyped-def]
    corners,
    ring_start,
    ring_polygon,
    plane_start,
    points,
    normals,
    us,
    vs,
    aortic_lines,
    plane_of,
    solid_of,
    axis_points,
    axes,
    helpers,
    pieces,
    piece_counts,
    cosines,
    nodes,
    weights,
    at_path,
    least,
    beyond_part,
    areas,
):
    """Areas (n,) of the counted parts of section `plane_of` less solid `solid_of`; NaN without any, UNTOLD see there.

    corners : (k, 2) of all rings, outer ones anticlockwise, holes clockwise, not closed; ring r holds
    ring_start[r] : ring_start[r + 1], plane p the rings plane_start[p] : plane_start[p + 1].
    """
    most = 64
    knots = np.empty(pieces.shape[1] * len(cosines))
    widths = np.empty_like(knots)
    frame = np.empty((3, 3))
    longest, most_rings = 0, 0
    for plane in range(len(plane_start) - 1):
        first, last = plane_start[plane], plane_start[plane + 1]
        longest = max(longest, ring_start[last] - ring_start[first])
        most_rings = max(most_rings, last - first)
    flat = np.empty((longest + 1, 2))
    loops = np.empty((2 * longest + (most + 2) * (2 * len(knots) + 4), 2))
    loop_start = np.empty(most_rings + most + 3, dtype=np.int64)
    loop_polygon = np.empty(most_rings + most + 3, dtype=np.int64)
    loop_area = np.empty(most_rings + most + 3)
    home = np.empty(most_rings + most + 3, dtype=np.int64)
    sizes, away, beyond = np.empty(len(home)), np.empty(len(home)), np.empty(len(home))
    crossing_ring, crossing_edge = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
    crossing_place, crossing_in = np.empty(most), np.empty(most, dtype=np.bool_)
    crossing_point = np.empty((most, 2))
    rank, done = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.bool_)
    follows = np.empty(most, dtype=np.int64)
    shares, places, inward = np.empty(16), np.empty(16), np.empty(16, dtype=np.bool_)
    for job in range(len(plane_of)):
        plane, solid = plane_of[job], solid_of[job]
        areas[job] = math.nan
        first_ring, last_ring = plane_start[plane], plane_start[plane + 1]
        if last_ring == first_ring:
            continue
        count = device_knots(
            points[plane], normals[plane], axis_points[solid], axes[solid], helpers[solid], pieces[solid],
            piece_counts[solid], cosines, nodes, weights, frame, knots, widths,
        )  # fmt: skip
        if count < 0:
            areas[job] = UNTOLD
            continue
        u, v = us[plane], vs[plane]
        mu, mv, bu, bv = frame[0] @ u, frame[0] @ v, frame[1] @ u, frame[1] @ v
        shift_u, shift_v = frame[2] @ u, frame[2] @ v
        if mu * bv - mv * bu < 0.0:
            bu, bv = -bu, -bv
        base = ring_start[first_ring]
        for n in range(base, ring_start[last_ring]):
            x, y = corners[n, 0] - shift_u, corners[n, 1] - shift_v
            flat[n - base, 0], flat[n - base, 1] = x * mu + y * mv, x * bu + y * bv
        own_t, own_w = -shift_u * mu - shift_v * mv, -shift_u * bu - shift_v * bv
        widest = 0.0
        for n in range(count):
            widest = max(widest, widths[n])
        # crossings, ring by ring in their order
        crossings, filled, loop_count = 0, 0, 0
        broken = False
        loop_start[0] = 0
        for ring in range(first_ring, last_ring):
            start, end = ring_start[ring] - base, ring_start[ring + 1] - base
            before = crossings
            if count > 0:
                for n in range(start, end):
                    after = n + 1 if n + 1 < end else start
                    found = edge_crossings(flat[n], flat[after], knots, widths, count, widest, shares, places, inward)
                    if found < 0 or crossings + found > most:
                        broken = True
                        break
                    for k in range(found):
                        crossing_ring[crossings], crossing_edge[crossings] = ring, n
                        crossing_place[crossings], crossing_in[crossings] = places[k], inward[k]
                        for axis in range(2):
                            crossing_point[crossings, axis] = flat[n, axis] + shares[k] * (
                                flat[after, axis] - flat[n, axis]
                            )
                        crossings += 1
            if broken:
                break
            for k in range(before, crossings):
                follows[k] = k + 1 if k + 1 < crossings else before
                after = follows[k]
                if crossing_in[k] == crossing_in[after]:
                    broken = True
            if crossings == before and not (
                count > 0 and inside_device(flat[start, 0], flat[start, 1], knots, widths, count)
            ):
                loops[filled : filled + end - start] = flat[start:end]
                filled += end - start
                loop_polygon[loop_count] = ring_polygon[ring]
                loop_count += 1
                loop_start[loop_count] = filled
        if broken:
            areas[job] = UNTOLD
            continue
        corner_count = 2 * count
        if crossings == 0 and count > 0:
            # an outline that crosses nothing is outside of all rings or is a hole
            t, w = 0.5 * (knots[0] + knots[count - 1]), 0.0
            inside, polygon = False, -1
            for loop in range(loop_count):
                ring_now = loops[loop_start[loop] : loop_start[loop + 1]]
                if ring_holds(ring_now, t, w):
                    inside = not inside
                    polygon = loop_polygon[loop]
            if inside:
                for n in range(corner_count - 1, -1, -1):
                    loops[filled, 0], loops[filled, 1] = corner(n, knots, widths, count)
                    filled += 1
                loop_polygon[loop_count] = polygon
                loop_count += 1
                loop_start[loop_count] = filled
        if crossings > 0:
            for k in range(crossings):
                done[k] = False
                n = k
                while n > 0 and crossing_place[rank[n - 1]] > crossing_place[k]:
                    rank[n] = rank[n - 1]
                    n -= 1
                rank[n] = k
            for n in range(crossings):
                if crossing_in[rank[n]] == crossing_in[rank[n - 1 if n > 0 else crossings - 1]]:
                    broken = True
            if broken:
                areas[job] = UNTOLD
                continue
            for origin in range(crossings):
                if done[origin] or crossing_in[origin]:
                    continue
                k = origin
                while True:
                    # along the ring outside of the device, to where it enters
                    done[k] = True
                    ring = crossing_ring[k]
                    start, end = ring_start[ring] - base, ring_start[ring + 1] - base
                    after = follows[k]
                    loops[filled] = crossing_point[k]
                    filled += 1
                    if not (crossing_edge[after] == crossing_edge[k] and after > k):
                        n = crossing_edge[k]
                        while True:
                            n = n + 1 if n + 1 < end else start
                            loops[filled] = flat[n]
                            filled += 1
                            if n == crossing_edge[after]:
                                break
                    done[after] = True
                    loops[filled] = crossing_point[after]
                    filled += 1
                    # along the outline, clockwise, to where a ring leaves it
                    for n in range(crossings):
                        if rank[n] == after:
                            break
                    nearest = rank[n - 1 if n > 0 else crossings - 1]
                    here, there = int(crossing_place[after]), int(crossing_place[nearest])
                    steps = here - there if n > 0 else here - there + corner_count
                    for back in range(steps):
                        place = (here - back) % corner_count
                        loops[filled, 0], loops[filled, 1] = corner(place, knots, widths, count)
                        filled += 1
                    k = nearest
                    if k == origin:
                        break
                    if done[k]:
                        broken = True
                        break
                if broken:
                    break
                loop_polygon[loop_count] = ring_polygon[crossing_ring[origin]]
                loop_count += 1
                loop_start[loop_count] = filled
            if broken:
                areas[job] = UNTOLD
                continue
        # parts: each outer loop with the holes in it
        parts = 0
        for loop in range(loop_count):
            loop_area[loop] = ring_area(loops[loop_start[loop] : loop_start[loop + 1]])
            if loop_area[loop] > 0.0:
                parts += 1
        if parts == 0:
            continue
        if parts == 1:
            total = 0.0
            for loop in range(loop_count):
                total += loop_area[loop]
            if total > 0.0:
                areas[job] = total
            continue
        line = aortic_lines[plane]
        # height over the aortic plane in the frame of the outline
        constant = line[0] - beyond_part + line[1] * shift_u + line[2] * shift_v
        rate_t, rate_w = line[1] * mu + line[2] * mv, line[1] * bu + line[2] * bv
        for loop in range(loop_count):
            sizes[loop], beyond[loop] = loop_area[loop], 0.0
            home[loop] = loop
            away[loop] = math.inf
        for loop in range(loop_count):
            ring_now = loops[loop_start[loop] : loop_start[loop + 1]]
            mine = loop
            if loop_area[loop] <= 0.0:
                mine, candidates = -1, 0
                for other in range(loop_count):
                    if loop_area[other] > 0.0 and loop_polygon[other] == loop_polygon[loop]:
                        candidates += 1
                        if mine < 0 or ring_holds(
                            loops[loop_start[other] : loop_start[other + 1]], ring_now[0, 0], ring_now[0, 1]
                        ):
                            mine = other
                if mine < 0:
                    broken = True
                    break
                sizes[mine] += loop_area[loop]
            home[loop] = mine
            beyond[mine] += ring_area_beyond(ring_now, constant, rate_t, rate_w)
        if broken:
            areas[job] = UNTOLD
            continue
        for loop in range(loop_count):
            ring_now = loops[loop_start[loop] : loop_start[loop + 1]]
            holds = ring_holds(ring_now, own_t, own_w)
            if home[loop] == loop:
                away[loop] = min(away[loop], 0.0 if holds else ring_distance(ring_now, own_t, own_w))
        for loop in range(loop_count):
            mine = home[loop]
            if mine != loop:
                ring_now = loops[loop_start[loop] : loop_start[loop + 1]]
                if away[mine] == 0.0 and ring_holds(ring_now, own_t, own_w):
                    away[mine] = ring_distance(ring_now, own_t, own_w)
        own = -1
        for loop in range(loop_count):
            if home[loop] != loop or not sizes[loop] > 0.0:
                continue
            if own < 0:
                own = loop
                continue
            large, own_large = sizes[loop] >= least, sizes[own] >= least
            if at_path and large != own_large:
                if large:
                    own = loop
                continue
            if away[loop] < away[own] or (away[loop] == away[own] and sizes[loop] > sizes[own]):
                own = loop
        total = 0.0
        for loop in range(loop_count):
            if home[loop] != loop or not sizes[loop] > 0.0:
                continue
            if loop == own or (not at_path and sizes[loop] >= least and beyond[loop] <= 0.5 * sizes[loop]):
                total += sizes[loop]
        if own >= 0:
            areas[job] = total
