"""Landmarks to DICOM: Comprehensive 3D SR (TID 1500) with SCOORD3D items, RT Structure Set. All points LPS, mm.

Coordinates of an SR are single-precision floats (PS3.3 C.18.9, VR FL): within 1 m of the origin they repeat to
3e-5 mm. Those of an RT Structure Set are decimal strings of up to 16 characters.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.files import write_atomically
from outflow_cohort.interchange.concepts import LOCAL_SCHEME, SNOMED_SITES, ReadingLabel, local_code

if TYPE_CHECKING:
    import numpy as np
    from pydicom import Dataset

CURVES = (
    "mitral_ring", "aortic_contour", "outflow_trace", "aortic_ring", "septum", "anterior_leaflet", "outflow_path",
)  # fmt: skip
"""Structures whose points belong together; the first four run around a closed curve and repeat no point."""
NO_DATE, NO_TIME = "", ""


def uid(*parts: object) -> str:
    """A repeatable UID under 2.25 (PS3.5 B.2) from `parts`."""
    digest = hashlib.sha256("/".join(map(str, parts)).encode("utf-8")).digest()
    return f"2.25.{int.from_bytes(digest[:16], 'big')}"


def evidence_of(label: ReadingLabel, frame_of_reference: str | None = None) -> Dataset:
    """A stand-in for the header of the case's CT where none is available: pseudonym and repeatable UIDs only."""
    from pydicom import Dataset
    from pydicom.uid import CTImageStorage

    header = Dataset()
    header.PatientID, header.PatientName = label.case_id, f"{label.case_id}^"
    header.PatientBirthDate = header.PatientSex = header.AccessionNumber = header.StudyID = ""
    header.ReferringPhysicianName = ""
    header.StudyDate, header.StudyTime = NO_DATE, NO_TIME
    header.StudyInstanceUID = uid(label.case_id)
    header.SeriesInstanceUID = uid(label.case_id, label.phase_pct)
    header.SOPClassUID = CTImageStorage
    header.SOPInstanceUID = uid(label.case_id, label.phase_pct, "image")
    header.FrameOfReferenceUID = frame_of_reference or uid(label.case_id, "frame")
    header.Modality = "CT"
    return header


def write_report(path: Path, label: ReadingLabel, structures: Mapping[str, np.ndarray], evidence: Dataset) -> None:
    """Write one reading as a Comprehensive 3D SR after TID 1500.

    structures : (n, 3) arrays, mm. Single points become POINT items, curves POLYLINE (closed ones repeat no point).
    evidence : header of an image of the same study (UIDs, pseudonym, FrameOfReferenceUID).
    """
    import highdicom as hd
    from pydicom.sr.codedict import codes
    from pydicom.sr.coding import Code

    number = Code("1", "UCUM", "no units")
    phase = []
    if label.phase_pct is not None:
        percent = Code("%", "UCUM", "%")
        phase = [hd.sr.Measurement(Code("PHASEPCT", LOCAL_SCHEME, "Cardiac phase"), label.phase_pct, percent)]
    groups = []
    for structure, points in structures.items():
        local = hd.sr.CodedConcept(local_code(structure), LOCAL_SCHEME, structure)
        site = SNOMED_SITES[structure]
        for index, block in enumerate(_blocks(structure, points)):
            kind = hd.sr.GraphicTypeValues3D.POINT if len(block) == 1 else hd.sr.GraphicTypeValues3D.POLYLINE
            groups.append(
                hd.sr.PlanarROIMeasurementsAndQualitativeEvaluations(
                    tracking_identifier=hd.sr.TrackingIdentifier(
                        uid(label, structure, index, "tracking"), identifier=structure
                    ),
                    referenced_region=hd.sr.ImageRegion3D(kind, block, evidence.FrameOfReferenceUID),
                    finding_type=local,
                    finding_sites=[hd.sr.FindingSite(Code(site[0], "SCT", site[1]))],
                    measurements=[
                        hd.sr.Measurement(Code("READNO", LOCAL_SCHEME, "Read number"), label.read_no, number),
                        *phase,
                    ],
                )
            )
    observer = hd.sr.ObserverContext(
        codes.DCM.Person, hd.sr.PersonObserverIdentifyingAttributes(name=f"{label.reader_id}^")
    )
    report = hd.sr.MeasurementReport(
        observation_context=hd.sr.ObservationContext(observer_person_context=observer),
        procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
    )
    document = hd.sr.Comprehensive3DSR(
        evidence=[evidence],
        content=report,
        series_instance_uid=uid(label, "series"),
        series_number=1,
        sop_instance_uid=uid(label, "report"),
        instance_number=1,
        manufacturer="outflow-cohort",
    )
    declare_scheme(document)
    undate(document)
    write_atomically(path, lambda p: document.save_as(p, enforce_file_format=True))


def _blocks(structure: str, points: np.ndarray) -> list[np.ndarray]:
    """Points of curves stay together; samples and post tips are separate points."""
    if structure in CURVES and len(points) > 1:
        return [points]
    return [points[i : i + 1] for i in range(len(points))]


def declare_scheme(document: Dataset) -> None:
    """Name the private coding scheme in the file (PS3.3 C.12.1.1.1.7)."""
    from pydicom import Dataset

    scheme = Dataset()
    scheme.CodingSchemeDesignator = LOCAL_SCHEME
    scheme.CodingSchemeName = "Structures of the outflow-cohort study contract"
    scheme.CodingSchemeResponsibleOrganization = "outflow-cohort"
    document.CodingSchemeIdentificationSequence = [scheme]


def undate(document: Dataset) -> None:
    """Fixed dates instead of the clock's: the same reading gives the same bytes, and no date of the work leaks."""
    for element in document.iterall():
        if element.VR == "DA" and element.value:
            element.value = "19000101"
        elif element.VR == "TM" and element.value:
            element.value = "000000"
        elif element.VR == "DT" and element.value:
            element.value = "19000101000000"


def write_structure_set(
    path: Path, label: ReadingLabel, structures: Mapping[str, np.ndarray], evidence: Dataset
) -> None:
    """Write one reading as an RT Structure Set (PS3.3 A.19); structures : (n, 3) arrays, mm."""
    from pydicom import Dataset
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import UID, ExplicitVRLittleEndian, RTStructureSetStorage

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = RTStructureSetStorage
    meta.MediaStorageSOPInstanceUID = UID(uid(label, "structure set"))
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset(str(path.name), {}, file_meta=meta, preamble=b"\0" * 128)
    for name in ("PatientID", "PatientName", "PatientBirthDate", "PatientSex", "StudyInstanceUID", "StudyDate",
                 "StudyTime", "StudyID", "AccessionNumber", "ReferringPhysicianName", "FrameOfReferenceUID",
                 "OperatorsName", "PositionReferenceIndicator"):  # fmt: skip
        setattr(dataset, name, evidence.get(name, ""))
    dataset.SOPClassUID, dataset.SOPInstanceUID = RTStructureSetStorage, meta.MediaStorageSOPInstanceUID
    dataset.Modality, dataset.Manufacturer = "RTSTRUCT", "outflow-cohort"
    dataset.SeriesInstanceUID, dataset.SeriesNumber, dataset.InstanceNumber = uid(label, "rt series"), 1, 1
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = "written from pseudonymous landmark tables"
    dataset.StructureSetLabel = label.reader_id[:16]
    phase = "" if label.phase_pct is None else f"; phase_pct={label.phase_pct!r}"
    dataset.StructureSetDescription = f"reader_id={label.reader_id}; read_no={label.read_no}{phase}"
    dataset.StructureSetDate, dataset.StructureSetTime = NO_DATE, NO_TIME
    reference = Dataset()
    reference.FrameOfReferenceUID = evidence.FrameOfReferenceUID
    dataset.ReferencedFrameOfReferenceSequence = [reference]
    rois, contours, observations = [], [], []
    for number, (structure, points) in enumerate(structures.items(), start=1):
        roi, contour, observation = Dataset(), Dataset(), Dataset()
        roi.ROINumber, roi.ROIName = number, structure
        roi.ReferencedFrameOfReferenceUID, roi.ROIGenerationAlgorithm = evidence.FrameOfReferenceUID, "MANUAL"
        contour.ReferencedROINumber = number
        contour.ContourSequence = []
        for block in _blocks(structure, points):
            part = Dataset()
            # PS3.3 C.8.8.6.1 knows closed contours only where they are planar
            kind = "POINT" if len(block) == 1 else "OPEN_NONPLANAR"
            part.ContourGeometricType, part.NumberOfContourPoints = kind, len(block)
            part.ContourData = [f"{value:.6f}" for value in block.ravel()]
            contour.ContourSequence.append(part)
        observation.ObservationNumber = observation.ReferencedROINumber = number
        observation.RTROIInterpretedType, observation.ROIInterpreter = "", ""
        rois.append(roi)
        contours.append(contour)
        observations.append(observation)
    dataset.StructureSetROISequence = rois
    dataset.ROIContourSequence = contours
    dataset.RTROIObservationsSequence = observations
    write_atomically(path, lambda p: dataset.save_as(p, enforce_file_format=True))
