"""Errors that the points of one structure share, where landmarks were carried from another phase.

All points LPS, mm, float64. A carried ring is wrong as a whole: too wide, set off, tilted. Scatter of its points one by
one averages out over the ring, so that intervals of its area from that alone held the truth in half of the cases only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.inputs import SharedMove
from outflow_geometry.base.planes import least_squares_plane


def shared_moves(
    landmarks: Mapping[str, FloatArray], moves: Sequence[SharedMove], draws: int, seed: int
) -> list[dict[str, FloatArray]]:
    """Displacements (n, 3), mm, of the structures that `moves` name, for each of `draws` draws.

    A body with too few points for a plane is shifted only, by `shift` in every direction.
    """
    generator = np.random.default_rng([seed % 2**63, 17])
    found: list[dict[str, FloatArray]] = [{} for _ in range(draws)]
    for move in moves:
        names = [name for name in move.structures if name in landmarks and len(landmarks[name])]
        shift = move.shift * generator.standard_normal((draws, 3))
        tilt = move.tilt * generator.standard_normal((draws, 2))
        radial = move.radial * generator.standard_normal(draws)
        oval = move.oval * generator.standard_normal((draws, 2))
        if not names:
            continue
        points = np.concatenate([np.asarray(landmarks[name], dtype=np.float64) for name in names])
        frame = _frame(points)
        for draw in range(draws):
            moved = np.broadcast_to(shift[draw], points.shape).copy()
            if frame is not None:
                across, normal = frame
                if move.lift is not None and move.shift > 0.0:
                    moved += (move.lift / move.shift - 1.0) * (shift[draw] @ normal[2]) * normal[2]
                moved += (across @ tilt[draw])[:, None] * normal[2] + radial[draw] * (across @ normal[:2])
                # the two ways of an even stretch that keeps the area
                stretched = np.stack([across * (1.0, -1.0), across[:, ::-1]])
                moved += np.tensordot(oval[draw], stretched, axes=1) @ normal[:2]
            start = 0
            for name in names:
                stop = start + len(landmarks[name])
                found[draw][name] = found[draw].get(name, 0.0) + moved[start:stop]
                start = stop
    return found


def _frame(points: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """In-plane places (n, 2) of the points in radii of the body, and the body's axes (3, 3): u, v, normal."""
    try:
        plane = least_squares_plane(points)
    except GeometryError:
        return None
    flat = plane.project(points)
    flat = flat - flat.mean(axis=0)
    radius = float(np.linalg.norm(flat, axis=1).mean())
    return (flat / radius, np.stack([plane.u, plane.v, plane.normal])) if radius > 0.0 else None
