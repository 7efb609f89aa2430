"""Quick scans of a plan's sections for all draws of the landmarks at once: ranges, areas, the smallest, its numbers.

All points LPS, mm, float64; areas mm2. Draw 0 is the middle of the draws (`redrawn_sections`).
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.outflow.outflow_path import PathStack
from outflow_geometry.outflow.plan_sections import PlanSections
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas, quick_shapes
from outflow_geometry.outflow.sections import FARTHEST, edge_field

SCAN_SPACING = 1.25
"""mm at most between the planes of a draw: sections change over several mm, and a parabola is laid between."""

FIT_REACH = 2.6
"""mm about the smallest plane over which the parabola is fitted: five planes."""

LEAST_FIT = 0.05
"""mm on either side without which no parabola is laid: a range so short holds no other section."""

PILOTS = 24
"""Draws that are scanned over the whole range; they tell the others where to look."""

SURELY_LARGER, HARDLY_LARGER = 4.0, 0.05
"""Stations where sections of the pilots exceed their own smallest by so many standard deviations, in logarithms, are
left out in the other draws; where they do so by less than this share on average they never are."""

LARGEST_RISE = 3.0
"""Logarithm of an area over the smallest, at most: that of a plane without section."""

END_STEP = 0.5
"""mm between the stations at which the planes of a draw are tested for meeting the device."""

WINDOW_MARGIN, WINDOW_REACH = 5.0, 2.0
"""mm by which the window of a redrawn section exceeds the reading's sections within that many mm along the path:
seven times the scatter of a landmark."""

NUMBERS = ("area", "station", "native_area", "residual_fraction", "septum_distance", "diameter_max", "diameter_min")


def range_ends(stack: PathStack, draws: NDArray[np.int64], cuttings: Cuttings, lowest: float) -> FloatArray:
    """Most upstream station (d,) from `lowest` on whose plane meets the solid on the aortic side; NaN: none."""
    stations = np.linspace(lowest, 0.0, math.ceil(-lowest / END_STEP) + 1)
    meets = cuttings.meets(*stack.at(draws, np.broadcast_to(stations, (len(draws), len(stations)))))
    first = np.argmax(meets >= 0.0, axis=1)
    row = np.arange(len(draws))
    here, before = meets[row, first], meets[row, np.maximum(first - 1, 0)]
    share = np.where(first > 0, here / np.where(here > before, here - before, 1.0), 0.0)
    return np.where(here >= 0.0, stations[first] - share * (stations[1] - stations[0]), np.nan)


def even_stations(ends: FloatArray) -> FloatArray:
    """Stations (d, s) over each draw's own range [end, 0]."""
    count = max(math.ceil(-float(np.nanmin(ends)) / SCAN_SPACING), 1) + 1
    result: FloatArray = np.nan_to_num(ends)[:, None] * np.linspace(1.0, 0.0, count)
    return result


def scanned_numbers(
    sections: PlanSections,
    method: str,
    stack: PathStack,
    draws: NDArray[np.int64],
    stations: FloatArray,
    cuttings: Cuttings,
) -> FloatArray:
    """NUMBERS (d, 7) of the draws (d,), save the residual fraction; stations (d, s)."""
    field = edge_field(sections.reading.lumen(method))
    areas = areas_about_smallest(sections, method, stack, draws, stations, cuttings)
    numbers = np.full((len(draws), len(NUMBERS)), np.nan)
    numbers[:, 0], numbers[:, 1] = smallest_of_parabolas(stations, areas)
    kept = np.flatnonzero(np.isfinite(numbers[:, 0]))
    if not len(kept):
        return numbers
    best = numbers[kept, 1]
    points, tangents = (found[:, 0] for found in stack.at(draws[kept], best[:, None]))
    windows = section_windows(sections, method, best)
    numbers[kept, 4:] = quick_shapes(field, points, tangents, cuttings, kept, windows)[:, 1:]
    bare = cuttings.without_device()
    numbers[kept, 2] = quick_areas(field, points, tangents, bare, kept, windows)
    return numbers


def areas_about_smallest(
    sections: PlanSections,
    method: str,
    stack: PathStack,
    draws: NDArray[np.int64],
    stations: FloatArray,
    cuttings: Cuttings,
) -> FloatArray:
    """`scanned_areas` (d, s) where they may be the smallest of their draw, and within FIT_REACH of the one that is;
    else, and where there is no section, inf."""

    def scanned(chosen: NDArray[np.bool_]) -> FloatArray:
        found = scanned_areas(sections, method, stack, draws, stations, cuttings, chosen)
        return np.where(found > 0.0, found, np.inf)

    asked = np.zeros(stations.shape, dtype=np.bool_)
    asked[: PILOTS + 1] = True
    areas = scanned(asked)
    if len(draws) <= PILOTS + 1:
        return areas
    pilots = areas[: PILOTS + 1]
    least = pilots.min(axis=1, keepdims=True)
    with np.errstate(invalid="ignore"):
        rise = np.minimum(np.nan_to_num(np.log(pilots / least), nan=LARGEST_RISE), LARGEST_RISE)
    likely = rise.mean(axis=0) <= np.maximum(SURELY_LARGER * rise.std(axis=0), HARDLY_LARGER)
    wanted = np.broadcast_to(likely, stations.shape) & ~asked
    while wanted.any():
        areas, asked = np.minimum(areas, scanned(wanted)), asked | wanted
        best = np.take_along_axis(stations, np.argmin(areas, axis=1)[:, None], axis=1)
        wanted = (np.abs(stations - best) <= FIT_REACH) & ~asked
    return areas


def scanned_areas(
    sections: PlanSections,
    method: str,
    stack: PathStack,
    draws: NDArray[np.int64],
    stations: FloatArray,
    cuttings: Cuttings,
    chosen: NDArray[np.bool_] | None = None,
) -> FloatArray:
    """Areas (d, s) of the draws (d,) at their stations (d, s), 0 where these are not `chosen` (d, s); None = all."""
    row, place = np.nonzero(np.ones(stations.shape, dtype=np.bool_) if chosen is None else chosen)
    asked = stations[row, place]
    points, tangents = (found[:, 0] for found in stack.at(draws[row], asked[:, None]))
    windows = section_windows(sections, method, asked)
    field = edge_field(sections.reading.lumen(method))
    areas = np.zeros(stations.shape)
    areas[row, place] = quick_areas(field, points, tangents, cuttings, row, windows)
    return areas


def smallest_of_parabolas(stations: FloatArray, areas: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Smallest areas (d,) and their stations: vertices of parabolas of least squares about the smallest of (d, s).

    Least squares over up to five planes, since the scan's grid leaves a percent of noise on each.
    """
    row, best = np.arange(len(areas)), np.argmin(areas, axis=1)
    area, station = areas[row, best], stations[row, best]
    s = stations - station[:, None]
    weight = (np.isfinite(areas) & (np.abs(s) <= FIT_REACH)).astype(np.float64)
    lowest, highest = (s * weight).min(axis=1), (s * weight).max(axis=1)
    fitted = np.flatnonzero((lowest < -LEAST_FIT) & (highest > LEAST_FIT))
    powers = s[fitted, :, None] ** np.arange(3)
    weighted = powers * weight[fitted, :, None]
    values = np.where(weight[fitted] > 0.0, areas[fitted], 0.0)[..., None]
    terms = np.linalg.solve(weighted.swapaxes(1, 2) @ powers, weighted.swapaxes(1, 2) @ values)[..., 0]
    foot, slope, bend = terms.T
    curved = bend > 0.0
    fitted, foot, slope, bend = fitted[curved], foot[curved], slope[curved], bend[curved]
    shift = np.clip(-slope / (2.0 * bend), lowest[fitted], highest[fitted])
    area[fitted] = foot + slope * shift + bend * shift * shift
    station[fitted] += shift
    return np.where(np.isfinite(area), area, np.nan), station


def section_windows(sections: PlanSections, method: str, stations: FloatArray) -> FloatArray:
    """Boxes (m, 4) about the reading's native sections near `stations` (m,), with a margin: lowest, highest u and v."""
    stack = sections.curves(method).stack
    bounds = shapely.bounds(stack.native)
    if not np.isfinite(bounds).any():
        raise GeometryError("no_section", "no blood about the smallest section")
    low, high = np.where(np.isnan(bounds), np.inf, bounds)[:, :2], np.where(np.isnan(bounds), -np.inf, bounds)[:, 2:]
    reach = math.ceil(WINDOW_REACH / float(np.diff(stack.stations).mean())) if len(stack.stations) > 1 else 0
    low = ndimage.minimum_filter1d(low, 2 * reach + 1, axis=0, mode="nearest") - WINDOW_MARGIN
    high = ndimage.maximum_filter1d(high, 2 * reach + 1, axis=0, mode="nearest") + WINDOW_MARGIN
    low, high = np.clip(low, -FARTHEST, 0.0), np.clip(high, 0.0, FARTHEST)
    near = np.searchsorted(0.5 * (stack.stations[1:] + stack.stations[:-1]), stations)
    return np.hstack([low[near], high[near]])
