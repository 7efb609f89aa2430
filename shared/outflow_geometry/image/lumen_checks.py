"""Is the outflow lumen that was found the one the landmarks speak of? Points LPS, mm; HU; grids [k, j, i].

Blood that the landmarks place in ventricle, outflow tract and root must be in the lumen, the landmarks' own lines must
run in blood, and the ventricle's volume must be that of a ventricle of this ring and length. What fails is a status.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.separation import QUIET, Separation
from outflow_geometry.landmarks.anatomy import Anatomy

LOUD = 1.9 * QUIET
"""Share of the contrast that noise may keep after the widest smoothing: beyond it most of the thin-walled test hearts
leak or lose blood."""

LOUD_BEFORE = 0.3
"""Share of the contrast that noise may have before smoothing, on the 1 mm grid; beyond it volumes err by over 4 %."""

CUT_OFF = 0.15
"""Share of a line's blood that may be outside the lumen: the line crosses a leaflet or the border at the ring."""

LEAST_BLOOD = 0.5
"""Share of the line from ring to apex that must be in blood: papillary muscles and trabeculae cross less of it."""

ALONG_VENTRICLE = (0.15, 0.75)
"""Part of the way from ring centre to apex that is surely cavity, whatever the valve and the trabeculae do."""

ALONG_AORTA = (-8.0, 5.0)
"""mm on the aortic axis, from tract to root, that is surely lumen."""

VOLUME_RATIO = (0.2, 8.0)
"""Bounds of the ventricle's volume as a multiple of half an ellipsoid on the ring that reaches to the apex (2/3 ring
area times length): 15 ml of a small, strongly contracted ventricle is 0.4 of it, 400 ml of a dilated one 5. Lengths and
areas of normal and dilated hearts: common practice, no source."""


def lumen_doubt(
    label: NDArray[np.int8],
    outflow: int,
    grid: Volume,
    parted: Separation,
    level: BloodLevel,
    anatomy: Anatomy,
    path: FloatArray | None,
) -> str:
    """`ok`, or what speaks against the lumen: `noise_too_high`, `lumen_incomplete`, `landmarks_outside_blood`.

    label : territories on the coarse `grid`, of which `outflow` is the lumen's; path : (n, 3) points of the reader's
    outflow path in order, or None.
    """
    if parted.noise > LOUD * level.contrast_hu or parted.raw_noise > LOUD_BEFORE * level.contrast_hu:
        return "noise_too_high"
    lines = [anatomy.aortic_center + np.linspace(*ALONG_AORTA, 27)[:, None] * anatomy.aortic_plane.normal]
    if path is not None and len(path) > 1:
        knots = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
        fine = np.arange(0.0, knots[-1], 0.5)
        lines.append(np.stack([np.interp(fine, knots, path[:, axis]) for axis in range(3)], axis=-1))
    if anatomy.has("lv_apex"):
        lines.append(
            anatomy.ring_center + np.linspace(*ALONG_VENTRICLE, 61)[:, None] * (anatomy.apex - anatomy.ring_center)
        )
    for place, line in enumerate(lines):
        inside, bright = _along(line, label == outflow, grid, parted.values, level, anatomy)
        if anatomy.has("lv_apex") and place == len(lines) - 1 and len(bright) and bright.mean() < LEAST_BLOOD:
            return "landmarks_outside_blood"
        if bright.any() and float((bright & ~inside).sum()) > CUT_OFF * len(bright):
            return "lumen_incomplete"
    return _volume_doubt(label == outflow, grid, parted, anatomy)


def _along(
    line: FloatArray,
    lumen: NDArray[np.bool_],
    grid: Volume,
    values: NDArray[np.float32],
    level: BloodLevel,
    anatomy: Anatomy,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which points of a line are in the lumen, and in blood; without those on the atrial side or outside the image."""
    line = line[~anatomy.atrial_side(line)]
    index = np.round(grid.to_index(line)).astype(np.int64)
    index = index[np.all((index >= 1) & (index < np.asarray(grid.values.shape) - 1), axis=-1)]
    here = values[tuple(index.T)]
    return lumen[tuple(index.T)], (here > level.threshold_hu) & (here < level.ceiling_hu)


def _volume_doubt(lumen: NDArray[np.bool_], grid: Volume, parted: Separation, anatomy: Anatomy) -> str:
    if not anatomy.has("lv_apex") or not bool(np.all(grid.contains(anatomy.apex[None]))):
        return "ok"
    voxels = np.argwhere(lumen & (parted.distance > 0.0))
    points = grid.to_points(voxels)
    below = ~anatomy.atrial_side(points) & (anatomy.aortic_plane.height(points) < 0.0)
    volume = float(below.sum()) * float(np.prod(grid.spacing))
    length = float(np.linalg.norm(anatomy.apex - anatomy.ring_center))
    ratio = volume / (2.0 / 3.0 * anatomy.ring_contour.area * length)
    return "ok" if VOLUME_RATIO[0] <= ratio <= VOLUME_RATIO[1] else "lumen_incomplete"
