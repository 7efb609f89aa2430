"""The spline through a reading's points of one curve, as weights of these points.

All points LPS, mm, float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from outflow_geometry.base.frames import FloatArray

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline


@dataclass(frozen=True)
class NodeSpline:
    """steps, knots : mm, between the nodes and along the curve; a closed curve returns to its first node.
    weights : gives, at places along the curve, mm, the weights (…, n) of the n nodes in the curve's point.
    """

    steps: FloatArray
    knots: FloatArray
    weights: CubicSpline

    def fine(self, samples: int) -> FloatArray:
        """Places along the curve, mm, `samples` to a step in the mean."""
        return np.linspace(0.0, self.knots[-1], samples * len(self.steps) + 1)


def node_spline(nodes: FloatArray, closed: bool, shortest: float = 0.0) -> NodeSpline | None:
    """The spline through `nodes` (n, 3), mm; None where too few or only `shortest` apart."""
    if len(nodes) < (4 if closed else 2):
        return None
    identity = np.eye(len(nodes))
    ring, weights = (np.vstack([a, a[:1]]) if closed else a for a in (nodes, identity))
    steps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    if np.any(steps <= shortest):
        return None
    from scipy.interpolate import CubicSpline  # on first use: whoever only lists the measures needs no scipy

    knots = np.concatenate([[0.0], np.cumsum(steps)])
    return NodeSpline(steps, knots, CubicSpline(knots, weights, bc_type="periodic" if closed else "natural"))
