"""Outlines that are drawn on the plates of a case sheet: where contours cross a plane, annulus, device. LPS, mm."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from outflow_geometry.base.drawn import DrawnAorta, DrawnPlan
from outflow_geometry.base.frames import FloatArray


def crossings(contour: ArrayLike, point: ArrayLike, normal: ArrayLike) -> FloatArray:
    """Points (n, 3) where a closed contour (m, 3) crosses the plane through `point` with `normal`."""
    ring = np.asarray(contour, dtype=float).reshape(-1, 3)
    if len(ring) < 3:
        return np.empty((0, 3))
    following = np.roll(ring, -1, axis=0)
    a = (ring - np.asarray(point)) @ np.asarray(normal)
    b = (following - np.asarray(point)) @ np.asarray(normal)
    hit = (a >= 0) != (b >= 0)
    share = (a[hit] / (a[hit] - b[hit]))[:, None]
    result: FloatArray = ring[hit] + share * (following[hit] - ring[hit])
    return result


def trace(contour: ArrayLike, point: ArrayLike, normal: ArrayLike) -> FloatArray | None:
    """The two outermost crossings of a closed contour with a plane, (2, 3); None where it does not cross."""
    found = crossings(contour, point, normal)
    if len(found) < 2:
        return None
    direction = found[np.argmax(np.linalg.norm(found - found[0], axis=1))] - found[0]
    order = np.argsort(found @ direction)
    return found[[order[0], order[-1]]]


def aorta_outline(aorta: DrawnAorta | None) -> FloatArray | None:
    """The annulus: its traced contour, else the circle through the three hinges, (n, 3)."""
    if aorta is None:
        return None
    if aorta.contour:
        return np.asarray(aorta.contour, dtype=float)
    hinges = np.asarray(aorta.hinges or [], dtype=float).reshape(-1, 3)
    if len(hinges) != 3:
        return hinges if len(hinges) > 3 else None
    a, b = hinges[1] - hinges[0], hinges[2] - hinges[0]
    cross = np.cross(a, b)
    area2 = float(cross @ cross)
    if area2 < 1e-9:
        return None
    middle = hinges[0] + (np.cross(cross, a) * (b @ b) + np.cross(b, cross) * (a @ a)) / (2 * area2)
    u = hinges[0] - middle
    v = np.cross(cross / np.sqrt(area2), u)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)[:, None]
    result: FloatArray | None = middle + np.cos(angle) * u + np.sin(angle) * v
    return result


def device_silhouette(plan: DrawnPlan, view: ArrayLike, part: Sequence[float] | None = None) -> FloatArray | None:
    """Outline (n, 3) of a surface of revolution seen along `view`; `part` limits it to stations from, to."""
    profile = np.asarray(plan.profile, dtype=float).reshape(-1, 2)
    if len(profile) < 2 or plan.axis is None or plan.axis_point is None:
        return None
    stations, diameters = profile[:, 0], profile[:, 1]
    if part is not None:
        low, high = max(part[0], stations[0]), min(part[1], stations[-1])
        if not high > low:
            return None
        inner = stations[(stations > low) & (stations < high)]
        cut = np.concatenate([[low], inner, [high]])
        stations, diameters = cut, np.interp(cut, stations, diameters)
    axis = np.asarray(plan.axis, dtype=float)
    side = np.cross(axis, np.asarray(view, dtype=float))
    length = float(np.linalg.norm(side))
    if length < 1e-6:
        return None
    middle = np.asarray(plan.axis_point, dtype=float) + stations[:, None] * axis
    offset = diameters[:, None] / 2 * side / length
    return np.concatenate([middle + offset, (middle - offset)[::-1]])
