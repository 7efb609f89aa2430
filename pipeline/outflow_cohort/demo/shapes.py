"""Closed-form shapes as signed distances: negative inside, mm, exact or true to first order at the surface.

Coordinates are separate arrays of one shape and any float type, which is kept (float32 for images, float64 for
true values). Smooth unions after Quilez, "smooth minimum" (polynomial form), exact where the two distances
differ by more than the blend.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

TINY = 1e-6
"""mm; keeps divisions finite at the centre of a shape, where the sign alone matters."""


def union(a: Array, b: Array, blend: float = 0.0) -> Array:
    """Distance to a or b, rounded over `blend` mm where both are near."""
    if blend <= 0.0:
        return np.minimum(a, b)
    share = np.maximum(blend - np.abs(a - b), 0.0) / blend
    return np.minimum(a, b) - share * share * (blend / 4.0)


def common(a: Array, b: Array, blend: float = 0.0) -> Array:
    """Distance to what is in both a and b."""
    return -union(-a, -b, blend)


def without(a: Array, b: Array, blend: float = 0.0) -> Array:
    """Distance to a after b is cut out."""
    return -union(-a, b, blend)


def ellipsoid(x: Array, y: Array, z: Array, rx: float, ry: float, rz: float) -> Array:
    """Ellipsoid about the origin (first-order distance k0 (k0 - 1) / k1, Quilez)."""
    sx, sy, sz = x / rx, y / ry, z / rz
    k0 = np.sqrt(sx * sx + sy * sy + sz * sz)
    k1 = np.sqrt((sx / rx) ** 2 + (sy / ry) ** 2 + (sz / rz) ** 2) + TINY
    result: Array = k0 * (k0 - 1.0) / k1
    return result


def ellipse(u: Array, v: Array, ru: Array | float, rv: Array | float) -> Array:
    """Infinite elliptic cylinder; semi-axes may vary slowly along it."""
    su, sv = u / ru, v / rv
    k0 = np.sqrt(su * su + sv * sv)
    k1 = np.sqrt((su / ru) ** 2 + (sv / rv) ** 2) + TINY
    result: Array = k0 * (k0 - 1.0) / k1
    return result


def sphere(x: Array, y: Array, z: Array, radius: float) -> Array:
    """Sphere about the origin."""
    return np.sqrt(x * x + y * y + z * z) - radius


def cone(x: Array, y: Array, z: Array, start: Array, end: Array, r_start: float, r_end: float) -> Array:
    """Round-ended segment from `start` to `end` (3,) whose radius runs linearly from r_start to r_end."""
    ax, ay, az = (end - start).tolist()
    sx, sy, sz = start.tolist()  # plain floats keep the arrays' own precision
    px, py, pz = x - sx, y - sy, z - sz
    t = np.clip((px * ax + py * ay + pz * az) / (ax * ax + ay * ay + az * az), 0.0, 1.0)
    qx, qy, qz = px - t * ax, py - t * ay, pz - t * az
    result: Array = np.sqrt(qx * qx + qy * qy + qz * qz) - (float(r_start) + t * float(r_end - r_start))
    return result


def bullet(x: Array, y: Array, h: Array, rx: float, ry: float, length: float, power: float) -> Array:
    """Cavity (x/rx)² + (y/ry)² + (h/length)^power = 1 of h >= 0 with its apex at h = length; a cylinder for h < 0.

    First-order (Sampson) distance f / |grad f|.
    """
    level = np.maximum(h / length, 0.0)
    steep = level ** (power - 1.0)
    f = (x / rx) ** 2 + (y / ry) ** 2 + steep * level - 1.0
    gx, gy, gh = 2.0 * x / (rx * rx), 2.0 * y / (ry * ry), (power / length) * steep
    result: Array = f / np.sqrt(gx * gx + gy * gy + gh * gh + (0.4 / rx) ** 2)
    return result
