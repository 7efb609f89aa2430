"""Landmarks against the image of one rough heart (1 mm, noise of a CT): exact ones pass, planted slips are found."""

from __future__ import annotations

import numpy as np
import pytest

from outflow_cohort.demo.rough_hearts import rough_heart
from outflow_geometry.image.edge_map import EdgeMap
from outflow_geometry.image.landmark_evidence import judge_against_image, phase_edges
from outflow_geometry.image.phase_image import PhaseImage

Points = dict[str, np.ndarray]
SCATTER = 0.5


@pytest.fixture(scope="module")
def heart() -> tuple[EdgeMap, Points]:
    case = rough_heart(5, spacing=1.0)
    marks = {name: np.asarray(p) for name, p in case.landmarks.items()}
    edges = phase_edges(PhaseImage(case.image(5)), [marks])
    assert edges is not None
    local = np.array([[case.heart.lv_axes[3], 0.0, 0.4 * case.heart.lv_length]])
    return edges, marks | {"blood_sample": case.heart.to_patient(local)}


def read(marks: Points, seed: int = 1) -> Points:
    rng = np.random.default_rng(seed)
    return {name: p + rng.normal(0.0, SCATTER, p.shape) for name, p in marks.items()}


def codes(heart: tuple[EdgeMap, Points], points: Points) -> set[tuple[str, str]]:
    return {(f.code, f.structure) for f in judge_against_image(points, heart[0], SCATTER)}


def test_exact_and_honest_landmarks_pass(heart: tuple[EdgeMap, Points]) -> None:
    assert codes(heart, heart[1]) == set()
    assert [seed for seed in range(12) if codes(heart, read(heart[1], seed))] == []


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_reading_shifted_by_ten_millimetres_is_one_finding(heart: tuple[EdgeMap, Points], axis: int) -> None:
    points = read(heart[1])
    for name in points:
        points[name][:, axis] += 10.0
    found = judge_against_image(points, heart[0], SCATTER)
    assert ("reading_off_image", "") in {(f.code, f.structure) for f in found}
    assert next(f for f in found if f.code == "reading_off_image").number == pytest.approx(10.0, abs=3.0)


def test_an_apex_short_of_the_cavitys_end_is_found(heart: tuple[EdgeMap, Points]) -> None:
    points = read(heart[1])
    centre = points["mitral_ring"].mean(axis=0)
    points["lv_apex"] += 14.0 * (centre - points["lv_apex"]) / np.linalg.norm(centre - points["lv_apex"])
    assert ("apex_off_cavity_end", "lv_apex") in codes(heart, points)


def test_a_hinge_in_the_middle_of_the_root_is_found(heart: tuple[EdgeMap, Points]) -> None:
    points = read(heart[1])
    hinges = [points[f"aortic_hinge_{n}"][0] for n in ("left", "right", "non")]
    points["aortic_hinge_right"] = np.mean(hinges, axis=0)[None]
    assert ("not_on_wall", "aortic_hinge_right") in codes(heart, points)


def test_a_sample_of_blood_in_muscle_is_found(heart: tuple[EdgeMap, Points]) -> None:
    points = read(heart[1])
    septum = points["septum"].mean(axis=0)
    outward = septum - points["mitral_ring"].mean(axis=0)
    points["blood_sample"] = (septum + 5.0 * outward / np.linalg.norm(outward))[None]
    assert ("not_in_blood", "blood_sample") in codes(heart, points)


def test_no_blood_in_sight_says_nothing(heart: tuple[EdgeMap, Points]) -> None:
    far = {name: p + 500.0 for name, p in heart[1].items()}
    image = PhaseImage(rough_heart(5, spacing=1.0).image(5))
    assert phase_edges(image, [far]) is None


def test_an_apex_twelve_millimetres_short_stands_out_from_a_scatter_of_one(heart: tuple[EdgeMap, Points]) -> None:
    rng = np.random.default_rng(4)
    exact = heart[1]
    up = exact["mitral_ring"].mean(axis=0) - exact["lv_apex"][0]
    for _ in range(12):
        points = {name: p + rng.normal(0.0, 1.0, p.shape) for name, p in exact.items()}
        assert [f.code for f in judge_against_image(points, heart[0], 1.0)] == []
        points["lv_apex"] = points["lv_apex"] + 12.0 * up / np.linalg.norm(up)
        found = judge_against_image(points, heart[0], 1.0)
        assert [f.code for f in found if f.structure == "lv_apex"] == ["apex_off_cavity_end"]
