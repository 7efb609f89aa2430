"""From the frames of one folder to judged series: kind, geometry, rescale, pixels, phase, header quality.

Lengths mm, angles degrees. A judged series holds codes with the numbers behind them; its verdict is the
gravest of its codes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from outflow_cohort.dicom.codes import verdict
from outflow_cohort.dicom.frames import CT_IMAGE, DEFLATED, Frame
from outflow_cohort.dicom.geometry import StackGeometry, judge_geometry
from outflow_cohort.dicom.phase import PhaseDecision, decide_phase, heart_rate_codes
from outflow_cohort.dicom.pixels import (
    FrameDecoder,
    PixelError,
    padding_is_plausible,
    pixel_digest,
    read_frame,
    stored_dtype,
    to_hu,
)
from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings, QualitySettings
from outflow_cohort.dicom.stacks import PER_FILE, PROJECTIONS, Stack, build_stacks, is_localizer

SUPINE = frozenset({"HFS", "FFS"})
POSITIONS = frozenset({"HFP", "HFS", "HFDR", "HFDL", "FFDR", "FFDL", "FFP", "FFS", "LFP", "LFS", "RFP", "RFS",
                       "AFDR", "AFDL", "PFDR", "PFDL"})  # fmt: skip
"""Defined terms of PatientPosition (PS3.3 C.7.3.1.1.2); anything else is not repeated in a table."""
TILT_TAG_TOLERANCE_DEG = 0.5
"""GantryDetectorTilt is written with whole or half degrees."""


@dataclass
class JudgedSeries:
    """A stack with its grid, phase, codes (code -> message) and figures."""

    stack: Stack
    geometry: StackGeometry | None
    phase: PhaseDecision
    codes: dict[str, str]
    figures: dict[str, float | str | bool | None] = field(default_factory=dict)

    @property
    def verdict(self) -> str:
        """accepted, warned or set_aside."""
        return verdict(tuple(self.codes))

    def state_phase(self, table_pct: float, settings: PhaseSettings) -> None:
        """Decide the phase anew with what series.csv states."""
        for code in self.phase.codes:
            self.codes.pop(code, None)
        self.phase = decide_phase(self.stack.frames, table_pct, settings)
        self.codes.update(self.phase.codes)

    @property
    def first(self) -> Frame:
        """The first frame along the normal."""
        return self.stack.frames[0]


def judge_frames(
    frames: list[Frame],
    paths: dict[int, Path],
    intake: IntakeSettings,
    phase: PhaseSettings,
    quality: QualitySettings,
    decoder: FrameDecoder,
) -> list[JudgedSeries]:
    """Group `frames` into stacks and judge each; `paths` maps a file's ordinal to where it is."""

    def digest(frame: Frame) -> bytes:
        try:
            return pixel_digest(_read(frame, paths, decoder))
        except (PixelError, OSError):
            return f"unreadable {frame.file.ordinal} {frame.frame_index}".encode()

    return [
        _judge(stack, paths, intake, phase, quality, decoder) for stack in build_stacks(frames, intake, phase, digest)
    ]


def _read(frame: Frame, paths: dict[int, Path], decoder: FrameDecoder) -> np.ndarray:
    return read_frame(
        paths[frame.file.ordinal],
        frame.file.pixel_offset,
        frame.frame_index,
        frame.pixels,
        decoder,
        inflate=frame.file.transfer_syntax == DEFLATED,
    )


def roughness(series: JudgedSeries, paths: dict[int, Path], decoder: FrameDecoder) -> float:
    """Median absolute second difference along the rows of the middle slice, HU: grows with noise and sharp kernels."""
    frame = series.stack.frames[len(series.stack.frames) // 2]
    try:
        stored = _read(frame, paths, decoder)
    except (PixelError, OSError):
        return float("inf")
    hu, _ = to_hu(stored, frame.pixels, frame.slope or 1.0, frame.intercept or 0.0)
    steps = np.diff(hu.astype(np.float32), n=2, axis=1)
    return float(np.median(np.abs(steps))) if steps.size else 0.0


def _judge(
    stack: Stack,
    paths: dict[int, Path],
    intake: IntakeSettings,
    phase: PhaseSettings,
    quality: QualitySettings,
    decoder: FrameDecoder,
) -> JudgedSeries:
    _judge_kind(stack)
    geometry, figures = judge_geometry(stack, intake)
    decision = decide_phase(stack.frames, None, phase)
    series = JudgedSeries(stack, geometry, decision, stack.codes, dict(figures))
    if is_localizer(stack.frames[0]):
        return series
    series.codes.update(decision.codes)
    series.codes.update(heart_rate_codes(stack.frames))
    _judge_size(series, intake)
    _judge_rescale(series)
    _judge_pixels(series, paths, decoder, intake)
    _judge_position(series)
    judge_header_quality(series, quality)
    return series


def _judge_kind(stack: Stack) -> None:
    first = stack.frames[0]
    if is_localizer(first):
        stack.codes["localizer"] = "ImageType says LOCALIZER"
        return
    if PROJECTIONS & set(first.image_type):
        stack.codes["projection_image"] = "ImageType says projection"
    elif any(f.image_type[:1] == ("DERIVED",) for f in stack.frames):
        stack.codes["derived_image"] = "ImageType says DERIVED"
    if first.pixels.samples != 1:
        stack.codes["colour_image"] = f"{first.pixels.samples} samples per pixel"
    elif first.pixels.photometric not in ("MONOCHROME2", ""):
        stack.codes["bad_pixel_format"] = "PhotometricInterpretation is not MONOCHROME2"
    if first.rescale_type in ("US", "UNSPECIFIED"):
        stack.codes["rescale_type_unspecified"] = "RescaleType is unspecified"
    elif first.rescale_type not in ("", "HU", "HU_MOD"):
        stack.codes["not_hounsfield"] = "RescaleType is not HU"
    if first.modality != "CT" and first.sop_class == CT_IMAGE:
        stack.codes["not_ct"] = "Modality is not CT"
    if not first.frame_of_reference and PER_FILE not in stack.codes:
        stack.codes["no_frame_of_reference"] = "FrameOfReferenceUID is empty"


def _judge_size(series: JudgedSeries, intake: IntakeSettings) -> None:
    pixels = series.first.pixels
    voxels = pixels.rows * pixels.columns * len(series.stack.frames)
    if voxels > intake.max_voxels:
        series.codes["too_many_voxels"] = f"{voxels} voxels; at most {intake.max_voxels}"


def _judge_rescale(series: JudgedSeries) -> None:
    frames = series.stack.frames
    missing = sum(f.slope is None or f.intercept is None for f in frames)
    if missing:
        series.codes["no_rescale"] = f"{missing} of {len(frames)} slices without slope or intercept"
        return
    pairs = {(f.slope, f.intercept) for f in frames}
    if any(not slope or abs(slope) > 1e4 or intercept is None or abs(intercept) > 1e6 for slope, intercept in pairs):
        series.codes["bad_rescale"] = "slope zero, or slope or intercept beyond any HU scale"
        return
    if len(pairs) > 1:
        series.codes["mixed_rescale"] = f"{len(pairs)} pairs of slope and intercept"
    if any(not padding_is_plausible(f.pixels, f.slope or 1.0, f.intercept or 0.0) for f in frames):
        series.codes["padding_implausible"] = "PixelPaddingValue would be tissue in HU"


def _judge_pixels(series: JudgedSeries, paths: dict[int, Path], decoder: FrameDecoder, intake: IntakeSettings) -> None:
    frames = series.stack.frames
    lossy = [f for f in frames if f.lossy]
    if lossy:
        ratios = [f.lossy_ratio for f in lossy if f.lossy_ratio]
        # a ratio of 1 would be no loss: it says no more than none
        if any((f.lossy_ratio or 1.0) <= 1.0 for f in lossy) or max(ratios) > intake.lossy_ratio_warn:
            series.codes["lossy_compressed"] = f"ratio {max(ratios):.3g}" if ratios else "ratio not stated"
        series.figures["lossy_ratio"] = max(ratios) if ratios else None
    try:
        for f in frames:
            stored_dtype(f.pixels)
    except PixelError as problem:
        series.codes[problem.code] = problem.message
        return
    short = 0
    for frame in frames:
        file = frame.file
        needed = frame.pixels.rows * frame.pixels.columns * frame.pixels.samples * frame.pixels.bits_allocated // 8
        if file.encapsulated:
            short += file.fragments <= frame.frame_index
        elif file.pixel_bytes is not None:
            short += file.pixel_bytes < needed * (frame.frame_index + 1)
    if short:
        series.codes["truncated_pixels"] = f"pixels of {short} of {len(frames)} slices are cut short"
        return
    compressed = [f for f in frames if f.file.encapsulated or f.file.transfer_syntax == DEFLATED]
    if compressed and verdict(tuple(series.codes)) != "set_aside":
        # A sample here; the volume step decodes all that it needs, so pixels are decoded once.
        for frame in {id(f): f for f in (compressed[0], compressed[len(compressed) // 2], compressed[-1])}.values():
            try:
                _read(frame, paths, decoder)
            except PixelError as problem:
                series.codes[problem.code] = problem.message
                return


def _judge_position(series: JudgedSeries) -> None:
    positions = {f.patient_position for f in series.stack.frames}
    position = positions.pop() if len(positions) == 1 else ""
    if position not in POSITIONS:
        series.codes["patient_position_unknown"] = "PatientPosition is empty, mixed or no defined term"
    elif position not in SUPINE:
        series.codes["not_supine"] = f"PatientPosition is {position}"
    series.figures["patient_position"] = position if position in POSITIONS else None
    tag = series.first.gantry_tilt
    tilt = series.figures.get("tilt_deg")
    if tag is not None and isinstance(tilt, float) and abs(abs(tag) - tilt) > TILT_TAG_TOLERANCE_DEG:
        tilted_frame = abs(series.first.orientation[4]) if series.first.orientation else 1.0
        from_axial = float(np.degrees(np.arccos(min(1.0, tilted_frame))))
        if abs(abs(tag) - from_axial) > TILT_TAG_TOLERANCE_DEG:
            series.codes["tilt_tag_contradicts"] = f"tag {tag:g} degrees, geometry {tilt:.2f} degrees"


def judge_header_quality(series: JudgedSeries, quality: QualitySettings) -> None:
    """Gates that need no pixels: slice thickness, slice spacing, in-plane spacing."""
    first, codes = series.first, series.codes
    spacing = series.figures.get("slice_spacing_mm")
    thick = max([v for v in (first.thickness, spacing) if isinstance(v, float)], default=None)
    if thick is not None and thick > 0:
        limits = quality.slice_thickness_warn_mm, quality.slice_thickness_fail_mm
        _gate(series, "slice_thickness", thick, limits, "mm", quality.sets_aside)
    if isinstance(spacing, float) and first.thickness and spacing > 1.05 * first.thickness:
        codes["interslice_gap"] = f"spacing {spacing:.3g} mm, thickness {first.thickness:.3g} mm"
    if first.pixel_spacing is not None:
        limits = quality.in_plane_warn_mm, quality.in_plane_fail_mm
        _gate(series, "in_plane", max(first.pixel_spacing), limits, "mm", quality.sets_aside)
    if any(code.endswith("_fail") for code in codes):
        codes["quality_gate"] = "a failed gate sets aside (quality.on_fail)"


ROUNDING_MM = 1e-3
"""Sizes written with three decimals do not fail a gate by their rounding."""


def _gate(
    series: JudgedSeries, name: str, value: float, limits: tuple[float, float], unit: str, sets_aside: bool
) -> None:
    warn, fail = limits
    if value > fail + ROUNDING_MM and sets_aside:
        series.codes[f"{name}_fail"] = f"{value:.3g} {unit}; at most {fail:g}"
    elif value > fail + ROUNDING_MM:
        series.codes[f"{name}_poor"] = f"{value:.3g} {unit}; beyond {fail:g}"
    elif value > warn + ROUNDING_MM:
        series.codes[f"{name}_warn"] = f"{value:.3g} {unit}; {warn:g} or less recommended"
