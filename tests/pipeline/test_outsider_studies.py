"""Studies that nothing of the project wrote: NumPy, nibabel and plain pydicom, closed-form ring and angle. Invented."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid
from workflow_runs import snakemake

SHORT, LONG, ANNULUS, OPENING_DEG = 13.0, 16.0, 11.0, 130.0
SPACING, SHAPE, ORIGIN = 1.2, (80, 60, 66), np.array([-40.0, -35.0, -40.0])
DOWNSTREAM = np.array([math.sin(math.radians(OPENING_DEG)), 0.0, math.cos(math.radians(OPENING_DEG))])
UPWARD = np.array([-DOWNSTREAM[2], 0.0, DOWNSTREAM[0]])
AORTA = np.array([26.0, 0.0, -2.0])
PLANTED = ("Thistlewood", "Zebediah", "03.02.1951", "19510203")
HEADER = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]


def heart() -> np.ndarray:
    """HU (k, j, i): an ellipsoid ventricle below the ring plane z = 0 and a tube for the outflow, in muscle."""
    k, j, i = np.indices(SHAPE)
    points = np.stack([i, j, k], axis=-1) * SPACING + ORIGIN
    ventricle = (((points - [-4, 0, 26]) / [20, 22, 30]) ** 2).sum(axis=-1) < 1
    along = (points - AORTA) @ DOWNSTREAM
    tube = (((points - AORTA) ** 2).sum(axis=-1) - along**2 < ANNULUS**2) & (along > -20)
    blood = (ventricle & (points[..., 2] > 0)) | tube
    return (90 + 300 * blood + np.random.default_rng(1).normal(0, 8, SHAPE)).astype(np.int16)


def write_dicom(folder: Path, voxels: np.ndarray, name: str, removed: bool, **tags: object) -> None:
    folder.mkdir(parents=True)
    study, series, frame = generate_uid(), generate_uid(), generate_uid()
    for number, plane in enumerate(voxels):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = generate_uid()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        image = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        image.SOPClassUID, image.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        image.Modality, image.PatientName, image.PatientID = "CT", name, name
        if removed:
            image.PatientIdentityRemoved, image.DeidentificationMethod = "YES", "basic profile"
        image.StudyInstanceUID, image.SeriesInstanceUID, image.FrameOfReferenceUID = study, series, frame
        image.InstanceNumber, image.ImageOrientationPatient = number + 1, [1, 0, 0, 0, 1, 0]
        image.ImagePositionPatient = [ORIGIN[0], ORIGIN[1], round(ORIGIN[2] + number * SPACING, 3)]
        image.PixelSpacing, image.SamplesPerPixel = [SPACING, SPACING], 1
        image.PhotometricInterpretation = "MONOCHROME2"
        image.Rows, image.Columns = plane.shape
        image.BitsAllocated, image.BitsStored, image.HighBit, image.PixelRepresentation = 16, 16, 15, 1
        image.RescaleSlope, image.RescaleIntercept = 1, 0
        image.PixelData = plane.tobytes()
        for key, value in tags.items():
            setattr(image, key, value)
        image.save_as(folder / f"{number:04d}", enforce_file_format=True)


def landmarks(case: str, phase: str, **changes: np.ndarray | None) -> list[list[object]]:
    angles = 2 * np.pi * np.arange(16) / 16
    ring = np.stack([SHORT * np.cos(angles), LONG * np.sin(angles), 0 * angles], axis=1)
    points: dict[str, np.ndarray | None] = {"mitral_ring": ring, "lv_apex": np.array([[-4.0, 0.0, 55.0]])}
    for name, angle in (("left", 10.0), ("right", 130.0), ("non", 250.0)):
        turn = math.radians(angle)
        side = np.array([0.0, math.cos(turn), 0.0]) + math.sin(turn) * UPWARD
        points[f"aortic_hinge_{name}"] = (AORTA + ANNULUS * side)[None]
    points |= changes
    return [
        [case, phase, "r1", 1, name, number, *(f"{x:.4f}" for x in point)]
        for name, array in points.items()
        if array is not None
        for number, point in enumerate(array, start=1)
    ]


def write_csv(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as handle:
        csv.writer(handle).writerows([header, *rows])


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The results of the study, run as its readers would, and what the run printed."""
    import nibabel

    folder = tmp_path_factory.mktemp("outsider") / "a study"
    voxels = heart()
    write_dicom(folder / "ct/one", voxels, "ANON_001", True, TriggerTime=350, NominalInterval=1000)
    write_dicom(folder / "ct/two", voxels, "Thistlewood^Zebediah", False, PatientBirthDate="19510203")
    affine = np.diag([-SPACING, -SPACING, SPACING, 1.0])  # NIfTI is RAS
    affine[:3, 3] = ORIGIN * [-1, -1, 1]
    nibabel.save(nibabel.Nifti1Image(voxels.transpose(2, 1, 0), affine), folder / "three.nii.gz")
    (folder / "study.yaml").write_text(
        "study_id: outsider\nresults: ../results elsewhere\nuncertainty: {draws: 50}\nstatistics: {n_boot: 100}\n"
    )
    write_csv(
        folder / "cases.csv",
        ["case_id", "group", "birth_date", "walk"],
        [["C1", "", "", 310], ["C2", "", "", 290], ["C3", "", "", 250], ["C4", "", "03.02.1951", 1]],
    )
    write_csv(
        folder / "series.csv",
        ["case_id", "dicom_dir", "volume", "phase_pct"],
        [["C1", "ct/one", "", ""], ["C2", "ct/two", "", 35], ["C3", "", "three.nii.gz", ""]],
    )
    few = np.array([[SHORT, 0.0, 0.0], [-SHORT, 0.0, 0.0]])
    rows = landmarks("C1", "35") + landmarks("C2", "35") + landmarks("C3", "", lv_apex=None)
    write_csv(folder / "landmarks.csv", HEADER, rows + landmarks("C4", "", mitral_ring=few))
    done = snakemake(folder / "study.yaml")
    return folder.parent / "results elsewhere", done.stdout + done.stderr


def test_closed_forms_come_back(run: tuple[Path, str]) -> None:
    rows = pd.read_parquet(run[0] / "tables/measurements")
    assert set(rows["case_id"]) == {"C1", "C3"}
    found = {(r.case_id, r.measure, r.variant): r.value for r in rows[rows["value"].notna()].itertuples()}
    for case in ("C1", "C3"):
        assert found[case, "mitral_area", "spline"] == pytest.approx(math.pi * SHORT * LONG, rel=1e-3)
        assert found[case, "mitral_diameter", "max"] == pytest.approx(2 * LONG, rel=1e-3)
    assert found["C1", "mitral_diameter", "septal_lateral"] == pytest.approx(2 * SHORT, rel=1e-3)
    assert found["C1", "aorto_mitral_angle", "opening"] == pytest.approx(OPENING_DEG, abs=1e-2)
    assert set(rows.loc[rows["case_id"].eq("C1") & rows["phase_pct"].notna(), "phase_pct"]) == {35.0}
    assert rows.loc[rows["case_id"].eq("C3"), "phase_pct"].isna().all()


def test_what_cannot_be_had_is_a_row_with_its_reason(run: tuple[Path, str]) -> None:
    rows = pd.read_parquet(run[0] / "tables/measurements")
    angle = rows[(rows["case_id"] == "C3") & (rows["measure"] == "aorto_mitral_angle")]
    assert set(angle["status"]) == {"missing_lv_apex"}
    assert set(rows.loc[rows["measure"] == "neo_lvot_area", "status"]) == {"missing_plan"}
    assert (rows["value"].notna() | rows["status"].ne("ok")).all()


def test_every_reading_is_measured_or_set_aside(run: tuple[Path, str]) -> None:
    aside = pd.read_parquet(run[0] / "tables/set_aside.parquet")
    assert set(aside["case_id"]) == {"C2", "C4"}
    assert "not_deidentified" in set(aside.loc[aside["case_id"] == "C2", "code"])
    assert aside["message"].str.len().gt(0).all()


def test_no_planted_identity_comes_out(run: tuple[Path, str]) -> None:
    files = [p for p in run[0].rglob("*") if p.is_file()]
    for word in PLANTED:
        assert word not in run[1]
        assert not [p.name for p in files if word.encode() in p.read_bytes()], word
