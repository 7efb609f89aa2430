"""What only the whole study shows: the same pixels under two cases, the same points in two readings."""

from __future__ import annotations

import pandas as pd

from outflow_cohort.study.findings import same_landmarks, same_pixels


def points(case: str, reader: str, shift: float = 0.0, phase: float | None = 40.0) -> list[dict[str, object]]:
    place = {"case_id": case, "phase_pct": phase, "reader_id": reader, "read_no": 1, "structure": "mitral_ring"}
    return [place | {"point_no": i, "x_mm": i + shift, "y_mm": 2.0 * i, "z_mm": 0.1} for i in range(1, 6)]


def test_the_same_points_under_two_readers_are_found() -> None:
    table = pd.DataFrame(points("C1", "ash") + points("C1", "birch") + points("C2", "ash", 0.4))
    rows = same_landmarks(table)
    assert {(r["case_id"], r["reader_id"]) for r in rows} == {("C1", "ash"), ("C1", "birch")}
    assert {r["code"] for r in rows} == {"same_landmarks_twice"}


def test_readings_without_a_phase_are_compared_too() -> None:
    rows = same_landmarks(pd.DataFrame(points("C1", "ash", phase=None) + points("C2", "ash", phase=None)))
    assert [(r["case_id"], r["phase_pct"]) for r in rows] == [("C1", None), ("C2", None)]


def test_the_same_pixels_under_two_cases_are_found() -> None:
    pixels = {
        "C1": [{"case_id": "C1", "phase_pct": 40.0, "hash": "a"}, {"case_id": "C1", "phase_pct": 75.0, "hash": "b"}],
        "C2": [{"case_id": "C2", "phase_pct": 40.0, "hash": "a"}],
    }
    rows = same_pixels(pixels)
    assert [(r["case_id"], r["phase_pct"], r["code"]) for r in rows] == [
        ("C1", 40.0, "same_pixels_twice"),
        ("C2", 40.0, "same_pixels_twice"),
    ]
