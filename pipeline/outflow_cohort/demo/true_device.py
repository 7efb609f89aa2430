"""The virtual device as an implicit solid in the heart's local frame, straight from the contract's words. mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.cohort import DemoDevice, DemoPlan, DemoProsthesis
from outflow_cohort.demo.shapes import Array

RIM = 720
"""Points of a rim; a linear function's largest value on it is missed by 1e-5 of the radius."""


@dataclass(frozen=True)
class TrueSolid:
    """Part of a surface of revolution; stations from the inflow end.

    start : (3,) centre of station 0; axis, side : (3,) unit directions downstream and toward the aorta; local.
    """

    start: Array
    axis: Array
    side: Array
    stations: Array
    diameters: Array
    solid: tuple[float, float]

    def distance(self, points: Array) -> Array:
        """Below 0 inside, at local points (..., 3); its zero set is exact."""
        relative = points - self.start
        along = relative @ self.axis
        radial = np.linalg.norm(relative - along[..., None] * self.axis, axis=-1)
        wall = radial - np.interp(along, self.stations, self.diameters) / 2.0
        result: Array = np.maximum(wall, np.maximum(self.solid[0] - along, along - self.solid[1]))
        return result

    def side_height(self, points: Array) -> Array:
        """Height over the plane through the axis, side of the aorta positive."""
        result: Array = (points - self.start) @ self.side
        return result

    def half_rims(self) -> Array:
        """Points (n, 3) whose convex hull holds the half of the solid on the side of the aorta."""
        corners = [self.solid[0], self.solid[1]]
        corners += [z for z in self.stations if self.solid[0] < z < self.solid[1]]
        across = np.cross(self.axis, self.side)
        angle = np.linspace(-np.pi / 2, np.pi / 2, RIM // 2 + 1)
        rims = []
        for z in corners:
            radius = np.interp(z, self.stations, self.diameters) / 2.0
            rim = np.cos(angle)[:, None] * self.side + np.sin(angle)[:, None] * across
            rims.append(self.start + z * self.axis + radius * rim)
        return np.concatenate(rims)


def _along_surface(stations: Array, diameters: Array, start: float, length: float) -> float:
    """Station that is `length` along the surface from station `start`."""
    z = np.unique(np.concatenate([[start], stations[stations > start]]))
    r = np.interp(z, stations, diameters) / 2.0
    surface = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)))])
    return float(np.interp(length, surface, z))


def true_solids(
    heart: HeartPhase, device: DemoDevice, plan: DemoPlan, prosthesis: DemoProsthesis | None
) -> dict[str, TrueSolid]:
    """Every solid variant of a plan that the case has, by name."""
    tilt = np.radians(plan.tilt_ap)
    axis = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    pivot = np.array([plan.offset_ap, 0.0, 0.0])
    if plan.anchor == "post_tips":
        # the tips lie in a plane parallel to the ring plane
        depth = heart.case.implant.post_height / float(axis[2])
    else:
        depth = device.height if plan.depth is None else plan.depth
    at_ring = device.height - depth
    table = np.array(device.profile or ((0.0, device.nominal_diameter), (device.height, device.nominal_diameter)))
    # the ring plane's direction from ring centre to aortic centre is x
    side = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
    side = side / np.linalg.norm(side)

    def solid(first: float, last: float) -> TrueSolid:
        span = (max(first, 0.0), min(last, device.height))
        return TrueSolid(
            start=pivot - at_ring * axis, axis=axis, side=side, stations=table[:, 0], diameters=table[:, 1], solid=span
        )

    result = {"full_frame": solid(0.0, device.height), "skirt": solid(*device.covered)}
    if heart.case.implant.kind != "bioprosthesis":
        ring = min(max(at_ring, 0.0), device.height)
        end = _along_surface(table[:, 0], table[:, 1], ring, heart.case.leaflet_length)
        result["leaflet_limited"] = solid(min(device.covered[0], ring), max(device.covered[1], end))
    if prosthesis is not None and prosthesis.leaflet_height is not None and prosthesis.post_height is not None:
        result["prosthesis_leaflet"] = solid(0.0, at_ring + prosthesis.leaflet_height)
        result["prosthesis_post"] = solid(0.0, at_ring + prosthesis.post_height)
    return result
