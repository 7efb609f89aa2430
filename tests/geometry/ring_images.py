"""Images of a metal ring: an upright cylindrical wall, blurred exactly in the plane across its axis.

All points LPS, mm; HU. A disc of radius R blurred by a two-dimensional Gaussian is integrated over rings with the
modified Bessel function I0 (the Rice distribution's cumulative function), so no straight-wall shortcut is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import ndtr
from scipy.stats import rice

from outflow_geometry.base.frames import Volume
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy

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


def ring_anatomy(inner, *, tilt=(0.0, 0.0), shift=(0.0, 0.0, 0.0), scatter=0.0, rng=None):
    """A reader's twelve points on the inner edge, each off by `scatter` mm."""
    angle = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    points = 0.5 * inner * np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
    if rng is not None:
        points = points + rng.normal(0.0, scatter, points.shape)
    turn = Rotation.from_euler("xy", tilt, degrees=True).as_matrix()
    return build_anatomy({"mitral_ring": points @ turn.T + np.asarray(shift), "lv_apex": np.array([[0.0, 0.0, 70.0]])})


@dataclass(frozen=True)
class RingCase:
    """A random ring: what was drawn, and how."""

    image: Volume
    anatomy: Anatomy
    inner: float
    wall: float
    fwhm: float


def random_ring(seed, clip=None, metal=None):
    """A ring at a random tilt and place, read with 0.5 mm scatter, plane 2 degrees and 0.3 mm off."""
    rng = np.random.default_rng(seed)
    inner, wall, fwhm = rng.uniform(20.0, 29.0), rng.uniform(0.3, 1.0), rng.uniform(0.6, 1.0)
    metal = rng.uniform(2000.0, 12000.0) if metal is None else metal
    clip = (3071.0 if rng.random() < 0.6 else None) if clip is None else clip
    noise, outside = rng.uniform(15.0, 35.0), rng.choice([60.0, 110.0, 350.0])
    tilt, shift = rng.uniform(-10.0, 10.0, 2), rng.uniform(-0.5, 0.5, 3)
    image = ring_image(
        inner, wall, fwhm, metal, noise=noise, outside=outside, tilt=tilt, shift=shift, clip=clip, seed=seed
    )
    read = {"tilt": tilt + rng.normal(0.0, 2.0, 2), "shift": shift + rng.normal(0.0, 0.3, 3)}
    return RingCase(image, ring_anatomy(inner, scatter=0.5, rng=rng, **read), inner, wall, fwhm)
