"""Honest readings of hearts unlike the demonstration's are not suspect; a slip in them still is."""

from __future__ import annotations

import numpy as np
import pytest
from honest_hearts import HEARTS, Points, honest
from thin_walls import HEARTS as THIN_HEARTS
from thin_walls import thin_walled

from outflow_geometry.base.frames import Volume
from outflow_geometry.image.landmark_evidence import judge_against_image, phase_edges
from outflow_geometry.image.phase_image import PhaseImage
from outflow_geometry.landmarks.findings import BAD
from outflow_geometry.landmarks.judging import judge_reading


def suspects(marks: Points, volume: Volume, sd: float = 0.0, seed: int = 0) -> set[tuple[str, str]]:
    rng = np.random.default_rng([seed, int(10 * sd)])
    read = {name: p + rng.normal(0.0, sd, p.shape) for name, p in marks.items()}
    own = judge_reading(read)
    edges = phase_edges(PhaseImage(volume), [read])
    assert edges is not None
    found = (*own.findings, *judge_against_image(read, edges, own.scatter))
    return {(f.code, f.structure) for f in found if f.severity in BAD}


@pytest.mark.parametrize("sd", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("name", list(HEARTS))
def test_an_honest_reading_of_a_strangers_heart_is_not_suspect(name: str, sd: float) -> None:
    heart, volume = honest(name)
    assert suspects(heart.landmarks, volume, sd) == set()


@pytest.mark.parametrize("name", ["open", "closed"])
def test_the_heart_with_thin_walls_whose_root_is_turned_is_not_suspect(name: str) -> None:
    assert name in THIN_HEARTS
    heart, volume = thin_walled(name, 1.0)
    assert suspects(heart.landmarks(), volume) == set()


SLIPS = {
    "apex": ("lv_apex", 0, np.array([0.0, 0.0, 18.0])),
    "ring": ("mitral_ring", 2, np.array([0.0, 0.0, 14.0])),
    "hinge": ("aortic_hinge_left", 0, np.array([0.0, 0.0, -15.0])),
}


@pytest.mark.parametrize("slip", list(SLIPS))
@pytest.mark.parametrize("name", list(HEARTS))
def test_a_slip_in_a_strangers_heart_is_suspect(name: str, slip: str) -> None:
    heart, volume = honest(name)
    structure, place, move = SLIPS[slip]
    if structure == "mitral_ring" and len(heart.marks[structure]) < 7:
        pytest.skip("six points around a ring do not foretell the seventh")
    marks = {n: p.copy() for n, p in heart.landmarks.items()}
    marks[structure][place] += heart.rotation @ move
    assert any(found == structure for _, found in suspects(marks, volume))


def path(count: int, radius: float, bend: float, straight: float) -> np.ndarray:
    """Evenly spaced points of a straight piece and a bend of `bend` degrees."""
    t = np.radians(np.linspace(0.0, bend, 400))
    arc = np.stack([radius * np.sin(t), radius * (1.0 - np.cos(t)), 0.0 * t], axis=1)
    lead = np.stack([np.linspace(-straight, 0.0, 200, endpoint=False), np.zeros(200), np.zeros(200)], axis=1)
    line = np.vstack([lead, arc])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], count)
    return np.stack([np.interp(at, length, line[:, k]) for k in range(3)], axis=1)


@pytest.mark.parametrize("count", [5, 6, 7, 8, 10, 13, 20, 30])
@pytest.mark.parametrize("radius", [16.0, 20.0, 25.0, 30.0])
@pytest.mark.parametrize("bend", [45.0, 90.0, 120.0])
def test_an_exact_path_that_bends_at_its_end_is_not_suspect(count: int, radius: float, bend: float) -> None:
    for straight in (0.1, 10.0, 25.0):
        marks = path(count, radius, bend, straight)
        assert [f.code for f in judge_reading({"outflow_path": marks}).findings] == [], straight


def test_an_end_of_a_path_that_is_off_is_suspect() -> None:
    marks = path(13, 25.0, 60.0, 20.0)
    marks[-1] += np.array([-8.0, 8.0, 9.0])
    found = judge_reading({"outflow_path": marks}).findings
    assert ("point_off_curve", 13) in {(f.code, f.point_no) for f in found}
