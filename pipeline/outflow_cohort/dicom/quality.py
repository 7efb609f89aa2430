"""Image quality of a read region: lumen HU, noise, contrast-to-noise, saturation, slab steps, margin.

Points LPS, mm; HU. Each figure is judged against the study's gates; sources are beside the gates
(`QualitySettings`). A figure that its landmarks do not allow is None.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np

from outflow_cohort.dicom.codes import verdict
from outflow_cohort.dicom.settings import QualitySettings
from outflow_cohort.dicom.volume import Grid, ReadRegion
from outflow_cohort.handover.request import Reading
from outflow_cohort.handover.volumes import QualityFigures

SAMPLE_RADIUS_MM = 3.0
"""Radius of the ball round a sample point: some 200 voxels of 0.8 mm, well inside any chamber."""
RING_BALL_MM = 6.0
"""Radius of the ball at the ring centre used where no blood_sample exists; half of the smallest ring's radius."""
TOP_OF_SCALE_HU = 3071
"""12-bit CT scale: 4095 - 1024."""
RING_NEIGHBOURHOOD_MM = 8.0


def image_quality(
    read: ReadRegion, grid: Grid, readings: Sequence[Reading], points: np.ndarray | None, settings: QualitySettings
) -> QualityFigures:
    """Figures and `quality_codes` of one series."""
    figures: dict[str, Any] = {
        "hu_min": float(read.values.min()),
        "hu_max": float(read.values.max()),
        "n_padded_voxels": read.n_padded,
    }
    blood, source = _blood(read, grid, readings)
    muscle = _ball_values(read, grid, _structure(readings, "muscle_sample"), SAMPLE_RADIUS_MM)
    figures["lumen_source"] = source
    figures["lumen_hu"] = None if blood is None else float(np.median(blood))
    figures["noise_hu"] = None if blood is None else _spread(blood)
    figures["muscle_hu"] = None if muscle is None else float(np.median(muscle))
    noise = figures["noise_hu"]
    contrast = None
    if blood is not None and muscle is not None and noise and noise > 0:
        contrast = (figures["lumen_hu"] - figures["muscle_hu"]) / noise
    figures["contrast_to_noise"] = contrast
    figures["saturated_pct"] = _saturated(read, grid, readings)
    figures["slab_step"] = slab_step(read.values)
    figures["margin_mm"] = _margin(grid, points)
    codes = _judge(figures, settings)
    figures = {k: round(v, 4) if isinstance(v, float) else v for k, v in figures.items()}
    beyond = {c.rpartition("_")[2] for c in codes}
    gravest = next((end for end in ("fail", "poor") if end in beyond), verdict(codes))
    figures["quality"] = {"accepted": "ok", "warned": "warn"}.get(gravest, gravest)
    figures["quality_codes"] = ";".join(codes)
    return QualityFigures(**figures)


def _structure(readings: Sequence[Reading], name: str) -> np.ndarray | None:
    points = [p for reading in readings for p in reading.structures.get(name, [])]
    return np.array(points, dtype=np.float64) if points else None


def _blood(read: ReadRegion, grid: Grid, readings: Sequence[Reading]) -> tuple[np.ndarray | None, str]:
    samples = _ball_values(read, grid, _structure(readings, "blood_sample"), SAMPLE_RADIUS_MM)
    if samples is not None:
        return samples, "blood_sample"
    centres = [
        np.mean(np.array(r.structures["mitral_ring"], dtype=np.float64), axis=0)
        for r in readings
        if r.structures.get("mitral_ring")
    ]
    values = _ball_values(read, grid, np.array(centres) if centres else None, RING_BALL_MM)
    return values, "none" if values is None else "ring_centre"


def _ball_values(read: ReadRegion, grid: Grid, centres: np.ndarray | None, radius: float) -> np.ndarray | None:
    """HU of the voxels within `radius` mm of `centres` (n, 3) that are in the region; None where none is."""
    if centres is None:
        return None
    found = []
    reach = np.ceil(radius / np.linalg.norm(grid.matrix, axis=0)).astype(int)
    for centre, index in zip(centres, grid.to_index(centres), strict=True):
        low = np.maximum(np.round(index).astype(int) - reach, read.region.start)
        high = np.minimum(np.round(index).astype(int) + reach + 1, read.region.stop)
        if np.any(high <= low):
            continue
        i, j, k = np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij")
        places = np.stack([i.ravel(), j.ravel(), k.ravel()], axis=1)
        near = np.linalg.norm(grid.to_points(places) - centre, axis=1) <= radius
        own = places[near] - np.array(read.region.start)
        found.append(read.values[own[:, 2], own[:, 1], own[:, 0]])
    values = np.concatenate(found) if found else np.empty(0)
    return values if values.size else None


def _spread(values: np.ndarray) -> float:
    """Standard deviation by the median absolute deviation (x 1.4826): a valve edge or calcium does not count."""
    middle = np.median(values)
    return float(1.4826 * np.median(np.abs(values - middle)))


def _saturated(read: ReadRegion, grid: Grid, readings: Sequence[Reading]) -> float | None:
    ring = _structure(readings, "mitral_ring")
    if ring is None:
        return None
    values = _ball_values(read, grid, ring, RING_NEIGHBOURHOOD_MM)
    if values is None:
        return None
    return float(100 * np.mean(values >= TOP_OF_SCALE_HU))


def slab_step(values: np.ndarray) -> float | None:
    """Largest mean absolute difference of neighbouring slices over the median one; None below 8 slices.

    A step between slabs of different heart beats stands out of the even differences within a slab.
    """
    if len(values) < 8:
        return None
    thin = values[:, ::4, ::4].astype(np.float32)
    steps = np.array([float(np.mean(np.abs(b - a))) for a, b in itertools.pairwise(thin)])
    usual = float(np.median(steps))
    return float(steps.max() / usual) if usual > 0 else None


def _margin(grid: Grid, points: np.ndarray | None) -> float | None:
    """Smallest distance of a landmark to the image's border, mm; negative outside."""
    if points is None:
        return None
    index = grid.to_index(points)
    inside = np.minimum(index + 0.5, np.array(grid.size) - 0.5 - index)
    return float((inside * np.linalg.norm(grid.matrix, axis=0)).min())


def _judge(figures: dict[str, Any], settings: QualitySettings) -> list[str]:
    codes = []
    beyond = "fail" if settings.sets_aside else "poor"

    def too_low(name: str, value: float | None, warn: float, fail: float) -> None:
        if value is not None and value < warn:
            codes.append(f"{name}_{beyond if value < fail else 'warn'}")

    too_low("lumen_hu", figures["lumen_hu"], settings.lumen_hu_warn, settings.lumen_hu_fail)
    too_low(
        "contrast_to_noise",
        figures["contrast_to_noise"],
        settings.contrast_to_noise_warn,
        settings.contrast_to_noise_fail,
    )
    noise = figures["noise_hu"]
    if noise is not None and noise > settings.noise_warn_hu:
        codes.append(f"noise_{beyond if noise > settings.noise_fail_hu else 'warn'}")
    if (figures["saturated_pct"] or 0) > settings.saturation_warn_pct:
        codes.append("saturated")
    if (figures["slab_step"] or 0) > settings.slab_step_warn:
        codes.append("slab_step")
    if figures["margin_mm"] is not None and figures["margin_mm"] < settings.margin_warn_mm:
        codes.append("margin_small")
    return codes
