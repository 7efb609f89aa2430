"""The moving hearts do what they are for: their base goes down and rocks, the apex stays, the wall narrows."""

import numpy as np
import pytest

from outflow_cohort.demo.moving_hearts import moving_heart


@pytest.mark.parametrize("seed", range(4))
def test_the_base_moves_the_apex_stays_and_the_ventricle_narrows(seed: int) -> None:
    heart = moving_heart(seed)
    rest, systole = heart.landmarks(75.0), heart.landmarks(40.0)
    np.testing.assert_allclose(rest["lv_apex"], systole["lv_apex"], atol=1e-6)
    moved = systole["mitral_ring"].mean(axis=0) - rest["mitral_ring"].mean(axis=0)
    assert 9.5 < np.linalg.norm(moved) < 18.0
    narrow = [heart.at(p) for p in (75.0, 40.0)]
    radius = [h.lv_axes[1] * np.sqrt(1.0 - 0.5 ** h.lv_axes[2]) for h in narrow]
    assert 0.25 <= 1.0 - radius[1] / radius[0] <= 0.36


def test_an_implanted_ring_moves_as_one_piece() -> None:
    heart = moving_heart(2)
    rest, systole = (heart.landmarks(p)["mitral_ring"] for p in (75.0, 40.0))
    between = [np.linalg.norm(r[:, None] - r[None], axis=2) for r in (rest, systole)]
    np.testing.assert_allclose(between[0], between[1], atol=1e-6)


def test_blood_and_noise_change_from_phase_to_phase_and_landmarks_stand_in_the_picture() -> None:
    heart = moving_heart(1)
    levels = {heart.at(p).case.levels.left_blood for p in (20.0, 40.0, 75.0)}
    assert len(levels) == 3
    image = heart.scan(40.0, spacing=2.5)
    marks = heart.landmarks(40.0)
    blood = np.rint(image.to_index(marks["blood_sample"])).astype(int)
    assert np.all(np.abs(image.values[tuple(blood.T)] - heart.at(40.0).case.levels.left_blood) < 120.0)
    muscle = np.rint(image.to_index(marks["muscle_sample"])).astype(int)
    assert np.all(image.values[tuple(muscle.T)] < 220.0)
    assert all(np.all(image.contains(points)) for points in marks.values())
