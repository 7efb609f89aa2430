"""What does blur take from the area of a narrow, curved channel, and what does the correction give back?

    python tests/benchmarks/blur_of_channels.py

Straight tubes and lenses (two arcs of 15 mm radius that meet in sharp corners, as wide as given), drawn as the indicator on
a grid four times finer, blurred by a Gaussian and averaged over voxels. Truth: circle; lens of two circles (Weisstein,
Circle-Circle Intersection, eq. 14). Closed form of the loss: an edge of curvature k moves by -variance k / 2, so a closed
convex outline loses pi times the variance, of blur and smoothing together. Figures, never assertions.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from unittest.mock import patch

import numpy as np
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "geometry"))

from channels import Channel, lumen_of

from outflow_geometry.base.frames import FloatArray, Volume
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image import blood_edges
from outflow_geometry.outflow.sections import counted_areas, planes_stack

CENTER = np.array([20.13, 0.21])
FINER = 4
CHANNELS = ((8.0, None), (6.0, None), (4.0, None), (3.0, None), (15.0, 8.0), (15.0, 5.0), (15.0, 3.0))
"""Radius of the arcs and width of a lens, mm; None = a whole circle."""


def area(radius: float, width: float | None) -> float:
    """Of the closed form, mm2."""
    if width is None:
        return math.pi * radius**2
    apart = 2.0 * radius - width
    return 2.0 * radius**2 * math.acos(apart / (2.0 * radius)) - 0.5 * apart * math.sqrt(4.0 * radius**2 - apart**2)


def image(radius: float, width: float | None, blur: float, spacing: float) -> Volume:
    """100 HU around, 400 HU inside; blur : standard deviation, the voxels' own included, mm."""
    low, count, fine = np.array([8.0, -12.0, -40.0]), int(24.0 / spacing) + 1, spacing / FINER
    x, y = (low[n] + fine * (np.arange(count * FINER) - 0.5 * (FINER - 1)) - CENTER[n] for n in range(2))
    off = 0.0 if width is None else radius - 0.5 * width
    inside = radius - np.maximum(np.hypot(x - off, y[:, None]), np.hypot(x + off, y[:, None]))
    share = np.clip(inside / fine + 0.5, 0.0, 1.0)
    share = ndimage.gaussian_filter(share, math.sqrt(max(blur**2 - spacing**2 / 12.0, 0.0)) / fine)
    slice_ = share.reshape(count, FINER, count, FINER).mean(axis=(1, 3))
    values = np.repeat((100.0 + 300.0 * slice_)[None], int(60.0 / spacing), axis=0)
    return Volume(values.astype(np.float32), low, np.eye(3), np.full(3, spacing))


def error(volume: Volume, truth: float) -> float:
    """Of the measured area, percent; mean of four planes."""
    points = np.column_stack([np.tile(CENTER, (4, 1)), -20.0 + 0.37 * np.arange(4)])
    lumen, chosen = lumen_of(volume, 400.0, 100.0, 1.0), Definitions(section_rule="at_path")
    normals: FloatArray = np.tile([0.0, 0.0, 1.0], (4, 1))
    stack = planes_stack(lumen, np.zeros(4), points, normals, Channel().anatomy(), None, chosen)
    return 100.0 * (float(counted_areas(stack, stack.native).mean()) / truth - 1.0)


def main() -> None:
    """Print a table."""
    print("| voxel | blur (SD) | channel | area, mm2 | without the correction | closed form | with the correction |")
    print("|---|---|---|---|---|---|---|")
    keep = blood_edges._tangential_bend
    for spacing in (0.5, 0.75):
        for blur in (0.35, 0.47, 0.7):
            for radius, width in CHANNELS:
                volume, truth = image(radius, width, blur, spacing), area(radius, width)
                corrected = error(volume, truth)
                with patch.object(blood_edges, "_tangential_bend", lambda *a: 0.0 * keep(*a)):
                    plain = error(volume, truth)
                name = f"tube, radius {radius:g}" if width is None else f"lens, {width:g} wide"
                lost = 100.0 * math.pi * (blur**2 + blood_edges.SMOOTHING**2) / truth
                print(
                    f"| {spacing:g} | {blur:g} | {name} | {truth:.0f} | {plain:+.2f} % | {-lost:+.2f} % | {corrected:+.2f} % |"
                )


if __name__ == "__main__":
    main()
