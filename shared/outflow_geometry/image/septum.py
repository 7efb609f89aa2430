"""Thickness of the basal septum between the blood edges on its two sides.

All points LPS, mm, float64.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Volume, unit
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.landmarks.leaflet import septum_plane

BASAL_DEPTH = 20.0
"""mm upstream of the aortic plane: the basal septum, where thickness bears on the outflow tract."""

LOCAL_TILT = 35.0
"""degrees by which the septum's local surface may lean from the mean plane of its points."""

DISC_RADIUS = 1.5
"""mm of the disc over which profiles are averaged: a third of the noise of one ray, finer than the septum bends."""

RAY_STEP = 0.4
"""mm between samples of a ray: below the smallest usual voxel, so that linear interpolation sees each one."""

RAY_SMOOTHING = 0.75
"""mm; smoothing along the ray where blood is looked for; the edge itself is found on the unsmoothed profile."""

INTO_BLOOD = 8.0
"""mm from the landmark to the left ventricular edge: readers miss it by less."""

ALIGNED_INTO_BLOOD = 3.0
"""mm; the same once the edge has been found."""

THINNEST_SEPTUM, THICKEST_SEPTUM = 1.5, 40.0
"""mm between which a second edge can be the septum's (from memory: the thickest septa reach about 40 mm)."""

LEAST_RISE, NOISE_RISE = 30.0, 2.0
"""HU, and multiples of the noise, above muscle that show blood beyond the septum: disc means hold a third of it."""

LEAST_SEEN = 0.5
"""Share of the basal points that must show both edges: in one noisy invented heart 3 of 12 did, and the largest was
13.7 mm; without noise 9 of 12, and 23.8 mm."""

BLOOD_HOLDS = 3.0
"""mm over which blood beyond the septum must stay bright; a vessel or a noise peak is shorter."""


def septal_thickness(anatomy: Anatomy, volume: Volume, level: BloodLevel) -> float:
    """Largest thickness of the basal septum, mm.

    From each septum point within 20 mm upstream of the aortic plane: from the blood edge of the left ventricle, at
    right angles to it, to the blood edge beyond. The left edge is half-way between blood and muscle, the right one
    half-way between muscle and the blood found there, which may hold less contrast. Profiles are means over a disc
    of 1.5 mm radius; edges are linear between samples.

    Raises `septum_not_basal` (no point there), `no_right_ventricular_edge` (no blood beyond, e.g. no contrast in
    the right heart), and what the planes raise.

    Two slabs of blood with eleven voxels of 1 mm of muscle between them, seen from points on the left side:

    >>> from outflow_geometry import build_anatomy
    >>> x = np.arange(-30.0, 31.0)
    >>> hu = np.where((x > 5.0) | (x < -5.0), 380.0, 110.0)
    >>> volume = Volume(np.broadcast_to(hu, (61, 61, 61)).copy(), np.full(3, -30.0), np.eye(3), np.ones(3))
    >>> ring = np.array([[24.0, 0, 0], [18, 6, 0], [12, 0, 0], [18, -6, 0]])
    >>> hinges = np.array([[8.0, 0, 18], [14, 5, 18], [14, -5, 18]])
    >>> names = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")
    >>> anatomy = build_anatomy({
    ...     "mitral_ring": ring, "lv_apex": np.array([[18.0, 0, -40]]), **dict(zip(names, hinges[:, None])),
    ...     "septum": np.array([[5.0, -4, 8], [5, 4, 8], [5, 0, 14]])})
    >>> level = BloodLevel(380.0, 110.0, 245.0, 10.0, 27.0, "samples", "ok")
    >>> round(septal_thickness(anatomy, volume, level), 1)
    11.0
    """
    return _thickest(anatomy, volume, level)[0]


def septal_finding(anatomy: Anatomy, volume: Volume, level: BloodLevel) -> tuple[float, str]:
    """`septal_thickness`, and `septum_half_seen` where less than half of the basal points show both edges: the
    thickest place may be among the others. Raises as it does."""
    thickness, seen = _thickest(anatomy, volume, level)
    return thickness, "ok" if seen >= LEAST_SEEN else "septum_half_seen"


def _thickest(anatomy: Anatomy, volume: Volume, level: BloodLevel) -> tuple[float, float]:
    """Largest thickness, mm, and the share of basal points that show both edges."""
    points = anatomy.structure("septum")
    depth = -anatomy.aortic_plane.height(points)
    basal = points[(depth >= 0.0) & (depth <= BASAL_DEPTH)]
    count = len(basal)
    if not len(basal):
        raise GeometryError(
            "septum_not_basal", f"no septum point is within {BASAL_DEPTH:g} mm upstream of the aortic plane; add some"
        )
    through = septum_plane(anatomy).normal
    toward = np.broadcast_to(through, basal.shape)
    starts, _ = _left_edges(volume, level, basal, toward, INTO_BLOOD)
    basal, starts = basal[np.isfinite(starts)], starts[np.isfinite(starts)]
    edges = basal + starts[:, None] * through
    local = _edge_normals(volume, edges, through)
    starts, profiles = _left_edges(volume, level, edges, local, ALIGNED_INTO_BLOOD)
    found = [
        _right_edge(profile, start, level) - start
        for start, profile in zip(starts, profiles, strict=True)
        if np.isfinite(start)
    ]
    thickness = [t for t in found if np.isfinite(t)]
    if not thickness:
        raise GeometryError(
            "no_right_ventricular_edge", "no blood edge beyond the septum; the right heart may hold no contrast"
        )
    return float(max(thickness)), len(thickness) / count


def _along() -> FloatArray:
    return np.arange(-INTO_BLOOD, THICKEST_SEPTUM + INTO_BLOOD, RAY_STEP)


def _disc_means(volume: Volume, points: FloatArray, directions: FloatArray, along: FloatArray) -> FloatArray:
    """Mean HU (n, m) over a disc at right angles to `directions` (n, 3), at `along` (m,), mm, from `points` (n, 3)."""
    angles = np.arange(6) * math.pi / 3.0
    disc = np.vstack([[0.0, 0.0], DISC_RADIUS * np.stack([np.cos(angles), np.sin(angles)], axis=1)])
    seed = np.eye(3)[np.argmin(np.abs(directions), axis=1)]
    u = unit(seed - (seed * directions).sum(axis=1, keepdims=True) * directions)
    axes = np.stack([u, np.cross(directions, u)], axis=1)
    centers = points[:, None, :] + disc @ axes
    rays = centers[:, :, None, :] + along[:, None] * directions[:, None, None, :]
    index = np.moveaxis(volume.to_index(rays), -1, 0)
    values = map_coordinates(volume.values, index, output=np.float64, order=1, mode="nearest")
    result: FloatArray = values.mean(axis=1)
    return result


def _left_edges(
    volume: Volume, level: BloodLevel, points: FloatArray, directions: FloatArray, into_blood: float
) -> tuple[FloatArray, FloatArray]:
    """Place (n,), mm along `directions`, of the blood-to-muscle edge nearest 0 (NaN: none), and the profiles (n, m)."""
    along = _along()
    profiles = _disc_means(volume, points, directions, along)
    edges = np.full(len(points), np.nan)
    for row, excess in enumerate(profiles - level.threshold_hu):
        falls = np.flatnonzero((excess[:-1] > 0.0) & (excess[1:] <= 0.0) & (np.abs(along[:-1]) <= into_blood))
        if len(falls):
            edges[row] = _crossing(excess, along, int(falls[np.argmin(np.abs(along[falls]))]))
    return edges, profiles


def _edge_normals(volume: Volume, edges: FloatArray, through: FloatArray) -> FloatArray:
    """Unit directions (n, 3) from blood into muscle at `edges` (n, 3), by central differences of disc means.

    A direction more than 35 degrees off `through` is a trabecula's, and is replaced by it.
    """
    axes = np.eye(3)
    steps = np.asarray([-DISC_RADIUS, DISC_RADIUS])
    fall = np.stack(
        [
            -np.diff(_disc_means(volume, edges, np.broadcast_to(axis, edges.shape), steps), axis=1)[:, 0]
            for axis in axes
        ],
        axis=1,
    )
    length = np.linalg.norm(fall, axis=1, keepdims=True)
    normals = np.where(length > 0.0, fall / np.maximum(length, 1e-9), through)
    aligned = normals @ through >= math.cos(math.radians(LOCAL_TILT))
    return np.where(aligned[:, None], normals, through)


def _right_edge(profile: FloatArray, start: float, level: BloodLevel) -> float:
    """Place, mm, of the muscle-to-blood edge beyond `start`; NaN where there is none."""
    along = _along()
    smooth = gaussian_filter1d(profile, RAY_SMOOTHING / RAY_STEP, mode="nearest")
    bright = smooth > level.muscle_hu + max(LEAST_RISE, NOISE_RISE * level.noise_hu)
    hold = round(BLOOD_HOLDS / RAY_STEP)
    first = int(np.searchsorted(along, start + THINNEST_SEPTUM))
    for at in range(first, len(along) - hold):
        if bright[at : at + hold].all():
            plateau = float(np.median(profile[at + hold // 2 : at + 2 * hold]))
            excess = profile - 0.5 * (plateau + level.muscle_hu)
            rises = np.flatnonzero((excess[:-1] <= 0.0) & (excess[1:] > 0.0))
            rises = rises[rises >= first - 1]
            if not len(rises):
                return math.nan
            edge = _crossing(excess, along, int(rises[np.argmin(np.abs(rises - at))]))
            return edge if edge - start <= THICKEST_SEPTUM else math.nan
    return math.nan


def _crossing(excess: FloatArray, along: FloatArray, index: int) -> float:
    share = excess[index] / (excess[index] - excess[index + 1])
    return float(along[index] + share * (along[index + 1] - along[index]))
