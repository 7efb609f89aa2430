"""The chest around the invented heart: signed distances in LPS, mm. Sizes: common anatomy, no source."""

from __future__ import annotations

import numpy as np

from outflow_cohort.demo import shapes
from outflow_cohort.demo.shapes import Array

DESCENDING_AORTA = (38.0, 72.0, 11.5)
"""x, y and radius."""


def skin(x: Array, y: Array) -> Array:
    """Outside of the body."""
    return shapes.ellipse(x, y - 12.0, 172.0, 122.0)


def chest_wall(x: Array, y: Array) -> Array:
    """Muscle layer of the chest wall, cavity included; subcutaneous fat is outside."""
    return shapes.ellipse(x, y - 8.0, 146.0, 106.0)


def cavity(x: Array, y: Array) -> Array:
    """Inside of the ribs."""
    return shapes.ellipse(x, y - 6.0, 128.0, 91.0)


def ribs(x: Array, y: Array, z: Array) -> Array:
    """Ribs: bands of the chest wall that slope forward and down."""
    layer = np.abs(cavity(x, y) - 6.0) - 3.6
    sloped = z + 0.42 * (y + 60.0)
    band = np.abs(np.mod(sloped, 27.0) - 13.5) - 6.0
    sternum = shapes.ellipsoid(x + 2.0, y + 92.0, z * 0.0, 19.0, 6.5, 1e3)
    result: Array = np.minimum(np.maximum(layer, band) * 0.8, sternum)
    return result


def vertebra(x: Array, y: Array, z: Array) -> tuple[Array, Array]:
    """Vertebral bone, and the canal with the discs."""
    body = shapes.ellipse(x - 1.0, y - 74.0, 19.0, 15.0)
    disc = np.maximum(body + 1.0, np.abs(np.mod(z + 5.0, 27.0) - 13.5) - 2.5)
    left = shapes.ellipse(x - 15.0, y - 92.0, 16.0, 5.0)
    right = shapes.ellipse(x + 13.0, y - 92.0, 16.0, 5.0)
    spine = shapes.ellipse(x - 1.0, y - 106.0, 4.0, 16.0)
    bone = np.minimum(body, np.minimum(spine, np.minimum(left, right)))
    canal = shapes.ellipse(x - 1.0, y - 96.0, 9.0, 7.0)
    return bone, np.minimum(canal, disc)


def diaphragm(x: Array, y: Array, z: Array) -> tuple[Array, Array]:
    """Liver under the right dome, and the organs under the left one."""
    liver = shapes.sphere(x + 42.0, y - 6.0, z + 174.0, 82.0)
    left = shapes.sphere(x - 78.0, y - 30.0, z + 186.0, 76.0)
    return liver, left


def descending_aorta(x: Array, y: Array) -> Array:
    """Descending aorta beside the spine."""
    cx, cy, radius = DESCENDING_AORTA
    return np.sqrt((x - cx) ** 2 + (y - cy) ** 2) - radius


def oesophagus(x: Array, y: Array) -> Array:
    """Oesophagus behind the atrium."""
    return shapes.ellipse(x - 8.0, y - 60.0, 7.5, 4.5)


def lung_vessels(x: Array, y: Array, z: Array, seed: int) -> Array:
    """Tubes where two wavy surfaces meet: a texture that looks like lung vessels."""
    a, b, c = 0.7 * seed, 1.3 * seed + 1.0, 2.1 * seed + 2.0
    first = np.sin(x / 8.5 + a) + np.sin(y / 7.0 + z / 19.0 + b) + np.sin(z / 8.0 - x / 23.0 + c)
    second = np.sin(y / 9.0 + c) + np.sin(z / 7.5 + x / 17.0 + a) + np.sin(x / 8.0 - y / 21.0 + b)
    result: Array = 5.5 * np.sqrt(first * first + second * second) - 1.8
    return result
