"""A lumen that noise, walls or landmarks make doubtful says so, and what rests on it too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from thin_walls import Heart, thin_walled

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image import separation
from outflow_geometry.image.chambers import lv_volume
from outflow_geometry.image.levels import blood_level
from outflow_geometry.image.lumen import OTHER, OUTFLOW, PhaseImage, outflow_lumen
from outflow_geometry.image.lumen_checks import lumen_doubt
from outflow_geometry.outflow.image_findings import PhaseFindings

SPACING = 1.5


def with_noise(image: Volume, sd: float, seed: int = 4) -> Volume:
    noise = np.random.default_rng(seed).normal(0.0, sd, image.values.shape)
    return replace(image, values=np.round(image.values + noise).astype(np.int16))


def test_noise_is_measured_whatever_its_grain_and_smoothed_as_far_as_it_asks() -> None:
    """White noise of known deviation in plain blood; smoothing by s of white noise leaves (2 sqrt(pi) s)^(-3/2)."""
    heart = Heart(noise=0.0, blur_fwhm=1.0)
    quiet = heart.image(1.0)
    blood, muscle = heart.blood, heart.muscle
    found = separation.separated(quiet, blood, muscle, 3000.0)
    assert found.scale == 0.0
    np.testing.assert_array_equal(found.values, quiet.values)
    sd = 40.0
    noisy = separation.separated(with_noise(quiet, sd), blood, muscle, 3000.0)
    assert noisy.raw_noise == pytest.approx(sd, rel=0.05)
    assert noisy.noise <= separation.QUIET * (blood - muscle)
    expected = sd / (2.0 * np.sqrt(np.pi) * noisy.scale) ** 1.5
    assert noisy.noise == pytest.approx(expected, rel=0.25)
    # one scale less would not have been enough
    before = separation.SCALES[separation.SCALES.index(noisy.scale) - 1]
    assert sd / (2.0 * np.sqrt(np.pi) * before) ** 1.5 > 0.9 * separation.QUIET * (blood - muscle)


def test_no_false_walls_in_open_blood() -> None:
    """At a contrast to noise of 6, one voxel in fifty of plain blood is darker than a wall may be."""
    heart = Heart(noise=0.0)
    image = with_noise(heart.image(1.0), (heart.blood - heart.muscle) / 6.0)
    found = separation.separated(image, heart.blood, heart.muscle, 3000.0)
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in image.values.shape), indexing="ij"), axis=-1)
    p = heart.unpose(image.to_points(grid))
    deep = (heart.lumen(p) < -3.0) & (p[..., 2] < -8.0)
    raw = image.values < heart.muscle + separation.WALL_SHARE * (heart.blood - heart.muscle)
    assert float(raw[deep].mean()) > 0.01
    assert float((found.distance[deep] == 0.0).mean()) == 0.0


@pytest.mark.parametrize("ratio", [6.0, 5.0])
def test_volume_in_noise_is_that_without(ratio: float) -> None:
    heart, _ = thin_walled("open", SPACING)
    quiet = replace(heart, noise=0.0).image(SPACING)
    loud = with_noise(quiet, (heart.blood - heart.muscle) / ratio)
    anatomy = heart.anatomy()
    assert lv_volume(PhaseImage(loud), anatomy) == pytest.approx(lv_volume(PhaseImage(quiet), anatomy), rel=0.02)


def test_noise_that_would_part_the_chambers_is_a_status() -> None:
    """Noise of half the contrast."""
    heart, _ = thin_walled("open", SPACING)
    quiet = replace(heart, noise=0.0).image(SPACING)
    loud = with_noise(quiet, 0.5 * (heart.blood - heart.muscle))
    level = blood_level(PhaseImage(quiet), heart.anatomy())
    lumen = outflow_lumen(PhaseImage(loud), heart.anatomy(), level=level)
    assert lumen.status in ("noise_too_high", "leak")
    with pytest.raises(GeometryError) as refused:
        lv_volume(PhaseImage(loud), heart.anatomy(), level, lumen)
    assert refused.value.code == lumen.status


@pytest.mark.parametrize("lost", ["apex", "root", "most"])
def test_blood_missing_from_the_lumen_is_a_status(lost: str) -> None:
    """A part of the found lumen given to another chamber: its apical half, its root, all but the base of its outflow."""
    heart, image = thin_walled("closed", SPACING)
    anatomy = heart.anatomy(path=False)
    phase = PhaseImage(image)
    lumen = outflow_lumen(phase, anatomy)
    label, grid = lumen.territory.values.copy(), lumen.territory
    points = grid.to_points(np.stack(np.meshgrid(*(np.arange(n) for n in label.shape), indexing="ij"), axis=-1))
    depth, beyond = -heart.unpose(points)[..., 2], anatomy.aortic_plane.height(points)
    gone = {"apex": depth > 28.0, "root": beyond > -4.0, "most": depth > 6.0}[lost]
    parted = phase.separation(lumen.level.blood_hu, lumen.level.muscle_hu, lumen.level.ceiling_hu)
    assert lumen_doubt(label, OUTFLOW, grid, parted, lumen.level, anatomy, None) == "ok"
    label[gone & (label == OUTFLOW)] = OTHER
    assert lumen_doubt(label, OUTFLOW, grid, parted, lumen.level, anatomy, None) == "lumen_incomplete"


def test_all_that_rests_on_a_doubtful_lumen_says_so() -> None:
    heart = Heart(noise=25.0, right_wall=0.0, valve_open=False)
    findings = PhaseFindings(PhaseImage(heart.image(SPACING)), heart.anatomy())
    assert findings.lumen_status() == "leak"
    with pytest.raises(GeometryError) as refused:
        findings.lv_volume()
    assert refused.value.code == "leak"


def test_an_apex_far_outside_the_blood_is_a_status() -> None:
    heart = Heart(noise=0.0, valve_open=False)
    image = heart.image(SPACING, margin=40.0)
    marks = dict(heart.landmarks(path=False))
    marks["lv_apex"] = heart.pose(np.array([[-60.0, 0.0, -20.0]]))
    lumen = outflow_lumen(PhaseImage(image), heart.anatomy(marks=marks))
    assert lumen.status == "landmarks_outside_blood"
