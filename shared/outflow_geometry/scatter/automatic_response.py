"""How the automatic path answers to redrawn landmarks, without solving a flow for every draw.

All points LPS, mm, float64. A redrawn reading moves ring and device, and the aortic plane, by a millimetre and a few
degrees; to that the mean line of the flow answers nearly linearly. The flow is solved for ring and device, and for the
aorta, moved and turned a little one way after the other; each draw adds up these answers by how far it has moved.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane, unit
from outflow_geometry.image.lumen import Lumen
from outflow_geometry.landmarks.anatomy import Anatomy, build_anatomy
from outflow_geometry.outflow.centreline import NARROWED, automatic_path
from outflow_geometry.outflow.outflow_path import OutflowPath
from outflow_geometry.outflow.potential_flow import FlowGround
from outflow_geometry.outflow.solids import Solid

RESPONSE_SPACING = 1.5
"""mm of the flow grid on which answers are found: only differences between flows on one grid count."""

SHIFT_STEP = 0.6
"""mm by which landmarks are moved for an answer, about the scatter of their mean."""

TURN_STEP = math.radians(2.5)
"""The same for turns."""

PATH_STEP = 0.5
"""mm between the points of a redrawn path."""

RING_STRUCTURES = ("mitral_ring", "trigone_left", "trigone_right", "post_tip", "anterior_leaflet")
AORTIC_STRUCTURES = (
    "aortic_hinge_left",
    "aortic_hinge_right",
    "aortic_hinge_non",
    "aortic_ring",
    "aortic_contour",
)

Moved = Callable[[Anatomy], Solid]
"""The device about another anatomy; raises GeometryError where there is none."""


@dataclass(frozen=True)
class PathResponse:
    """The automatic path of a reading and its answers to small moves.

    stations : (n,) mm; points, tangents : (n, 3) of the reading's own path.
    point_rates, tangent_rates : (n, 3, 10) by a unit of each move: 3 shifts, mm, and 2 turns, of ring and device, then
    of the aortic plane, in the directions of the reading's own frames.
    """

    anatomy: Anatomy
    solid: Solid
    stations: FloatArray
    points: FloatArray
    tangents: FloatArray
    point_rates: FloatArray
    tangent_rates: FloatArray

    def path(self, anatomy: Anatomy, solid: Solid) -> OutflowPath:
        """The path as it would be with a redrawn `anatomy` and the device about it."""
        move = self._moves(anatomy, solid)
        points = self.points + self.point_rates @ move
        tangents = unit(self.tangents + self.tangent_rates @ move)
        stations = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        height = anatomy.aortic_plane.height(points)
        crossing = np.flatnonzero((height[:-1] < 0.0) & (height[1:] >= 0.0))
        if not len(crossing):
            raise GeometryError("no_channel", "the redrawn path does not cross the aortic plane")
        k = int(crossing[-1])
        zero = stations[k] + (stations[k + 1] - stations[k]) * height[k] / (height[k] - height[k + 1])
        return OutflowPath("automatic_path", stations - zero, points, tangents)

    def _moves(self, anatomy: Anatomy, solid: Solid) -> FloatArray:
        old = self.anatomy
        ring, aorta = old.ring_plane, old.aortic_plane
        # the point of the axis that is on the reading's own ring plane, so that turns do not shift it
        station = -float(ring.height(self.solid.axis_point)) / float(self.solid.axis @ ring.normal)
        shift = (solid.axis_point + station * solid.axis) - (self.solid.axis_point + station * self.solid.axis)
        return np.concatenate(
            [
                _frame(ring) @ shift,
                _frame(ring)[:2] @ (solid.axis - self.solid.axis),
                _frame(aorta) @ (anatomy.aortic_center - old.aortic_center),
                _frame(aorta)[:2] @ (anatomy.aortic_plane.normal - aorta.normal),
            ]
        )


def _frame(plane: Plane) -> FloatArray:
    return np.stack([plane.u, plane.v, plane.normal])


def path_response(
    path: OutflowPath, lumen: Lumen, anatomy: Anatomy, solid: Solid, moved: Moved, narrowed: float = NARROWED
) -> PathResponse:
    """Answers of `path`, the automatic path of a reading, found on a coarse grid in ten flows.

    moved : the device about a moved anatomy. A move that closes the channel counts as none.
    narrowed : mm by which the device's radius is less for the path.
    Raises GeometryError as `automatic_path`.
    """
    stations = np.arange(path.stations[0], path.stations[-1], PATH_STEP)
    points, tangents = path.at(stations)
    ground = FlowGround.of(lumen, anatomy, RESPONSE_SPACING)
    base = _beside(automatic_path(lumen, anatomy, solid, ground, narrowed), points, tangents)
    point_rates, tangent_rates = np.zeros((len(stations), 3, 10)), np.zeros((len(stations), 3, 10))
    for group, (names, plane) in enumerate(
        ((RING_STRUCTURES, anatomy.ring_plane), (AORTIC_STRUCTURES, anatomy.aortic_plane))
    ):
        for n in range(5):
            step = SHIFT_STEP if n < 3 else TURN_STEP
            try:
                again = _moved(anatomy, names, plane, n, step)
                found = _beside(automatic_path(lumen, again, moved(again), ground, narrowed), points, tangents)
            except GeometryError:
                continue
            point_rates[:, :, 5 * group + n] = (found[0] - base[0]) / step
            tangent_rates[:, :, 5 * group + n] = (found[1] - base[1]) / step
    return PathResponse(
        anatomy=anatomy,
        solid=solid,
        stations=stations,
        points=points,
        tangents=tangents,
        point_rates=point_rates,
        tangent_rates=tangent_rates,
    )


def _moved(anatomy: Anatomy, names: tuple[str, ...], plane: Plane, way: int, step: float) -> Anatomy:
    """The anatomy with structures shifted along axis `way` of the plane's frame, or turned so that its normal leans
    along axis `way - 3`."""
    frame = _frame(plane)
    marks = dict(anatomy.landmarks)
    for name in names:
        if name not in marks:
            continue
        points = np.asarray(marks[name], dtype=np.float64)
        if way < 3:
            marks[name] = points + step * frame[way]
            continue
        axis = np.cross(plane.normal, frame[way - 3])
        relative = points - plane.point
        # Rodrigues' formula
        turned = (
            relative * math.cos(step)
            + np.cross(axis, relative) * math.sin(step)
            + np.outer(relative @ axis, axis) * (1.0 - math.cos(step))
        )
        marks[name] = plane.point + turned
    return build_anatomy(marks, checked=False)


def _beside(path: OutflowPath, points: FloatArray, tangents: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where `path` crosses the planes at right angles to another path, and its tangents there: (n, 3), (n, 3)."""
    nearest = np.argmin(((points[:, None] - path.points[None]) ** 2).sum(axis=2), axis=1)
    stations = path.stations[nearest]
    for _ in range(4):
        place, along = path.at(stations)
        forward = np.maximum(np.vecdot(along, tangents), 0.3)
        stations = stations - np.vecdot(place - points, tangents) / forward
    return path.at(stations)
