"""How far a reader's points are from the true structures of an invented heart. Points LPS, mm.

Curves and surfaces are compared as such: a reader may choose other places along them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import OutflowCurve, anterior_leaflet, chambers_at, true_landmarks
from outflow_cohort.demo.readers import plane_of

Array = NDArray[np.float64]
Points = Mapping[str, Array]

CLOSED = ("mitral_ring", "aortic_contour")
OPEN = ("anterior_leaflet", "outflow_path")
SAMPLES = ("blood_sample", "muscle_sample")
NOT_JUDGED = ("outflow_trace", "aortic_ring")
"""Structures of which an invented heart has no one truth."""
HEART_AXES = ("toward the aorta", "sideways", "toward the apex")
COMPONENTS: Mapping[str, tuple[str, ...]] = {
    **{name: ("outward", "toward the ventricle") for name in CLOSED},
    "septum": ("into the septum",),
}
"""Names of the components of an error by structure, positive; else HEART_AXES."""
OPPOSITE = {
    "outward": "inward",
    "toward the ventricle": "away from the ventricle",
    "into the septum": "into the blood",
    "toward the aorta": "away from the aorta",
    "sideways": "sideways",
    "toward the apex": "away from the apex",
}
DENSE = 720


@dataclass(frozen=True)
class StructureErrors:
    """Errors of one structure in one reading.

    vectors : (n, c), mm, one row per point, components of `COMPONENTS`; for samples (n, 1) how far outside its tissue a
    point is, 0 inside.
    """

    structure: str
    vectors: Array

    @property
    def distance(self) -> Array:
        """(n,), mm."""
        result: Array = np.linalg.norm(self.vectors, axis=1)
        return result


def components(structure: str) -> tuple[str, ...]:
    """Names of the components of a structure's errors."""
    return COMPONENTS.get(structure, HEART_AXES)


def errors_of(marked: Points, heart: HeartPhase) -> dict[str, StructureErrors]:
    """Errors of a reading's structures, (n, 3) each, of which the heart has a truth."""
    truth = true_points(heart)
    found = {}
    for name, points in marked.items():
        if name in truth and name not in NOT_JUDGED and len(points):
            found[name] = StructureErrors(name, _vectors(name, np.asarray(points, dtype=float), truth, heart))
    return found


def true_points(heart: HeartPhase) -> dict[str, Array]:
    """True landmarks (n, 3) by structure."""
    return {name: np.array(points, dtype=np.float64) for name, points in true_landmarks(heart).items()}


def _vectors(name: str, points: Array, truth: Points, heart: HeartPhase) -> Array:
    if name in CLOSED:
        return _to_closed(points, _dense_closed(name, heart), np.asarray(truth["lv_apex"])[0])
    if name in OPEN:
        return _along_axes(points - _nearest(points, _dense_open(name, heart)), heart)
    parts = chambers_at(heart, heart.to_local(points))
    if name == "septum":
        return _column(parts.ventricle)
    if name == "blood_sample":
        return np.maximum(_column(parts.left_blood), 0.0)
    if name == "muscle_sample":
        blood = np.minimum(_column(parts.left_blood), _column(parts.right_blood))
        return np.maximum(np.maximum(_column(parts.muscle), -blood), 0.0)
    exact = np.asarray(truth[name])
    if name == "post_tip":
        exact = exact[np.argmin(np.linalg.norm(points[:, None] - exact[None], axis=2), axis=1)]
    # one point of its own each: hinges, trigones, apex
    return _along_axes(points - (exact if len(exact) == len(points) else exact.mean(axis=0)), heart)


def _column(values: object) -> Array:
    """(n, 1), float64."""
    return np.array(values, dtype=np.float64)[:, None]


def _along_axes(vectors: Array, heart: HeartPhase) -> Array:
    """LPS vectors (n, 3) in the heart's own directions."""
    return np.array(vectors @ heart.axes.T, dtype=np.float64)


def _dense_closed(name: str, heart: HeartPhase) -> Array:
    angles = np.arange(DENSE) * (2.0 * np.pi / DENSE)
    if name == "mitral_ring":
        return np.asarray(heart.to_patient(heart.ring.points(angles)))
    ru, rv = heart.annulus_axes
    return np.asarray(heart.to_patient(heart.from_aortic(ru * np.cos(angles), rv * np.sin(angles), 0.0)))


def _dense_open(name: str, heart: HeartPhase) -> Array:
    if name == "anterior_leaflet":
        line = anterior_leaflet(heart)
        at = np.linspace(0.0, len(line) - 1.0, DENSE)
        local = np.stack([np.interp(at, np.arange(len(line)), line[:, k]) for k in range(3)], axis=1)
        return np.asarray(heart.to_patient(local))
    curve = OutflowCurve(heart)
    # on beyond both ends: a reader may begin deeper in the ventricle or go on into the aorta
    along, tangent = curve.at(np.linspace(curve.first, 30.0, DENSE))
    lead = along[0] - np.linspace(40.0, 1.0, 80)[:, None] * tangent[0]
    return np.asarray(heart.to_patient(np.vstack([lead, along])))


def _nearest(points: Array, dense: Array) -> Array:
    """Points (n, 3) of a dense line nearest to each of `points`."""
    nearest: Array = dense[np.argmin(np.linalg.norm(points[:, None] - dense[None], axis=2), axis=1)]
    return nearest


def _to_closed(points: Array, dense: Array, apex: Array) -> Array:
    """Errors (n, 2) across a closed curve: outward, and along its axis toward the apex."""
    middle, across = plane_of(dense)
    axis: Array = np.array(across if float((apex - middle) @ across) >= 0.0 else -across, dtype=np.float64)
    at = _nearest(points, dense)
    radial = at - middle
    radial = radial - (radial @ axis)[:, None] * axis
    radial = radial / np.maximum(np.linalg.norm(radial, axis=1, keepdims=True), 1e-9)
    away = points - at
    return np.array([np.sum(away * radial, axis=1), away @ axis], dtype=np.float64).T
