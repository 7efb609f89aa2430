"""The virtual device as a solid of revolution, and its exact outline in any plane.

All points LPS, mm, float64. Stations along the device axis run from the inflow end (0) to the outflow end
(height). Signs: a positive `offset_ap` moves the device within the ring plane toward the aorta, a positive
`offset_ic` moves it along `anatomy.across` (ring normal x direction toward the aorta); a positive `tilt_ap`
leans the outflow end toward the aorta, a positive `tilt_ic` leans it along `anatomy.across`. The device turns
about the ring centre, first by tilt_ap, then by tilt_ic about the (unturned) direction toward the aorta, and is
then offset; `ventricular_depth` is measured along its axis from the ring plane's centre.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.base.inputs import Device, Plan, Prosthesis
from outflow_geometry.landmarks.anatomy import Anatomy

SOLIDS = ("full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post")

EXACT_ARC_STEPS = 1024
"""Steps of one conic arc; the outline keeps the exact area, and its sagitta on a 20 mm radius is 2e-4 mm."""

CURVE_ARC_STEPS = 48
"""Steps of one conic arc where hundreds of sections are cut: same exact area, points within 0.006 mm of the arc."""

GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(48)
"""A conic's width over its angle is smooth: 48 nodes integrate it to rounding."""

PERPENDICULAR_SINE = 1e-9
"""Sine of the angle between axis and plane normal below which the plane cuts the axis at right angles."""

SHORTEST_SOLID = 1e-6
"""mm; a solid part below this has no volume."""


@dataclass(frozen=True)
class Solid:
    """A solid of revolution: the part of a profile that is solid.

    axis_point : (3,) centre of the inflow end (station 0), mm.
    axis : (3,) unit direction downstream.
    stations, diameters : (n,) profile, mm, linear between; two equal stations make a step.
    solid_from, solid_to : stations between which the profile is solid, mm.
    """

    axis_point: FloatArray
    axis: FloatArray
    stations: FloatArray
    diameters: FloatArray
    solid_from: float
    solid_to: float

    @cached_property
    def pieces(self) -> FloatArray:
        """Frustums (k, 4): first and last station, first and last radius, mm, within the solid part."""
        first, last = self.stations[:-1], self.stations[1:]
        low, high = np.maximum(first, self.solid_from), np.minimum(last, self.solid_to)
        keep = high - low > SHORTEST_SOLID
        first, last, low, high = first[keep], last[keep], low[keep], high[keep]
        r0, r1 = self.diameters[:-1][keep] / 2.0, self.diameters[1:][keep] / 2.0
        slope = (r1 - r0) / (last - first)
        return np.stack([low, high, r0 + slope * (low - first), r0 + slope * (high - first)], axis=1)

    @property
    def outflow_end(self) -> FloatArray:
        """Centre (3,) of the last solid station, mm."""
        result: FloatArray = self.axis_point + self.solid_to * self.axis
        return result

    def radius(self, stations: ArrayLike) -> FloatArray:
        """Radius (...) at `stations` (...), mm; 0 outside the solid part."""
        z = np.asarray(stations, dtype=np.float64)
        result = np.zeros(z.shape)
        for low, high, r0, r1 in self.pieces:
            inside = (z >= low) & (z <= high)
            result = np.where(inside, np.maximum(result, r0 + (r1 - r0) * (z - low) / (high - low)), result)
        return result

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Whether `points` (..., 3), mm, lie in the solid."""
        relative = np.asarray(points, dtype=np.float64) - self.axis_point
        along = relative @ self.axis
        radial = np.linalg.norm(relative - along[..., None] * self.axis, axis=-1)
        inside: NDArray[np.bool_] = (radial <= self.radius(along)) & (along >= self.solid_from)
        return inside & (along <= self.solid_to)

    def outline(self, plane: Plane) -> Any:
        """Outline in (u, v) of `plane`, mm: a shapely geometry, empty where they do not meet.

        Each frustum is cut in closed form (a conic); the polygon keeps the conic's area to 1e-9.
        """
        return outlines(
            self, plane.point[None], plane.normal[None], plane.u[None], plane.v[None], arc_steps=EXACT_ARC_STEPS
        )[0]

    def half_heights(self, side: FloatArray, points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest height (m,) above planes (m, 3), (m, 3) of the half of the solid towards `side` (3,).

        The half-space is bounded by the plane through the axis with normal `side` (at right angles to the axis).
        The half-solid is connected, so a plane meets it exactly where lowest <= 0 <= highest. Extremes of a linear
        function over the half-discs at the profile's corners, in closed form.
        """
        return half_heights(self.pieces, self.axis_point, self.axis, side, points, normals)


def stacked_pieces(solids: Sequence[Solid]) -> tuple[FloatArray, NDArray[np.int64]]:
    """Frustums (n, k, 4) of solids (n,) as `Solid.pieces`, filled up with the first, and how many each has (n,)."""
    counts = np.asarray([len(solid.pieces) for solid in solids], dtype=np.int64)
    pieces = np.zeros((len(solids), max(int(counts.max(initial=0)), 1), 4))
    for row, solid in zip(pieces, solids, strict=True):
        row[:] = solid.pieces[0] if len(solid.pieces) else 0.0
        row[: len(solid.pieces)] = solid.pieces
    return pieces, counts


def half_heights(
    pieces: FloatArray, start: FloatArray, axis: FloatArray, side: FloatArray, points: FloatArray, normals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """`Solid.half_heights` (..., m) of solids (...) at once: pieces (..., k, 4), start, axis, side (..., 3), planes
    (..., m, 3), (..., m, 3)."""
    z = np.concatenate([pieces[..., 0], pieces[..., 1]], axis=-1)[..., None, :]
    r = np.concatenate([pieces[..., 2], pieces[..., 3]], axis=-1)[..., None, :]
    start, across = start[..., None, :], np.cross(axis, side)[..., None, :]
    axis, side = axis[..., None, :], side[..., None, :]
    along = (normals * axis).sum(axis=-1)
    center = ((start - points) * normals).sum(axis=-1)[..., None] + along[..., None] * z
    radial = normals - along[..., None] * axis
    steep = np.linalg.norm(radial, axis=-1)
    edge = np.abs((radial * across).sum(axis=-1))
    toward = (radial * side).sum(axis=-1)
    rise = np.where(toward >= 0.0, steep, edge)[..., None] * r
    fall = np.where(toward <= 0.0, steep, edge)[..., None] * r
    return (center - fall).min(axis=-1), (center + rise).max(axis=-1)


def outlines(
    solid: Solid, points: FloatArray, normals: FloatArray, u: FloatArray, v: FloatArray, *, arc_steps: int
) -> NDArray[Any]:
    """Outlines (m,) of shapely geometries in (u, v) of m planes given by (m, 3) arrays.

    In a frame with a = axis, e = the normal's direction off the axis, b = a x e, the plane is
    z = d c + t s, x_e = d s - t c (c, s: cosine and sine between normal and axis; d: height of the plane), and a
    frustum of radius r(z) is cut where y^2 <= r(z)^2 - x_e^2 = (r - x_e)(r + x_e): a conic, in one interval of t,
    because both factors are linear in t and neither may be negative.
    """
    axis = solid.axis
    count = len(points)
    c = normals @ axis
    off = normals - c[:, None] * axis
    s = np.linalg.norm(off, axis=1)
    helper = unit(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
    e = np.where((s > PERPENDICULAR_SINE)[:, None], off / np.maximum(s, PERPENDICULAR_SINE)[:, None], helper)
    s = np.where(s > PERPENDICULAR_SINE, s, 0.0)
    b = np.cross(axis, e)
    m = s[:, None] * axis - c[:, None] * e
    d = ((points - solid.axis_point) * normals).sum(axis=1)
    pieces = solid.pieces
    z0, z1, r0, r1 = (column[None, :] for column in pieces.T)
    slope = (r1 - r0) / (z1 - z0)
    dc, ds = (d * c)[:, None], (d * s)[:, None]
    c_, s_ = c[:, None], s[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        low = np.where(s_ > 0.0, (z0 - dc) / s_, np.where((dc >= z0) & (dc <= z1), -np.inf, np.inf))
        high = np.where(s_ > 0.0, (z1 - dc) / s_, np.where((dc >= z0) & (dc <= z1), np.inf, -np.inf))
        at_zero = r0 + slope * (dc - z0)
        for sign in (-1.0, 1.0):
            # r(t) + sign x_e(t) = constant + rate t >= 0
            constant, rate = at_zero + sign * ds, slope * s_ - sign * c_
            root = -constant / rate
            low = np.where(rate > 0.0, np.maximum(low, root), low)
            high = np.where(rate < 0.0, np.minimum(high, root), high)
            high = np.where((rate == 0.0) & (constant < 0.0), -np.inf, high)
    met = high - low > SHORTEST_SOLID
    result = np.full(count, shapely.Polygon(), dtype=object)
    rows, columns = np.nonzero(met)
    if len(rows) == 0:
        return result
    lo, hi = low[rows, columns], high[rows, columns]
    angle = np.linspace(0.0, math.pi, arc_steps + 1)
    middle, half = (lo + hi) / 2.0, (hi - lo) / 2.0
    t = middle[:, None] - half[:, None] * np.cos(angle)
    radius = at_zero[rows, columns][:, None] + (slope * s_)[rows, columns][:, None] * t
    x_e = ds[rows, 0][:, None] - c_[rows, 0][:, None] * t
    width = np.sqrt(np.maximum((radius - x_e) * (radius + x_e), 0.0))
    # a chord c of curvature k cuts off k c^3 / 12: each point moves out by k c^2 / 12, a twelfth of the second
    # difference; at a tip the arc goes on below, at a corner it ends
    tips = width[:, [0, -1]] <= SHORTEST_SOLID
    bend_t, bend_w = np.zeros(t.shape), np.zeros(t.shape)
    bend_t[:, 1:-1] = t[:, 2:] - 2.0 * t[:, 1:-1] + t[:, :-2]
    bend_w[:, 1:-1] = width[:, 2:] - 2.0 * width[:, 1:-1] + width[:, :-2]
    bend_t[:, 0] = np.where(tips[:, 0], 2.0 * (t[:, 1] - t[:, 0]), 0.0)
    bend_t[:, -1] = np.where(tips[:, 1], 2.0 * (t[:, -2] - t[:, -1]), 0.0)
    t, width = t - bend_t / 12.0, width - bend_w / 12.0
    # what is left, of fourth order, goes into the width: the polygon has the area of its conic
    polygon_area = ((width[:, 1:] + width[:, :-1]) / 2.0 * np.diff(t, axis=1)).sum(axis=1)
    exact = _conic_areas(lo, hi, at_zero[rows, columns], (slope * s_)[rows, columns], ds[rows, 0], c_[rows, 0])
    width *= (exact / polygon_area)[:, None]
    right = np.stack([t, width], axis=2)
    left = np.stack([t, -width], axis=2)[:, ::-1]
    frame_u = np.stack([(m * u).sum(axis=1), (b * u).sum(axis=1)], axis=1)
    frame_v = np.stack([(m * v).sum(axis=1), (b * v).sum(axis=1)], axis=1)
    foot = d[:, None] * normals + solid.axis_point - points
    shift = np.stack([(foot * u).sum(axis=1), (foot * v).sum(axis=1)], axis=1)
    turn = np.stack([frame_u, frame_v], axis=1)
    if len(pieces) == 1:
        ring = np.einsum("nij,nkj->nki", turn[rows], np.concatenate([left, right], axis=1)) + shift[rows][:, None, :]
        result[rows] = shapely.polygons(ring)
        return result
    for row in np.unique(rows):
        parts = np.flatnonzero(rows == row)
        rings = []
        start = 0
        for k in range(1, len(parts) + 1):
            joined = (
                k < len(parts)
                and columns[parts[k]] == columns[parts[k - 1]] + 1
                and lo[parts[k]] - hi[parts[k - 1]] <= SHORTEST_SOLID
                and min(width[parts[k], 0], width[parts[k - 1], -1]) > SHORTEST_SOLID
            )
            if not joined:
                run = parts[start:k]
                flat = np.concatenate([np.concatenate(left[run[::-1]]), np.concatenate(right[run])])
                rings.append(shapely.Polygon(flat @ turn[row].T + shift[row]))
                start = k
        result[row] = rings[0] if len(rings) == 1 else shapely.union_all(rings)
    return result


def _conic_areas(
    low: FloatArray, high: FloatArray, constant: FloatArray, rate: FloatArray, ds: FloatArray, c: FloatArray
) -> FloatArray:
    """Half the area (n,) under sqrt((constant + rate t)^2 - (ds - c t)^2), t from low to high.

    Gauss-Legendre in the angle of t = middle - half cos(angle), where the square roots at the ends are smooth.
    """
    angle = (GAUSS_NODES + 1.0) * math.pi / 2.0
    middle, half = ((low + high) / 2.0)[:, None], ((high - low) / 2.0)[:, None]
    t = middle - half * np.cos(angle)
    radius = constant[:, None] + rate[:, None] * t
    x_e = ds[:, None] - c[:, None] * t
    value = np.sqrt(np.maximum((radius - x_e) * (radius + x_e), 0.0)) * half * np.sin(angle)
    result: FloatArray = value @ GAUSS_WEIGHTS * (math.pi / 2.0)
    return result


def device_axis(plan: Plan, anatomy: Anatomy) -> tuple[FloatArray, FloatArray]:
    """Point (3,) where the device axis leaves the (offset) ring centre, and axis (3,), of a plan; see the module.

    Untilted, it is the ring's axis, from atrium to ventricle:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> point, axis = device_axis(Plan("P1", Device("invented-29", 29.0, 20.0)), heart)
    >>> (axis.round(6) + 0.0).tolist()
    [0.0, 0.0, -1.0]
    """
    anatomy.require_orientation()
    toward, across, normal = anatomy.toward_aorta, anatomy.across, anatomy.ring_plane.normal
    ap, ic = math.radians(plan.tilt_ap), math.radians(plan.tilt_ic)
    # turned about `across` by tilt_ap, then about `toward` by -tilt_ic (a right-handed turn would lean to -across)
    axis = math.sin(ap) * toward + math.cos(ap) * (math.cos(ic) * normal + math.sin(ic) * across)
    pivot = anatomy.ring_center + plan.offset_ap * toward + plan.offset_ic * across
    return pivot, unit(axis)


def device_depth(plan: Plan, pivot: FloatArray, axis: FloatArray, post_tips: FloatArray | None) -> float:
    """Depth of the outflow end below `pivot` along `axis`, mm; raises `missing_post_tip`, `post_tips_beside_axis`.

    >>> plan = Plan("P1", Device("invented-29", 29.0, 20.0), ventricular_depth=14.0)
    >>> device_depth(plan, np.zeros(3), np.array([0.0, 0.0, -1.0]), None)
    14.0
    """
    if plan.anchor == "ring":
        return plan.device.height if plan.ventricular_depth is None else plan.ventricular_depth
    if plan.anchor != "post_tips":
        raise GeometryError("unknown_anchor", f"anchor {plan.anchor!r}; needed: ring or post_tips")
    if post_tips is None or len(post_tips) < 3:
        raise GeometryError("missing_post_tip", "anchor post_tips needs three post_tip points; add them")
    center = post_tips.mean(axis=0)
    _, _, rows = np.linalg.svd(post_tips - center, full_matrices=False)
    across_tips = float(axis @ rows[2])
    if abs(across_tips) < 0.5:
        raise GeometryError(
            "post_tips_beside_axis", "the plane of the post tips is more than 60 degrees off the device axis; correct"
        )
    return float((center - pivot) @ rows[2]) / across_tips


def device_profile(device: Device) -> tuple[FloatArray, FloatArray]:
    """Stations and diameters (n,), mm, from the inflow end to the outflow end; raises `bad_profile`.

    The profile is held constant where it stops short of an end.

    A device without a profile is a cylinder:

    >>> stations, diameters = device_profile(Device("invented-29", 29.0, 20.0))
    >>> stations.tolist(), diameters.tolist()
    ([0.0, 20.0], [29.0, 29.0])
    """
    if not (math.isfinite(device.height) and device.height > 0.0 and device.nominal_diameter > 0.0):
        raise GeometryError("bad_profile", f"device {device.device_id}: height and diameter must be above 0 mm")
    if not device.profile:
        return np.array([0.0, device.height]), np.full(2, float(device.nominal_diameter))
    table = np.asarray(device.profile, dtype=np.float64)
    if np.any(np.diff(table[:, 0]) < 0.0) or np.any(table[:, 1] <= 0.0) or not np.all(np.isfinite(table)):
        raise GeometryError(
            "bad_profile", f"device {device.device_id}: stations must not fall and diameters must be above 0 mm"
        )
    stations, diameters = table[:, 0], table[:, 1]
    if stations[0] > 0.0:
        stations, diameters = np.r_[0.0, stations], np.r_[diameters[0], diameters]
    if stations[-1] < device.height:
        stations, diameters = np.r_[stations, device.height], np.r_[diameters, diameters[-1]]
    return stations, diameters


def station_along_surface(stations: FloatArray, diameters: FloatArray, start: float, length: float) -> float:
    """Station reached by going `length` mm along the profile's surface from station `start`.

    A cone that widens by 3 mm of radius over 4 mm has 5 mm of surface:

    >>> station_along_surface(np.array([0.0, 4.0]), np.array([20.0, 26.0]), 0.0, 5.0)
    4.0
    """
    knots = np.unique(np.r_[start, stations[stations > start]])
    radius = np.interp(knots, stations, diameters) / 2.0
    surface = np.r_[0.0, np.cumsum(np.hypot(np.diff(knots), np.diff(radius)))]
    return float(np.interp(length, surface, knots))


def build_solid(
    variant: str,
    plan: Plan,
    prosthesis: Prosthesis | None,
    anatomy: Anatomy,
    leaflet_length: float | None = None,
    post_tips: ArrayLike | None = None,
) -> Solid:
    """One solid variant of a planned device.

    full_frame: the whole device. skirt: from `covered_from` to `covered_to`. leaflet_limited: from the inflow side
    to max(skirt, min(ventricular part, anterior leaflet laid along the device from the ring plane)).
    prosthesis_leaflet, prosthesis_post: from the inflow end to the leaflet or post height of the surgical
    prosthesis below the ring plane (at most to the outflow end).

    Raises GeometryError `unknown_solid`, `missing_covered_part`, `missing_leaflet_length`, `missing_prosthesis`,
    `missing_leaflet_height`, `missing_post_height`, `no_solid_part` and those of anatomy, depth and profile.

    A cylinder of 29 mm: a plane across it cuts pi 14.5^2 mm2:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> plan = Plan("P1", Device("invented-29", 29.0, 20.0), ventricular_depth=14.0)
    >>> solid = build_solid("full_frame", plan, None, heart)
    >>> area = solid.outline(Plane.from_normal([0, 0, -5], [0, 0, 1])).area
    >>> round(float(area), 2), round(float(solid.outflow_end[2]), 3)
    (660.52, -14.0)
    """
    device = plan.device
    stations, diameters = device_profile(device)
    tips = None if post_tips is None else np.asarray(post_tips, dtype=np.float64)
    pivot, axis = device_axis(plan, anatomy)
    depth = device_depth(plan, pivot, axis, tips)
    ring_station = device.height - depth
    if variant == "full_frame":
        first, last = 0.0, device.height
    elif variant == "skirt":
        first, last = _covered(device)
    elif variant == "leaflet_limited":
        covered_from, covered_to = _covered(device)
        if leaflet_length is None:
            raise GeometryError(
                "missing_leaflet_length", "leaflet_limited needs anterior_leaflet points from base to tip; add them"
            )
        start = min(max(ring_station, 0.0), device.height)
        first = min(covered_from, start)
        last = max(covered_to, station_along_surface(stations, diameters, start, leaflet_length))
    elif variant in ("prosthesis_leaflet", "prosthesis_post"):
        if prosthesis is None:
            raise GeometryError("missing_prosthesis", f"{variant} needs a prosthesis_id in cases.csv")
        name = "leaflet_height" if variant == "prosthesis_leaflet" else "post_height"
        height = getattr(prosthesis, name)
        if height is None:
            raise GeometryError(f"missing_{name}", f"{variant} needs {name}_mm of {prosthesis.prosthesis_id}")
        first, last = 0.0, ring_station + float(height)
    else:
        raise GeometryError("unknown_solid", f"solid {variant!r}; known: {', '.join(SOLIDS)}")
    first, last = max(first, 0.0), min(last, device.height)
    if last - first <= SHORTEST_SOLID:
        raise GeometryError(
            "no_solid_part", f"{variant} of {device.device_id} ends at station {last:.2f} mm, where nothing is solid"
        )
    return Solid(
        axis_point=pivot - ring_station * axis,
        axis=axis,
        stations=stations,
        diameters=diameters,
        solid_from=first,
        solid_to=last,
    )


def build_solids(
    plan: Plan,
    prosthesis: Prosthesis | None,
    anatomy: Anatomy,
    leaflet_length: float | None = None,
    post_tips: ArrayLike | None = None,
    variants: tuple[str, ...] = SOLIDS,
) -> dict[str, Solid | GeometryError]:
    """Every variant of a planned device: a Solid, or the GeometryError that says why it is missing.

    A device without a covered part has no skirt:

    >>> from outflow_geometry.landmarks.anatomy import build_anatomy
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> hinges = {"aortic_hinge_right": [10, -34, -3], "aortic_hinge_left": [-10, -34, -3]}
    >>> hinges["aortic_hinge_non"] = [0, -22, 6]
    >>> heart = build_anatomy({"mitral_ring": ring, "lv_apex": [0, 0, -80], **hinges})
    >>> plan = Plan("P1", Device("invented-29", 29.0, 20.0), ventricular_depth=14.0)
    >>> found = build_solids(plan, None, heart, variants=("full_frame", "skirt"))
    >>> type(found["full_frame"]).__name__, found["skirt"].code
    ('Solid', 'missing_covered_part')
    """
    result: dict[str, Solid | GeometryError] = {}
    for variant in variants:
        try:
            result[variant] = build_solid(variant, plan, prosthesis, anatomy, leaflet_length, post_tips)
        except GeometryError as error:
            result[variant] = error
    return result


def _covered(device: Device) -> tuple[float, float]:
    if device.covered_to is None:
        raise GeometryError("missing_covered_part", f"device {device.device_id} has no covered_to_mm in devices.csv")
    return device.covered_from or 0.0, float(device.covered_to)
