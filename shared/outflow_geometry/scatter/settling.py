"""Curves without the reader's own scatter: the middle about which landmarks are redrawn.

All points LPS, mm, float64. Redrawing about a reader's points as they are would add scatter to scatter: a rough
curve grows rougher with each. So curves are first settled onto the smoothest one that the points support
(`base.smoothing`); points that are on a smooth curve stay where they are.
"""

from __future__ import annotations

from collections.abc import Mapping

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.scatter.error_model import reading_error


def settled_landmarks(landmarks: Mapping[str, FloatArray], sd: Mapping[str, float]) -> dict[str, FloatArray]:
    """The landmarks with each curve settled (`smoothed_curve`); sd : mm by structure, see `redrawing.landmark_sd`.

    Points on a smooth curve stay where they are:

    >>> import numpy as np
    >>> t = np.radians(np.arange(0, 360, 30))
    >>> ring = np.stack([18 * np.cos(t), 14 * np.sin(t), 0 * t], axis=1)
    >>> settled = settled_landmarks({"mitral_ring": ring}, {"mitral_ring": 0.7})
    >>> round(float(np.abs(settled["mitral_ring"] - ring).max()), 2)
    0.0
    """
    return reading_error(landmarks, sd).settled(landmarks)
