"""Blinded worklists: own order and names per reader, UIDs mapped consistently, nothing of the case in the copies."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pydicom
import pytest

from outflow_cohort.corelab.worklist import Blinder, write_worklist
from outflow_cohort.demo.study import write_case_series, write_tables

DEMO = """\
study_id: worklist_study
title: Two invented cases
seed: 5
phases_pct: [40]
readers: [ash]
reads: 1
sites: [Aldermoor]
cases:
  - {case_id: S01, group: native, seed: 11}
  - {case_id: S02, group: native, seed: 12}
scan: {matrix: 64, pixel_mm: 2.5, slice_mm: 6.0, slices: 20, supersample: 1}
"""


@pytest.fixture(scope="module")
def dealt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("worklist")
    (folder / "demo.yaml").write_text(DEMO, encoding="utf-8")
    write_tables(folder=folder / "study", settings=folder / "demo.yaml")
    for case in ("S01", "S02"):
        write_case_series(folder=folder / "study", case_id=case)
    count = write_worklist(
        study_file=folder / "study/study.yaml",
        readers=["ash", "birch"],
        repeat_share=0.5,
        seed=3,
        output=folder / "out",
        key=folder / "key",
    )
    assert count == 6
    return folder


def headers(folder: Path) -> list[pydicom.Dataset]:
    return [pydicom.dcmread(p) for p in sorted(folder.rglob("*.dcm"))]


def test_each_reading_has_its_images_under_its_own_name(dealt: Path) -> None:
    key = pd.read_csv(dealt / "key/key.csv", dtype=str)
    assert len(key) == 6
    assert set(key["read_no"]) == {"1", "2"}
    for row in key.itertuples():
        found = headers(dealt / "out" / row.reader_id / row.reading_id)
        assert len(found) == 20
        assert {str(d.PatientID) for d in found} == {row.reading_id}
        assert len({d.SeriesInstanceUID for d in found}) == len({d.FrameOfReferenceUID for d in found}) == 1
        assert len({d.SOPInstanceUID for d in found}) == 20


def test_two_readings_of_one_scan_share_no_uid_and_no_word_of_the_case(dealt: Path) -> None:
    uids = pd.read_csv(dealt / "key/uids.csv", dtype=str)
    assert uids["series_uid"].is_unique
    assert uids["frame_of_reference_uid"].is_unique
    original = headers(dealt / "study/dicom")
    taken = {str(d.SeriesInstanceUID) for d in original} | {str(d.PatientID) for d in original}
    for dataset in headers(dealt / "out"):
        text = str(dataset)
        assert not any(word in text for word in taken | {"S01", "S02"})


def test_copies_pass_the_programs_own_privacy_check_and_keep_pixels_and_geometry(dealt: Path) -> None:
    key = pd.read_csv(dealt / "key/key.csv", dtype=str)
    row = key[key["case_id"] == "S01"].iloc[0]
    copies = headers(dealt / "out" / row["reader_id"] / row["reading_id"])
    originals = headers(dealt / "study/dicom/S01")
    for copy, original in zip(copies, originals, strict=True):
        assert copy.PixelData == original.PixelData
        assert copy.ImagePositionPatient == original.ImagePositionPatient
        assert copy.PatientIdentityRemoved == "YES"
        assert copy.DeidentificationMethodCodeSequence[0].CodeValue == "113100"


def test_the_key_must_not_lie_with_the_readers(dealt: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="key must not be in the folder"):
        write_worklist(
            study_file=dealt / "study/study.yaml",
            readers=["ash"],
            repeat_share=0.0,
            seed=1,
            output=tmp_path / "out",
            key=tmp_path / "out/key",
        )


def test_uids_are_mapped_the_same_within_a_reading_only() -> None:
    one, two = Blinder("ash-001", "s"), Blinder("ash-002", "s")
    assert one.uid("1.2.3") == one.uid("1.2.3")
    assert one.uid("1.2.3") != two.uid("1.2.3")
    assert one.uid("1.2.3") != one.uid("1.2.4")
    assert len(one.uid("1.2.3")) <= 64


def test_an_adjudicator_is_dealt_what_needs_one_only(dealt: Path, tmp_path: Path) -> None:
    asked = tmp_path / "adjudication.csv"
    asked.write_text(
        "case_id,phase_pct,measure,status\nS01,,mitral_area,adjudicated\nS02,,mitral_area,needs_adjudication\n",
        encoding="utf-8",
    )

    def deal(only: Path, name: str) -> int:
        return write_worklist(
            study_file=dealt / "study/study.yaml",
            readers=["doyen"],
            repeat_share=0.0,
            seed=1,
            output=tmp_path / name,
            key=tmp_path / f"{name}_key",
            only=only,
        )

    assert deal(asked, "some") == 1
    key = pd.read_csv(tmp_path / "some_key/key.csv", dtype=str)
    assert key["case_id"].tolist() == ["S02"]
    asked.write_text("case_id,status\nS02,adjudicated\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"adjudication\.csv: found no series"):
        deal(asked, "none")
    with pytest.raises(ValueError, match=r"nothing\.csv: found no table"):
        deal(tmp_path / "nothing.csv", "missing")
