"""Errors that carried points share: their spread is what was asked for, and the area of a ring feels it."""

import numpy as np
import pytest

from outflow_geometry.base.contours import closed_contour
from outflow_geometry.base.inputs import SharedMove
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.landmarks.carry_error import coordinate_error
from outflow_geometry.scatter.shared_moves import shared_moves
from outflow_geometry.scatter.uncertainty import redrawn_landmarks

DRAWS = 4000


def ring(radius: float = 17.0, count: int = 16) -> np.ndarray:
    t = np.arange(count) * 2.0 * np.pi / count
    return np.stack([radius * np.cos(t), radius * np.sin(t), 0 * t], axis=1)


def test_shift_tilt_and_radial_have_the_spread_asked_for() -> None:
    moves = (SharedMove(("mitral_ring", "trigone_left"), 0.4, 0.7, 0.3),)
    marks = {"mitral_ring": ring(), "trigone_left": ring()[:1], "lv_apex": np.zeros((1, 3))}
    found = shared_moves(marks, moves, DRAWS, 1)
    assert set(found[0]) == {"mitral_ring", "trigone_left"}
    moved = np.stack([f["mitral_ring"] for f in found])
    np.testing.assert_allclose(moved.mean(axis=1).std(axis=0), 0.4, rtol=0.06)
    # a ring point's height: shift and one share of the tilts at the rim
    assert moved[:, 0, 2].std() == pytest.approx(np.hypot(0.4, 0.7), rel=0.05)
    outward = np.einsum("dni,ni->dn", moved, ring() / 17.0).mean(axis=1)
    assert outward.std() == pytest.approx(0.3, rel=0.05)
    # the trigone is a point of the ring and moves with it
    np.testing.assert_allclose(np.stack([f["trigone_left"][0] for f in found]), moved[:, 0], atol=0.05)


def test_a_ring_s_area_is_as_unsure_as_its_shared_radius() -> None:
    def spread(moves: tuple[SharedMove, ...]) -> float:
        copies = redrawn_landmarks({"mitral_ring": ring()}, {"default": 0.4}, 400, 1, moves)
        areas = [
            closed_contour(c["mitral_ring"], least_squares_plane(c["mitral_ring"]), check=False).area for c in copies
        ]
        return float(np.std(areas))

    alone = spread(())
    # d area = 2 pi r dr
    assert spread((SharedMove(("mitral_ring",), 0.0, 0.0, 0.5),)) == pytest.approx(
        np.hypot(alone, 2.0 * np.pi * 17.0 * 0.5), rel=0.12
    )
    assert spread((SharedMove(("aortic_ring",), 5.0, 5.0, 5.0),)) == alone


def test_two_points_are_shifted_only() -> None:
    found = shared_moves({"septum": np.eye(3)[:2]}, (SharedMove(("septum",), 1.0, 9.0, 9.0),), 50, 3)
    for draw in found:
        np.testing.assert_allclose(draw["septum"][0], draw["septum"][1])


def test_a_lift_of_its_own_goes_along_the_normal_only() -> None:
    angle = np.arange(12) * 2.0 * np.pi / 12
    ring = np.stack([15.0 * np.cos(angle), 15.0 * np.sin(angle), 0.0 * angle], axis=1)
    found = shared_moves({"mitral_ring": ring}, (SharedMove(("mitral_ring",), 0.2, 0.0, 0.0, lift=0.8),), 4000, 5)
    centers = np.array([draw["mitral_ring"].mean(axis=0) for draw in found])
    # 4000 draws tell a standard deviation to 1.1 %
    assert centers.std(axis=0) == pytest.approx([0.2, 0.2, 0.8], rel=0.05)


def test_an_oval_error_stretches_one_way_and_narrows_across() -> None:
    moves = (SharedMove(("mitral_ring",), 0.0, 0.0, 0.0, oval=0.4),)
    found = shared_moves({"mitral_ring": ring(count=16)}, moves, DRAWS, 7)
    moved = np.stack([draw["mitral_ring"] for draw in found])
    # the centre stays, nothing leaves the plane, and each rim point is moved by 0.4 mm in both directions of the plane
    np.testing.assert_allclose(moved.mean(axis=1), 0.0, atol=1e-9)
    np.testing.assert_allclose(moved[..., 2], 0.0, atol=1e-9)
    np.testing.assert_allclose(moved[..., :2].std(axis=0), 0.4, rtol=0.06)
    # what one diameter gains the one across loses, so that the area stays
    width = moved[:, 0, 0] - moved[:, 8, 0]
    across = moved[:, 4, 1] - moved[:, 12, 1]
    np.testing.assert_allclose(width, -across, atol=1e-9)
    assert width.std() == pytest.approx(0.8, rel=0.05)
    assert coordinate_error(moves[0]) == pytest.approx(np.sqrt((moved**2).sum(axis=2).mean() / 3.0), rel=0.05)


def test_errors_of_twice_the_size_are_twice_as_large() -> None:
    move = SharedMove(("mitral_ring",), 0.1, 0.2, 0.3, 0.4, 0.5)
    assert move.times(2.0) == SharedMove(("mitral_ring",), 0.2, 0.4, 0.6, 0.8, 1.0)
    assert SharedMove(("mitral_ring",), 0.1, 0.2, 0.3).times(2.0).lift is None
    assert coordinate_error(move.times(2.0)) == pytest.approx(2.0 * coordinate_error(move))
