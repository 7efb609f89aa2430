"""The rough hearts of tests and benchmarks are what they claim to be. Lengths mm, HU."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outflow_cohort.demo.landmarks import OutflowCurve, chambers_at
from outflow_cohort.demo.render import Grid
from outflow_cohort.demo.rough_hearts import CACHE_VARIABLE, RoughHeart, ramp_noise, rough_heart
from outflow_cohort.demo.true_sections import SKETCH, TrueOutflow


def _correlation_width(noise: np.ndarray, spacing: float) -> float:
    """Full width at half maximum of the autocorrelation along i, by Wiener and Khinchin's theorem."""
    power = np.abs(np.fft.fft2(noise)) ** 2
    correlation = np.fft.ifft2(power.mean(axis=0)).real[0]
    correlation /= correlation[0]
    last = int(np.argmax(correlation < 0.5))
    high, low = correlation[last - 1], correlation[last]
    return 2.0 * spacing * (last - 1 + (high - 0.5) / (high - low))


@pytest.mark.parametrize("grain", [0.7, 1.4])
def test_noise_has_the_stated_deviation_grain_and_a_spectrum_that_rises(grain: float) -> None:
    grid = Grid((0.0, 0.0, 0.0), (0.2, 0.2, 0.5), (240, 200, 40))
    noise = ramp_noise(grid, 30.0, grain, 5)
    assert noise.std() == pytest.approx(30.0, rel=1e-4)
    assert _correlation_width(noise, 0.2) == pytest.approx(grain, rel=0.04)
    f = np.hypot(np.fft.fftfreq(200, 0.2)[:, None], np.fft.fftfreq(240, 0.2))
    power = (np.abs(np.fft.fft2(noise)) ** 2).mean(axis=0)
    cutoff = 1.102 / grain
    bands = [power[(f > a * cutoff) & (f <= b * cutoff)].mean() for a, b in ((0.02, 0.1), (0.25, 0.36), (0.7, 0.9))]
    # f W(f)^2 (Kijewski & Judy 1987) at 0.06, 0.3 and 0.8 of the cut-off: 0.059, 0.189, 0.007
    assert bands[0] / bands[1] == pytest.approx(0.32, abs=0.05)
    assert bands[2] / bands[1] == pytest.approx(0.045, abs=0.03)


def test_a_coarse_grid_sees_the_same_noise_at_fewer_points() -> None:
    """At 1.5 mm a grain of 0.5 mm leaves neighbours independent, at the full deviation."""
    noise = ramp_noise(Grid((0.0, 0.0, 0.0), (1.5, 1.5, 1.5), (120, 120, 30)), 25.0, 0.5, 1)
    assert noise.std() == pytest.approx(25.0, rel=1e-4)
    assert abs(np.corrcoef(noise[:, :, 1:].ravel(), noise[:, :, :-1].ravel())[0, 1]) < 0.1


def test_the_ventricle_turns_out_of_the_plane_of_both_axes() -> None:
    case = rough_heart(4)
    turned = replace(case, case=replace(case.case, heart=replace(case.case.heart, septal_turn=25.0, out_of_plane=0.0)))
    heart = turned.heart
    points = np.array([[3.0, -4.0, 30.0], [10.0, 2.0, 5.0]])
    x, y = heart.to_ventricle(*heart.from_ventricle(points)[:, :2].T)
    np.testing.assert_allclose(np.stack([x, y], axis=-1), points[:, :2], atol=1e-12)
    # the lumen beside the aortic centre reaches further on the side to which the septum is turned
    side = np.array([[14.0, 16.0, 22.0], [14.0, -16.0, 22.0]])
    left, right = chambers_at(heart, side).ventricle
    assert left < right - 2.0


def test_the_true_path_runs_in_blood() -> None:
    for kind in ("plain", "bulge", "thin_walls", "wide"):
        for seed in range(4):
            heart = rough_heart(seed, kind=kind).heart
            points, _ = OutflowCurve(heart).at(np.arange(-20.0, -1.5, 1.0))
            assert float(TrueOutflow(heart).lumen(points).max()) < -1.0


def test_image_without_noise_is_kept_and_noise_adds_what_is_asked(
    tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path))
    case = rough_heart(3, spacing=1.5, contrast_to_noise=6.0, grain=1.5, streaks=60.0, steps=2.0)
    clean = case.image()
    again, noisy = case.image(), case.image(1)
    np.testing.assert_array_equal(again.values, clean.values)
    assert isinstance(case, RoughHeart)
    away = clean.values < 1000
    difference = (noisy.values - clean.values)[away]
    # noise alone is contrast / 6; streaks add to it
    assert 1.0 < difference.std() * 6.0 / case.contrast_hu < 1.3
    still = replace(case, streaks=0.0, steps=0.0)
    assert np.abs(still.image().values.astype(int) - clean.values).max() > 200
    np.testing.assert_allclose(
        (still.image(1).values - still.image().values.astype(int)).std() / case.noise_sd, 1, rtol=0.02
    )


def test_the_true_section_of_a_rough_heart_lies_beside_the_device() -> None:
    case = rough_heart(5, kind="narrow")
    found = case.true_section(SKETCH)
    assert 20.0 < found.area < found.native_area
    assert -30.0 < found.station <= 0.0
