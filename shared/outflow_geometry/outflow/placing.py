"""From a plan to the device's solids: where the device sits, its profile, and which part of it is solid.

All points LPS, mm, float64. Stations along the device axis run from the inflow end (0) to the outflow end
(height). Signs: a positive `offset_ap` moves the device within the ring plane toward the aorta, a positive
`offset_ic` moves it along `anatomy.across` (ring normal x direction toward the aorta); a positive `tilt_ap`
leans the outflow end toward the aorta, a positive `tilt_ic` leans it along `anatomy.across`. The device turns
about the ring centre, first by tilt_ap, then by tilt_ic about the (unturned) direction toward the aorta, and is
then offset; `ventricular_depth` is measured along its axis from the ring plane's centre.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.base.inputs import Device, Plan, Prosthesis
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.outflow.solids import SHORTEST_SOLID, Solid

SOLIDS = ("full_frame", "skirt", "leaflet_limited", "prosthesis_leaflet", "prosthesis_post")


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
