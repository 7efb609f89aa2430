"""Which series a DICOM landmark file refers to, and so whose points at which phase it holds. Phases in % of R-R.

A structure set or report of another program names the series it was drawn on (PS3.3 C.8.8.5 and C.17.2) or at least
its Frame of Reference; the phase is that series'. Header values stay in memory and out of messages.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.interchange.concepts import ReadingLabel

if TYPE_CHECKING:
    import pandas as pd
    from pydicom import Dataset

    from outflow_cohort.dicom.settings import PhaseSettings

DEEPEST = 32
"""Nesting of a document that is still read."""


@dataclass(frozen=True)
class SeriesPlace:
    """A row of series.csv with the UIDs of its images."""

    case_id: str
    phase_pct: float | None
    series: str
    frame: str


class SeriesIndex:
    """Series of a study by their UIDs; one header of each folder is read, when first asked."""

    def __init__(self, series: pd.DataFrame, cases: Iterable[str], folder: Path, phase: PhaseSettings) -> None:
        self.cases = frozenset(cases)
        self._rows = [
            (
                str(row["case_id"]),
                None if math.isnan(row["phase_pct"]) else float(row["phase_pct"]),
                str(row["dicom_dir"]),
            )
            for _, row in series.iterrows()
            if row["dicom_dir"]
        ]
        self._folder = folder
        self._phase = phase

    @cached_property
    def _places(self) -> list[SeriesPlace]:
        places = []
        for case_id, phase_pct, name in self._rows:
            found = _first_header(self._folder / name, self._phase)
            if found is not None:
                series, frame, stated = found
                places.append(SeriesPlace(case_id, stated if phase_pct is None else phase_pct, series, frame))
        return places

    def placed(self, dataset: Dataset, label: ReadingLabel) -> ReadingLabel | None:
        """The label with case and phase of the series that the document refers to; None where its case is unknown and
        it refers to no series of the study, or to those of several cases."""
        known = label.case_id in self.cases
        if known and label.phase_pct is not None:
            return label
        series, frames = set(referred_series(dataset)), set(referred_frames(dataset))
        found = [p for p in self._places if p.series in series] or [p for p in self._places if p.frame in frames]
        if known:
            found = [p for p in found if p.case_id == label.case_id]
        cases = {p.case_id for p in found}
        if len(cases) != 1:
            return label if known else None
        phases = {p.phase_pct for p in found}
        phase = label.phase_pct if label.phase_pct is not None or len(phases) > 1 else phases.pop()
        return replace(label, case_id=cases.pop(), phase_pct=phase)


def _first_header(folder: Path, settings: PhaseSettings) -> tuple[str, str, float | None] | None:
    """Series UID, Frame of Reference and phase of the first CT image below a folder; None where there is none."""
    from outflow_cohort.dicom.phase import decide_phase
    from outflow_cohort.dicom.scan import scan_folder
    from outflow_cohort.dicom.settings import IntakeSettings

    files = (Path(root, name) for root, _, names in os.walk(folder) for name in sorted(names) if name[0] != ".")
    first = next(files, None)
    if first is None:
        return None
    with tempfile.TemporaryDirectory(prefix="outflow_") as name:
        Path(name, "first").symlink_to(first.resolve())
        frames = scan_folder(Path(name), IntakeSettings(), settings).frames
    if not frames:
        return None
    return frames[0].series, frames[0].frame_of_reference, decide_phase(frames[:1], None, settings).phase_pct


def _values(dataset: Dataset, keyword: str, depth: int = 0) -> Iterator[str]:
    """Every value of an attribute in a dataset and its sequences."""
    if depth > DEEPEST:
        return
    for element in dataset:
        if element.keyword == keyword and element.value:
            yield str(element.value)
        elif element.VR == "SQ":
            for item in element.value:
                yield from _values(item, keyword, depth + 1)


def referred_series(dataset: Dataset) -> list[str]:
    """Series that a structure set or report refers to; not the one it belongs to itself."""
    sequences = ("ReferencedFrameOfReferenceSequence", "CurrentRequestedProcedureEvidenceSequence")
    return [
        value for name in sequences for item in dataset.get(name, []) for value in _values(item, "SeriesInstanceUID")
    ]


def referred_frames(dataset: Dataset) -> list[str]:
    """Frames of Reference that a structure set or report gives its points in."""
    own = [str(dataset.FrameOfReferenceUID)] if dataset.get("FrameOfReferenceUID") else []
    sets = dataset.get("ReferencedFrameOfReferenceSequence", [])
    inner = [value for item in sets for value in _values(item, "FrameOfReferenceUID")]
    return [*own, *inner, *_values(dataset, "ReferencedFrameOfReferenceUID")]
