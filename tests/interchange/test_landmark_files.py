"""Landmarks go out as DICOM SR and RT Structure Set and come back; also from files that other libraries wrote."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest
from pydicom.sr import _concepts_dict

from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS, SNOMED_SITES, ReadingLabel, local_code, structure_of
from outflow_cohort.interchange.landmark_files import read_dicom_landmarks
from outflow_cohort.interchange.landmark_writers import evidence_of, write_report, write_structure_set
from outflow_cohort.study.columns import STRUCTURES

ROUND_TRIP_MM = 1e-4
WRITERS = {"sr": write_report, "rtss": write_structure_set}


def some_reading() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(7)
    counts = {s.name: s.least if s.most else s.least + 9 for s in STRUCTURES.values()}
    return {name: rng.uniform(-400, 400, (count, 3)) for name, count in counts.items()}


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("phase", [None, 30.0, 37.5])
def test_round_trip(tmp_path: Path, kind: str, phase: float | None):
    label = ReadingLabel("C007", "R-2", 3, phase)
    reading = some_reading()
    path = tmp_path / "reading.dcm"
    WRITERS[kind](path, label, reading, evidence_of(label))
    problems: list = []
    frame = read_dicom_landmarks(path, problems)
    assert not problems
    assert set(frame["case_id"]) == {"C007"}
    assert set(frame["reader_id"]) == {"R-2"}
    assert set(frame["read_no"]) == {"3"}
    assert set(frame["phase_pct"]) == {"" if phase is None else repr(phase)}
    for name, points in reading.items():
        own = frame[frame["structure"] == name]
        assert list(own["point_no"].astype(int)) == list(range(1, len(points) + 1))
        back = own[["x_mm", "y_mm", "z_mm"]].astype(float).to_numpy()
        assert np.abs(back - points).max() < ROUND_TRIP_MM


@pytest.mark.parametrize("kind", WRITERS)
def test_the_same_reading_gives_the_same_bytes(tmp_path: Path, kind: str):
    label = ReadingLabel("C007", "R2", 1, 30.0)
    for name in ("a.dcm", "b.dcm"):
        WRITERS[kind](tmp_path / name, label, some_reading(), evidence_of(label))
    assert (tmp_path / "a.dcm").read_bytes() == (tmp_path / "b.dcm").read_bytes()


def test_site_codes_stand_in_the_concept_dictionary():
    """Source: pydicom's SNOMED CT concepts, generated from DICOM PS3.16."""
    known = {code for entry in _concepts_dict.concepts["SCT"].values() for code in entry}
    assert {code for code, _ in SNOMED_SITES.values()} <= known
    assert set(SNOMED_SITES) == set(STRUCTURES)


def test_local_codes_are_distinct_and_short():
    codes = [local_code(s) for s in STRUCTURES]
    assert len(set(codes)) == len(codes)
    assert max(map(len, codes)) <= 16


@pytest.mark.parametrize("name", ["Mitral Ring", "mitral-ring", "MITRAL_RING", "mitral.ring"])
def test_spellings_of_a_structure(name: str):
    assert structure_of([name]) == "mitral_ring"


def test_a_structure_set_of_another_writer(tmp_path: Path):
    """A plain set as pydicom users write it: label as reader, closed planar contours, no phase."""
    from pydicom.data import get_testdata_file

    dataset = pydicom.dcmread(get_testdata_file("rtstruct.dcm"), force=True)
    dataset.StructureSetROISequence[0].ROIName = "Mitral Ring"
    path = tmp_path / "other.dcm"
    dataset.save_as(path)
    problems: list = []
    frame = read_dicom_landmarks(path, problems)
    assert not problems
    assert "mitral_ring" in set(frame["structure"])
    number = dataset.StructureSetROISequence[0].ROINumber
    contour = next(c for c in dataset.ROIContourSequence if c.ReferencedROINumber == number)
    values = np.concatenate([np.asarray(c.ContourData, float) for c in contour.ContourSequence]).reshape(-1, 3)
    back = frame[frame["structure"] == "mitral_ring"][["x_mm", "y_mm", "z_mm"]].astype(float).to_numpy()
    assert np.abs(back - values).max() < ROUND_TRIP_MM


@pytest.mark.parametrize("content", [b"", b"not dicom", b"\0" * 128 + b"DICM" + b"\xff" * 40])
def test_an_unreadable_file_is_one_problem(tmp_path: Path, content: bytes):
    path = tmp_path / "x.dcm"
    path.write_bytes(content)
    problems: list = []
    assert len(read_dicom_landmarks(path, problems)) == 0
    assert len(problems) == 1
    assert "DICOM" in str(problems[0])


@pytest.mark.parametrize("kind", ["sr", "rtss", "csv", "parquet"])
def test_a_study_exported_in_any_form_is_read_as_the_same_study(tmp_path: Path, kind: str):
    """Through the commands: export, then name the exported files as the study's landmarks."""
    from outflow_cohort.cli import EXIT_OK, main
    from outflow_cohort.interchange.export import checked_tables

    rng = np.random.default_rng(11)
    turns = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    rows = []
    for reader, read, phase in (("ash", 1, 30.0), ("ash", 2, 30.0), ("birch", 1, 40.0)):
        ring = np.stack([16 * np.cos(turns), 14 * np.sin(turns), 0 * turns], axis=1) + rng.normal(0, 0.3, (12, 3))
        points = [("mitral_ring", xyz) for xyz in ring] + [("lv_apex", rng.uniform(-90, 90, 3))]
        counts: dict[str, int] = {}
        for name, xyz in points:
            counts[name] = counts.get(name, 0) + 1
            rows.append(["C1", phase, reader, read, name, counts[name], *xyz])
    (tmp_path / "cases.csv").write_text("case_id\nC1\n")
    (tmp_path / "series.csv").write_text("case_id,dicom_dir,phase_pct\nC1,a,30\nC1,b,40\n")
    pd.DataFrame(rows, columns=list(LANDMARK_COLUMNS)).to_csv(tmp_path / "landmarks.csv", index=False)
    study = tmp_path / "study.yaml"
    study.write_text("study_id: t\n")
    before = checked_tables(study).landmarks
    assert main(["export-landmarks", str(study), "--format", kind, "--output", str(tmp_path / "out")]) == EXIT_OK
    study.write_text("study_id: t\nlandmarks: out\n")
    after = checked_tables(study).landmarks
    order = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no"]
    first, second = (f.sort_values(order).reset_index(drop=True)[list(LANDMARK_COLUMNS)] for f in (before, after))
    pd.testing.assert_frame_equal(first, second, check_dtype=False, rtol=0, atol=ROUND_TRIP_MM)
