"""Settings of the intake: geometry bounds, privacy policy, quality gates, phase, resampling.

Lengths mm, angles degrees, HU as in the modality rescale; each field carries its unit in `json_schema_extra`.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from outflow_cohort.phases import PhaseMatch


def _number(default: float, unit: str, description: str, low: float, high: float) -> Any:
    return Field(default, ge=low, le=high, description=description, json_schema_extra={"unit": unit})


class _Closed(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class IntakeSettings(_Closed):
    """What a folder of DICOM files must satisfy to become a volume."""

    spacing_jitter_warn_pct: float = _number(
        1.0, "%", "Departure of a slice gap from the mean spacing above which a series is warned.", 0, 100
    )
    spacing_jitter_fail_pct: float = _number(
        5.0, "%", "The same, above which it is set aside (5 %: common practice, no source).", 0, 100
    )
    tilt_tolerance_deg: float = _number(
        0.05, "deg", "Angle between slice normal and stacking direction that still counts as none.", 0, 5
    )
    drift_tolerance_mm: float = _number(
        0.05, "mm", "In-plane drift over the whole stack that rounding of positions may cause.", 0, 1
    )
    allow_unshear: bool = Field(
        False,
        description="Shear a tilted stack back to a regular grid instead of setting it aside; recorded as warned.",
        json_schema_extra={"unit": "1"},
    )
    orientation_tolerance: float = _number(
        1e-3, "1", "Difference of direction cosines that rounding may cause within one stack.", 1e-7, 0.05
    )
    position_tolerance_mm: float = _number(
        1e-2, "mm", "Slices closer than this along the normal share a position.", 1e-5, 0.1
    )
    check_orientation: bool = Field(
        True,
        description="Set a series aside where the chest in it is the other way round than its coordinates say, and a"
        " reading whose points fit the image only when mirrored; false where the organs truly are mirrored.",
        json_schema_extra={"unit": "switch"},
    )
    min_slices: int = Field(3, ge=2, le=1000, description="Fewest slices of a stack.", json_schema_extra={"unit": "1"})
    max_files: int = Field(
        100_000, ge=1, le=2_000_000, description="Most files in one folder.", json_schema_extra={"unit": "1"}
    )
    max_file_megabytes: float = _number(4096, "MB", "Largest file that is opened.", 0.001, 65536)
    max_archive_megabytes: float = _number(16384, "MB", "Most that a zip archive may unpack to.", 0.001, 262144)
    max_header_megabytes: float = _number(
        64, "MB", "Largest header (everything before the pixels), also after inflating.", 0.01, 4096
    )
    max_voxels: int = Field(
        2**30,
        ge=1,
        le=2**33,
        description="Most voxels of one stack (rows x columns x slices).",
        json_schema_extra={"unit": "1"},
    )
    max_sequence_depth: int = Field(
        16,
        ge=1,
        le=64,
        description="Deepest nesting of sequences; a header that nests deeper counts as one that cannot be audited.",
        json_schema_extra={"unit": "1"},
    )
    decode_seconds: float = _number(60, "s", "Longest time one compressed frame may take to decode.", 0.1, 3600)
    decode_megabytes: float = _number(2048, "MB", "Memory a decoder may take beyond what it starts with.", 64, 65536)
    lossy_ratio_warn: float = _number(
        1.0,
        "1",
        "Lossy compression ratio above which a series is warned; so is one whose ratio is not stated.",
        1,
        1000,
    )


class PrivacySettings(_Closed):
    """The privacy gate. It fails closed: what it cannot judge harmless counts against the series."""

    policy: Literal["strict", "standard", "report_only"] = Field(
        "standard",
        description="strict: warnings set aside too; standard: errors set aside; report_only: findings only.",
        json_schema_extra={"unit": "1"},
    )
    pseudonym_pattern: str | None = Field(
        None,
        max_length=500,
        description="Regular expression every patient name and ID must match as a whole; empty = built-in rule "
        "(codes made of letters and digits, hashes, UIDs, the case_id, empty, words such as ANONYMOUS).",
        json_schema_extra={"unit": "1"},
    )
    allowed_words: tuple[Annotated[str, Field(max_length=64)], ...] = Field(
        (),
        max_length=1000,
        description="Words that free text, names and folder names may hold without counting as a name.",
        json_schema_extra={"unit": "1"},
    )
    safe_private_creators: tuple[Annotated[str, Field(max_length=64)], ...] = Field(
        (),
        max_length=1000,
        description="Private creators known to hold nothing identifying.",
        json_schema_extra={"unit": "1"},
    )
    age_limit_years: float = _number(
        89, "a", "Age above which a patient counts as identifiable (45 CFR 164.514(b)(2)(i)(C)).", 0, 150
    )
    scan_tables: bool = Field(
        True,
        description="Scan the study's own tables for identities as well; columns with one never reach a result.",
        json_schema_extra={"unit": "1"},
    )

    @field_validator("pseudonym_pattern")
    @classmethod
    def _compiles(cls, pattern: str | None) -> str | None:
        try:
            re.compile(pattern or "")
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from error
        return pattern


class PhaseSettings(_Closed):
    """Where the cardiac phase may come from."""

    text_opt_in: bool = Field(
        False,
        description="Also read the phase from SeriesDescription, ScanOptions and ImageComments, last in trust.",
        json_schema_extra={"unit": "1"},
    )
    tolerance_pct: float = _number(
        2.0, "% R-R", "Largest difference of two numbers that mean one phase, in tables and headers alike.", 0.1, 20
    )

    @property
    def match(self) -> PhaseMatch:
        """The rule of which numbers mean one phase."""
        return PhaseMatch(self.tolerance_pct)


class QualitySettings(_Closed):
    """Image-quality gates; each has a limit to warn and one to fail, and what a failure does."""

    on_fail: Literal["warn", "set_aside"] = Field(
        "warn", description="What a failed gate does to the verdict.", json_schema_extra={"unit": "1"}
    )

    @property
    def sets_aside(self) -> bool:
        """Whether a value beyond a limit to fail sets the series aside; else it is called poor and measured."""
        return self.on_fail == "set_aside"

    slice_thickness_warn_mm: float = _number(
        1.0, "mm", "Slice thickness or spacing above this is warned (SCCT 2019 expert document: <= 1 mm).", 0.1, 20
    )
    slice_thickness_fail_mm: float = _number(
        1.25, "mm", "Slice thickness or spacing above this fails (from memory).", 0.1, 20
    )
    in_plane_warn_mm: float = _number(0.7, "mm", "Pixel spacing above this is warned (from memory).", 0.1, 5)
    in_plane_fail_mm: float = _number(1.0, "mm", "Pixel spacing above this fails (from memory).", 0.1, 5)
    lumen_hu_warn: float = _number(
        250, "HU", "Lumen HU below this is warned (Kok 2016 Eur Radiol: > 250 HU adequate).", 0, 2000
    )
    lumen_hu_fail: float = _number(200, "HU", "Lumen HU below this fails (from memory).", 0, 2000)
    contrast_to_noise_warn: float = _number(
        10, "1", "Contrast-to-noise below this is warned (Kok 2016 Eur Radiol: > 10 adequate).", 0, 100
    )
    contrast_to_noise_fail: float = _number(5, "1", "Contrast-to-noise below this fails (from memory).", 0, 100)
    noise_warn_hu: float = _number(40, "HU", "Noise (SD in the lumen) above this is warned (from memory).", 0, 500)
    noise_fail_hu: float = _number(80, "HU", "Noise above this fails (from memory).", 0, 1000)
    saturation_warn_pct: float = _number(
        0.01, "%", "Share of voxels near the ring at the top of the HU scale above which it is warned.", 0, 100
    )
    slab_step_warn: float = _number(
        4.0,
        "1",
        "Step between neighbouring slices, as a multiple of the usual difference, that suggests a slab edge.",
        1,
        100,
    )
    margin_warn_mm: float = _number(
        15, "mm", "Landmarks closer than this to the border of the image are warned.", 0, 100
    )


class ResampleSettings(_Closed):
    """The region that the volume step hands on, and its grid."""

    spacing_mm: float = _number(0.5, "mm", "Voxel edge of the resampled region.", 0.1, 3)
    margin_mm: float = _number(20, "mm", "Margin around all landmarks of a phase.", 5, 100)
    interpolator: Literal["linear", "bspline"] = Field(
        "bspline",
        description="Interpolation between voxels where the grid is not kept: cubic B-spline or linear.",
        json_schema_extra={"unit": "1"},
    )
    keep_grid_up_to_mm: float = _number(
        0.75, "mm", "The image's own grid is kept where no spacing exceeds this (0.1 mm: always resample).", 0.1, 3
    )
    keep_grid_ratio: float = _number(
        1.6, "1", "The image's own grid is kept where its spacings differ by no more than this factor.", 1, 10
    )
    whole_image: bool = Field(
        False,
        description="Keep the whole image instead of the region around the landmarks.",
        json_schema_extra={"unit": "1"},
    )
    ring_margin_mm: float = _number(8, "mm", "Margin of the crop at original resolution around the mitral ring.", 2, 50)
    max_output_voxels: int = Field(
        400_000_000,
        ge=1000,
        le=2**31,
        description="Most voxels of one resampled region.",
        json_schema_extra={"unit": "1"},
    )
