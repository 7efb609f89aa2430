"""Landmarks judged within a reading and between readings: planted slips are found, honest readings are not flagged.

Invented hearts (the demonstration's), readers of 0.5 mm. Shares found by kind and size: results_demo/landmark_slips.md.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.heart_case import RingImplant
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.landmarks.anatomy import LEAST_POINTS
from outflow_geometry.landmarks.findings import CODES, LANDMARK_SUSPECT, WHOLE_READING, finding
from outflow_geometry.landmarks.judging import judge_reading
from outflow_geometry.measures.judging import is_suspect, needed_structures, rests_on
from outflow_geometry.measures.registry import REGISTRY, measure
from outflow_geometry.scatter.consensus import JudgedRead, judge_phase, judge_phases
from outflow_geometry.scatter.redrawing import Read

SD = 0.5
Points = dict[str, np.ndarray]


def reading(seed: int, reader: int, sd: float = SD, phase: float | None = None) -> Points:
    """A simulated reading of a random heart; every fourth has a surgical valve with posts."""
    case = random_case(seed)
    heart = case.heart if seed % 4 else replace(case.heart, implant=RingImplant("bioprosthesis"))
    truth = true_landmarks(HeartPhase(heart, case.phase_pct if phase is None else phase))
    rng = np.random.default_rng([seed, reader])
    return {name: points + rng.normal(0.0, sd, points.shape) for name, points in truth.items()}


def judged(points: Points, reader: str, phase: float = 40.0) -> JudgedRead:
    own = judge_reading(points)
    return JudgedRead(Read(phase, reader, 1, points), own.findings, own.scatter)


def codes(points: Points) -> set[tuple[str, str]]:
    return {(f.code, f.structure) for f in judge_reading(points).findings}


@pytest.mark.parametrize("sd", [0.0, 0.5, 1.3])
def test_honest_readings_are_not_flagged(sd: float) -> None:
    flagged = [seed for seed in range(8) if codes(reading(seed, 1, sd))]
    assert flagged == []


def swap_ring_points(m: Points) -> None:
    m["mitral_ring"][[4, 5]] = m["mitral_ring"][[5, 4]]


def reverse_part_of_the_ring(m: Points) -> None:
    m["mitral_ring"][3:9] = m["mitral_ring"][3:9][::-1]


def repeat_ring_point(m: Points) -> None:
    m["mitral_ring"][6] = m["mitral_ring"][5]


def ring_point_outward(m: Points) -> None:
    ring = m["mitral_ring"]
    ring[3] += 12.0 * (ring[3] - ring.mean(axis=0)) / np.linalg.norm(ring[3] - ring.mean(axis=0))


def permute_hinges(m: Points) -> None:
    left, right, non = (m[f"aortic_hinge_{n}"].copy() for n in ("left", "right", "non"))
    m["aortic_hinge_left"], m["aortic_hinge_right"], m["aortic_hinge_non"] = right, non, left


def exchange_hinges(m: Points) -> None:
    m["aortic_hinge_left"], m["aortic_hinge_non"] = m["aortic_hinge_non"], m["aortic_hinge_left"]


def hinge_into_the_annulus(m: Points) -> None:
    middle = np.mean([m[f"aortic_hinge_{n}"][0] for n in ("left", "right", "non")], axis=0)
    m["aortic_hinge_left"][0] = middle


def swap_trigones(m: Points) -> None:
    m["trigone_left"], m["trigone_right"] = m["trigone_right"], m["trigone_left"]


def apex_beyond_the_ring(m: Points) -> None:
    m["lv_apex"][0] = 2.0 * m["mitral_ring"].mean(axis=0) - m["lv_apex"][0]


def reverse_path(m: Points) -> None:
    m["outflow_path"] = m["outflow_path"][::-1].copy()


def path_point_aside(m: Points) -> None:
    m["outflow_path"][6] += 12.0 * np.cross(m["outflow_path"][7] - m["outflow_path"][5], [0.0, 0.0, 1.0]) / 10.0


def centimetres(m: Points) -> None:
    for name in m:
        m[name] = m[name] / 10.0


@pytest.mark.parametrize(
    ("slip", "code", "structure"),
    [
        (swap_ring_points, "points_out_of_order", "mitral_ring"),
        (reverse_part_of_the_ring, "points_out_of_order", "mitral_ring"),
        (repeat_ring_point, "points_repeated", "mitral_ring"),
        (ring_point_outward, "point_off_curve", "mitral_ring"),
        (permute_hinges, "hinges_misnamed", "aortic_hinge_right"),
        (exchange_hinges, "hinges_misnamed", "aortic_hinge_right"),
        (hinge_into_the_annulus, "hinge_triangle_unusual", "aortic_hinge_left"),
        (swap_trigones, "trigones_swapped", "trigone_left"),
        (apex_beyond_the_ring, "apex_on_atrial_side", "lv_apex"),
        (reverse_path, "path_reversed", "outflow_path"),
        (path_point_aside, "point_off_curve", "outflow_path"),
        (centimetres, "ring_size_unusual", "mitral_ring"),
    ],
)
def test_a_slip_is_found_within_the_reading(slip, code: str, structure: str) -> None:
    for seed in (1, 2, 3):
        points = reading(seed, 1)
        slip(points)
        assert (code, structure) in codes(points), seed


def test_the_point_that_is_off_is_named() -> None:
    points = reading(5, 1)
    ring_point_outward(points)
    off = [f for f in judge_reading(points).findings if f.code == "point_off_curve"]
    assert [f.point_no for f in off] == [4]
    assert off[0].number == pytest.approx(12.0, abs=3.0)


def test_two_readings_that_differ_are_both_suspect_of_three_only_the_odd_one() -> None:
    first, second, third = (reading(6, k) for k in (1, 2, 3))
    second["lv_apex"] += [8.0, 0.0, 0.0]
    pair = judge_phase([judged(first, "A"), judged(second, "B")])
    assert [{(f.code, f.structure) for f in found} for found in pair] == [{("readings_differ", "lv_apex")}] * 2
    three = judge_phase([judged(first, "A"), judged(second, "B"), judged(third, "C")])
    assert [len(found) for found in three] == [0, 1, 0]


def test_the_reading_that_owns_up_is_the_suspect_one() -> None:
    first, second = reading(6, 1), reading(6, 2)
    ring_point_outward(second)
    found = judge_phase([judged(first, "A"), judged(second, "B")])
    assert [f.structure for f in found[0]] == []
    assert {(f.structure, f.point_no) for f in found[1]} == {("mitral_ring", 4)}


def test_a_reading_shifted_as_a_whole_is_one_finding() -> None:
    first, second = reading(7, 1), reading(7, 2)
    for name in second:
        second[name] = second[name] + [0.0, 10.0, 0.0]
    for found in judge_phase([judged(first, "A"), judged(second, "B")]):
        assert [(f.code, f.structure) for f in found] == [("reading_shifted", WHOLE_READING)]
        assert found[0].number == pytest.approx(10.0, abs=1.5)


def test_readers_who_use_other_points_are_compared_along_the_curve() -> None:
    first, second = reading(9, 1), reading(9, 2)
    second["mitral_ring"] = second["mitral_ring"][::2]
    second["outflow_path"] = second["outflow_path"][::3]
    assert judge_phase([judged(first, "A"), judged(second, "B")]) == [[], []]
    second["mitral_ring"][3] += [0.0, 0.0, 12.0]
    found = judge_phase([judged(first, "A"), judged(second, "B")])
    assert {f.structure for f in found[0]} | {f.structure for f in found[1]} == {"mitral_ring"}


def test_a_hinge_that_jumps_in_one_phase_is_found() -> None:
    reads = [judged(reading(10, k, phase=p), "A", p) for k, p in enumerate((10.0, 40.0, 60.0, 75.0))]
    assert judge_phases(reads) == [[], [], [], []]
    points = reading(10, 1, phase=40.0)
    points["aortic_hinge_left"] += 14.0 * (points["aortic_hinge_left"] - points["aortic_hinge_right"]) / 21.0
    reads[1] = judged(points, "A", 40.0)
    found = judge_phases(reads)
    assert "aortic_hinge_left" in {f.structure for f in found[1]}
    assert [len(found[k]) for k in (0, 2, 3)] == [0, 0, 0]


def test_every_need_of_the_registry_is_understood() -> None:
    for entry in REGISTRY:
        for need in entry.needs:
            structures, _ = needed_structures(need)
            assert structures or need in ("plan", "prosthesis"), (entry.id, need)


def test_a_value_rests_on_what_its_measure_needs() -> None:
    neo = rests_on(measure("neo_lvot_area"), "full_frame", "reader_path")
    assert {"mitral_ring", "lv_apex", "aortic_hinge_left", "outflow_path", "blood_sample"} <= neo
    assert "outflow_path" not in rests_on(measure("neo_lvot_area"), "full_frame", "automatic_path")
    assert "trigone_left" in rests_on(measure("mitral_area"), "d_shape", "reader_points")
    assert rests_on(measure("mitral_area"), "spline", "reader_points") == {"mitral_ring"}
    assert rests_on(measure("ring_inner_diameter"), "table", "table") == frozenset()
    # the volume ends at the aortic plane: one hinge 15 mm off made 66.5 ml of 63.6
    assert {"mitral_ring", "lv_apex", "aortic_hinge_right"} <= rests_on(measure("lv_volume"), "", "image_edge")


def test_a_value_on_a_suspect_point_says_so_and_others_do_not() -> None:
    def value(name: str, variant: str, number: float | None = 1.0) -> MeasuredValue:
        return MeasuredValue(
            plan_id="", measure=name, variant=variant, method="reader_points", value=number, unit="mm", status="ok"
        )

    assert is_suspect(value("mitral_area", "spline"), {"mitral_ring"})
    assert not is_suspect(value("mitral_area", "spline"), {"lv_apex"})
    assert is_suspect(value("mitral_area", "spline"), {WHOLE_READING})
    assert not is_suspect(value("mitral_area", "spline", None), {"mitral_ring"})


def test_codes_name_known_severities_and_remedies() -> None:
    assert LANDMARK_SUSPECT == "landmark_suspect"
    for code, meaning in CODES.items():
        assert finding(code, "mitral_ring").severity in ("suspect", "impossible", "note")
        assert meaning.remedy.endswith(".")
    assert set(LEAST_POINTS) >= {s for need in ("image", "trigones") for s in needed_structures(need)[0]}


def test_impossible_codes_are_explained_among_the_reasons_of_the_steps() -> None:
    from outflow_cohort.dicom.codes import reasons

    grave = {code for code, meaning in CODES.items() if meaning.severity == "impossible"}
    assert grave <= set(reasons("outflow_cohort.steps"))
