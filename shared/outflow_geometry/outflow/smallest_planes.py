"""Where along a path the sections of solids are smallest: many solids about one axis at once.

All points LPS, mm, float64; areas mm2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.area_curves import curve_stations
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.residual_areas import residual_areas
from outflow_geometry.outflow.rival_places import rival_places
from outflow_geometry.outflow.sections import NativeSections, aortic_side
from outflow_geometry.outflow.solids import Solid, half_heights, stacked_pieces

RANGE_SCAN = 0.25
"""mm between stations at which the planes are tested for meeting the solid, before bisection."""

RANGE_TOLERANCE = 1e-4
"""mm to which the last plane that meets the solid is located."""

ROUNDS = 4
"""Times that stations are put between those known; each divides their distance by four. The first puts them in all four
parts, since the curve may ripple; the others in the nearer two of each half."""

SMALLEST_RISE = 0.1
"""mm2; where the curve's neighbours rise less, its minimum is known to a quarter of that."""

CLOSEST_STATIONS = 0.004
"""mm; stations are not put closer."""


@dataclass(frozen=True)
class SmallestPlane:
    """The plane of a solid's smallest section: its station, mm, and area, mm2.

    end : most upstream station whose plane meets the solid, mm; cut_short : whether the path ended before it.
    rivals : stations, mm, of other minima of the curve that are as small within noise (`rival_places`).
    """

    station: float
    area: float
    end: float
    cut_short: bool
    rivals: tuple[float, ...] = ()


Ends = tuple[float, bool]
Bracket = tuple[float, float, float]


def last_meeting_stations(
    path: OutflowPath, solids: Sequence[Solid], anatomy: Anatomy, definitions: Definitions
) -> list[Ends | GeometryError]:
    """Most upstream station, mm, whose plane meets each solid on the aortic side, and whether the path ended first.

    Located by bisection to 1e-4 mm. GeometryError `solid_not_met` where none does. The solids share their axis.
    """
    search_upstream = definitions.search_upstream
    lowest = max(-search_upstream, path.first)
    starts = np.asarray([solid.axis_point for solid in solids])
    axes = np.asarray([solid.axis for solid in solids])
    sides = np.asarray([aortic_side(anatomy, solid.axis) for solid in solids])
    pieces = stacked_pieces(solids)[0]

    def meets(chosen: NDArray[np.int64], stations: FloatArray) -> FloatArray:
        points, tangents = path.at(stations)
        low, high = half_heights(pieces[chosen], starts[chosen], axes[chosen], sides[chosen], points, tangents)
        return np.minimum(-low, high)

    count = max(math.ceil(-lowest / RANGE_SCAN), 1)
    scan = np.linspace(lowest, 0.0, count + 1)
    every = np.arange(len(solids))
    met = meets(every, np.broadcast_to(scan, (len(solids), count + 1))) >= 0.0
    first = np.argmax(met, axis=1)
    inside, outside = scan[first], scan[np.maximum(first - 1, 0)]
    unsure = np.flatnonzero(met.any(axis=1) & (first > 0))
    while len(unsure) and float((inside[unsure] - outside[unsure]).max()) > RANGE_TOLERANCE:
        middle = 0.5 * (inside[unsure] + outside[unsure])
        holds = meets(unsure, middle[:, None])[:, 0] >= 0.0
        inside[unsure[holds]] = middle[holds]
        outside[unsure[~holds]] = middle[~holds]
    found: list[Ends | GeometryError] = []
    for n in range(len(solids)):
        if not met[n].any():
            found.append(
                GeometryError(
                    "solid_not_met",
                    f"no plane within {-lowest:.0f} mm upstream of the annulus meets the device; check plan and path",
                )
            )
        else:
            found.append((float(inside[n]), bool(first[n] == 0 and path.first > -search_upstream)))
    return found


def smallest_planes(
    native: NativeSections, solids: Sequence[Solid], definitions: Definitions
) -> list[SmallestPlane | GeometryError]:
    """The plane of the smallest section of each solid, or why it has none; the solids share their axis.

    native : the sections without a device along the path.
    GeometryError `no_section` where a plane of the range has no section, and as `last_meeting_stations`.
    Raises as `section_stack`.
    """
    if not solids:
        return []
    stations = curve_stations(native.path, definitions)
    ends = last_meeting_stations(native.path, solids, native.anatomy, definitions)
    # the first sections that are cut give the blur: those of the whole curve, whatever the solid
    native.kept_at(stations)
    result: list[SmallestPlane | GeometryError | None] = [e if isinstance(e, GeometryError) else None for e in ends]
    end = np.asarray([math.nan if isinstance(e, GeometryError) else e[0] for e in ends])
    known: list[FloatArray] = [np.empty(0)] * len(solids)
    values: list[FloatArray] = [np.empty(0)] * len(solids)
    wanted = {
        n: np.union1d(stations[stations >= end[n]], [end[n], 0.0]) for n, found in enumerate(result) if found is None
    }
    brackets: dict[int, list[Bracket]] = {}
    for step in range(2 * ROUNDS):
        asked = {n: w for n, w in wanted.items() if len(w)}
        if asked:
            each = np.concatenate(list(asked.values()))
            solid_of = np.repeat(np.asarray(list(asked)), [len(w) for w in asked.values()])
            stack, rings, rows = native.kept_at(each)
            areas = residual_areas(stack, rings, solids, rows, solid_of)
            for n, more in asked.items():
                together = np.concatenate([known[n], more])
                order = np.argsort(together)
                known[n] = together[order]
                values[n] = np.concatenate([values[n], areas[solid_of == n]])[order]
        for n in list(wanted):
            missing = np.flatnonzero(np.isnan(values[n]))
            if len(missing):
                result[n] = GeometryError(
                    "no_section",
                    f"the plane at station {known[n][missing[0]]:.1f} mm has no section: the device fills the outflow "
                    "tract there, or the path leaves it; look at path and device in the pictures",
                )
                del wanted[n]
            else:
                # steps 0 and all odd ones begin a round; the even ones end it
                if step == 0 or step % 2 == 1:
                    brackets[n] = about_minima(known[n], values[n])
                if step == 0:
                    wanted[n] = quarters(brackets[n])
                else:
                    closest = CLOSEST_STATIONS if step % 2 == 1 else 0.5 * CLOSEST_STATIONS
                    wanted[n] = halfway(known[n], values[n], brackets[n], closest)
    found_planes: list[SmallestPlane | GeometryError] = []
    for n, found in enumerate(result):
        if found is None:
            best = int(np.argmin(values[n]))
            own = ends[n]
            cut_short = not isinstance(own, GeometryError) and own[1]
            rivals = rival_places(known[n], values[n])
            found = SmallestPlane(float(known[n][best]), float(values[n][best]), float(end[n]), cut_short, rivals)
        found_planes.append(found)
    return found_planes


def about_minima(stations: FloatArray, areas: FloatArray) -> list[Bracket]:
    """Where stations are still to be cut: each minimum of the curve that may turn out to be the smallest, between its
    neighbours (before, itself, after).

    Where planes cut, the curve has corners: between two stations it may dip as far as its neighbours rise.
    """
    before = np.concatenate([[np.inf], areas[:-1]])
    after = np.concatenate([areas[1:], [np.inf]])
    sides = np.stack([before, after])
    rise = np.where(np.isfinite(sides), sides - areas, 0.0).max(axis=0)
    minimum = (areas <= before) & (areas <= after) & (rise > SMALLEST_RISE) & (areas - rise < areas.min())
    rows = np.arange(len(stations))[:, None] + np.array([-1, 0, 1])
    found: FloatArray = stations[np.clip(rows[minimum], 0, len(stations) - 1)]
    return [(low, here, high) for low, here, high in found.tolist()]


def quarters(brackets: Sequence[Bracket]) -> FloatArray:
    """Stations (k,) that divide both sides of each bracket in four."""
    wanted = [
        here + share * (end - here)
        for low, here, high in brackets
        for end in (low, high)
        if abs(end - here) > CLOSEST_STATIONS
        for share in (0.25, 0.5, 0.75)
    ]
    return np.unique(np.asarray(wanted, dtype=np.float64))


def halfway(stations: FloatArray, areas: FloatArray, brackets: Sequence[Bracket], closest: float) -> FloatArray:
    """Stations (k,) halfway between the lowest of each bracket and its neighbours in it that are over `closest` off."""
    wanted: list[float] = []
    for low, _, high in brackets:
        first, last = int(np.searchsorted(stations, low)), int(np.searchsorted(stations, high))
        n = first + int(np.argmin(areas[first : last + 1]))
        for neighbour in (n - 1, n + 1):
            gap = stations[neighbour] - stations[n] if first <= neighbour <= last else 0.0
            if abs(gap) > closest:
                wanted.append(float(stations[n] + 0.5 * gap))
    return np.unique(np.asarray(wanted, dtype=np.float64))
