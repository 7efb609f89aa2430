"""Two estimates of one phase joined, and what tells that a carried phase is wrong. Lengths mm, phases %."""

from typing import Any

import numpy as np
import pytest

from outflow_cohort.registration.blending import (
    Estimate,
    blend,
    miss,
    phase_distance,
)
from outflow_cohort.registration.course import against_the_beat, off_course, off_smooth_course, out_of_turn
from outflow_geometry.base.carry_limits import CarryBounds
from outflow_geometry.landmarks.carry_error import (
    CarryFigures,
    carry_moves,
    carry_verdict,
    coordinate_error,
)
from outflow_geometry.landmarks.carrying import carried_landmarks


def ring(center: tuple[float, float, float], count: int = 16, radius: float = 17.0) -> np.ndarray:
    t = np.arange(count) * 2.0 * np.pi / count + 0.1 * count
    return np.array(center) + np.stack([radius * np.cos(t), radius * np.sin(t), 0 * t], axis=1)


def estimate(from_pct: float, shift: float, count: int = 16, noise: float = 0.0) -> Estimate:
    marks = {"mitral_ring": ring((0, 0, 0), count), "lv_apex": np.array([[0.0, 0.0, -80.0]])}

    def motion(points: np.ndarray) -> np.ndarray:
        angle = np.arctan2(points[:, 1], points[:, 0])
        wave = noise * np.cos(7.0 * angle)[:, None]
        return points + np.array([0.0, 0.0, shift]) + wave * np.array([0.0, 0.0, 1.0])

    return Estimate(from_pct, carried_landmarks(marks, motion, implanted=False), 0.98, None)


def test_phases_are_near_each_other_around_the_beat() -> None:
    assert phase_distance(95.0, 5.0) == 10.0
    assert phase_distance(40.0, 75.0) == 35.0


def test_equal_estimates_meet_in_the_middle_and_what_parts_them_counts() -> None:
    found = blend([estimate(40.0, 1.0), estimate(60.0, 3.0, count=24)], 50.0, implanted=False)
    assert found.landmarks["mitral_ring"][:, 2] == pytest.approx(2.0, abs=0.02)
    assert found.apart == pytest.approx(2.0, abs=0.02)
    # a joined reading that is 2 mm apart is less sure than one estimate alone
    alone = carry_moves(found.best.carried, implanted=False)[0]
    joined = carry_moves(found.best.carried, implanted=False, more=0.5 * found.apart)[0]
    assert coordinate_error(joined) > coordinate_error(alone) + 0.1


def test_the_nearer_and_the_surer_estimate_counts_more() -> None:
    near = blend([estimate(45.0, 0.0), estimate(90.0, 2.0)], 50.0, implanted=False)
    assert near.best.from_pct == 45.0
    assert near.landmarks["mitral_ring"][:, 2].mean() < 0.5
    sure = blend([estimate(40.0, 0.0, noise=2.0), estimate(60.0, 2.0)], 50.0, implanted=False)
    assert sure.best.from_pct == 60.0
    assert sure.landmarks["mitral_ring"][:, 2].mean() > 1.6


def test_a_miss_is_measured_to_the_curve_and_not_from_point_to_point() -> None:
    one, other = {"mitral_ring": ring((0, 0, 0), 16)}, {"mitral_ring": ring((0, 0, 0), 23)}
    assert miss(one, other) < 0.05
    assert miss(one, {"mitral_ring": ring((0, 0, 4.0))}) == pytest.approx(4.0, abs=0.05)
    hinge = {"aortic_hinge_left": np.array([[1.0, 2.0, 3.0]])}
    assert miss(hinge, {"aortic_hinge_left": np.array([[1.0, 2.0, 8.0]])}) == pytest.approx(5.0)


def test_a_phase_of_another_beat_is_off_its_course() -> None:
    depth = {
        0.0: 0.0,
        10.0: 3.0,
        20.0: 7.0,
        30.0: 10.5,
        40.0: 12.0,
        50.0: 9.0,
        60.0: 4.0,
        70.0: 1.0,
        80.0: 0.0,
        90.0: 0.0,
    }
    centers = {p: np.array([0.0, 0.0, z]) for p, z in depth.items()}
    course = [off_course(centers, p) for p in centers]
    assert all(c is not None and c < 3.0 for c in course)
    # the image of 80 % in the place of 40 %
    assert off_course(centers | {40.0: centers[80.0]}, 40.0) > 8.0
    assert off_course({p: centers[p] for p in (0.0, 20.0, 40.0, 60.0, 80.0)}, 40.0) is None
    assert off_course({p: centers[p] for p in (30.0, 40.0, 50.0)}, 40.0) is None


@pytest.mark.parametrize(
    ("way", "source", "target", "wrong"),
    [
        (11.0, 75.0, 35.0, False),
        (-11.0, 35.0, 75.0, False),
        (0.2, 75.0, 35.0, True),
        (-0.5, 35.0, 75.0, True),
        (9.0, 75.0, 85.0, True),
        (2.0, 30.0, 40.0, False),
    ],
)
def test_a_ring_moves_with_the_beat_or_its_phase_is_wrong(
    way: float, source: float, target: float, wrong: bool
) -> None:
    found = against_the_beat(way, source, target)
    assert found is not None
    assert (found > 0.0) == wrong
    assert against_the_beat(way, 55.0, target) is None


BEAT = {0.0: 0.0, 10.0: 3.3, 20.0: 8.0, 30.0: 12.0, 40.0: 13.4, 50.0: 10.0, 60.0: 4.0, 70.0: 1.3, 80.0: 0.0, 90.0: 0.0}
"""mm toward the apex; an invented beat."""


@pytest.mark.parametrize(("first", "second"), [(10.0, 20.0), (20.0, 30.0), (40.0, 50.0), (50.0, 60.0), (60.0, 70.0)])
def test_exchanged_neighbours_stand_out_of_turn_and_sound_phases_do_not(first: float, second: float) -> None:
    sound = [out_of_turn(BEAT, phase) for phase in BEAT]
    assert max(found for found in sound if found is not None) <= 0.0
    assert out_of_turn(BEAT, 0.0) is None
    exchanged = BEAT | {first: BEAT[second], second: BEAT[first]}
    apart = abs(BEAT[first] - BEAT[second])
    assert out_of_turn(exchanged, first) == pytest.approx(apart)
    assert out_of_turn(exchanged, second) == pytest.approx(apart)
    # one label that names the neighbouring phase leaves the order as it is: `off_smooth_course` finds it
    assert (out_of_turn(BEAT | {first: BEAT[second]}, first) or 0.0) <= 0.0


QUICK = {0.0: 0.0, 10.0: 3.6, 20.0: 8.2, 30.0: 11.2, 40.0: 12.0, 50.0: 7.8, 60.0: 3.4, 70.0: 2.9, 80.0: 2.6, 90.0: 1.4}
"""mm toward the apex: quick early filling, rest, a late kick (its shape from memory, as of mitral annular motion)."""


def off(ways: dict[float, float]) -> dict[float, bool]:
    """Whether each phase departs from the course of the others; a phase with unknown course is left out."""
    centers = {p: np.array([0.0, 0.0, -way]) for p, way in ways.items()}
    found = {p: off_smooth_course(centers, p) for p in ways}
    return {p: d[0] > d[1] for p, d in found.items() if d is not None}


@pytest.mark.parametrize("beat", [BEAT, QUICK])
@pytest.mark.parametrize("size", [0.75, 1.0, 1.2])
def test_a_phase_that_shows_its_neighbour_departs_from_the_course_and_sound_phases_do_not(
    beat: dict[float, float], size: float
) -> None:
    """Beats of 9 to 16 mm; every label that names a neighbour 2 mm or more away is found at that very phase."""
    sound = {p: size * way for p, way in beat.items()}
    assert not any(off(sound).values())
    phases = list(sound)
    planted = [(p, phases[(n + side) % 10]) for n, p in enumerate(phases) for side in (-1, 1)]
    wrong = [(p, q) for p, q in planted if abs(sound[p] - sound[q]) > 2.0]
    assert len(wrong) > 8
    assert [pair for pair in wrong if not off(sound | {pair[0]: sound[pair[1]]})[pair[0]]] == []


def test_in_a_part_of_the_beat_the_course_is_known_between_two_phases_on_either_side() -> None:
    part = {p: BEAT[p] for p in (20.0, 30.0, 40.0, 50.0, 60.0)}
    assert off(part) == {40.0: False}
    assert off(part | {40.0: BEAT[50.0]}) == {40.0: True}
    assert off({p: BEAT[p] for p in (0.0, 20.0, 40.0, 60.0, 80.0)}) == {}
    assert off({40.0: 3.0}) == {}


GOOD = {"ring_error": 0.2, "annulus_error": 0.3, "ring_change": 0.05, "likeness": 0.97, "centers_change": 0.5}


@pytest.mark.parametrize(
    ("changed", "code", "set_aside"),
    [
        ({}, "", False),
        ({"disagreement": 0.57}, "carry_disagreement", False),
        ({"disagreement": 0.54}, "", False),
        ({"annulus_error": 0.7}, "carry_disagreement", False),
        ({"ring_error": 3.1}, "carry_disagreement", True),
        ({"likeness": 0.5}, "carry_poor_match", False),
        ({"ring_change": -0.14}, "carry_ring_changed", False),
        ({"centers_change": -4.0}, "carry_disagreement", False),
        ({"prediction": 4.0}, "carry_prediction_failed", False),
        ({"prediction": 9.0}, "carry_prediction_failed", True),
        ({"unsteady": 6.0}, "carry_motion_unsteady", False),
        ({"slab_step": 3.1}, "carry_poor_match", False),
        ({"against_beat": 2.0}, "carry_motion_unsteady", False),
        ({"against_beat": -2.0, "slab_step": 1.9}, "", False),
        ({"unsteady": 2.0, "prediction": 1.0}, "", False),
        ({"departure": (1.9, 1.8)}, "carry_motion_unsteady", False),
        ({"departure": (1.1, 1.8)}, "", False),
        ({"out_of_turn": 2.1}, "carry_motion_unsteady", False),
        ({"out_of_turn": 0.9}, "", False),
    ],
)
def test_each_sign_of_failure_has_its_status(changed: dict[str, Any], code: str, set_aside: bool) -> None:
    verdict = carry_verdict(CarryFigures(**(GOOD | changed)), CarryBounds())
    assert (verdict.code, verdict.set_aside) == (code, set_aside)
    assert bool(verdict.reason) == bool(code)
