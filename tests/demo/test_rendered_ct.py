"""The drawn CT has the blur, noise and edges it claims. HU, mm."""

from __future__ import annotations

import numpy as np
import pytest

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.heart_case import HeartCase, RingImplant
from outflow_cohort.demo.render import FWHM_TO_SD, Grid, Scanner, render_volume
from outflow_cohort.demo.ring_shape import RingShape
from outflow_cohort.demo.thorax import DESCENDING_AORTA


def _aorta_radius(scanner: Scanner) -> float:
    """Half-way radius of the descending aorta (a circle) in one slice, from rays with linear interpolation."""
    heart = HeartPhase(HeartCase().with_levels(wall=50.0), 40.0)
    x0, y0, radius = DESCENDING_AORTA
    grid = Grid((x0 - 16.0, y0 - 16.0, -70.0), (0.25, 0.25, 0.7), (129, 129, 5))
    image = scanner.clean(heart, grid)[2]
    from scipy.ndimage import map_coordinates

    angle = np.radians(np.arange(190.0, 350.0, 2.0))
    r = np.arange(radius - 2.0, radius + 1.2, 0.01)
    x = (16.0 + r[:, None] * np.cos(angle)) / 0.25
    y = (16.0 + r[:, None] * np.sin(angle)) / 0.25
    ray = map_coordinates(image, [y, x], order=3, mode="nearest")
    half = 0.5 * (heart.case.levels.left_blood + 50.0)
    after = np.argmax(ray < half, axis=0)
    column = np.arange(ray.shape[1])
    high, low = ray[after - 1, column], ray[after, column]
    return float(np.mean(r[after - 1] + 0.01 * (high - half) / (high - low)))


def test_fast_drawing_puts_the_half_way_level_on_the_surface() -> None:
    # the wall is 1.6 mm thick, 4.7 standard deviations: what is behind it moves the edge by less than 0.001 mm
    assert _aorta_radius(Scanner(0.8, 0.0, 1)) == pytest.approx(DESCENDING_AORTA[2], abs=0.006)


def test_fine_drawing_blurs_curved_edges_as_a_gaussian_does() -> None:
    # a blurred disc: half-way radius R - sigma²/(2R) to first order (Taylor series of the blurred edge)
    sigma = 1.1 * FWHM_TO_SD
    bias = _aorta_radius(Scanner(1.1, 0.0, 3)) - _aorta_radius(Scanner(1.1, 0.0, 1))
    assert bias == pytest.approx(-(sigma**2) / (2 * DESCENDING_AORTA[2]), abs=0.004)


def test_fine_and_fast_drawing_agree() -> None:
    heart = HeartPhase(HeartCase(), 40.0)
    low = heart.to_patient([20.0, 0.0, 5.0]) - 12.0
    grid = Grid(tuple(low), (0.6, 0.6, 0.7), (40, 40, 34))
    fast, fine = (Scanner(0.8, 0.0, s).clean(heart, grid) for s in (1, 2))
    difference = np.abs(fast - fine)
    assert np.median(difference) < 0.5
    # corners where three tissues meet differ; edges must not
    assert np.quantile(difference, 0.95) < 12.0


def test_noise_has_the_stated_deviation_and_no_mean() -> None:
    grid = Grid((0.0, 0.0, 0.0), (0.5, 0.5, 0.6), (96, 96, 96))
    noise = Scanner(0.8, 25.0).noise(grid, 4)
    assert noise.std() == pytest.approx(25.0, rel=0.01)
    assert abs(noise.mean()) < 0.3
    assert np.array_equal(noise, Scanner(0.8, 25.0).noise(grid, 4))
    assert not np.array_equal(noise, Scanner(0.8, 25.0).noise(grid, 5))


def test_metal_band_has_the_blurred_peak_of_its_wall() -> None:
    case = HeartCase(ring=RingShape(13.0), implant=RingImplant("bioprosthesis", 0.6, 3.2))
    heart = HeartPhase(case, 40.0)
    scanner = Scanner(0.8, 0.0, 1, largest_hu=20000.0)
    from outflow_cohort.demo.tissue import Chest

    angle = np.radians(np.arange(0.0, 360.0, 7.0))
    r = np.arange(11.0, 16.0, 0.01)[:, None]
    local = np.stack(np.broadcast_arrays(r * np.cos(angle), r * np.sin(angle), 0.0 * r), axis=-1)
    points = heart.to_patient(local)
    share = Chest(heart).metal(points[..., 0], points[..., 1], points[..., 2], scanner.blur_sd)
    # area under the profile = wall thickness, whatever the blur (times the band's height seen at its middle)
    assert share.sum(axis=0) * 0.01 == pytest.approx(0.6, rel=2e-3)
    peak = r[np.argmax(share, axis=0), 0]
    assert peak == pytest.approx(13.3, abs=0.011)


def test_render_volume_is_a_volume_around_the_landmarks() -> None:
    volume = render_volume(HeartCase(), 40.0, (1.5, 1.5, 1.5), 1.5, 20.0, 1, margin=5.0, supersample=1)
    assert volume.values.dtype == np.int16
    heart = HeartPhase(HeartCase(), 40.0)
    level = heart.case.levels.left_blood
    index = np.rint(volume.to_index(heart.to_patient([5.0, 0.0, 35.0]))).astype(int)
    around = volume.values[index[0] - 1 : index[0] + 2, index[1] - 1 : index[1] + 2, index[2] - 1 : index[2] + 2]
    assert around.mean() == pytest.approx(level, abs=25.0)
    again = render_volume(HeartCase(), 40.0, (1.5, 1.5, 1.5), 1.5, 20.0, 1, margin=5.0, supersample=1)
    assert np.array_equal(volume.values, again.values)
