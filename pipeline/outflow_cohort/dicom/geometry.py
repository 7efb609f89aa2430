"""Geometry verdict of a stack from ImagePositionPatient and ImageOrientationPatient alone.

All points LPS, mm, float64. Columns of `direction` are the directions of increasing column index (i), row
index (j) and slice (k); slices are sorted along the normal, so that the frame is right-handed by construction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outflow_cohort.dicom.frames import Frame
from outflow_cohort.dicom.settings import IntakeSettings
from outflow_cohort.dicom.stacks import Stack

ORTHOGONALITY_TOLERANCE = 1e-2
"""Departure of the direction cosines from unit length and right angles that rounding to two decimals causes."""
PLAUSIBLE_SPACING = (0.01, 10.0)
"""mm; outside this a pixel spacing is a slip of units."""
GAP_MULTIPLE_TOLERANCE = 0.15
"""Share of the spacing by which a gap may miss a whole multiple and still count as missing slices."""


@dataclass(frozen=True)
class StackGeometry:
    """Grid of a stack.

    origin : (3,) centre of the first voxel of the first slice, mm.
    direction : (3, 3), columns i, j, k.
    spacing : (3,) mm along i, j, k.
    size : (3,) voxels along i, j, k.
    shear : (2,) mm of drift along i and j from one slice to the next (zero unless tilted).
    """

    origin: np.ndarray
    direction: np.ndarray
    spacing: np.ndarray
    size: tuple[int, int, int]
    shear: np.ndarray


def position_quantum(values: np.ndarray) -> float:
    """Coarsest power of ten (1 … 1e-6 mm) that all `values` are whole multiples of: how they were rounded."""
    for decimals in range(7):
        scaled = values * 10.0**decimals
        if np.all(np.abs(scaled - np.round(scaled)) < 1e-6 * np.maximum(1.0, np.abs(scaled))):
            return 10.0**-decimals
    return 0.0


def judge_geometry(stack: Stack, intake: IntakeSettings) -> tuple[StackGeometry | None, dict[str, float]]:
    """Sort `stack.frames` along the normal, add codes to `stack.codes`, return the grid and the figures.

    The grid is None where a code of severity set_aside leaves no regular grid.
    """
    figures: dict[str, float] = {"n_slices": float(len(stack.frames))}
    codes = stack.codes
    first = stack.frames[0]
    if any(f.position is None for f in stack.frames):
        codes["no_position"] = f"{sum(f.position is None for f in stack.frames)} slices without a position"
        return None, figures
    if first.orientation is None:
        codes["no_orientation"] = "no orientation in the header"
        return None, figures
    if first.pixel_spacing is None:
        codes["no_pixel_spacing"] = "no PixelSpacing in the header"
        return None, figures
    low, high = PLAUSIBLE_SPACING
    if not all(low <= s <= high for s in first.pixel_spacing):
        codes["bad_pixel_spacing"] = f"found {first.pixel_spacing[0]:g} x {first.pixel_spacing[1]:g} mm"
        return None, figures
    direction = _direction(stack.frames)
    if direction is None:
        codes["orientation_invalid"] = "row and column directions are not orthonormal"
        return None, figures
    if np.abs(np.array([f.position for f in stack.frames])).max() > 1e5:
        codes["no_position"] = "positions of more than 100 m"
        return None, figures
    along_normal = np.array([f.position for f in stack.frames]) @ direction[:, 2]
    stack.frames = [stack.frames[i] for i in np.argsort(along_normal, kind="stable")]
    if len(stack.frames) < intake.min_slices:
        codes["too_few_slices"] = f"{len(stack.frames)} slices; {intake.min_slices} are needed"
        return None, figures
    return _judge_stacking(stack, direction, first.pixel_spacing, intake, figures)


def _direction(frames: list[Frame]) -> np.ndarray | None:
    orientation = np.median(np.array([f.orientation for f in frames]), axis=0)
    along_row, along_column = orientation[:3], orientation[3:]
    lengths = np.linalg.norm(along_row), np.linalg.norm(along_column)
    if any(abs(length - 1) > ORTHOGONALITY_TOLERANCE for length in lengths):
        return None
    along_row, along_column = along_row / lengths[0], along_column / lengths[1]
    if abs(along_row @ along_column) > ORTHOGONALITY_TOLERANCE:
        return None
    normal = np.cross(along_row, along_column)
    normal /= np.linalg.norm(normal)
    along_column = np.cross(normal, along_row)
    return np.stack([along_row, along_column, normal], axis=1)


def _judge_stacking(
    stack: Stack,
    direction: np.ndarray,
    pixel_spacing: tuple[float, float],
    intake: IntakeSettings,
    figures: dict[str, float],
) -> tuple[StackGeometry | None, dict[str, float]]:
    frames, codes = stack.frames, stack.codes
    row_spacing, column_spacing = pixel_spacing
    local = np.array([f.position for f in frames]) @ direction  # (n, 3) along i, j, k
    n = len(frames)
    along = local[:, 2]
    gaps = np.diff(along)
    spacing = float((along[-1] - along[0]) / (n - 1))
    usual = float(np.median(gaps))
    quantum = position_quantum(along)
    quantum_within = position_quantum(local[:, :2])
    index = np.arange(n)
    off_grid = float(np.abs(along - (along[0] + spacing * index)).max())
    figures |= {
        "slice_spacing_mm": spacing,
        "gap_min_mm": float(gaps.min()),
        "gap_max_mm": float(gaps.max()),
        "spacing_jitter_pct": float(100 * np.abs(gaps - usual).max() / usual) if usual > 0 else np.inf,
    }
    if not usual > intake.position_tolerance_mm:
        codes["variable_spacing"] = "slices are all at one place"
        return None, figures
    runs_on = _numbers_run_on([f.instance_number for f in frames])
    regular = _judge_gaps(gaps, usual, off_grid, quantum, runs_on, intake, codes, figures)
    shear, straight = _judge_drift(
        local, index, quantum_within, min(row_spacing, column_spacing), intake, codes, figures
    )
    if not regular or not straight:
        return None, figures
    start = local[0].copy()
    if shear.any():
        start[:2] = (local[:, :2] - index[:, None] * shear).mean(axis=0)
    geometry = StackGeometry(
        direction @ start,
        direction,
        np.array([column_spacing, row_spacing, spacing]),
        (frames[0].pixels.columns, frames[0].pixels.rows, n),
        shear,
    )
    return geometry, figures


def _numbers_run_on(numbers: list[int | None]) -> np.ndarray:
    """Whether each slice's instance number (n,) is the next one after its neighbour's, (n - 1,)."""
    known = np.array([np.nan if number is None else float(number) for number in numbers])
    result: np.ndarray = np.abs(np.diff(known)) == 1
    return result


def _judge_gaps(
    gaps: np.ndarray,
    usual: float,
    off_grid: float,
    quantum: float,
    runs_on: np.ndarray,
    intake: IntakeSettings,
    codes: dict[str, str],
    figures: dict[str, float],
) -> bool:
    jitter = figures["spacing_jitter_pct"]
    rounded = quantum >= 0.01 and off_grid <= 0.75 * quantum and quantum < usual
    if rounded and jitter > intake.spacing_jitter_warn_pct:
        codes["positions_rounded"] = f"positions are multiples of {quantum:g} mm; spacing {usual:.4g} mm"
        return True
    if jitter > intake.spacing_jitter_fail_pct:
        multiples = gaps / usual
        wide = multiples > 1 + intake.spacing_jitter_fail_pct / 100
        whole = np.abs(multiples - np.round(multiples)) <= GAP_MULTIPLE_TOLERANCE
        holes = wide & (np.round(multiples) >= 2)
        if np.any(holes) and np.all(runs_on[holes]):
            codes["variable_spacing"] = (
                f"{int(holes.sum())} gaps of up to {gaps.max():.4g} mm beside a usual spacing of {usual:.4g} mm, while "
                "the instance numbers run on across them: the slices were reconstructed so, none is missing"
            )
        elif np.all(whole) and np.all(np.round(multiples) >= 1) and np.any(holes):
            missing = int(np.sum(np.round(multiples) - 1))
            n_gaps = int(np.sum(np.round(multiples) >= 2))
            figures["n_missing_slices"] = float(missing)
            codes["missing_slices"] = (
                f"{missing} slice{'' if missing == 1 else 's'} missing in {n_gaps} gap{'' if n_gaps == 1 else 's'} of "
                f"up to {gaps.max():.4g} mm; usual spacing {usual:.4g} mm"
            )
        else:
            codes["variable_spacing"] = f"gaps from {gaps.min():.4g} to {gaps.max():.4g} mm ({jitter:.1f} % jitter)"
        return False
    if jitter > intake.spacing_jitter_warn_pct:
        codes["spacing_jitter"] = f"gaps from {gaps.min():.5g} to {gaps.max():.5g} mm ({jitter:.1f} %)"
    return True


def _judge_drift(
    local: np.ndarray,
    index: np.ndarray,
    quantum: float,
    pixel: float,
    intake: IntakeSettings,
    codes: dict[str, str],
    figures: dict[str, float],
) -> tuple[np.ndarray, bool]:
    """In-plane drift per slice (2,), and whether the slices form a straight row."""
    centred = index - index.mean()
    slope = (centred @ (local[:, :2] - local[:, :2].mean(axis=0))) / (centred @ centred)
    residual = local[:, :2] - local[:, :2].mean(axis=0) - centred[:, None] * slope
    total = float(np.hypot(*slope) * (len(index) - 1))
    tilt = float(np.degrees(np.arctan2(np.hypot(*slope), (local[-1, 2] - local[0, 2]) / (len(index) - 1))))
    scatter = float(np.abs(residual).max())
    tilted = tilt > intake.tilt_tolerance_deg and total > max(intake.drift_tolerance_mm, 1.5 * quantum)
    figures |= {"tilt_deg": tilt, "inplane_drift_mm": total, "inplane_scatter_mm": scatter}
    straight = True
    if scatter > 0.5 * pixel and scatter > quantum:
        codes["inplane_shift"] = f"slices shifted by up to {scatter:.3g} mm within their plane"
        straight = False
    elif scatter > max(0.05 * pixel, 0.75 * quantum):
        codes["inplane_jitter"] = f"slices shifted by up to {scatter:.3g} mm within their plane"
    if not tilted:
        return np.zeros(2), straight
    message = f"{tilt:.2f} degrees between slice normal and stacking direction ({total:.3g} mm over the stack)"
    if intake.allow_unshear:
        codes["unsheared"] = message
        return slope, straight
    codes["gantry_tilt"] = message
    return slope, False
