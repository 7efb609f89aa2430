"""One read carried from two marked phases: what is kept, doubted and set aside. LPS, mm."""

import sys
from pathlib import Path

import numpy as np
import pytest

from outflow_cohort.phases import PhaseMatch
from outflow_cohort.registration.blending import Estimate
from outflow_cohort.registration.settings import CarrySettings
from outflow_cohort.steps.carry import _carried_read, _Case
from outflow_geometry.landmarks.carrying import carried_landmarks

READ = ("ash", 1)
DEPTH = {40.0: 12.0, 60.0: 5.0, 75.0: 0.0}
"""How far the ring is toward the apex, mm, by phase."""


def marks(depth: float) -> dict[str, np.ndarray]:
    t = np.arange(16) * np.pi / 8
    ring = np.stack([17.0 * np.cos(t), 17.0 * np.sin(t), 0 * t], axis=1)
    hinges = np.array([[20.0, 6.0, 14.0], [20.0, -6.0, 14.0], [34.0, 0.0, 24.0]])
    down = np.array([0.0, 0.0, -depth])
    return {
        "mitral_ring": ring + down,
        "aortic_hinge_left": hinges[:1] + down,
        "aortic_hinge_right": hinges[1:2] + down,
        "aortic_hinge_non": hinges[2:] + down,
        "lv_apex": np.array([[0.0, 0.0, -88.0]]),
    }


def case(
    marked: dict[float, float], settings: CarrySettings | None = None, likeness: float = 0.97, slab: float = 1.5
) -> _Case:
    """A read marked in the phases `marked`, at these depths; the images move as DEPTH says."""
    own = {phase: marks(depth) for phase, depth in marked.items()}
    phases = {phase: Path(f"{phase:g}.nrrd") for phase in DEPTH}
    steps = dict.fromkeys(DEPTH, slab)
    given = settings or CarrySettings()
    found = _Case("C1", given, PhaseMatch(2.0), False, phases, steps, {READ: own}, {READ[0]: set(own)}, 0.5)
    for source, points in own.items():
        for target in set(DEPTH) - {source}:
            way = np.array([0.0, 0.0, DEPTH[source] - DEPTH[target]])
            carried = carried_landmarks(points, lambda p, way=way: p + way, implanted=False)
            found.estimates.setdefault((READ, target), []).append(Estimate(source, carried, likeness, None))
    return found


def test_a_sound_read_is_carried_and_says_ok() -> None:
    (kept,), gone = _carried_read(case({40.0: 12.0, 75.0: 0.0}), READ)
    assert gone == []
    assert (kept.phase_pct, kept.doubt, kept.reader_id) == (60.0, "", "ash")
    assert np.array(kept.structures["mitral_ring"])[:, 2] == pytest.approx(-5.0, abs=0.01)
    assert 0.0 < kept.error_mm < 0.35
    assert {m.structures[0] for m in kept.moves} == {"mitral_ring", "aortic_hinge_left", "septum", "lv_apex"}


@pytest.mark.parametrize(
    ("slip", "code", "set_aside"),
    # what parts two marked phases by the reader's own scatter of 0.5 mm is no doubt about the carrying
    [
        (0.8, "", False),
        (2.0, "carry_disagreement", False),
        (5.0, "carry_disagreement", True),
        (11.0, "carry_prediction_failed", True),
    ],
)
def test_marks_on_the_image_of_another_phase_say_ok_within_the_scatter_only(
    slip: float, code: str, set_aside: bool
) -> None:
    kept, gone = _carried_read(case({40.0: 12.0 - slip, 75.0: 0.0}), READ)
    if set_aside:
        assert kept == []
        assert [(row.code, row.phase_pct, row.stage) for row in gone] == [(code, 60.0, "carry")]
        assert "Mark the landmarks" in gone[0].message
    else:
        assert [k.doubt for k in kept] == [code]


def test_one_marked_phase_and_an_image_of_the_wrong_phase_contradict_the_beat() -> None:
    """The series that states 75 % shows end-systole: its ring has not gone back."""
    wrong = case({40.0: 12.0})
    same = carried_landmarks(marks(12.0), lambda p: p, implanted=False)
    wrong.estimates[READ, 75.0] = [Estimate(40.0, same, 0.97, None)]
    kept, _ = _carried_read(wrong, READ)
    assert {k.phase_pct: k.doubt for k in kept} == {60.0: "", 75.0: "carry_motion_unsteady"}


@pytest.mark.parametrize(("likeness", "slab"), [(0.6, 1.5), (0.97, 3.3)])
def test_images_that_do_not_match_or_have_a_step_are_doubted(likeness: float, slab: float) -> None:
    kept, _ = _carried_read(case({40.0: 12.0, 75.0: 0.0}, None, likeness, slab), READ)
    assert [k.doubt for k in kept] == ["carry_poor_match"]


def test_from_and_to_phases_choose() -> None:
    only = case({40.0: 12.0, 75.0: 0.0}, CarrySettings(from_phases=(39.0,), to_phases=(60.0,)))
    assert only.sources(READ) == [40.0]
    assert only.targets(READ) == [60.0]
    assert case({40.0: 12.0}, CarrySettings(from_phases=(75.0,))).sources(READ) == []
    assert case({40.0: 12.0}, CarrySettings(to_phases=(20.0,))).targets(READ) == []


def test_a_phase_whose_registration_failed_is_set_aside_with_its_reason() -> None:
    broken = case({40.0: 12.0})
    del broken.estimates[READ, 60.0]
    broken.failures[READ, 60.0] = ("no_overlap", "the images share no region")
    kept, gone = _carried_read(broken, READ)
    assert [k.phase_pct for k in kept] == [75.0]
    assert [(row.code, row.phase_pct) for row in gone] == [("no_overlap", 60.0)]


def test_a_motion_that_tears_the_ring_is_doubted() -> None:
    """A step between two slabs: half of the ring and of its surroundings goes 5 mm aside."""
    torn = case({40.0: 12.0})

    def step(points: np.ndarray) -> np.ndarray:
        aside = np.where(points[:, :1] > 3.0, [[0.0, 5.0, 0.0]], [[0.0, 0.0, 0.0]])
        return points + np.array([0.0, 0.0, 7.0]) + aside

    moved = carried_landmarks(marks(12.0), step, implanted=False)
    torn.estimates[READ, 60.0] = [Estimate(40.0, moved, 0.97, None)]
    kept, _ = _carried_read(torn, READ)
    assert {k.phase_pct: k.doubt for k in kept if k.phase_pct == 60.0} == {60.0: "carry_disagreement"}
    (reason,) = [k.reason for k in kept if k.phase_pct == 60.0]
    assert "departs from the shape" in reason
    # where the user allows more, the expected error still speaks
    torn.settings = CarrySettings(doubt_disagreement_mm=5.0)
    kept, _ = _carried_read(torn, READ)
    assert [k.doubt for k in kept if k.phase_pct == 60.0] == ["carry_disagreement"]


def test_a_series_that_shows_its_neighbour_is_doubted_with_the_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten phases, 80 % marked: the series that states 40 % shows 50 %."""
    beat = (0.0, 3.3, 8.0, 12.0, 13.4, 10.0, 4.0, 1.3, 0.0, 0.0)
    monkeypatch.setattr(sys.modules[__name__], "DEPTH", {10.0 * n: depth for n, depth in enumerate(beat)})
    sound, _ = _carried_read(case({80.0: 0.0}), READ)
    assert [k.doubt for k in sound] == [""] * 9
    wrong = case({80.0: 0.0})
    wrong.estimates[READ, 40.0] = wrong.estimates[READ, 50.0]
    kept, _ = _carried_read(wrong, READ)
    doubts = {k.phase_pct: k.doubt for k in kept}
    assert doubts[40.0] == "carry_motion_unsteady"
    assert doubts[0.0] == doubts[10.0] == doubts[90.0] == ""
    (reason,) = [k.reason for k in kept if k.phase_pct == 40.0]
    # a seventh of the way of 12 mm, which the wrong series has shortened
    assert reason.endswith("; at most 1.74")
