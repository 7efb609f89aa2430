"""A study begun from a tree of DICOM files: series found, phases proposed with evidence, nothing of a person told.

The trees are small CT series written with pydicom; what must be found is what was written.
"""

from __future__ import annotations

import csv
import zipfile
from pathlib import Path

import numpy as np
import pytest
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main
from outflow_cohort.study.columns import TABLES
from outflow_cohort.study.config import load_study

SLICES, STEP = 6, 0.8


def write_slices(
    folder: Path, patient: str, series: int, *, text: str = "", percent: float | None = None, n: int = SLICES
) -> None:
    """A regular, de-identified stack; the phase stands in the nominal percentage, in free text, or nowhere."""
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(n):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = UID("1.2.840.10008.5.1.4.1.1.2")
        meta.MediaStorageSOPInstanceUID = UID(f"2.25.{series}{k + 1}")
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
        ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
        ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = "2.25.1", f"2.25.{series}", "2.25.2"
        ds.Modality, ds.ImageType, ds.PatientPosition = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"], "HFS"
        ds.PatientName = ds.PatientID = patient
        ds.PatientIdentityRemoved, ds.DeidentificationMethod = "YES", "basic profile"
        ds.SeriesDescription, ds.SliceThickness = text, STEP
        if percent is not None:
            ds.NominalPercentageOfCardiacPhase = percent
        ds.ImagePositionPatient, ds.ImageOrientationPatient = [0, 0, STEP * k], [1, 0, 0, 0, 1, 0]
        ds.PixelSpacing, ds.Rows, ds.Columns = [0.5, 0.5], 8, 8
        ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
        ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
        ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = -1024, 1, "HU"
        ds.PixelData = np.full((8, 8), 1024 + k, "<u2").tobytes()
        ds.save_as(folder / f"f{(5 * k) % 97:03d}", enforce_file_format=True)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    write_slices(root / "a" / "s1", "X9", 11, percent=30)
    write_slices(root / "a" / "s2", "X9", 12, percent=30, n=4)
    write_slices(root / "a" / "s3", "X9", 13, text="CTA 75 % 0.6")
    write_slices(root / "b", "X8", 21)
    (root / "b" / "notes.txt").write_text("nothing of use", encoding="utf-8")
    write_slices(root / "Quagmire, Barbara", "X7", 31, percent=40)
    return root


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def test_series_and_phases_of_a_tree(tree: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    new = tmp_path / "new"
    assert main(["init", str(new), "--dicom", str(tree)]) == EXIT_OK
    told = capsys.readouterr().out
    assert [r["case_id"] for r in rows_of(new / "cases.csv")] == ["C001", "C002"]
    series = {(r["dicom_dir"], r["phase_pct"]) for r in rows_of(new / "series.csv")}
    # the header's percentage is taken over; text is only proposed; the shorter of two series of a phase is left out
    assert series == {("images/a/s1", "30"), ("images/a/s3", ""), ("images/b", "")}
    lines = {line.split()[1]: line for line in told.splitlines() if "images/" in line}
    assert "phase 30 (functional_groups)" in lines["images/a/s1"]
    assert "phase 75 (text)" in lines["images/a/s3"]
    assert "only proposed" in lines["images/a/s3"]
    assert "left out" in lines["images/a/s2"]
    assert "phase unknown" in lines["images/b"]


def test_a_folder_named_like_a_person_is_neither_read_nor_named(
    tree: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    new = tmp_path / "new"
    main(["init", str(new), "--dicom", str(tree)])
    written = "".join(p.read_text(encoding="utf-8") for p in new.iterdir() if p.is_file())
    told = "".join(capsys.readouterr())
    assert "1 folder(s) or archive(s) not read" in told
    assert "Quagmire" not in told + written
    assert not any(patient in told + written for patient in ("X9", "X8", "X7"))


def test_templates_can_be_checked_as_they_are(tree: Path, tmp_path: Path):
    new = tmp_path / "new"
    main(["init", str(new), "--dicom", str(tree)])
    for name, spec in TABLES.items():
        header = (new / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        assert header.split(",") == [c.name for c in spec.columns]
    study, problems = load_study(new / "study.yaml")
    assert study is not None
    assert (study.study_id, problems) == ("new", [])
    assert main(["check", str(new / "study.yaml")]) == EXIT_OK
    guide = (new / "READ_FIRST.md").read_text(encoding="utf-8")
    assert "research only" in guide
    assert "images/a/s3" in guide


def test_every_commented_setting_may_be_uncommented(tree: Path, tmp_path: Path):
    """A template whose defaults were refused when uncommented would be a trap."""
    new = tmp_path / "new"
    main(["init", str(new), "--dicom", str(tree)])
    path = new / "study.yaml"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text(
        "\n".join(line.removeprefix("# ") if i > 1 else line for i, line in enumerate(lines)), encoding="utf-8"
    )
    study, problems = load_study(path)
    assert problems == []
    assert study is not None
    assert study == load_study(_bare(tmp_path))[0]


def _bare(folder: Path) -> Path:
    path = folder / "study.yaml"
    path.write_text("study_id: new\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("mistake", ["a study stands there", "no tree"])
def test_what_stands_there_is_not_overwritten(
    tree: Path, tmp_path: Path, mistake: str, capsys: pytest.CaptureFixture[str]
):
    new = tmp_path / "new"
    new.mkdir()
    if mistake == "a study stands there":
        (new / "study.yaml").write_text("study_id: old\n", encoding="utf-8")
    source = tree if mistake == "a study stands there" else tmp_path / "nowhere"
    assert main(["init", str(new), "--dicom", str(source)]) == EXIT_STUDY
    assert "Remedy:" in capsys.readouterr().err
    assert not (new / "series.csv").exists()


def test_the_examples_of_the_guide_make_a_study_without_errors(tree: Path, tmp_path: Path):
    """Every example row is put into its table; what is missing then are only images and enough landmarks."""
    new = tmp_path / "new"
    main(["init", str(new), "--dicom", str(tree)])
    guide = (new / "READ_FIRST.md").read_text(encoding="utf-8")
    for name in TABLES:
        block = guide.split(f"### {name}.csv")[1].split("For example:\n\n")[1].split("\n\n")[0]
        rows = [line.strip() for line in block.splitlines()]
        assert len(rows) > 1
        (new / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert main(["check", str(new / "study.yaml")]) == EXIT_OK
    assert f"check {new.as_posix()}/study.yaml" in guide


@pytest.mark.parametrize("content", [None, "a text, no DICOM file"])
def test_a_tree_without_series_is_told(tmp_path: Path, content: str | None, capsys: pytest.CaptureFixture[str]):
    (tmp_path / "tree").mkdir()
    if content:
        (tmp_path / "tree/notes.txt").write_text(content)
    status = main(["init", str(tmp_path / "new"), "--dicom", str(tmp_path / "tree")])
    told = "".join(capsys.readouterr())
    assert (status, (tmp_path / "new").exists()) == ((EXIT_OK, True) if content else (EXIT_STUDY, False))
    assert ("no CT series could be read" if content else "found no file in this tree") in told


def zipped(folder: Path, archive: Path) -> None:
    with zipfile.ZipFile(archive, "w") as opened:
        for path in sorted(folder.iterdir()):
            opened.write(path, f"series/{path.name}")


def test_archives_and_media_are_found_each_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """A medium: a DICOMDIR in its root, series in folders below; beside it a zip archive, and a damaged one."""
    root = tmp_path / "tree"
    write_slices(root / "a" / "s1", "X9", 11, percent=30)
    write_slices(root / "a" / "s2", "X9", 12, percent=75)
    write_slices(tmp_path / "packed", "X8", 21, percent=40)
    zipped(tmp_path / "packed", root / "b.zip")
    (root / "DICOMDIR").write_bytes(b"no directory of ours")
    whole = (root / "b.zip").read_bytes()
    (root / "c.zip").write_bytes(whole[:200] + b"\0" * 60 + whole[260:])
    new = tmp_path / "new"
    assert main(["init", str(new), "--dicom", str(root)]) == EXIT_OK
    series = {(r["case_id"], r["dicom_dir"], r["phase_pct"]) for r in rows_of(new / "series.csv")}
    archived = next(case for case, place, _ in series if place == "images/b.zip")
    other = ({"C001", "C002"} - {archived}).pop()
    assert series == {(archived, "images/b.zip", "40"), (other, "images/a/s1", "30"), (other, "images/a/s2", "75")}
    told = capsys.readouterr().out
    assert "images/c.zip  not read: " in told
    assert "3 series of 2 patients" in told
    assert main(["check", str(new)]) == EXIT_OK
