"""How far the noise of the image moves the blood edge, and what that does to an area.

Lengths mm, areas mm2, images HU. The edge is where the smoothed image crosses its level (`blood_edges`), so noise
of standard deviation s there moves it by s / slope, the slope being that of a step of the known contrast under the
known blur: contrast / (sqrt(2 pi) sigma). Along the edge the movements are alike over the noise's grain: the area of
an outline of length L has the variance

    integral integral C(s - t) ds dt = L d^2 r,    d = s / slope,    r = integral of the noise's correlation

(variance of an integral of a stationary process; standard). s and r are measured deep in the blood of this very image,
with the smoothing and the correction for curvature that the edges get, so that grain and voxels are in them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.image.blood_edges import BEND_SPACING, EdgeField, edge_field
from outflow_geometry.image.lumen import OUTFLOW, Lumen

DEEP = 2.5
"""mm from the nearest wall: five times the blur of the sharpest edge, so that no wall shows."""

LAGS = np.asarray([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0])
"""mm between two places whose noise is compared. At the last the grain of CT, 0.5 to 1.5 mm, has let go (common
practice, no source), and the blood's own brightness has not yet changed."""

MOST_PLACES, FEWEST_PAIRS = 1500, 100
"""Places at which noise is looked at, evenly taken; pairs of places that make a variance, known to 15 percent."""


ON_EDGE = 0.05
"""mm within which an outline counts as the blood edge that it was cut from."""


@dataclass(frozen=True)
class EdgeNoise:
    """Movement of the blood edge by noise.

    displacement : standard deviation along the edge's normal, mm; reach : integral of its correlation along the
    edge, mm.
    """

    displacement: float
    reach: float

    def area_sd(self, length: float) -> float:
        """Standard deviation, mm2, of an area with `length` mm of blood edge."""
        return self.displacement * math.sqrt(max(length, 0.0) * self.reach)


def edge_length(section: Any, blood: Any) -> float:
    """Length, mm, of the outline of `section` that is blood edge: not device, nor a cut (shapely geometries)."""
    rim = shapely.buffer(shapely.boundary(blood), ON_EDGE)
    return float(shapely.length(shapely.intersection(shapely.boundary(section), rim)))


def edge_noise(lumen: Lumen, blur: float) -> EdgeNoise:
    """Noise of the lumen's image at its edges; blur : standard deviation of the image, mm (`blood_outlines`).

    Raises GeometryError `no_deep_blood` where too little blood is far from all walls.
    """
    field = edge_field(lumen)
    points = _deep_points(lumen)
    steps = _axes(field)
    variance = blur**2 + field.smoothing
    squares, pairs = np.zeros(len(LAGS)), np.zeros(len(LAGS))
    for normal in range(3):
        here = _edge_values(field, points, variance, normal)
        for along in range(3):
            if along == normal:
                continue
            for n, lag in enumerate(LAGS):
                moved = points + lag * steps[along]
                deep = _is_deep(lumen, moved)
                change = _edge_values(field, moved[deep], variance, normal) - here[deep]
                squares[n] += 0.5 * float(np.sum(change**2))
                pairs[n] += len(change)
    if pairs.min() < FEWEST_PAIRS:
        raise GeometryError("no_deep_blood", "too little blood is far from all walls to measure the noise in")
    spread = squares / pairs
    correlation = np.concatenate([[1.0], np.maximum(1.0 - spread / spread[-1], 0.0)])
    reach = 2.0 * float(np.trapezoid(correlation, np.concatenate([[0.0], LAGS])))
    sigma = math.sqrt(blur**2 + float(field.smoothing.mean()))
    slope = field.contrast / (math.sqrt(2.0 * math.pi) * sigma)
    return EdgeNoise(math.sqrt(float(spread[-1])) / slope, reach)


def _axes(field: EdgeField) -> FloatArray:
    """Unit directions (3, 3) of the image's axes along k, j, i."""
    origin = field.volume.to_points(np.zeros((1, 3)))[0]
    ends = field.volume.to_points(np.eye(3)) - origin
    result: FloatArray = ends / np.linalg.norm(ends, axis=1, keepdims=True)
    return result


def _deep_points(lumen: Lumen) -> FloatArray:
    inside = np.argwhere((lumen.distance.values > DEEP) & (lumen.territory.values == OUTFLOW))
    chosen = inside[:: max(math.ceil(len(inside) / MOST_PLACES), 1)]
    points = lumen.distance.to_points(chosen.astype(np.float64))
    result: FloatArray = points[_is_deep(lumen, points)]
    return result


def _is_deep(lumen: Lumen, points: FloatArray) -> NDArray[np.bool_]:
    grid = lumen.distance
    index = np.round(grid.to_index(points)).astype(np.int64)
    shape = np.asarray(grid.values.shape)
    inside = np.all((index >= 0) & (index < shape), axis=1) & lumen.field.contains(points, 2.0)
    at = tuple(np.clip(index, 0, shape - 1).T)
    result: NDArray[np.bool_] = inside & (grid.values[at] > DEEP) & (lumen.territory.values[at] == OUTFLOW)
    return result


def _edge_values(field: EdgeField, points: FloatArray, variance: FloatArray, normal: int) -> FloatArray:
    """What is compared with the level at an edge whose normal is the image's axis `normal`: the smoothed image less the
    curvature that blur takes for brightness (`blood_edges.edge_points`), HU."""
    from outflow_geometry.image import edge_kernels

    volume = field.volume
    index = volume.to_index(points)
    found = np.empty((len(index), 10))
    edge_kernels.smooth_derivatives(volume.values, index, field.scale, np.ones(3, dtype=np.int64), False, found)
    value = found[:, 0].copy()
    stride = np.maximum(np.round(BEND_SPACING / volume.spacing[::-1]), 1.0).astype(np.int64)
    edge_kernels.smooth_derivatives(volume.values, index, np.ones(3), stride, True, found)
    step = volume.spacing[::-1] * stride
    tangential = np.arange(3) != normal
    bends = found[:, 4:7][:, tangential] / step[tangential] ** 2
    result: FloatArray = value - 0.5 * bends @ variance[tangential]
    return result
