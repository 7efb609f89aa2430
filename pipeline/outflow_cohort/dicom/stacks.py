"""Frames to stacks: what belongs together is grouped, what does not is split, and nothing is interleaved.

The rule: files belong to one stack when they share patient, study, series, frame of reference, matrix,
orientation, pixel spacing, kernel and kind; where positions then repeat, the first of nominal phase,
temporal position, trigger time, acquisition, acquisition time, image type that tells every repeat apart
splits further; exact copies are dropped; what remains repeated is set aside.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from outflow_cohort.dicom.frames import Frame
from outflow_cohort.dicom.phase import stated_phase
from outflow_cohort.dicom.settings import IntakeSettings, PhaseSettings
from outflow_cohort.phases import PhaseMatch

PixelDigest = Callable[[Frame], bytes]

PROJECTIONS = frozenset({"MIP", "MINIP", "MAX_IP", "MIN_IP", "PROJECTION IMAGE", "AVERAGE", "VRT"})
"""ImageType values of projections (PS3.3 C.8.16.1.3 volumetric properties and what vendors write)."""


@dataclass
class Stack:
    """Frames of one stack with the codes found so far: code -> message with its numbers."""

    frames: list[Frame]
    codes: dict[str, str] = field(default_factory=dict)
    copies: int = 0
    """Identical copies of slices that were dropped."""


def _same(first: tuple[float, ...] | None, second: tuple[float, ...] | None, tolerance: float) -> bool:
    if first is None or second is None:
        return first is second
    return all(abs(a - b) <= tolerance for a, b in zip(first, second, strict=True))


def _cluster(values: list[tuple[float, ...] | None], tolerance: float) -> list[int]:
    """Index of the first earlier value within `tolerance` of each value (componentwise)."""
    representatives: list[tuple[float, ...] | None] = []
    labels = []
    last = 0
    for value in values:
        if representatives and _same(value, representatives[last], tolerance):
            labels.append(last)
            continue
        for index, representative in enumerate(representatives):
            if _same(value, representative, tolerance):
                last = index
                break
        else:
            representatives.append(value)
            last = len(representatives) - 1
        labels.append(last)
    return labels


SPACING_TOLERANCE = 1e-3
"""mm; pixel spacings written with three decimals agree to this."""

_SPLITS = (
    ("several_patients", "several_patients"),
    ("several_studies", "several_studies"),
    ("matrix", "mixed_matrix"),
    ("orientation", "mixed_orientation"),
    ("spacing", "mixed_pixel_spacing"),
    ("kernel", "mixed_kernel"),
    ("frame_of_reference", "mixed_frame_of_reference"),
)


def is_localizer(frame: Frame) -> bool:
    """Whether ImageType says localizer (PS3.3 C.8.2.1.1.1)."""
    return "LOCALIZER" in frame.image_type or "SCOUT" in frame.image_type


def build_stacks(frames: list[Frame], intake: IntakeSettings, phase: PhaseSettings, digest: PixelDigest) -> list[Stack]:
    """Group `frames` into stacks, in an order that depends on content alone.

    digest : gives a fingerprint of a frame's pixels; called only where positions repeat.
    """
    by_series: dict[tuple[str, str, str], list[Frame]] = defaultdict(list)
    for frame in frames:
        by_series[(frame.patient, frame.study, frame.series)].append(frame)
    stacks: list[Stack] = []
    for key in sorted(by_series):
        members = sorted(by_series[key], key=lambda f: (f.instance, f.frame_index, f.file.ordinal))
        for stack in _split_series(members, intake):
            stacks.extend(_split_repeats(stack, intake, phase, digest))
    return stacks


PER_FILE = "frame_of_reference_per_file"


def _split_series(members: list[Frame], intake: IntakeSettings) -> list[Stack]:
    frames_of_reference = Counter(f.frame_of_reference for f in members)
    per_file = len(frames_of_reference) > 1 and max(frames_of_reference.values()) < intake.min_slices <= len(members)
    if per_file:
        # Written anew for each file: as an identifier of a common frame it says nothing, and positions decide.
        members = [replace(f, frame_of_reference="") for f in members]
    orientations = _cluster([f.orientation for f in members], intake.orientation_tolerance)
    spacings = _cluster([f.pixel_spacing for f in members], SPACING_TOLERANCE)
    parts: dict[tuple[Hashable, ...], list[Frame]] = defaultdict(list)
    aspects: dict[tuple[Hashable, ...], dict[str, Hashable]] = {}
    for frame, orientation, spacing in zip(members, orientations, spacings, strict=True):
        aspect: dict[str, Hashable] = {
            "matrix": (frame.pixels.rows, frame.pixels.columns),
            "orientation": orientation,
            "spacing": spacing,
            "kernel": frame.kernel,
            "frame_of_reference": frame.frame_of_reference,
        }
        key = (
            *aspect.values(),
            is_localizer(frame),
            bool(PROJECTIONS & set(frame.image_type)),
            frame.position is None,
            frame.pixels.samples,
            frame.rescale_type,
            frame.sop_class,
        )
        parts[key].append(frame)
        aspects[key] = aspect
    codes: dict[str, str] = {}
    if per_file:
        codes[PER_FILE] = f"{len(frames_of_reference)} frames of reference in {len(members)} files"
    real = [key for key in parts if not is_localizer(parts[key][0])]
    for name, code in _SPLITS:
        values = {aspects[key][name] for key in real if name in aspects[key]}
        if len(values) > 1:
            codes[code] = f"{len(values)} different values within one series; it was split"
    return [Stack(part, {} if is_localizer(part[0]) else dict(codes)) for part in parts.values()]


def slice_positions(frames: list[Frame]) -> np.ndarray | None:
    """Signed distances (n,) of the frames along their common normal, mm; None without usable geometry."""
    if any(f.position is None or f.orientation is None for f in frames):
        return None
    orientation = np.median(np.array([f.orientation for f in frames]), axis=0)
    normal = np.cross(orientation[:3], orientation[3:])
    length = np.linalg.norm(normal)
    if not length > 0.5:
        return None
    result: np.ndarray = np.array([f.position for f in frames]) @ (normal / length)
    return result


def _repeat_groups(distances: np.ndarray, tolerance: float) -> np.ndarray:
    """Label (n,) of the position each distance belongs to."""
    order = np.argsort(distances, kind="stable")
    steps = np.diff(distances[order]) > tolerance
    labels = np.empty(len(distances), dtype=int)
    labels[order] = np.concatenate([[0], np.cumsum(steps)])
    return labels


def _separators(frames: list[Frame], match: PhaseMatch) -> Iterator[Sequence[Hashable]]:
    """What may distinguish frames of one position, in the order of trust: a value per frame."""
    phases = [stated_phase(f) for f in frames]
    yield match.labels(phases)
    yield phases
    yield [f.temporal_position for f in frames]
    yield [f.phase.trigger_time for f in frames]
    yield [f.acquisition for f in frames]
    yield [f.acquisition_time for f in frames]
    yield [f.image_type for f in frames]


def _split_repeats(stack: Stack, intake: IntakeSettings, phase: PhaseSettings, digest: PixelDigest) -> list[Stack]:
    distances = slice_positions(stack.frames)
    if distances is None or len(stack.frames) < 2 or is_localizer(stack.frames[0]):
        return [stack]
    labels = _repeat_groups(distances, intake.position_tolerance_mm)
    counts = Counter(labels.tolist())
    most = max(counts.values())
    if most == 1:
        return [stack]
    for separator in _separators(stack.frames, phase.match):
        parts: dict[Hashable, list[int]] = defaultdict(list)
        for index, value in enumerate(separator):
            parts[value].append(index)
        if len(parts) < 2 or len(parts) > most:
            continue
        if all(len({int(labels[i]) for i in members}) == len(members) for members in parts.values()):
            note = f"{len(parts)} images at a position; split into {len(parts)} stacks"
            return [
                Stack([stack.frames[i] for i in members], {**stack.codes, "several_phases": note})
                for members in parts.values()
            ]
    return [_without_copies(stack, labels, most, digest)]


def _without_copies(stack: Stack, labels: np.ndarray, most: int, digest: PixelDigest) -> Stack:
    kept: list[Frame] = []
    seen: dict[int, set[bytes]] = defaultdict(set)
    differ = 0
    repeated = {label for label, count in Counter(labels.tolist()).items() if count > 1}
    for frame, label in zip(stack.frames, labels.tolist(), strict=True):
        if label not in repeated:
            kept.append(frame)
            continue
        fingerprint = digest(frame)
        if seen[label] and fingerprint not in seen[label]:
            differ += 1
        if fingerprint not in seen[label]:
            kept.append(frame)
        seen[label].add(fingerprint)
    codes = dict(stack.codes)
    if differ:
        code = "repeated_in_time" if len(set(labels.tolist())) <= 2 else "duplicate_positions"
        codes[code] = f"{differ} slices share a position with another of different pixels (up to {most} at one)"
        return Stack(kept, codes, len(stack.frames) - len(kept))
    codes["duplicate_slices"] = f"{len(stack.frames) - len(kept)} identical copies dropped"
    return Stack(kept, codes, len(stack.frames) - len(kept))
