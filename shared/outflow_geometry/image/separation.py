"""Where walls part the chambers, at a scale at which the noise of the image does not decide.

Images HU, indexed [k, j, i]; lengths mm. A wall is what is dark, or a thin dark sheet (black top-hat). In noise both
are found in open blood as well, so the coarse image is smoothed first, no further than its own noise asks for, and
pieces of wall that lie alone in blood are dropped. The blood's edge is not found here.

Sources: Serra 1982, Image Analysis and Mathematical Morphology (closing minus image); hysteresis of two thresholds:
Canny 1986, IEEE PAMI 8:679.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.frames import Volume

Image = NDArray[np.float32]

THIN_WALL = 5.0
"""mm; dark sheets up to this width are searched as walls: 1 mm of muscle seen with a blur of 2 mm."""

WALL_SHARE = 0.65
"""Share of the contrast between blood and muscle under which a voxel counts as wall."""

SHEET_DEPTH = (0.15, 0.35)
"""Least and largest depth, as a share of the contrast, that makes a dark sheet a wall. A wall of 0.5 mm seen with
1 mm blur dips by 0.35 on the coarse grid, one of 0.6 mm seen with 1.5 mm blur by 0.2."""

SHEET_SIGNIFICANCE = (4.5, 3.5)
"""Standard deviations (from the median absolute deviation) above the dips of noise in plain blood: in a quiet image,
and in a smoothed one, where single pieces of wall are dropped and a thin wall dips less."""

SCALES = (0.0, 0.45, 0.6, 0.75, 0.9, 1.1, 1.3, 1.5)
"""mm; standard deviations of the Gaussian from which the one that parts chambers is chosen, by the noise it leaves."""

QUIET = 0.04
"""Share of the contrast that noise may have where chambers are parted: dips of plain blood then keep under the largest
sheet depth, and a wall by brightness is nine standard deviations away. The dip of a thin wall falls more slowly with
smoothing than the dips of noise, so more smoothing finds it better, up to some 1.5 mm."""

HELD = (-0.5, 0.25)
"""Shares of the contrast below muscle and above blood at which values are held before smoothing: a bright right heart
does not fill the wall beside it, and lung does not make one."""

CORE_SCALE, CORE_SHARE, CORE_SLOPE = 2.0, 0.15, 0.06
"""mm; share of the contrast; share per mm. Blood whose surroundings at this scale are that near blood's level and that
even is far from any wall: there noise is measured."""

FEWEST_CORE = 300
"""Voxels; of fewer, noise is known to less than a tenth, and blood nearer to walls is taken in."""

SLOW = 5.0
"""mm; slower changes than this are not noise but uneven mixing of contrast medium."""

NOISE_BOX = 28.0
"""mm from the middle of the blood to the sides of the box in which noise is measured."""

SMALLEST_WALL = 60.0
"""mm3; in a noisy image a piece of wall smaller than this, alone in blood, is noise or a chorda: a cube of 4 mm."""

SOLID_SHARE = 0.3
"""Share of the contrast under which a voxel is surely muscle: pieces of wall are kept where they hold such a core."""


@dataclass(frozen=True)
class Separation:
    """What parts the chambers of one image at one blood and muscle level.

    values : HU of the coarse grid, smoothed so far that noise does not decide.
    distance : mm of each coarse blood voxel from the nearest wall, thin dark sheets counted as wall.
    scale : mm, standard deviation of the smoothing; noise : HU left after it; raw_noise : HU of the coarse grid.
    """

    values: Image
    distance: Image
    scale: float
    noise: float
    raw_noise: float


def separated(coarse: Volume, blood_hu: float, muscle_hu: float, ceiling_hu: float) -> Separation:
    """Walls of the coarse image at these levels, HU; what is brighter than `ceiling_hu` is calcium or metal: wall."""
    contrast = blood_hu - muscle_hu
    held = np.clip(coarse.values, muscle_hu + HELD[0] * contrast, blood_hu + HELD[1] * contrast)
    raw_noise, scale, noise = _quiet_scale(coarse.values, held, coarse.spacing[::-1], blood_hu, contrast)
    values = held if scale > 0.0 else coarse.values
    smooth = ndimage.gaussian_filter(values, np.maximum(scale / coarse.spacing[::-1], 0.5))
    dip = _closed(smooth, coarse) - smooth
    values = smooth if scale > 0.0 else values
    bright = dip[np.abs(values - blood_hu) < 0.25 * contrast]
    middle = float(np.median(bright)) if len(bright) else 0.0
    low, high = SHEET_DEPTH[0] * contrast, SHEET_DEPTH[1] * contrast
    sheet = float(np.clip(middle + SHEET_SIGNIFICANCE[scale > 0.0] * _spread(bright), low, high))
    wall = (values < muscle_hu + WALL_SHARE * contrast) | (dip > sheet)
    if scale > 0.0:
        size = float(np.prod(coarse.spacing))
        wall &= ~_alone(wall, values < muscle_hu + SOLID_SHARE * contrast, SMALLEST_WALL / size)
    wall |= coarse.values > ceiling_hu
    distance = ndimage.distance_transform_edt(~wall, sampling=[float(s) for s in coarse.spacing[::-1]])
    return Separation(values, distance.astype(np.float32), scale, noise, raw_noise)


def _closed(values: Image, coarse: Volume) -> Image:
    """The image with dark sheets of THIN_WALL filled."""
    size = [2 * max(1, round(THIN_WALL / 2.0 / float(s))) + 1 for s in coarse.spacing[::-1]]
    closed: Image = ndimage.grey_closing(values, size=size)
    return closed


def _quiet_scale(
    values: Image, held: Image, spacing: NDArray[np.float64], blood_hu: float, contrast: float
) -> tuple[float, float, float]:
    """Noise, HU, of the image, the smoothing, mm, that leaves QUIET of the contrast, and the noise that it leaves.

    Measured at each scale in blood far from walls, so whatever the noise's grain is.
    """
    blood = np.argwhere(np.abs(values[::4, ::4, ::4] - blood_hu) < CORE_SHARE * contrast)
    middle = 4 * np.median(blood, axis=0).astype(int) if len(blood) else np.asarray(values.shape) // 2
    reach = np.ceil(NOISE_BOX / spacing).astype(int)
    place = tuple(slice(max(0, m - r), m + r + 1) for m, r in zip(middle, reach, strict=True))
    box, raw = held[place], values[place]
    if min(box.shape) < 3:
        return 0.0, 0.0, 0.0

    def smoothed(scale: float) -> Image:
        return ndimage.gaussian_filter(box, scale / spacing)  # type: ignore[no-any-return]

    around = smoothed(CORE_SCALE)
    slope = np.sqrt(sum(np.square(g / s) for g, s in zip(np.gradient(around), spacing, strict=True)))
    core = (np.abs(around - blood_hu) < CORE_SHARE * contrast) & (slope < CORE_SLOPE * contrast)
    if int(core.sum()) < FEWEST_CORE:
        core = np.abs(around - blood_hu) < 2.0 * CORE_SHARE * contrast
    if not core.any():
        return 0.0, 0.0, 0.0
    # the mean of the core's own surroundings: walls beside it take no part
    weight = ndimage.gaussian_filter(core.astype(np.float32), SLOW / spacing)
    slow = ndimage.gaussian_filter(np.where(core, box, np.float32(0.0)), SLOW / spacing)[core] / weight[core]
    found = [_spread(raw[core] - slow)]
    if found[0] <= QUIET * contrast:
        return found[0], 0.0, found[0]
    for scale in SCALES[1:]:
        found.append(_spread(smoothed(scale)[core] - slow))
        if found[-1] <= QUIET * contrast:
            break
    return found[0], SCALES[len(found) - 1], found[-1]


def _spread(values: Image) -> float:
    """Standard deviation, from the median absolute deviation; 0 of nothing."""
    if len(values) == 0:
        return 0.0
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _alone(wall: NDArray[np.bool_], solid: NDArray[np.bool_], fewest: float) -> NDArray[np.bool_]:
    """Voxels of the pieces of wall with fewer than `fewest` voxels and no solid core."""
    pieces, count = ndimage.label(wall, structure=np.ones((3, 3, 3)))
    small = np.bincount(pieces.ravel(), minlength=count + 1) < fewest
    small[np.unique(pieces[solid])] = False
    small[0] = False
    result: NDArray[np.bool_] = small[pieces]
    return result
