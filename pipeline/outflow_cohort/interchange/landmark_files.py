"""Landmarks from DICOM files: Structured Reports with SCOORD3D items, RT Structure Sets. All points LPS, mm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS, LOCAL_SCHEME, ReadingLabel, structure_of
from outflow_cohort.study.problems import Problem

if TYPE_CHECKING:
    import pandas as pd
    from pydicom import Dataset

    from outflow_cohort.interchange.landmark_references import SeriesIndex
    from outflow_cohort.study.landmark_sources import LandmarkFiles

RT_STRUCTURE_SET = "1.2.840.10008.5.1.4.1.1.481.3"
DEEPEST_TREE = 32
"""Nesting of SR content that is still read; TID 1500 needs 6."""
TRACKING_IDENTIFIER, FINDING, OBSERVER_NAME = "112039", "121071", "121008"
"""Code values of PS3.16 (DCM): Tracking Identifier, Finding, Person Observer Name."""


def read_dicom_landmarks(
    path: Path, problems: list[Problem], index: SeriesIndex | None = None, group: LandmarkFiles | None = None
) -> pd.DataFrame:
    """The points of one SR or RT Structure Set as a landmark table of text cells; `row` counts points from 2.

    index : series of the study, by which a file that does not name case or phase is placed. group : what study.yaml
    states of the file. Mistakes go to `problems`; the frame is then empty.
    """
    import pandas as pd
    import pydicom
    from pydicom.errors import InvalidDicomError

    empty = pd.DataFrame({name: pd.Series(dtype="str") for name in LANDMARK_COLUMNS}).assign(
        row=pd.Series(dtype="int64")
    )
    needed = "a DICOM Structured Report or RT Structure Set"
    try:
        dataset = pydicom.dcmread(path, force=True)  # some writers leave the preamble out
        if dataset.get("SOPClassUID") == RT_STRUCTURE_SET:
            points = list(_structure_set(dataset))
            label = _label_of_structure_set(dataset)
        elif "ContentSequence" in dataset:
            points = list(_report_points(dataset, [], 0))
            label = _label_of_report(dataset)
        else:
            problems.append(
                Problem(
                    file=path.name,
                    row=None,
                    column=None,
                    found="another kind of file",
                    needed=needed,
                    remedy="Take it out of the folder.",
                )
            )
            return empty
    except (InvalidDicomError, OSError, ValueError, KeyError, AttributeError, TypeError) as error:
        found = f"an unreadable file ({type(error).__name__})"
        problems.append(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found=found,
                needed=needed,
                remedy="Export it again or take it out of the folder.",
            )
        )
        return empty
    if group is not None:
        label = _stated(label, group.labels_of(path.name.partition(".")[0]))
        points = [(group.structures.get(structure, structure), xyz) for structure, xyz in points]
    placed = label if index is None else index.placed(dataset, label)
    if placed is None:
        problems.append(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found="a PatientID that is no case_id, and no reference to a series of series.csv",
                needed="the series or the Frame of Reference that its points were drawn on",
                remedy="Name the file in landmark_files of study.yaml, with case_id and phase_pct.",
            )
        )
        return empty
    label = placed
    rows = []
    counts: dict[str, int] = {}
    for structure, xyz in points:
        counts[structure] = counts.get(structure, 0) + 1
        phase = "" if label.phase_pct is None else repr(label.phase_pct)
        cells = [label.case_id, phase, label.reader_id, str(label.read_no), structure, str(counts[structure])]
        rows.append([*cells, *(repr(float(c)) for c in xyz)])
    frame = pd.DataFrame(rows, columns=list(LANDMARK_COLUMNS), dtype="str")
    return frame.assign(row=range(2, len(frame) + 2))


def _stated(label: ReadingLabel, given: dict[str, str]) -> ReadingLabel:
    """The label with what study.yaml states instead; a phase or number that is none stays for the table's check."""
    label = replace(
        label, case_id=given.get("case_id", label.case_id), reader_id=given.get("reader_id", label.reader_id)
    )
    if given.get("read_no", "").isdigit():
        label = replace(label, read_no=int(given["read_no"]))
    try:
        return replace(label, phase_pct=float(given["phase_pct"])) if "phase_pct" in given else label
    except ValueError:
        return label


def _structure_set(dataset: Dataset) -> Iterator[tuple[str, Any]]:
    names = {int(roi.ROINumber): str(roi.get("ROIName", "")) for roi in dataset.StructureSetROISequence}
    for roi in dataset.get("ROIContourSequence", []):
        structure = structure_of([names.get(int(roi.ReferencedROINumber), "")])
        for contour in roi.get("ContourSequence", []):
            values = [float(v) for v in contour.ContourData]
            for start in range(0, len(values) - 2, 3):
                yield structure, values[start : start + 3]


def _label_of_structure_set(dataset: Dataset) -> ReadingLabel:
    """Reader, read and phase as our own files write them (StructureSetDescription), else the set's label."""
    fields = dict(
        part.split("=", 1) for part in str(dataset.get("StructureSetDescription", "")).split("; ") if "=" in part
    )
    phase = fields.get("phase_pct")
    return ReadingLabel(
        case_id=str(dataset.get("PatientID", "")),
        reader_id=fields.get("reader_id") or str(dataset.get("StructureSetLabel", "")),
        read_no=int(fields.get("read_no", "1")),
        phase_pct=float(phase) if phase else None,
    )


def _names(item: Dataset) -> Iterator[str]:
    """Names that a measurement group or a coordinate item goes by, the most specific first."""
    own = item.get("ContentSequence", [])
    for wanted in (TRACKING_IDENTIFIER, FINDING):
        for child in own:
            concept = child.get("ConceptNameCodeSequence")
            if concept and concept[0].get("CodeValue") == wanted:
                if "TextValue" in child:
                    yield str(child.TextValue)
                elif "ConceptCodeSequence" in child:
                    yield str(child.ConceptCodeSequence[0].get("CodeValue", ""))
                    yield str(child.ConceptCodeSequence[0].get("CodeMeaning", ""))
    concept = item.get("ConceptNameCodeSequence")
    if concept:
        yield str(concept[0].get("CodeValue", ""))
        yield str(concept[0].get("CodeMeaning", ""))


def _report_points(item: Dataset, outer: list[str], depth: int) -> Iterator[tuple[str, Any]]:
    """Points of every SCOORD3D item below `item`; a structure's name may be on the item or on its group."""
    if depth > DEEPEST_TREE:
        raise ValueError("content nested too deeply")
    names = [*_names(item), *outer]
    if item.get("ValueType") == "SCOORD3D":
        values = [float(v) for v in item.GraphicData]
        points = [values[i : i + 3] for i in range(0, len(values) - 2, 3)]
        if item.GraphicType == "POLYGON" and len(points) > 1 and points[0] == points[-1]:
            points = points[:-1]
        structure = structure_of(names)
        for xyz in points:
            yield structure, xyz
    for child in item.get("ContentSequence", []):
        yield from _report_points(child, names if depth else [], depth + 1)


def _label_of_report(dataset: Dataset) -> ReadingLabel:
    reader, read_no, phase = "", 1, None
    for item in _walk(dataset, 0):
        concept = item.get("ConceptNameCodeSequence")
        if not concept:
            continue
        code, scheme = concept[0].get("CodeValue"), concept[0].get("CodingSchemeDesignator")
        if code == OBSERVER_NAME and not reader:
            reader = str(item.get("PersonName", "")).replace("^", "")
        elif scheme == LOCAL_SCHEME and code == "READNO":
            read_no = int(item.MeasuredValueSequence[0].NumericValue)
        elif scheme == LOCAL_SCHEME and code == "PHASEPCT":
            phase = float(item.MeasuredValueSequence[0].NumericValue)
    return ReadingLabel(str(dataset.get("PatientID", "")), reader, read_no, phase)


def _walk(item: Dataset, depth: int) -> Iterator[Dataset]:
    if depth <= DEEPEST_TREE:
        for child in item.get("ContentSequence", []):
            yield child
            yield from _walk(child, depth + 1)
