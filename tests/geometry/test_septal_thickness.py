"""Septal thickness on slabs of known thickness, seen with blur and noise."""

from dataclasses import replace

import numpy as np
import pytest
from analytic_heart import landmarks
from scipy.special import ndtr

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.levels import BloodLevel
from outflow_geometry.image.septum import septal_finding, septal_thickness
from outflow_geometry.landmarks.anatomy import build_anatomy

BLOOD, MUSCLE, NOISE, BLUR = 400.0, 100.0, 25.0, 0.9 / 2.355
WALL = -37.0
"""y of the left ventricular edge, mm: blood at larger y."""


def slab(thickness: float, right_blood: float, tilt: float, spacing: float, noise: float = NOISE) -> Volume:
    """Left blood, muscle, right blood beside each other; normal in the y-z plane, `tilt` degrees off y."""
    shape = np.round(np.asarray([60.0, 70.0, 50.0]) / spacing).astype(int)
    origin = np.asarray([-25.0, -85.0, -15.0])
    k, j, _ = (np.arange(n) for n in shape)
    y, z = origin[1] + spacing * j[None, :], origin[2] + spacing * k[:, None]
    angle = np.radians(tilt)
    depth = (y - WALL) * np.cos(angle) + (z - 6.0) * np.sin(angle)
    plane = MUSCLE + (BLOOD - MUSCLE) * ndtr(depth / BLUR) + (right_blood - MUSCLE) * ndtr(-(depth + thickness) / BLUR)
    values = np.repeat(plane[:, :, None], shape[2], axis=2)
    values += noise * np.random.default_rng(3).standard_normal(values.shape)
    return Volume(values.astype(np.float32), origin, np.eye(3), np.full(3, spacing))


def level(noise: float = NOISE) -> BloodLevel:
    return BloodLevel(BLOOD, MUSCLE, (BLOOD + MUSCLE) / 2, noise, (BLOOD - MUSCLE) / noise, "samples", "ok")


def septum(tilt: float) -> dict[str, np.ndarray]:
    marks = landmarks()
    z = np.asarray([2.0, 2, 6, 6, 10])
    x = np.asarray([-4.0, 5, -5, 4, 0])
    y = WALL - (z - 6.0) * np.tan(np.radians(tilt)) + np.asarray([0.8, -0.6, 0.5, 0.0, -0.9])  # missed by up to 1 mm
    marks["septum"] = np.stack([x, y, z], axis=1)
    return marks


@pytest.mark.parametrize("thickness", [6.0, 12.0, 20.0])
@pytest.mark.parametrize(("right_blood", "tilt"), [(400.0, 0.0), (190.0, 0.0), (250.0, 20.0)])
def test_thickness_of_a_slab(thickness: float, right_blood: float, tilt: float) -> None:
    found = septal_thickness(build_anatomy(septum(tilt)), slab(thickness, right_blood, tilt, 0.6), level())
    # the largest of five noisy edges; one edge is good to about 0.1 mm at this noise
    assert found == pytest.approx(thickness, abs=0.5)


@pytest.mark.parametrize("spacing", [0.5, 1.0])
def test_thickness_without_noise_is_exact(spacing: float) -> None:
    found = septal_thickness(build_anatomy(septum(15.0)), slab(12.0, 220.0, 15.0, spacing, 1e-6), level(1e-6))
    assert found == pytest.approx(12.0, abs=0.06)


def test_no_contrast_in_the_right_heart_is_said() -> None:
    with pytest.raises(GeometryError, match="no_right_ventricular_edge"):
        septal_thickness(build_anatomy(septum(0.0)), slab(12.0, MUSCLE, 0.0, 1.0), level())


def test_points_far_from_the_annulus_are_not_basal() -> None:
    marks = septum(0.0)
    marks["septum"] = marks["septum"] + [0.0, 0.0, 40.0] * np.ones((5, 1))
    with pytest.raises(GeometryError, match="septum_not_basal"):
        septal_thickness(build_anatomy(marks), slab(12.0, 300.0, 0.0, 1.0), level())


@pytest.mark.parametrize(("seen_to", "status"), [(-2.0, "septum_half_seen"), (2.0, "ok")])
def test_a_septum_seen_from_few_of_its_points_says_so(seen_to: float, status: str) -> None:
    """The right heart holds contrast to the right of x = `seen_to` alone: beyond two or three of five points."""
    volume = slab(12.0, 300.0, 0.0, 0.6)
    x, y = (volume.origin[n] + volume.spacing[n] * np.arange(volume.values.shape[2 - n]) for n in (0, 1))
    values = volume.values.copy()
    values[:, (y < WALL - 6.0)[:, None] & (x > seen_to)] = MUSCLE
    found = septal_finding(build_anatomy(septum(0.0)), replace(volume, values=values), level())
    assert found[0] == pytest.approx(12.0, abs=0.5)
    assert found[1] == status
