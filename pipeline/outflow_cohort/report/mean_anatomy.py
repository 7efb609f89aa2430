"""The study's own mean anatomy: every case laid on its ring plane, and averaged.

Frame of a case, mm: origin the ring centre; axes `toward` (within the ring plane to the aortic centre), `across`
(normal x toward) and `down` (ring normal, to the ventricle). Landmarks LPS, mm, float64. A reading is averaged first,
then the readings of a case, then the cases; of each case the first reads of the phase with most readings count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray, unit

if TYPE_CHECKING:
    import pandas as pd

    from outflow_geometry.landmarks.anatomy import Anatomy

RING_POINTS = 72
LINE_POINTS = 16
LINES = ("outflow_path", "anterior_leaflet")
COORDINATES = ["x_mm", "y_mm", "z_mm"]
NO_PHASE = -1.0
"""Stands for an empty phase while grouping; a phase is a percentage, never negative."""


@dataclass(frozen=True)
class MeanAnatomy:
    """Mean shapes in the frame above, mm.

    ring (72, 3) by angle from `toward`; aortic_center (3,), aortic_normal (3,) unit, aortic_radius; places: mean
    position (3,) by structure; lines: mean course (16, 3) of paths by structure; n_cases averaged.
    """

    ring: FloatArray
    aortic_center: FloatArray
    aortic_normal: FloatArray
    aortic_radius: float
    places: Mapping[str, FloatArray]
    lines: Mapping[str, FloatArray]
    n_cases: int

    def annulus(self, n: int = 72) -> FloatArray:
        """Points (n, 3) of the mean annulus circle."""
        u = unit(np.cross(self.aortic_normal, [0.0, 1.0, 0.0]))
        v = np.cross(self.aortic_normal, u)
        angle = np.linspace(0.0, 2.0 * np.pi, n, endpoint=False)[:, None]
        circle: FloatArray = self.aortic_center + self.aortic_radius * (np.cos(angle) * u + np.sin(angle) * v)
        return circle


@dataclass(frozen=True)
class _Shapes:
    ring: FloatArray
    aortic: FloatArray
    places: dict[str, FloatArray]
    lines: dict[str, FloatArray]


def mean_anatomy(readings: pd.DataFrame) -> MeanAnatomy | None:
    """Mean anatomy of a landmark table (one row per point); None where no reading has ring, apex and aorta.

    readings : columns case_id, phase_pct, reader_id, read_no, structure, point_no, x_mm, y_mm, z_mm.
    """
    cases: dict[str, list[_Shapes]] = {}
    for case, landmarks in _first_reads(readings):
        found = _shapes(landmarks)
        if found is not None:
            cases.setdefault(case, []).append(found)
    means = [_mean(shapes) for _, shapes in sorted(cases.items())]
    if not means:
        return None
    whole = _mean(means)
    return MeanAnatomy(
        ring=whole.ring,
        aortic_center=whole.aortic[:3],
        aortic_normal=unit(whole.aortic[3:6]),
        aortic_radius=float(whole.aortic[6]),
        places=whole.places,
        lines=whole.lines,
        n_cases=len(means),
    )


def _first_reads(readings: pd.DataFrame) -> Iterator[tuple[str, dict[str, FloatArray]]]:
    """Case and landmarks of each first read in the phase of the case that most readings have (ties: the earliest)."""
    frame = readings.assign(
        phase_pct=readings["phase_pct"].astype(np.float64).fillna(NO_PHASE), read_no=readings["read_no"].fillna(1)
    )
    who = ["case_id", "phase_pct", "reader_id", "read_no"]
    counted = frame[who].drop_duplicates().groupby(["case_id", "phase_pct"], sort=True).size().reset_index(name="n")
    best = counted.sort_values(["case_id", "n", "phase_pct"], ascending=[True, False, True]).drop_duplicates("case_id")
    phase = frame["case_id"].map(best.set_index("case_id")["phase_pct"])
    lowest = frame.groupby(["case_id", "reader_id"], sort=True)["read_no"].transform("min")
    chosen = frame[((frame["phase_pct"] == phase) & (frame["read_no"] == lowest)).to_numpy()]
    chosen = chosen.sort_values([*who, "structure", "point_no"], kind="stable")
    keys = chosen.groupby([*who, "structure"], sort=False).ngroup().to_numpy()
    starts = np.flatnonzero(np.append(True, keys[1:] != keys[:-1])) if len(chosen) else np.array([], dtype=int)
    names = chosen[[*who, "structure"]].iloc[starts].itertuples(index=False, name=None)
    sets = np.split(chosen[COORDINATES].to_numpy(np.float64), starts[1:]) if len(starts) else []
    current: tuple[object, ...] | None = None
    landmarks: dict[str, FloatArray] = {}
    for (*reading, structure), points in zip(names, sets, strict=True):
        if current is not None and tuple(reading) != current:
            yield str(current[0]), landmarks
            landmarks = {}
        current = tuple(reading)
        landmarks[str(structure)] = points[np.isfinite(points).all(axis=1)]
    if current is not None:
        yield str(current[0]), landmarks


def _shapes(landmarks: Mapping[str, FloatArray]) -> _Shapes | None:
    """One reading in its own frame; None where its landmarks make no frame."""
    from outflow_geometry.landmarks.anatomy import build_anatomy

    try:
        anatomy = build_anatomy(landmarks)
        anatomy.require_orientation()
        axes = np.stack([anatomy.toward_aorta, anatomy.across, anatomy.ring_plane.normal])
        ring = _by_angle((anatomy.ring_contour.outline - anatomy.ring_center) @ axes.T)
        aortic = _aortic(anatomy, axes)
    except GeometryError:
        return None
    placed = {n: (p - anatomy.ring_center) @ axes.T for n, p in landmarks.items() if len(p)}
    lines = {n: _evenly(p) for n, p in placed.items() if n in LINES and len(p) > 1}
    return _Shapes(ring, aortic, {n: p.mean(axis=0) for n, p in placed.items()}, lines)


def _aortic(anatomy: Anatomy, axes: FloatArray) -> FloatArray:
    """Centre, normal and radius of the annulus circle in the frame, (7,)."""
    center = (anatomy.aortic_circle_center - anatomy.ring_center) @ axes.T
    normal = anatomy.aortic_plane.normal @ axes.T
    result: FloatArray = np.concatenate([center, normal, [anatomy.aortic_radius]])
    return result


def _by_angle(outline: FloatArray) -> FloatArray:
    """The ring (72, 3) at even angles about its centre, from `toward` by way of `across`."""
    turn = np.arctan2(outline[:, 1], outline[:, 0])
    order = np.argsort(turn)
    wanted = np.linspace(-np.pi, np.pi, RING_POINTS, endpoint=False)
    radius = np.interp(wanted, turn[order], np.hypot(outline[order, 0], outline[order, 1]), period=2.0 * np.pi)
    height = np.interp(wanted, turn[order], outline[order, 2], period=2.0 * np.pi)
    result: FloatArray = np.stack([radius * np.cos(wanted), radius * np.sin(wanted), height], axis=1)
    return result


def _evenly(line: FloatArray) -> FloatArray:
    """A polyline at 16 even steps of its length."""
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    at = np.linspace(0.0, length[-1], LINE_POINTS)
    result: FloatArray = np.stack([np.interp(at, length, line[:, k]) for k in range(3)], axis=1)
    return result


def _mean(shapes: list[_Shapes]) -> _Shapes:
    def over(parts: list[dict[str, FloatArray]]) -> dict[str, FloatArray]:
        names = sorted({n for part in parts for n in part})
        return {n: np.mean([part[n] for part in parts if n in part], axis=0) for n in names}

    return _Shapes(
        np.mean([s.ring for s in shapes], axis=0),
        np.mean([s.aortic for s in shapes], axis=0),
        over([s.places for s in shapes]),
        over([s.lines for s in shapes]),
    )
