"""Blood and muscle levels against the levels that the image was made of."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage
from thin_walls import Heart, thin_walled

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.levels import blood_level
from outflow_geometry.image.phase_image import PhaseImage

EDGE_ERROR = 1.0
"""HU; at a contrast of 255 HU and a blur of 0.9 mm a level wrong by 1 HU moves the edge by 0.004 mm."""


@pytest.mark.parametrize("spacing", [0.5, 1.5])
def test_level_is_half_way_between_the_classes_of_the_region(spacing: float) -> None:
    heart, image = thin_walled("open", spacing)
    found = blood_level(image, heart.anatomy())
    assert found.method == "two_class"
    assert found.threshold_hu == pytest.approx(0.5 * (heart.blood + heart.muscle), abs=EDGE_ERROR)
    assert found.noise_hu == pytest.approx(heart.noise, rel=0.08)
    assert found.status == "ok"


@pytest.mark.parametrize(
    "spoiler",
    [
        {"right_hu": 180.0},
        {"right_hu": 560.0},
        {"metal_ring": True, "calcium": True, "lead": True},
    ],
    ids=["contrast-poor right heart", "brighter right heart", "metal, calcium, lead"],
)
def test_level_is_not_spoilt_by_other_tissue(spoiler: dict[str, float]) -> None:
    heart = Heart(noise=20.0, **spoiler)
    found = blood_level(heart.image(1.5), heart.anatomy())
    assert found.blood_hu == pytest.approx(heart.blood, abs=1.5)
    assert found.muscle_hu == pytest.approx(heart.muscle, abs=1.5)


def test_samples_decide_where_they_differ_from_the_region() -> None:
    heart, image = thin_walled("open", 0.5)
    values = image.values.astype(np.float32)
    place = heart.pose(np.array([2.0, 0.0, -30.0]))
    k, j, i = np.round(image.to_index(place)).astype(int)
    values[k - 12 : k + 13, j - 12 : j + 13, i - 12 : i + 13] += 90.0
    marks = heart.landmarks() | {"blood_sample": place[None]}
    found = blood_level(Volume(values, image.origin, image.direction, image.spacing), heart.anatomy(marks=marks))
    assert found.method == "blood_samples"
    assert found.blood_hu == pytest.approx(heart.blood + 90.0, abs=3.0)
    assert found.muscle_hu == pytest.approx(heart.muscle, abs=1.5)


def test_samples_sharpen_to_the_region_of_the_same_tissue() -> None:
    """With correlated noise a single sample errs by some HU; pooled with the region it errs by less."""
    heart = Heart(noise=0.0, turn=(0.0, 0.0, 0.0))
    clean = heart.image(1.0)
    marks = heart.landmarks() | {
        "blood_sample": heart.pose(np.array([[2.0, 0.0, -30.0]])),
        "muscle_sample": heart.pose(np.array([[-30.0, 0.0, -25.0]])),
    }
    errors = []
    for seed in range(6):
        noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=clean.values.shape), 0.6)
        values = clean.values + (30.0 / noise.std() * noise).astype(np.float32)
        found = blood_level(Volume(values, clean.origin, clean.direction, clean.spacing), heart.anatomy(marks=marks))
        assert found.method == "samples"
        errors.append(found.threshold_hu - 0.5 * (heart.blood + heart.muscle))
    assert np.sqrt(np.mean(np.square(errors))) < 2.5


def test_samples_across_an_edge_or_in_another_tissue_are_left_out() -> None:
    heart, image = thin_walled("open", 0.5)
    blood = [[2.0, 0.0, -30.0], [4.0, 2.0, -24.0]]
    edge = heart.pose(np.linspace([2.0, 0.0, -30.0], [-30.0, 0.0, -25.0], 400))
    across = edge[int(np.argmin(np.abs(heart.lumen(heart.unpose(edge)))))]
    muscle = heart.pose(np.array([-30.0, 0.0, -25.0]))
    for stray in (across, muscle):
        marks = heart.landmarks() | {"blood_sample": np.vstack([heart.pose(np.array(blood)), stray])}
        found = blood_level(image, heart.anatomy(marks=marks))
        assert found.blood_hu == pytest.approx(heart.blood, abs=3.0)


def test_weak_contrast_is_a_status() -> None:
    heart = Heart(blood=210.0, right_hu=210.0, noise=30.0)
    found = blood_level(heart.image(1.5), heart.anatomy())
    assert found.contrast_to_noise < 5.0
    assert found.status == "low_contrast"


def test_image_without_contrast_is_refused() -> None:
    heart, image = thin_walled("open", 1.5)
    flat = Volume(np.full(image.values.shape, 40, np.int16), image.origin, image.direction, image.spacing)
    with pytest.raises(GeometryError) as refused:
        blood_level(flat, heart.anatomy())
    assert refused.value.code == "no_blood_found"


def test_sample_outside_the_image_is_refused() -> None:
    heart, image = thin_walled("open", 1.5)
    marks = heart.landmarks() | {"blood_sample": np.array([[900.0, 0.0, 0.0]])}
    with pytest.raises(GeometryError) as refused:
        blood_level(image, heart.anatomy(marks=marks))
    assert refused.value.code == "sample_outside_image"


def test_distance_from_a_line_matches_its_definition() -> None:
    """Point-segment distance, worked out point by point."""
    heart, image = thin_walled("open", 1.5)
    phase = PhaseImage(image)
    ends = heart.pose(np.array([[0.0, 0.0, 0.0], [5.0, -3.0, -30.0], [20.0, 1.0, -5.0]]))
    found = phase.line_distance(ends)
    rng = np.random.default_rng(4)
    for index in rng.integers(0, phase.coarse.values.shape, size=(50, 3)):
        point = phase.coarse.to_points(index)
        shares = np.linspace(0.0, 1.0, 2001)[:, None]
        line = np.vstack([a + shares * (b - a) for a, b in pairwise(ends)])
        assert found[tuple(index)] == pytest.approx(np.linalg.norm(line - point, axis=1).min(), abs=0.02)
