"""The demonstration's CT series: ordinary de-identified CT images (DICOM PS3.3 A.3), one file per slice.

Patient frame LPS, mm; stored values HU + 1024. Identifiers are hashes of the invented case, so that the same
settings give the same bytes.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import heart_case
from outflow_cohort.demo.render import Grid, Scanner, landmark_box, render_volume
from outflow_cohort.demo.settings import DemoCase, DemoScan, DemoSettings

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pydicom.dataset import Dataset, FileDataset

__all__ = ["render_volume", "scan_grid", "scanner_of", "uid", "write_series"]

INTERCEPT = -1024
LOST_SLICE_SHARE = 0.55
"""Where in the stack the lost slice is: in the middle of the heart."""

DEIDENTIFICATION = (("113100", "Basic Application Confidentiality Profile"), ("113105", "Clean Descriptors Option"),
                    ("113108", "Retain Patient Characteristics Option"))  # fmt: skip
"""DICOM PS3.16 CID 7050."""

SCANNERS = ((0.78, 18.0, 3071.0, 120), (0.90, 24.0, 3071.0, 100), (0.84, 21.0, 15000.0, 120))
"""Blur FWHM (mm), noise (HU), largest HU and kVp of each invented site's scanner; the third has an extended scale."""

MILLISECONDS_A_MINUTE = 60000.0


def uid(*key: object) -> str:
    """A UID under 2.25 (UUID-derived root, PS3.5 B.2) from a hash of the key; the same key gives the same UID."""
    return f"2.25.{int.from_bytes(hashlib.sha256('/'.join(map(str, key)).encode()).digest()[:16], 'big')}"


def scanner_of(demo: DemoSettings, case: DemoCase) -> Scanner:
    """The scanner of a case's site."""
    blur, noise, largest, _ = SCANNERS[demo.sites.index(demo.site(case)) % len(SCANNERS)]
    return Scanner(blur, noise, demo.scan_of(case).supersample, largest)


def scan_grid(scan: DemoScan, heart: HeartPhase) -> Grid:
    """Grid of a case, the same for all its phases: centred a little in front of its landmarks' box."""
    low, high = landmark_box(HeartPhase(heart.case, 0.0), 0.0)
    middle = 0.5 * (low + high) + np.array([-8.0, 6.0, 0.0])
    size = np.array([scan.matrix, scan.matrix, scan.slices])
    step = np.array([scan.pixel_mm, scan.pixel_mm, scan.slice_mm])
    origin = np.round(middle - 0.5 * (size - 1) * step, 2)
    return Grid(tuple(origin.tolist()), tuple(step.tolist()), tuple(size.tolist()))


def write_series(*, folder: Path, demo: DemoSettings, case: DemoCase, phase_pct: float) -> None:
    """Write the CT of one phase of a case as one DICOM file a slice into `folder`, which is emptied first."""
    grid = scan_grid(demo.scan_of(case), HeartPhase(heart_case(case), phase_pct))
    write_slices(folder, demo, case, phase_pct, grid, scanned(demo, case, phase_pct, grid, scanner_of(demo, case)))


def scanned(demo: DemoSettings, case: DemoCase, phase_pct: float, grid: Grid, scanner: Scanner) -> NDArray[np.int16]:
    """HU (nk, nj, ni), int16, of one phase of a case."""
    seed = int.from_bytes(hashlib.sha256(f"{demo.seed}/{case.seed}/{phase_pct}".encode()).digest()[:8], "big")
    result: NDArray[np.int16] = scanner.scan(HeartPhase(heart_case(case), phase_pct), grid, seed).values
    return result


def write_slices(
    folder: Path, demo: DemoSettings, case: DemoCase, phase_pct: float, grid: Grid, hu: NDArray[np.int16]
) -> None:
    """Write HU (nk, nj, ni) as one DICOM file a slice into `folder`, which is emptied first."""
    stored = hu - INTERCEPT
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.dcm"):
        old.unlink()
    lost = None
    if case.fault == "lost_slice":
        lost = int(LOST_SLICE_SHARE * len(stored)) + int(phase_pct) % 7
    template = _template(demo, case, phase_pct, grid, HeartPhase(heart_case(case), phase_pct))
    for k, pixels in enumerate(stored):
        if k != lost:
            _write_slice(folder / f"slice_{k + 1:04d}.dcm", template, case, phase_pct, grid, k, pixels)


def _template(demo: DemoSettings, case: DemoCase, phase_pct: float, grid: Grid, heart: HeartPhase) -> Dataset:
    """Everything the slices of a series share."""
    from pydicom.dataset import Dataset
    from pydicom.sequence import Sequence
    from pydicom.uid import CTImageStorage

    site = demo.sites.index(demo.site(case))
    rate = 58 + 3 * (case.seed % 7)
    d = Dataset()
    d.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    d.SOPClassUID = CTImageStorage
    for keyword in ("StudyDate", "StudyTime", "AccessionNumber", "ReferringPhysicianName", "StudyID"):
        setattr(d, keyword, "")
    d.Modality = "CT"
    d.Manufacturer = ""
    d.PatientName = case.case_id
    d.PatientID = case.case_id
    d.PatientBirthDate = ""
    d.PatientSex = ""
    if case.fault != "no_deidentification":
        d.PatientIdentityRemoved = "YES"
        d.DeidentificationMethod = "Invented subject; no person was scanned"
        codes = []
        for value, meaning in DEIDENTIFICATION:
            code = Dataset()
            code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = value, "DCM", meaning
            codes.append(code)
        d.DeidentificationMethodCodeSequence = Sequence(codes)
        d.LongitudinalTemporalInformationModified = "REMOVED"
        d.BurnedInAnnotation = "NO"
        d.RecognizableVisualFeatures = "NO"
    d.SliceThickness = f"{grid.spacing[2]:g}"
    d.KVP = str(SCANNERS[site % len(SCANNERS)][3])
    d.GantryDetectorTilt = "0"
    d.ConvolutionKernel = "STANDARD"
    d.PatientPosition = "HFS"
    d.ReconstructionDiameter = f"{grid.shape[0] * grid.spacing[0]:g}"
    interval = MILLISECONDS_A_MINUTE / rate
    d.TriggerTime = f"{round(phase_pct / 100.0 * interval)}"
    d.NominalInterval = str(round(interval))
    d.HeartRate = str(rate)
    d.NominalPercentageOfCardiacPhase = float(phase_pct)
    d.StudyInstanceUID = uid(demo.study_id, demo.seed, case.case_id, "study")
    d.SeriesInstanceUID = uid(demo.study_id, demo.seed, case.case_id, "series", phase_pct)
    d.FrameOfReferenceUID = uid(demo.study_id, demo.seed, case.case_id, "frame")
    d.PositionReferenceIndicator = ""
    d.SeriesNumber = str(demo.phases(case).index(phase_pct) + 1)
    d.ImageOrientationPatient = ["1", "0", "0", "0", "1", "0"]
    d.SamplesPerPixel = 1
    d.PhotometricInterpretation = "MONOCHROME2"
    d.Rows, d.Columns = grid.shape[1], grid.shape[0]
    d.PixelSpacing = [f"{grid.spacing[1]:g}", f"{grid.spacing[0]:g}"]
    d.BitsAllocated, d.BitsStored, d.HighBit, d.PixelRepresentation = 16, 16, 15, 0
    d.WindowCenter, d.WindowWidth = "250", "900"
    d.RescaleIntercept, d.RescaleSlope, d.RescaleType = str(INTERCEPT), "1", "HU"
    return d


def _write_slice(
    path: Path, template: Dataset, case: DemoCase, phase_pct: float, grid: Grid, k: int, pixels: NDArray[np.uint16]
) -> None:
    """One slice as a DICOM file, written whole or not at all."""
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import UID, ExplicitVRLittleEndian, RLELossless

    instance = uid(template.SeriesInstanceUID, k)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = template.SOPClassUID
    meta.MediaStorageSOPInstanceUID = UID(instance)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(uid("outflow_cohort", "implementation"))
    image: FileDataset = FileDataset(str(path), template, file_meta=meta, preamble=b"\0" * 128)
    image.SOPInstanceUID = instance
    image.InstanceNumber = str(k + 1)
    z = grid.origin[2] + k * grid.spacing[2]
    image.ImagePositionPatient = [f"{v:.4f}".rstrip("0").rstrip(".") for v in (*grid.origin[:2], z)]
    image.SliceLocation = f"{z:.4f}".rstrip("0").rstrip(".")
    image.PixelData = np.ascontiguousarray(pixels, dtype="<u2").tobytes()
    image["PixelData"].VR = "OW"
    if case.compressed:
        image.compress(RLELossless, generate_instance_uid=False, encoding_plugin="pylibjpeg")
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    image.save_as(temporary, enforce_file_format=True)
    os.replace(temporary, path)
