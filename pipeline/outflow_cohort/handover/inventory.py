"""What the inventory step found in the folders of a case (RESULTS/work/inventory/KEY.json). LPS, mm; phase % of R-R."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, NamedTuple

from pydantic import ConfigDict

from outflow_cohort.handover.base import AsideRow, HandOver, Part, read_handover, write_handover


class SeriesRow(Part):
    """A row of tables/series.parquet: the verdict on one series. Further columns are the figures that its kind has."""

    model_config = ConfigDict(extra="allow", frozen=True)

    case_id: str
    row: int
    series: str
    verdict: str
    reason_codes: str
    details: str
    remedy: str

    @property
    def phase(self) -> float | None:
        """Its phase, where the kind of row has one."""
        phase: float | None = (self.model_extra or {}).get("phase_pct")
        return phase


class PrivacyRow(Part):
    """A finding of the privacy gate; never a value."""

    case_id: str
    series: str
    tag: str
    keyword: str
    rule: str
    severity: str


class PixelFormat(Part):
    """How the stored values of a file are laid out (PS3.3 C.7.6.3), as its header or the inventory's plan has it."""

    rows: int
    columns: int
    samples: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    photometric: str
    padding_value: int | None = None
    padding_limit: int | None = None
    big_endian: bool = False


class SlicePlan(NamedTuple):
    """Where one slice is read: place of its file in the sorted listing, frame, offset of its pixels in the file,
    rescale slope and intercept, and the place of its form in `SeriesPlan.formats`."""

    file: int
    frame: int
    offset: int | None
    slope: float
    intercept: float
    form: int


class SeriesPlan(Part):
    """What the volume step needs to read a series without parsing a header again.

    origin (3,), direction (3, 3), spacing (3,), size along i, j, k, shear (2,). listing : fingerprint of the folder's
    sorted list of files. formats, slices : of DICOM files; an image file has none.
    """

    row: int
    series: str
    phase_pct: float | None
    phase_source: str
    origin: list[float]
    direction: list[list[float]]
    spacing: list[float]
    size: tuple[int, int, int]
    shear: list[float]
    patient_position: str | None
    frame_of_reference: str | None
    reason_codes: str
    listing: str = ""
    formats: tuple[PixelFormat, ...] = ()
    slices: tuple[SlicePlan, ...] = ()
    inflate: bool = False


class Inventory(HandOver):
    """All that is known of a case's series from their headers."""

    VERSION: ClassVar[int] = 2

    version: int = VERSION
    series: tuple[SeriesRow, ...] = ()
    privacy: tuple[PrivacyRow, ...] = ()
    set_aside: tuple[AsideRow, ...] = ()
    plans: tuple[SeriesPlan, ...] = ()


def read_inventory(path: Path) -> Inventory:
    """What the inventory step wrote."""
    return read_handover(path, Inventory)


def write_inventory(path: Path, content: Inventory) -> None:
    """Write the file of one case."""
    write_handover(path, content)
