"""The frozen request of a case (RESULTS/work/requests/KEY.json): all that its jobs need. Points LPS, mm; angles deg."""

from __future__ import annotations

import os
from pathlib import Path
from typing import ClassVar, Literal

from pydantic import ConfigDict, Field

from outflow_cohort.dicom.settings import (
    IntakeSettings,
    PhaseSettings,
    PrivacySettings,
    QualitySettings,
    ResampleSettings,
)
from outflow_cohort.handover.base import HandOver, Part, read_handover
from outflow_cohort.registration.settings import CarrySettings
from outflow_cohort.study.implant_settings import ImplantSettings
from outflow_cohort.study.judging import JudgingSettings
from outflow_cohort.study.measuring_settings import Definitions, Gantry, Uncertainty

Points = list[list[float]]
"""(n, 3), mm."""


class CutoffRow(Part):
    """A cut-off of the neo-LVOT area, mm2, and what is known of it, as text. Further columns come along."""

    model_config = ConfigDict(extra="allow", frozen=True)

    cutoff_id: str
    area_mm2: float
    endpoint: str = ""
    n: str = ""
    events: str = ""
    source: str = ""
    evidence: str = ""


class StudySettings(Part):
    """The sections of study.yaml that the jobs of a case depend on."""

    study_id: str
    definitions: Definitions = Definitions()
    uncertainty: Uncertainty = Uncertainty()
    gantry: Gantry = Gantry()
    privacy: PrivacySettings = PrivacySettings()
    intake: IntakeSettings = IntakeSettings()
    phase: PhaseSettings = PhaseSettings()
    quality: QualitySettings = QualitySettings()
    resample: ResampleSettings = ResampleSettings()
    judging: JudgingSettings = JudgingSettings()
    implants: ImplantSettings | None = None
    carry: CarrySettings | None = None
    cutoffs: tuple[CutoffRow, ...] = ()


class CaseFacts(Part):
    """The case's row of cases.csv. key : its name in file names."""

    case_id: str
    key: str
    group: str | None = None
    site: str | None = None
    device_id: str | None = None
    prosthesis_id: str | None = None
    bsa_m2: float | None = None


class SeriesEntry(Part):
    """A row of series.csv; in the file, paths are relative to its folder. fingerprint : changes with the files."""

    row: int
    phase_pct: float | None = None
    dicom_dir: str | None = None
    volume: str | None = None
    fingerprint: str | None = None


class Reading(Part):
    """One reader's points in one phase. source : file and rows.

    point_numbers : of structures whose points are not numbered 1, 2, … in the reader's table.
    """

    phase_pct: float | None
    reader_id: str
    read_no: int
    structures: dict[str, Points]
    source: str = "landmarks"
    point_numbers: dict[str, list[int]] = Field(default_factory=dict)

    @property
    def who(self) -> tuple[str, int]:
        """Reader and read."""
        return self.reader_id, self.read_no


class CheckedReading(Reading):
    """A reading that may be measured. landmark_warnings : codes joined by `;`."""

    landmark_warnings: str = ""


class PlanRow(Part):
    """A row of plans.csv."""

    plan_id: str
    device_id: str
    ventricular_depth_mm: float | None = None
    anchor: Literal["ring", "post_tips"] | None = None
    tilt_ap_deg: float | None = None
    tilt_ic_deg: float | None = None
    offset_ap_mm: float | None = None
    offset_ic_mm: float | None = None


class DeviceRow(Part):
    """A row of devices.csv with its profile: (station, diameter) pairs, mm."""

    device_id: str
    nominal_diameter_mm: float
    height_mm: float
    covered_from_mm: float | None = None
    covered_to_mm: float | None = None
    profile: tuple[tuple[float, float], ...] = ()


class ProsthesisRow(Part):
    """A row of prostheses.csv."""

    prosthesis_id: str
    labelled_size_mm: float | None = None
    true_inner_diameter_mm: float | None = None
    wall_mm: float | None = None
    post_height_mm: float | None = None
    leaflet_height_mm: float | None = None


class SizingTargetRow(Part):
    """A row of sizing_targets.csv; group None = for all."""

    device_id: str
    group: str | None = None
    basis: str
    min_pct: float
    max_pct: float


class TableFinding(Part):
    """Something in the study's own tables that looks like an identity; never its value."""

    tag: str
    rule: str


class Request(HandOver):
    """All that the jobs of a case need, so that a change elsewhere reruns nothing of it."""

    VERSION: ClassVar[int] = 2

    version: int = VERSION
    study: StudySettings
    case: CaseFacts
    series: tuple[SeriesEntry, ...] = ()
    readings: tuple[Reading, ...] = ()
    plans: tuple[PlanRow, ...] = ()
    devices: dict[str, DeviceRow] = Field(default_factory=dict)
    prosthesis: ProsthesisRow | None = None
    sizing_targets: tuple[SizingTargetRow, ...] = ()
    table_findings: tuple[TableFinding, ...] = ()


def read_request(path: Path) -> Request:
    """Read a case's frozen request; the paths of its series become usable from here."""
    request = read_handover(path, Request)
    return request.model_copy(update={"series": tuple(_placed(entry, path.parent) for entry in request.series)})


def _placed(entry: SeriesEntry, folder: Path) -> SeriesEntry:
    found = {n: value for n in ("dicom_dir", "volume") if (value := getattr(entry, n))}
    return entry.model_copy(update={n: os.path.normpath(folder / value) for n, value in found.items()})


def series_of_row(request: Request, row: int) -> SeriesEntry:
    """The entry of a row of series.csv."""
    return next(entry for entry in request.series if entry.row == row)
