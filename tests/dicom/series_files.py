"""Small CT series for the tests, written with pydicom: a de-identified, regular stack that each test then spoils.

Points LPS, mm. The HU of voxel (k, j, i) is 3 k + 2 j + i - 100, so that any misplacement shows.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from outflow_cohort.handover.request import Request

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
ROOT = "1.2.826.0.1.3680043.8.498."
ROWS, COLUMNS, SLICES = 36, 40, 12
ROW_SPACING, COLUMN_SPACING, SLICE_SPACING = 0.7, 0.6, 0.8
ORIGIN = np.array([-10.0, -20.0, 30.0])
Mutate = Callable[[FileDataset, int], FileDataset | None]


def uid(*numbers: int) -> str:
    """A UID under the root that the standard's libraries use for made-up data."""
    return ROOT + ".".join(str(n) for n in numbers)


def code_item(value: str) -> Dataset:
    """A de-identification code (CID 7050)."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", "option"
    return item


def expected_hu(n_slices: int = SLICES, rows: int = ROWS, columns: int = COLUMNS) -> np.ndarray:
    """HU [k, j, i] that the series holds."""
    k, j, i = np.mgrid[0:n_slices, 0:rows, 0:columns]
    return (3 * k + 2 * j + i - 100).astype(np.int16)


def slice_dataset(k: int, series: int = 1, orientation: tuple[float, ...] = (1, 0, 0, 0, 1, 0)) -> FileDataset:
    """Slice k of a regular stack along the normal of `orientation`."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(CT_IMAGE)
    meta.MediaStorageSOPInstanceUID = UID(uid(1, series, k + 1))
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(uid(9))
    ds = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = CT_IMAGE, uid(1, series, k + 1)
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = uid(2), uid(3, series), uid(4)
    ds.Modality, ds.ImageType = "CT", ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.PatientName, ds.PatientID, ds.PatientBirthDate, ds.PatientSex = "C001", "C001", "", ""
    ds.PatientIdentityRemoved = "YES"
    ds.DeidentificationMethod = "basic profile"
    ds.DeidentificationMethodCodeSequence = Sequence([code_item("113100")])
    ds.LongitudinalTemporalInformationModified = "REMOVED"
    ds.PatientPosition, ds.SeriesNumber, ds.InstanceNumber = "HFS", series, k + 1
    ds.ConvolutionKernel, ds.SliceThickness = "B26", SLICE_SPACING
    normal = np.cross(orientation[:3], orientation[3:])
    ds.ImagePositionPatient = [round(float(v), 6) for v in ORIGIN + normal * SLICE_SPACING * k]
    ds.ImageOrientationPatient = list(orientation)
    ds.PixelSpacing = [ROW_SPACING, COLUMN_SPACING]
    ds.Rows, ds.Columns, ds.SamplesPerPixel, ds.PhotometricInterpretation = ROWS, COLUMNS, 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = -1024, 1, "HU"
    set_stored(ds, (expected_hu(k + 1)[k].astype(int) + 1024).astype("<u2"))
    return ds


def set_stored(ds: Dataset, stored: np.ndarray) -> None:
    """Put stored values (rows, columns) into `ds`."""
    ds.PixelData = np.ascontiguousarray(stored).tobytes()
    ds["PixelData"].VR = "OW"


def write_series(
    folder: Path,
    mutate: Mutate | None = None,
    n: int = SLICES,
    series: int = 1,
    orientation: tuple[float, ...] = (1, 0, 0, 0, 1, 0),
    prefix: str = "f",
) -> list[Path]:
    """Write a series; `mutate` changes a slice in place, or returns the one to write. Names say nothing of the order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for k in range(n):
        ds = slice_dataset(k, series, orientation)
        if mutate is not None:
            ds = mutate(ds, k) or ds
        path = folder / f"{prefix}{(k * 7) % 101:03d}_{series}"
        ds.save_as(path, enforce_file_format=True)
        paths.append(path)
    return paths


def request(
    folder: Path, rows: list[dict[str, Any]] | None = None, readings: list[dict[str, Any]] | None = None, **study: Any
) -> dict[str, Any]:
    """Request of one case; `study` holds sections of settings."""
    rows = rows or [{"dicom_dir": str(folder)}]
    return {
        "version": Request.VERSION,
        "study": {"study_id": "TEST", **study},
        "case": {"case_id": "C001", "key": "C001"},
        "series": [
            {"row": 2 + n, "dicom_dir": None, "volume": None, "phase_pct": None, **row} for n, row in enumerate(rows)
        ],
        "readings": readings or [],
        "prosthesis": None,
    }


def take_inventory(content: dict[str, Any], work: Path) -> dict[str, Any]:
    """Run the inventory step on a request and read what it wrote."""
    from outflow_cohort.steps.inventory import inventory

    work.mkdir(parents=True, exist_ok=True)
    (work / "request.json").write_text(json.dumps(content))
    inventory(request=work / "request.json", output=work / "inventory.json")
    result: dict[str, Any] = json.loads((work / "inventory.json").read_text())
    return result


def take_volumes(content: dict[str, Any], work: Path) -> dict[str, Any]:
    """Run inventory and volume steps; images lie in work / "volumes"."""
    from outflow_cohort.steps.volume import volume

    take_inventory(content, work)
    volume(request=work / "request.json", inventory=work / "inventory.json", output_dir=work / "volumes")
    result: dict[str, Any] = json.loads((work / "volumes" / "volumes.json").read_text())
    return result


def codes_of(row: dict[str, Any]) -> set[str]:
    """Reason codes of a series row."""
    return set(filter(None, row["reason_codes"].split(";")))
