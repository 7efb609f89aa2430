"""The index of a case's resampled phases (RESULTS/work/volumes/KEY/volumes.json). LPS, mm; HU; phase % of R-R."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from outflow_cohort.handover.base import AsideRow, HandOver, Part, read_handover, write_handover

INDEX = "volumes.json"


class MirroredReading(Part):
    """A reading that the image shows to be mirrored: code, and what was found."""

    reader_id: str
    read_no: int
    code: str
    found: str


class VolumeEntry(Part):
    """One phase: its file in the folder, and the grid of the whole image it comes from.

    ring_file : crop at original resolution around a prosthesis. shows_lungs : whether the view shows the patient's
    sides. pixel_hash, slice_hashes : of the middle slice, and of those of the coarse view. resampled : whether the
    image's own grid was left. supine : None = unknown.
    image_origin (3,), image_direction (3, 3), image_spacing (3,), image_size along i, j, k, image_shear (2,).
    """

    row: int
    series: str
    phase_pct: float | None
    phase_source: str
    file: str
    ring_file: str | None
    mirrored_readings: tuple[MirroredReading, ...] = ()
    shows_lungs: bool
    pixel_hash: str | None
    slice_hashes: tuple[str, ...] = ()
    resampled: bool
    patient_position: str | None
    supine: bool | None
    frame_of_reference: str | None
    image_origin: list[float]
    image_direction: list[list[float]]
    image_spacing: list[float]
    image_size: tuple[int, int, int]
    image_shear: list[float]


class QualityFigures(Part):
    """Image quality of a read region; None where landmarks do not allow a figure. quality : ok, warn, poor, fail."""

    hu_min: float
    hu_max: float
    n_padded_voxels: int
    lumen_source: str
    lumen_hu: float | None
    noise_hu: float | None
    muscle_hu: float | None
    contrast_to_noise: float | None
    saturated_pct: float | None
    slab_step: float | None
    margin_mm: float | None
    quality: str
    quality_codes: str


class SeriesQuality(QualityFigures):
    """The figures of one series, as they join its row of tables/series.parquet."""

    row: int
    series: str
    resampled: bool


class VolumeIndex(HandOver):
    """All phases of a case that can be measured, and why others cannot."""

    VERSION: ClassVar[int] = 2

    version: int = VERSION
    volumes: tuple[VolumeEntry, ...] = ()
    series_quality: tuple[SeriesQuality, ...] = ()
    set_aside: tuple[AsideRow, ...] = ()


def read_index(folder: Path) -> VolumeIndex:
    """The index of a case's folder of volumes."""
    return read_handover(folder / INDEX, VolumeIndex)


def write_index(folder: Path, content: VolumeIndex) -> None:
    """Write the index of a case's folder of volumes."""
    write_handover(folder / INDEX, content)
