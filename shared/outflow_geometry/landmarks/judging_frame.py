"""What the checks of one reading share: sound ring plane, hinges, directions, the reader's scatter. Points LPS, mm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, Plane
from outflow_geometry.base.planes import facing, least_squares_plane

USUAL_SCATTER = 0.7
"""mm; taken for the reader's scatter where no curve of the reading shows it (the core's prior, no source)."""
SCATTERS = 5.2
"""Scatters added to every bound."""

OFF_RING = 4.0
"""mm; trigones and leaflet base from the ring, before scatter is added."""

Points = Mapping[str, FloatArray]
HINGE_NAMES = ("aortic_hinge_left", "aortic_hinge_right", "aortic_hinge_non")


@dataclass(frozen=True)
class Frame:
    """What the single checks share."""

    points: Points
    ring: Plane | None
    """Ring plane at the mean of the ring's sound points, normal toward the apex."""
    radius: float
    hinges: FloatArray | None
    """Left, right, non-coronary (3, 3)."""
    scatter: float

    def one(self, name: str) -> FloatArray | None:
        """Mean (3,) of a structure."""
        return self.points[name].mean(axis=0) if name in self.points else None

    @property
    def aorta(self) -> FloatArray | None:
        """Centre (3,) of the aortic annulus."""
        return self.hinges.mean(axis=0) if self.hinges is not None else self.one("aortic_ring")

    @property
    def slack(self) -> float:
        """mm added to bounds for the reader's scatter."""
        return SCATTERS * self.scatter

    def widened(self, bound: float, amplification: float) -> float:
        """A bound of honest hearts, mm, with the reader's scatter: what is rare in hearts and what is rare in readers
        seldom meet, so they add by their squares. amplification : scatters of one coordinate in what is bounded."""
        return float(np.hypot(bound, amplification * self.slack))

    @property
    def downstream(self) -> FloatArray | None:
        """Downstream normal (3,) of the aortic plane: away from the apex; None without three points or with all in
        a line."""
        rim = self.hinges if self.hinges is not None else self.points.get("aortic_ring")
        if rim is None or len(rim) < 3:
            return None
        try:
            plane = least_squares_plane(rim, "aorta")
        except GeometryError:
            return None
        apex = self.one("lv_apex")
        return plane.normal if apex is None else -facing(plane, apex).normal


def frame_of(points: Points, bad_ring: set[int | None], scatter: float) -> Frame:
    """The frame of a reading; bad_ring : numbers of ring points that are not believed."""
    plane, radius = None, 0.0
    ring = points.get("mitral_ring")
    if ring is not None:
        sound = np.asarray([p for i, p in enumerate(ring, 1) if i not in bad_ring])
        sound = sound if len(sound) >= 3 else ring
        try:
            plane = least_squares_plane(sound, "mitral_ring")
            radius = float(np.linalg.norm(plane.project(sound), axis=1).mean())
        except GeometryError:
            plane = None
    if plane is not None and "lv_apex" in points:
        plane = facing(plane, points["lv_apex"].mean(axis=0))
    hinges = None
    if all(name in points for name in HINGE_NAMES):
        hinges = np.stack([points[name].mean(axis=0) for name in HINGE_NAMES])
    return Frame(points, plane, radius, hinges, scatter)


def to_polyline(point: FloatArray, line: FloatArray, *, closed: bool) -> float:
    """Distance, mm, of a point from the polyline (n, 3)."""
    nodes = np.vstack([line, line[:1]]) if closed else line
    start, step = nodes[:-1], np.diff(nodes, axis=0)
    share = np.sum((point - start) * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-12)
    at = start + np.clip(share, 0.0, 1.0)[:, None] * step
    return float(np.linalg.norm(at - point, axis=1).min())
