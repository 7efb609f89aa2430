"""Bounds of septum, leaflet and post tips in a reading without scatter: just inside nothing is said, just outside it is."""

from __future__ import annotations

import numpy as np
import pytest

from outflow_geometry.base.frames import Plane
from outflow_geometry.landmarks.judging_frame import Frame
from outflow_geometry.landmarks.judging_surfaces import judge_leaflet, judge_posts, judge_septum

RADIUS = 16.0
RING = Plane.from_normal(np.zeros(3), np.array([0.0, 0.0, 1.0]))
HINGES = np.array([[20.0, 8.0, 0.0], [20.0, -8.0, 0.0], [32.0, 0.0, 0.0]])
"""Centre 24 mm from the ring's, along x."""


def frame(**points: np.ndarray) -> Frame:
    return Frame(points, RING, RADIUS, HINGES, 0.0)


def found(findings: list) -> list[tuple[str, int | None]]:
    return [(f.code, f.point_no) for f in findings]


@pytest.mark.parametrize(("off", "codes"), [(3.5, []), (5.2, [("point_off_surface", 6)])])
def test_a_septal_point_off_the_surface_through_the_others(off: float, codes: list) -> None:
    """3.7 mm, of a point that the others foretell to a fifth of it."""
    y, z = (a.ravel() for a in np.meshgrid(np.linspace(-12.0, 12.0, 4), np.linspace(-12.0, 12.0, 4)))
    septum = np.stack([np.full(16, 30.0), y, z], axis=1)
    septum[5, 0] += off
    assert found(judge_septum(frame(septum=septum))) == codes


@pytest.mark.parametrize(("beyond", "codes"), [(0.43, []), (0.37, [("septum_off_side", 2)])])
def test_a_septal_point_on_the_wrong_side_of_the_ring(beyond: float, codes: list) -> None:
    """Less than 0.4 of the ring's radius from its centre toward the aorta."""
    septum = np.array([[25.0, -8.0, 5.0], [beyond * RADIUS, 0.0, 5.0], [25.0, 8.0, 5.0]])
    assert found(judge_septum(frame(septum=septum))) == codes


@pytest.mark.parametrize(("last", "codes"), [(2.4, []), (2.6, [("point_off_curve", 6)])])
def test_a_leaflet_tip_that_slipped_on(last: float, codes: list) -> None:
    """2.5 of the usual gap."""
    along = 4.0 * np.cumsum([0.0, 1.0, 1.0, 1.0, 1.0, last])
    leaflet = np.stack([np.full(6, 16.0), np.zeros(6), along], axis=1)
    assert found(judge_leaflet(frame(anterior_leaflet=leaflet))) == codes


@pytest.mark.parametrize(("higher", "codes"), [(3.8, []), (4.2, [("post_tips_uneven", 1)])])
def test_a_post_tip_above_the_others(higher: float, codes: list) -> None:
    """4 mm in height; the sides between tips 20.8 mm apart hardly change by it."""
    turn = np.radians([0.0, 120.0, 240.0])
    tips = np.stack([12.0 * np.cos(turn), 12.0 * np.sin(turn), np.full(3, 15.0)], axis=1)
    tips[0, 2] += higher
    assert found(judge_posts(frame(post_tip=tips))) == codes
