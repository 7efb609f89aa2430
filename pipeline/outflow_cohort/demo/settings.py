"""Settings of the demonstration study (config/demo.yaml)."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DemoScan(_Closed):
    """Grid of the invented scans."""

    matrix: int = Field(288, ge=64, le=512)
    pixel_mm: float = Field(0.6, ge=0.2, le=5.0)
    slice_mm: float = Field(0.7, ge=0.2, le=10.0)
    slices: int = Field(176, ge=20, le=600)
    supersample: int = Field(1, ge=1, le=4)


class DemoCase(_Closed):
    """One invented case."""

    case_id: str
    group: Literal["native", "annular_calcification", "failed_bioprosthesis", "failed_ring"]
    seed: int = Field(ge=0)
    fault: Literal["none", "lost_slice", "no_deidentification"] = "none"
    compressed: bool = False
    story: Literal["none", "systole_only", "covered_part", "shallower_depth", "no_size"] = "none"
    """What a valve in the failed bioprosthesis meets; see `cohort.STORIES`."""
    marked_phases_pct: tuple[float, ...] = ()
    """Phases in which this case is marked; empty = those of the study."""
    phases_pct: tuple[float, ...] = ()
    """Phases of this case; empty = those of the study."""
    one_plan: bool = False
    """Only the first plan."""
    readers: tuple[str, ...] = ()
    """Readers of this case; empty = all of the study."""
    scan: DemoScan | None = None
    """Grid of this case's scans; none = that of the study."""


class MissingRead(_Closed):
    """A reader whose second read of a case was never made."""

    case_id: str
    reader_id: str


class DemoMissing(_Closed):
    """Cells left empty on purpose."""

    second_read: MissingRead | None = None
    outflow_path: str | None = None


class DemoSettings(_Closed):
    """The whole demonstration study."""

    study_id: str
    title: str
    seed: int = Field(ge=0)
    phases_pct: tuple[float, ...] = Field(min_length=1)
    readers: tuple[str, ...] = Field(min_length=1)
    reads: int = Field(2, ge=1, le=9)
    exact: bool = False
    """Readers mark the truth itself, without bias or noise: what is left is the error of the program."""
    repeat_phases_pct: tuple[float, ...] = ()
    """Phases that readers read again; empty = all."""
    marked_phases_pct: tuple[float, ...] = ()
    """Phases that readers mark; empty = all. Landmarks are carried to the others where `carry` says so."""
    carry: bool = False
    carry_grid_mm: float | None = None
    """Voxel edge of the registrations; none = the program's own."""
    implants: bool = False
    """Whether the study tries other depths and sizes than the plans, in every case and phase."""
    implants_in: tuple[str, ...] = ()
    """Cases in which it tries a few of them in one phase."""
    sites: tuple[str, ...] = Field(min_length=1)
    cases: tuple[DemoCase, ...] = Field(min_length=1)
    scan: DemoScan = DemoScan()
    missing: DemoMissing = DemoMissing()

    def case(self, case_id: str) -> DemoCase:
        """The case called `case_id`; raises KeyError."""
        for case in self.cases:
            if case.case_id == case_id:
                return case
        raise KeyError(case_id)

    def phases(self, case: DemoCase) -> tuple[float, ...]:
        """Phases of a case."""
        return case.phases_pct or self.phases_pct

    def marked_phases(self, case: DemoCase) -> tuple[float, ...]:
        """Phases in which a case is marked."""
        return case.marked_phases_pct or self.marked_phases_pct or self.phases(case)

    def scan_of(self, case: DemoCase) -> DemoScan:
        """Grid of a case's scans."""
        return case.scan or self.scan

    def site(self, case: DemoCase) -> str:
        """Site of a case: the sites take turns."""
        return self.sites[self.cases.index(case) % len(self.sites)]


def load_settings(path: Path) -> DemoSettings:
    """Read config/demo.yaml; raises pydantic.ValidationError."""
    return DemoSettings.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))
