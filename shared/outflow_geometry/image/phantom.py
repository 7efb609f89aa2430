"""An invented image to try the functions on: a ventricle and a straight outflow tract of known size.

All points LPS, mm, float64; image HU. Nothing here is a patient.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from outflow_geometry.base.frames import FloatArray, Volume

TRACT_RADIUS = 10.0
"""mm; so each section across the tract has 100 pi = 314.16 mm2."""

BLOOD_HU, MUSCLE_HU = 380.0, 110.0
BLUR, NOISE = 0.7, 10.0
"""Standard deviations of the blur, mm, and of the noise, HU."""

SPACING = 0.8
"""mm along each axis."""

AORTIC_CENTER = np.array([19.0, 0.0, -2.0])
TRACT_AXIS = np.array([np.cos(np.radians(55.0)), 0.0, np.sin(np.radians(55.0))])
"""Unit vector from the ventricle to the aorta."""

VENTRICLE_CENTER = np.array([0.0, 0.0, -30.0])
VENTRICLE_SEMI_AXES = np.array([21.0, 20.0, 30.0])

LOW, HIGH = np.array([-28.0, -26.0, -66.0]), np.array([44.0, 26.0, 18.0])
"""Corners of the image, mm."""


def straight_tract() -> tuple[dict[str, FloatArray], Volume]:
    """An invented reading: its landmarks, (n, 3) mm by structure, and its image.

    The mitral ring is a circle of radius 15 mm in the plane z = 0; the ventricle is an ellipsoid below it. The tract
    is a cylinder of radius 10 mm that crosses the aortic plane at right angles and leaves the image; there is no
    atrium and no right heart.

    >>> landmarks, volume = straight_tract()
    >>> sorted(landmarks)[-3:], volume.values.shape
    (['lv_apex', 'mitral_ring', 'outflow_path'], (106, 66, 91))
    """
    side = np.array([TRACT_AXIS[2], 0.0, -TRACT_AXIS[0]])
    around = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    landmarks = {
        "mitral_ring": 15.0 * np.stack([np.cos(around), np.sin(around), np.zeros(16)], axis=1),
        "lv_apex": np.array([[0.0, 0.0, -60.0]]),
        "outflow_path": AORTIC_CENTER + np.linspace(-24.0, 4.0, 8)[:, None] * TRACT_AXIS,
    }
    for name, turn in (("left", 20.0), ("right", -100.0), ("non", 140.0)):
        angle = np.radians(turn)
        hinge = AORTIC_CENTER + TRACT_RADIUS * (np.cos(angle) * side + np.sin(angle) * np.array([0.0, 1.0, 0.0]))
        landmarks[f"aortic_hinge_{name}"] = hinge[None]
    count = np.floor((HIGH - LOW) / SPACING + 1e-9).astype(int) + 1
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in count[::-1]), indexing="ij"), axis=-1)[..., ::-1]
    depth = _depth(LOW + SPACING * grid)
    hu = MUSCLE_HU + (BLOOD_HU - MUSCLE_HU) * ndtr(depth / BLUR)
    hu += NOISE * np.random.default_rng(1).standard_normal(hu.shape)
    return landmarks, Volume(np.round(hu).astype(np.int16), LOW, np.eye(3), np.full(3, SPACING))


def _depth(points: FloatArray) -> FloatArray:
    """How far `points` (..., 3) are in the blood, mm; about that near the edge of the ventricle, exact in the tract."""
    way = points - AORTIC_CENTER
    along = way @ TRACT_AXIS
    across = np.linalg.norm(way - along[..., None] * TRACT_AXIS, axis=-1)
    tract = np.minimum(TRACT_RADIUS - across, along + 24.0)
    place = (points - VENTRICLE_CENTER) / VENTRICLE_SEMI_AXES
    size = np.linalg.norm(place, axis=-1)
    cavity = (1.0 - size) * size / np.maximum(np.linalg.norm(place / VENTRICLE_SEMI_AXES, axis=-1), 1e-9)
    result: FloatArray = np.maximum(tract, cavity)
    return result
