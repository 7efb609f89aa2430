"""What only the whole study shows: the same pixels under two cases, the same points in two readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from outflow_cohort.files import write_json
from outflow_cohort.handover.base import write_handover
from outflow_cohort.handover.judged import Habit, Judged, PixelHash, read_study_findings, write_judged
from outflow_cohort.handover.request import CaseFacts, Request, StudySettings
from outflow_cohort.steps.study_findings import study_findings
from outflow_cohort.study.findings import held_values, reader_drifts, reading_places, same_landmarks, same_pixels


def points(case: str, reader: str, shift: float = 0.0, phase: float | None = 40.0) -> list[dict[str, object]]:
    place = {"case_id": case, "phase_pct": phase, "reader_id": reader, "read_no": 1, "structure": "mitral_ring"}
    return [place | {"point_no": i, "x_mm": i + shift, "y_mm": 2.0 * i, "z_mm": 0.1} for i in range(1, 6)]


def test_the_same_points_under_two_readers_are_found() -> None:
    table = pd.DataFrame(points("C1", "ash") + points("C1", "birch") + points("C2", "ash", 0.4))
    rows = same_landmarks(table)
    assert {(r.case_id, r.reader_id) for r in rows} == {("C1", "ash"), ("C1", "birch")}
    assert {(r.code, r.severity) for r in rows} == {("same_landmarks_twice", "note")}


def test_readings_without_a_phase_are_compared_too() -> None:
    rows = same_landmarks(pd.DataFrame(points("C1", "ash", phase=None) + points("C2", "ash", phase=None)))
    assert [(r.case_id, r.phase_pct) for r in rows] == [("C1", None), ("C2", None)]
    assert {(r.code, r.severity) for r in rows} == {("landmarks_of_another_case", "suspect")}


def test_the_same_pixels_under_two_cases_are_found() -> None:
    places = [("C1", 40.0, "a"), ("C1", 75.0, "b"), ("C2", 40.0, "a")]
    rows = same_pixels([PixelHash(case_id=case, phase_pct=phase, hash=found) for case, phase, found in places])
    assert [(r.case_id, r.phase_pct, r.code) for r in rows] == [
        ("C1", 40.0, "same_pixels_twice"),
        ("C2", 40.0, "same_pixels_twice"),
    ]


def series(case: str, middle: str, slices: str) -> PixelHash:
    return PixelHash(case_id=case, phase_pct=40.0, hash=middle, slices=tuple(slices))


def test_a_copy_that_was_cropped_is_found() -> None:
    rows = same_pixels([series("C1", "f", "abcdefghij"), series("C2", "d", "bcdefg"), series("C3", "x", "uvwxyz")])
    assert [(r.case_id, r.code, r.number) for r in rows] == [
        ("C1", "same_pixels_twice", 2.0),
        ("C2", "same_pixels_twice", 2.0),
    ]


def test_a_few_slices_alike_are_no_copy() -> None:
    """Slices of empty surroundings, in scans without noise."""
    assert same_pixels([series("C1", "f", "abcdefghij"), series("C2", "q", "abcdmnopqr")]) == []
    assert same_pixels([series("C1", "a", "abcd"), series("C2", "b", "abcd")]) == []


def test_each_case_is_told_what_the_study_shows_of_it(tmp_path: Path) -> None:
    work = tmp_path / "work"
    (work / "requests").mkdir(parents=True)
    own = pd.DataFrame(points("C1", "ash") + points("C2", "ash") + points("C3", "birch", shift=2.0))
    own.to_parquet(work / "readings.parquet")
    for key, middle in (("C1", "a"), ("C2", "b"), ("C3", "a")):
        write_judged(work / "judged" / f"{key}.json", Judged(pixels=(series(key, middle, ""),)))
        request = Request(study=StudySettings(study_id="S"), case=CaseFacts(case_id=key, key=key))
        write_handover(work / "requests" / f"{key}.json", request)
    write_json(work / "plan.json", {"keys": ["C1", "C2", "C3"]})
    study_findings(results=tmp_path)
    found = {key: read_study_findings(work / "study_findings" / f"{key}.json") for key in ("C1", "C2", "C3")}
    assert {key: [row.code for row in rows] for key, rows in found.items()} == {
        "C1": ["same_pixels_twice", "landmarks_of_another_case"],
        "C2": ["landmarks_of_another_case"],
        "C3": ["same_pixels_twice"],
    }


def test_the_same_pixels_in_two_phases_are_noted() -> None:
    rows = same_pixels([PixelHash(case_id="C1", phase_pct=phase, hash="a") for phase in (40.0, 75.0)])
    assert {(r.code, r.severity) for r in rows} == {("same_pixels_in_phases", "note")}


def measured() -> pa.Table:
    """Values of two cases: ok, on a suspect point, over the phases, missing, of another phase and reader."""
    rows = [
        ("C1", 40.0, "ash", "ok", 1.0),
        ("C1", 40.0, "ash", "landmark_suspect", 2.0),
        ("C1", None, "ash", "two_lobes", 3.0),
        ("C1", 40.0, "ash", "missing_septum", None),
        ("C1", 75.0, "ash", "ok", 5.0),
        ("C1", 40.0, "birch", "ok", 6.0),
        ("C2", 40.0, "ash", "ok", 7.0),
    ]
    frame = pd.DataFrame(rows, columns=["case_id", "phase_pct", "reader_id", "status", "value"]).assign(read_no=1)
    return pa.Table.from_pandas(frame, preserve_index=False)


@pytest.mark.parametrize(
    ("code", "reader", "read", "expected"),
    [
        ("same_pixels_twice", "", None, ["x", "landmark_suspect", "x", "missing_septum", "ok", "x", "ok"]),
        ("landmarks_of_another_case", "ash", 1, ["x", "landmark_suspect", "x", "missing_septum", "ok", "ok", "ok"]),
        ("same_landmarks_twice", "ash", 1, ["ok", "landmark_suspect", "two_lobes", "missing_septum", "ok", "ok", "ok"]),
    ],
)
def test_values_that_may_be_another_patients_say_so(
    code: str, reader: str, read: int | None, expected: list[str]
) -> None:
    found = {"case_id": "C1", "phase_pct": 40.0, "reader_id": reader, "read_no": read, "code": code}
    held = held_values(measured(), pd.DataFrame([found]))
    assert held["status"].to_pylist() == [code if status == "x" else status for status in expected]
    assert held["value"].to_pylist() == measured()["value"].to_pylist()
    assert held.schema.names == measured().schema.names


def habits(reader: str, scatters: list[float], outward: float = 0.0) -> list[Habit]:
    return [Habit(case_id=f"C{i:02d}", reader_id=reader, scatter=s, outward=outward) for i, s in enumerate(scatters)]


def test_a_reader_whose_scatter_grows_is_noted_and_a_steady_one_is_not() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.05, 24)
    drifting = habits("ash", [0.5 + n + (0.6 if i >= 12 else 0.0) for i, n in enumerate(noise)])
    steady = habits("birch", [0.5 + n for n in noise])
    rows = reader_drifts(drifting + steady, {})
    assert [(r.reader_id, r.code, r.severity) for r in rows] == [("ash", "reader_drifts", "note")]
    assert rows[0].number > 0.4


def test_drift_follows_the_readers_own_sequence() -> None:
    """Read in another order than by name the same values show no drift."""
    values = [0.5 + 0.01 * i for i in range(12)] + [1.1 + 0.01 * i for i in range(12)]
    table = [{"case_id": f"C{i:02d}", "reader_id": "ash", "reading_order": (i * 7) % 24 + 1} for i in range(24)]
    assert reader_drifts(habits("ash", values), {}) != []
    assert reader_drifts(habits("ash", values), reading_places(pd.DataFrame(table))) == []
