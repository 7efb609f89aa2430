"""Blinded worklists with images: each reader gets copies under reading identifiers; the key is in another folder.

Copies follow the basic profile of DICOM PS3.15, Annex E, Table E.1-1 (`attribute_rules.basic_profile`): attributes are
removed, emptied or replaced, private ones removed, UIDs mapped. Within one reading the same UID always becomes the same
new one, so slices, series and frame of reference stay together; two readings of the same scan share none.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from outflow_cohort.files import write_atomically, write_csv, write_text

if TYPE_CHECKING:
    from pydicom.dataelem import DataElement
    from pydicom.dataset import Dataset

DUMMY_DATE, DUMMY_TIME = "19000101", "000000"
UID_COLUMNS = ["reading_id", "series_uid", "frame_of_reference_uid"]
NEEDS = "needs_adjudication"
BASIC_PROFILE = ("113100", "DCM", "Basic Application Confidentiality Profile")


@dataclass(frozen=True)
class Blinder:
    """Blinds the files of one reading."""

    reading_id: str
    secret: str

    def uid(self, uid: str) -> str:
        """The reading's own UID for `uid` (2.25 and a 128-bit number, DICOM PS3.5 annex B.2)."""
        words = hashlib.sha256(f"{self.secret}/{self.reading_id}/{uid}".encode()).digest()
        return f"2.25.{int.from_bytes(words[:16], 'big')}"

    def blind(self, dataset: Dataset) -> None:
        """Apply the basic profile to `dataset`, nested sequences too."""
        from pydicom.sequence import Sequence

        dataset.remove_private_tags()
        self._walk(dataset)
        dataset.PatientID = dataset.PatientName = self.reading_id
        dataset.PatientIdentityRemoved = "YES"
        dataset.LongitudinalTemporalInformationModified = "REMOVED"
        dataset.DeidentificationMethod = "blinded for reading"
        dataset.DeidentificationMethodCodeSequence = Sequence([_code(*BASIC_PROFILE)])
        file_meta = getattr(dataset, "file_meta", None)
        if file_meta is not None:
            file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
            for name in ("SourceApplicationEntityTitle", "PrivateInformation", "PrivateInformationCreatorUID"):
                if name in file_meta:
                    delattr(file_meta, name)
        dataset.preamble = b"\0" * 128

    def _walk(self, dataset: Dataset) -> None:
        from outflow_cohort.dicom.attribute_rules import basic_profile

        for element in list(dataset):
            action = basic_profile().get(int(element.tag), ("", ""))[1]
            if 0x6000 <= element.tag.group <= 0x60FF or 0x5000 <= element.tag.group <= 0x50FF:
                del dataset[element.tag]
            elif action.startswith("U"):
                values = [element.value] if isinstance(element.value, str) else list(element.value or [])
                mapped = [self.uid(str(value)) for value in values if value]
                element.value = mapped[0] if len(mapped) == 1 else mapped
            elif action.startswith("X"):
                del dataset[element.tag]
            elif action.startswith("Z"):
                element.value = [] if element.VR == "SQ" else None
            elif action.startswith("D") or action.startswith("C"):
                self._dummy(dataset, element)
            elif element.VR == "SQ":
                for item in element.value:
                    self._walk(item)

    def _dummy(self, dataset: Dataset, element: DataElement) -> None:
        if element.VR == "DA":
            element.value = DUMMY_DATE
        elif element.VR == "TM":
            element.value = DUMMY_TIME
        elif element.VR == "DT":
            element.value = DUMMY_DATE + DUMMY_TIME
        elif element.VR in ("PN", "LO", "SH", "ST", "LT", "UT"):
            element.value = self.reading_id
        else:
            del dataset[element.tag]


def _code(value: str, scheme: str, meaning: str) -> Dataset:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def write_worklist(
    *,
    study_file: Path,
    readers: list[str],
    repeat_share: float,
    seed: int,
    output: Path,
    key: Path,
    only: Path | None = None,
) -> int:
    """Deal the study's series to readers and copy the images; returns the number of readings.

    only : table with case_id, and phase_pct where a phase is meant, whose series alone are dealt: such as
    tables/adjudication.csv, of which the rows count that still need an adjudicator.
    output : READER/reading_list.csv and READER/READING_ID/ with the images.
    key : key.csv and uids.csv, in a folder outside `output`. Raises ValueError, StudyError.
    """
    from outflow_cohort.dicom.archives import opened_folder
    from outflow_cohort.dicom.settings import IntakeSettings
    from outflow_cohort.interchange.blinding import blinded_lists
    from outflow_cohort.interchange.export import checked_tables

    if key.resolve().is_relative_to(output.resolve()):
        raise ValueError("the key must not be in the folder that readers get; choose another folder for it")
    if output.exists() and any(output.iterdir()):
        raise ValueError(f"{output.name} is not empty; name a new folder")
    for reader in readers:
        if not reader.replace("_", "").replace("-", "").isalnum():
            raise ValueError("a reader's name may hold letters, digits, - and _ only, since a folder is named after it")
    series = checked_tables(study_file).series
    series = series if only is None else _of_table(series, only)
    blinded = blinded_lists(series, readers, repeat_share=repeat_share, seed=seed)
    places = {(r["case_id"], _phase(r["phase_pct"])): r for r in series.to_dict("records")}
    secret, uids = secrets.token_hex(16), []
    for reader, listed in blinded.lists.items():
        write_csv(output / reader / "reading_list.csv", listed)
    for row in blinded.key.to_dict("records"):
        entry = places[row["case_id"], _phase(row["phase_pct"])]
        target = output / row["reader_id"] / row["reading_id"]
        if entry["volume"]:
            _copy_volume(study_file.parent / entry["volume"], target.with_suffix(".nii.gz"))
            continue
        blinder = Blinder(row["reading_id"], secret)
        with opened_folder(study_file.parent / entry["dicom_dir"], IntakeSettings()) as folder:
            uids += _copy_series(folder, target, blinder)
    write_csv(key / "key.csv", blinded.key)
    frame = pd.DataFrame(uids, columns=UID_COLUMNS).drop_duplicates()
    write_csv(key / "uids.csv", frame)
    write_text(key / "README.txt", "Keep this folder from the readers: it says which reading is which case.\n")
    return len(blinded.key)


def _of_table(series: pd.DataFrame, only: Path) -> pd.DataFrame:
    """The series that a table names; raises ValueError where it names none."""
    try:
        listed = pd.read_csv(only, dtype={"case_id": "str"})
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError):
        raise ValueError(f"{only.name}: found no table; needed a CSV with the column case_id") from None
    if "case_id" not in listed:
        raise ValueError(f"{only.name}: found no column case_id; needed the cases to be read")
    if "status" in listed:
        listed = listed[listed["status"] == NEEDS]
    phases = listed["phase_pct"] if "phase_pct" in listed else pd.Series(None, index=listed.index)
    wanted = {(case, _phase(phase)) for case, phase in zip(listed["case_id"], phases, strict=True)}
    kept = [
        (case, None) in wanted or (case, _phase(phase)) in wanted
        for case, phase in zip(series["case_id"], series["phase_pct"], strict=True)
    ]
    if not any(kept):
        raise ValueError(f"{only.name}: found no series of this study to be read; needed one row at least")
    return series[kept]


def _phase(value: object) -> object:
    return None if value is None or value != value else value


def _copy_series(folder: Path, target: Path, blinder: Blinder) -> list[tuple[str, str, str]]:
    """Blinded copies of the DICOM images of `folder`; raises ValueError where one is not de-identified."""
    import pydicom
    from pydicom.errors import InvalidDicomError

    found = []
    for number, path in enumerate(sorted(p for p in folder.rglob("*") if p.is_file()), start=1):
        try:
            dataset = pydicom.dcmread(path)
        except (InvalidDicomError, OSError):
            continue
        if "PixelData" not in dataset:
            continue
        if dataset.get("PatientIdentityRemoved") != "YES":
            raise ValueError(
                "a series has no sign of de-identification (PatientIdentityRemoved = YES); de-identify it first"
            )
        blinder.blind(dataset)
        write_atomically(target / f"{number:05d}.dcm", lambda place, d=dataset: d.save_as(place))  # type: ignore[misc]
        frame = str(dataset.get("FrameOfReferenceUID", ""))
        found.append((blinder.reading_id, str(dataset.SeriesInstanceUID), frame))
    return found


def _copy_volume(source: Path, target: Path) -> None:
    """The voxels and their frame without any other header field."""
    import SimpleITK as sitk

    image = sitk.ReadImage(str(source))
    for name in image.GetMetaDataKeys():
        image.EraseMetaData(name)
    target.parent.mkdir(parents=True, exist_ok=True)
    sitk.WriteImage(image, str(target), useCompression=True)
