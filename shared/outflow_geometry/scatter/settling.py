"""Curves without the reader's own scatter: the middle about which landmarks are redrawn.

All points LPS, mm, float64. Redrawing about a reader's points as they are would add scatter to scatter: a rough
curve grows rougher with each. So curves are first settled onto the simplest one from which their scatter explains
the points; points that no simpler curve explains stay where they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import BSpline
from scipy.special import chdtri

from outflow_geometry.base.frames import FloatArray
from outflow_geometry.base.planes import checked_points
from outflow_geometry.scatter.redrawing import CLOSED_STRUCTURES, OPEN_STRUCTURES, structure_sd

FEWEST_CONTROLS = 4
"""Controls of one cubic: an outflow path turns once, from the ventricle into the aorta."""

FEWEST_HARMONICS = 2
"""The first harmonic is a tilted ellipse, the second a saddle."""

REPEATED_POINT = 1e-3
"""mm; consecutive points nearer than this are one point written twice (files carry 3 decimals)."""

LIKELY = 0.05
"""Chance by which scatter alone leaves larger residuals than are taken for scatter."""


def settled_landmarks(landmarks: Mapping[str, FloatArray], sd: Mapping[str, float]) -> dict[str, FloatArray]:
    """The landmarks with every curve among them settled; sd : mm by structure, see `scatter.landmark_sd`."""
    return {
        name: settled_points(points, structure_sd(sd, name), closed=name in CLOSED_STRUCTURES)
        if name in (*CLOSED_STRUCTURES, *OPEN_STRUCTURES)
        else points
        for name, points in landmarks.items()
    }


def settled_points(points: ArrayLike, scatter: float, *, closed: bool = False) -> FloatArray:
    """Points (n, 3), mm, moved onto the simplest curve from which their `scatter`, mm a coordinate, explains them.

    Open curves: cubic splines of 4, 5, ... controls by least squares over chord length; closed ones: 2, 3, ...
    harmonics (Kuhl & Giardina 1982, Comput Graph Image Process 18:236). The first whose residuals are no larger than
    95 % of such scatters leave (chi squared) is taken; points that need as many terms as they are stay.
    """
    array = checked_points(points, "curve", 2)
    ring = np.vstack([array, array[:1]]) if closed else array
    gaps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    if scatter <= 0.0 or not bool(np.all(gaps > REPEATED_POINT)):
        return array
    chord = np.concatenate([[0.0], np.cumsum(gaps)])
    share = chord[: len(array)] / chord[-1]
    for number in count(FEWEST_HARMONICS if closed else FEWEST_CONTROLS):
        terms = 2 * number + 1 if closed else number
        if terms >= len(array):
            return array
        design = _harmonics(share, number) if closed else _spline(share, number)
        fitted = design @ np.linalg.lstsq(design, array)[0]
        freedom = 3 * (len(array) - terms)
        if float(((fitted - array) ** 2).sum()) <= scatter**2 * float(chdtri(freedom, LIKELY)):
            return np.asarray(fitted, dtype=np.float64)
    raise AssertionError("count has no end")


def _spline(share: FloatArray, controls: int) -> FloatArray:
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, controls - 2), [1.0] * 3])
    return np.asarray(BSpline.design_matrix(share, knots, 3).toarray())


def _harmonics(share: FloatArray, number: int) -> FloatArray:
    angle = 2.0 * np.pi * share[:, None] * np.arange(1, number + 1)
    return np.hstack([np.ones((len(share), 1)), np.cos(angle), np.sin(angle)])
