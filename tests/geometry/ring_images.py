"""Images of a metal ring: an upright cylindrical wall, blurred exactly in the plane across its axis.

All points LPS, mm; HU. A disc of radius R blurred by a two-dimensional Gaussian is integrated over rings with the
modified Bessel function I0 (the Rice distribution's cumulative function), so no straight-wall shortcut is taken.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import ndtr
from scipy.stats import rice

from outflow_geometry.frames import Volume

LUMEN_HU = 350.0


def blurred_disc(radius, disc, sigma):
    """Share (n,) of a disc of radius `disc` seen at distance `radius` from its centre: P(Rice <= disc)."""
    grid = np.linspace(max(0.0, disc - 8 * sigma), disc + 8 * sigma, 1601)
    inside = rice.cdf(disc / sigma, grid / sigma)
    return np.interp(radius, grid, inside, left=1.0, right=0.0)


def ring_image(
    inner,
    wall,
    fwhm,
    metal,
    *,
    spacing=(0.5, 0.5, 0.6),
    outside=110.0,
    noise=0.0,
    height=8.0,
    tilt=(0.0, 0.0),
    shift=(0.0, 0.0, 0.0),
    clip=None,
    seed=0,
    reach=20.0,
    thickness=8.0,
):
    """Volume with a ring of inner diameter `inner` about the (tilted) z axis; lumen inside, `outside` around."""
    sigma = fwhm / 2.3548200450309493
    half = np.array([reach, reach, thickness])
    shape = np.ceil(2 * half / spacing).astype(int) + 1
    volume = Volume(np.zeros(shape[::-1], np.float32), -half, np.eye(3), np.asarray(spacing, dtype=float))
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in shape[::-1]), indexing="ij"), axis=-1)
    points = (volume.to_points(grid) - np.asarray(shift)) @ Rotation.from_euler("xy", tilt, degrees=True).as_matrix()
    radius, z = np.hypot(points[..., 0], points[..., 1]), points[..., 2]
    lumen = blurred_disc(radius, inner / 2.0, sigma)
    metal_share = blurred_disc(radius, inner / 2.0 + wall, sigma) - lumen
    upright = ndtr((z + height / 2.0) / sigma) - ndtr((z - height / 2.0) / sigma)
    hu = outside + (LUMEN_HU - outside) * lumen + (metal - outside) * metal_share * upright
    hu = hu + np.random.default_rng(seed).normal(0.0, noise, hu.shape) if noise else hu
    if clip is not None:
        hu = np.minimum(hu, clip)
    return Volume(np.round(hu).astype(np.int16), volume.origin, volume.direction, volume.spacing)
