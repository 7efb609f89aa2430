"""Landmarks go out as DICOM SR and RT Structure Set and come back; also from files that other libraries wrote."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.sr import _concepts_dict

from outflow_cohort.interchange.concepts import SNOMED_SITES, ReadingLabel, local_code, structure_of
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
