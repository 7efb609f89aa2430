"""The wall of a ring in the image: the box of image around it, and a blurred wall fitted to the box's voxels.

All points LPS, mm; image values HU. Sources as in `ring_edges`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import ndtr

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, Volume
from outflow_geometry.image.levels import BloodLevel

FWHM_PER_SIGMA = 2.3548200450309493
"""2 sqrt(2 ln 2)."""

CENSORED_FROM = 0.94
"""Share of the limit from which a voxel counts as clipped: resampled plateaus ring by a few per cent."""

FIT_HALF_HEIGHT = 0.75
"""mm; voxels of the fit lie this near the metal's plane, where ring and stent walls are upright."""

LEAST_FIT_VOXELS, MOST_FIT_VOXELS = 200, 12000
"""Voxels of the fit: some 25 parameters need ten times as many; more than 12,000 only come from tiny voxels."""

RADIUS_HARMONICS, BRIGHTNESS_HARMONICS = 4, 3
"""Fourier harmonics of the fitted radius (a deformed ring) and of metal and outside brightness."""


def fourier(angles: FloatArray, harmonics: int) -> FloatArray:
    """1, cosines and sines (..., 1 + 2 harmonics) of `angles` (...), radians."""
    columns = [np.ones_like(angles)]
    for n in range(1, harmonics + 1):
        columns += [np.cos(n * angles), np.sin(n * angles)]
    return np.stack(columns, axis=-1)


@dataclass(frozen=True)
class RingBox:
    """A box of the image around the ring and its cubic-spline coefficients."""

    values: FloatArray
    coefficients: FloatArray
    low: NDArray[np.int64]
    volume: Volume

    def at(self, points: FloatArray) -> FloatArray:
        """Image (...) at `points` (..., 3), HU, by cubic splines."""
        index = self.volume.to_index(points)
        flat = (index.reshape(-1, 3) - self.low).T
        values = ndimage.map_coordinates(self.coefficients, flat, order=3, mode="mirror", prefilter=False)
        result: FloatArray = values.reshape(index.shape[:-1])
        return result

    def points(self) -> FloatArray:
        """Centres (n, 3), mm, of the voxels, in the order of `values.ravel()`."""
        grid = np.stack(np.meshgrid(*(np.arange(n) for n in self.values.shape), indexing="ij"), axis=-1)
        return self.volume.to_points(grid.reshape(-1, 3) + self.low)


def ring_box(volume: Volume, points: FloatArray, margin: float) -> RingBox:
    """The box about `points` (n, 3) with `margin`, mm. Raises GeometryError `ring_outside_image`."""
    index = volume.to_index(points)
    pad = margin / volume.spacing[::-1]
    shape = np.asarray(volume.values.shape)
    low = np.floor(index.min(axis=0) - pad).astype(np.int64)
    high = np.ceil(index.max(axis=0) + pad).astype(np.int64) + 1
    if np.any(index.min(axis=0) < 0) or np.any(index.max(axis=0) > shape - 1):
        raise GeometryError("ring_outside_image", "the mitral ring is outside the image; check frames and region")
    low, high = np.maximum(low, 0), np.minimum(high, shape)
    values = volume.values[low[0] : high[0], low[1] : high[1], low[2] : high[2]].astype(np.float64)
    return RingBox(values, ndimage.spline_filter(values, order=3, mode="mirror"), low, volume)


def _wall_model(
    parameters: FloatArray, radius: FloatArray, shapes: tuple[FloatArray, FloatArray], wall: float
) -> FloatArray:
    """Brightness, HU, of a wall between lumen and outside, convolved with a Gaussian blur (1-D, exact)."""
    outline, brightness = shapes
    a, b = outline.shape[1], brightness.shape[1]
    sigma = np.exp(parameters[0])
    lumen = parameters[1]
    inner = outline @ parameters[2 : 2 + a]
    metal = brightness @ parameters[2 + a : 2 + a + b]
    outside = brightness @ parameters[2 + a + b :]
    first, second = ndtr((radius - inner) / sigma), ndtr((radius - inner - wall) / sigma)
    result: FloatArray = lumen + (metal - lumen) * (first - second) + (outside - lumen) * second
    return result


def fitted_wall(
    box: RingBox,
    plane: Plane,
    start: tuple[FloatArray, FloatArray],
    wall: float,
    level: BloodLevel,
    ceiling: float | None,
) -> tuple[float, float, float] | None:
    """Inner diameter, blur FWHM, mm, and the wall's peak, HU, of the model; None where the fit does not settle."""
    angles, mid_radii = start
    kept = np.isfinite(mid_radii)
    middle = np.linalg.lstsq(fourier(angles[kept], RADIUS_HARMONICS), mid_radii[kept], rcond=None)[0]
    points = box.points()
    near = np.abs(plane.height(points)) <= max(FIT_HALF_HEIGHT, 0.51 * float(box.volume.spacing.max()))
    flat = plane.project(points[near])
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    radius = np.hypot(flat[:, 0], flat[:, 1])
    outline, brightness = fourier(angle, RADIUS_HARMONICS), fourier(angle, BRIGHTNESS_HARMONICS)
    within = np.abs(radius - outline @ middle) <= 0.5 * wall + 1.6
    values = box.values.ravel()[near][within]
    radius, outline, brightness = radius[within], outline[within], brightness[within]
    if len(values) < LEAST_FIT_VOXELS:
        return None
    if len(values) > MOST_FIT_VOXELS:
        chosen = slice(None, None, -(-len(values) // MOST_FIT_VOXELS))
        values, radius, outline, brightness = values[chosen], radius[chosen], outline[chosen], brightness[chosen]
    noise = max(level.noise_hu, 5.0)
    inner = middle.copy()
    inner[0] -= 0.5 * wall
    metal = np.zeros(brightness.shape[1])
    metal[0] = 1.5 * float(values.max()) * max(1.0, 0.8 / wall)
    outside = np.zeros(brightness.shape[1])
    outside[0] = level.muscle_hu
    guess = np.concatenate([[np.log(0.36), level.blood_hu], inner, metal, outside])
    censored = values >= ceiling * CENSORED_FROM if ceiling is not None else np.zeros(len(values), dtype=bool)
    # the wall is never quite the model, so errors grow with its brightness: a hundredth of the metal's contrast
    scale = np.hypot(noise, 0.01 * np.maximum(values - level.blood_hu, 0.0))

    def residuals(parameters: FloatArray) -> FloatArray:
        model = _wall_model(parameters, radius, (outline, brightness), wall)
        difference = (model - values) / scale
        # a censored voxel is satisfied by every model at least as bright
        result: FloatArray = np.where(censored, np.minimum(difference, 0.0), difference)
        return result

    typical = np.maximum(np.abs(guess), 0.1)
    fit = least_squares(residuals, guess, x_scale=typical, loss="soft_l1", f_scale=3.0, max_nfev=60)
    sigma = float(np.exp(fit.x[0]))
    if not (fit.status > 0 and 0.1 <= sigma <= 1.5):
        return None
    coefficients = fit.x[2 : 2 + outline.shape[1]]
    even = fourier(np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False), RADIUS_HARMONICS) @ coefficients
    # the blur of a curved wall moves both its edges inwards by sigma2 / (2 R) against the straight model
    even = even + sigma**2 / (2.0 * even)
    peak = fit.x[1] + (fit.x[2 + outline.shape[1]] - fit.x[1]) * (2.0 * float(ndtr(0.5 * wall / sigma)) - 1.0)
    return 2.0 * float(np.sqrt(np.mean(even**2))), sigma * FWHM_PER_SIGMA, float(peak)
