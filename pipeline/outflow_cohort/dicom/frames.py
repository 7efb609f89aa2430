"""One image plane of a DICOM file, whether it is a file of its own or a frame of a multi-frame object.

All points LPS, mm, float64. Text fields hold what the geometry and phase rules need and are never written
out; UIDs leave this package only as keyed hashes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from outflow_cohort.handover.inventory import PixelFormat

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.1"
LEGACY_ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2.2"
CT_CLASSES = frozenset({CT_IMAGE, ENHANCED_CT, LEGACY_ENHANCED_CT})
DEFLATED = "1.2.840.10008.1.2.1.99"
LOSSY_SYNTAXES = frozenset(
    {
        "1.2.840.10008.1.2.4.50",
        "1.2.840.10008.1.2.4.51",
        "1.2.840.10008.1.2.4.81",
        "1.2.840.10008.1.2.4.112",
    }
)
"""Syntaxes that are always lossy; .91, .93 and .203 may hold either and are judged by the lossy flag."""
MULTIFRAME_CT_CLASSES = frozenset({ENHANCED_CT, LEGACY_ENHANCED_CT})


@dataclass(frozen=True, slots=True)
class FileRecord:
    """Where a file is (by its place in the sorted listing, never by name) and where its pixels are.

    pixel_offset, pixel_bytes : start and length of the pixel bytes for native syntaxes, else None.
    """

    ordinal: int
    size: int
    transfer_syntax: str
    pixel_offset: int | None
    pixel_bytes: int | None
    encapsulated: bool
    fragments: int = 0
    big_endian: bool = False


@dataclass(frozen=True, slots=True)
class PhaseTags:
    """What the header says of the cardiac phase (PS3.3 C.7.6.16.2.7 and C.7.6.18); percent, ms."""

    nominal_percentage: float | None = None
    functional_delay: float | None = None
    functional_interval: float | None = None
    trigger_time: float | None = None
    nominal_interval: float | None = None
    text: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Frame:
    """One plane: identity, geometry, pixel format, rescale, phase.

    position : (3,) centre of the first voxel; orientation : (6,) row then column direction cosines;
    pixel_spacing : (row, column) spacing; None where the header does not say.
    """

    file: FileRecord
    frame_index: int
    study: str
    series: str
    patient: str
    instance: str
    sop_class: str
    modality: str
    image_type: tuple[str, ...]
    frame_of_reference: str
    position: tuple[float, float, float] | None
    orientation: tuple[float, float, float, float, float, float] | None
    pixel_spacing: tuple[float, float] | None
    pixels: PixelFormat
    slope: float | None
    intercept: float | None
    rescale_type: str
    lossy: bool
    lossy_ratio: float | None
    phase: PhaseTags
    thickness: float | None = None
    kernel: str = ""
    patient_position: str = ""
    acquisition: str = ""
    instance_number: int | None = None
    temporal_position: str = ""
    acquisition_time: str = ""
    gantry_tilt: float | None = None
    low_rr: float | None = None
    high_rr: float | None = None
    beats_acquired: float | None = None
    beats_rejected: float | None = None
    manufacturer: str = "other"


@dataclass(frozen=True, slots=True)
class OtherObject:
    """A file that is no CT plane: what kind and why."""

    code: str
    series: str = ""
    sop_class: str = ""
    modality: str = ""


@dataclass
class FolderScan:
    """Everything one pass over a folder found."""

    frames: list[Frame] = field(default_factory=list)
    others: list[OtherObject] = field(default_factory=list)
    problems: list[tuple[str, str]] = field(default_factory=list)
    """(code, message) that concern the folder as a whole."""
    n_files: int = 0
    listing_digest: str = ""
