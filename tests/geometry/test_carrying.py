"""Landmarks carried by motions known in closed form: stiff moves, slides along the ring, rings that change shape."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from outflow_geometry.base.contours import closed_contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.planes import least_squares_plane
from outflow_geometry.landmarks.carrying import NOT_CARRIED, carried_landmarks, stiff_fit

TURN = Rotation.from_euler("xyz", [5.0, -8.0, 12.0], degrees=True).as_matrix()
SHIFT = np.array([3.0, -11.0, 6.0])


def circle(radius: float, center: np.ndarray, turn: np.ndarray, saddle: float = 0.0, count: int = 16) -> np.ndarray:
    t = np.arange(count) * 2.0 * np.pi / count
    return center + np.stack([radius * np.cos(t), radius * np.sin(t), saddle * np.cos(2 * t)], axis=1) @ turn.T


def reading() -> dict[str, np.ndarray]:
    aorta = Rotation.from_euler("y", 55.0, degrees=True).as_matrix()
    annulus = circle(12.0, np.array([26.0, 0.0, 14.0]), aorta, count=3)
    ring = circle(17.0, np.zeros(3), np.eye(3), saddle=2.0)
    return {
        "mitral_ring": ring,
        "trigone_left": ring[14:15],
        "trigone_right": ring[2:3],
        "aortic_hinge_left": annulus[:1],
        "aortic_hinge_right": annulus[1:2],
        "aortic_hinge_non": annulus[2:],
        "lv_apex": np.array([[4.0, 0.0, -85.0]]),
        "post_tip": circle(15.0, np.array([0.0, 0.0, -14.0]), np.eye(3), count=3),
        "anterior_leaflet": np.array([[17.0, 0.0, 0.0], [12.0, 0.0, -10.0], [8.0, 0.0, -18.0]]),
        "septum": np.array([[36.0, 0.0, -6.0], [35.0, 5.0, -9.0], [35.0, -5.0, -9.0], [34.0, 0.0, -14.0]]),
        "outflow_path": np.array([[10.0, 0.0, -40.0], [26.0, 0.0, 14.0]]),
        "outflow_trace": circle(8.0, np.array([24.0, 0.0, -5.0]), np.eye(3), count=8),
        "blood_sample": np.array([[3.0, 0.0, -40.0]]),
        "muscle_sample": np.array([[3.0, 30.0, -40.0]]),
    }


def stiff(points: np.ndarray) -> np.ndarray:
    return points @ TURN.T + SHIFT


def area(points: np.ndarray) -> float:
    return closed_contour(points, least_squares_plane(points)).area


@pytest.mark.parametrize("implanted", [True, False])
def test_a_stiff_motion_carries_every_structure_of_the_valves_exactly(implanted: bool) -> None:
    marks = reading()
    found = carried_landmarks(marks, stiff, implanted=implanted)
    for name, points in found.landmarks.items():
        expected = marks[name] if name == "lv_apex" else stiff(marks[name])
        np.testing.assert_allclose(found.landmarks[name], expected, atol=1e-6, err_msg=name)
        assert len(points) == len(marks[name])
    assert found.ring is not None
    assert found.ring.disagreement == pytest.approx(0.0, abs=1e-6)
    assert found.annulus is not None
    assert found.annulus.size_change == pytest.approx(0.0, abs=1e-9)


def test_path_outline_and_samples_are_not_carried_and_the_apex_stays() -> None:
    marks = reading()
    found = carried_landmarks(marks, stiff, implanted=False)
    assert set(marks) - set(found.landmarks) == set(NOT_CARRIED)
    np.testing.assert_array_equal(found.landmarks["lv_apex"], marks["lv_apex"])


def test_an_implanted_ring_keeps_its_size_and_a_native_one_follows_the_motion() -> None:
    def shrinking(points: np.ndarray) -> np.ndarray:
        return stiff(points * np.array([0.9, 0.95, 1.0]))

    ring = reading()["mitral_ring"]
    kept = carried_landmarks({"mitral_ring": ring}, shrinking, implanted=True)
    followed = carried_landmarks({"mitral_ring": ring}, shrinking, implanted=False)
    assert area(kept.landmarks["mitral_ring"]) == pytest.approx(area(ring), rel=1e-9)
    assert area(followed.landmarks["mitral_ring"]) == pytest.approx(0.9 * 0.95 * area(ring), rel=5e-3)
    assert kept.ring is not None
    assert followed.left_over is not None
    assert kept.ring.size_change == pytest.approx(-0.07, abs=0.01)
    # the departure from a stiff body is seen in both; the bent ring leaves little of it over
    assert kept.ring.disagreement > 0.5 > 5 * followed.left_over


@pytest.mark.parametrize("order", [1, -1])
def test_a_ventricle_that_drags_its_side_of_the_ring_does_not_shrink_it(order: int) -> None:
    """Below the ring everything narrows and lags behind; at the ring and above it moves as the ring does."""
    marks = reading()

    def dragging(points: np.ndarray) -> np.ndarray:
        depth = np.clip(-points[:, 2:], 0.0, 10.0)
        return stiff(points * (1.0 - 0.05 * depth))

    flat = circle(17.0, np.zeros(3), np.eye(3))[::order]
    found = carried_landmarks({"mitral_ring": flat, "lv_apex": marks["lv_apex"]}, dragging, implanted=False)
    np.testing.assert_allclose(found.landmarks["mitral_ring"], stiff(flat), atol=1e-6)


def test_without_an_apex_both_sides_of_the_ring_count_alike() -> None:
    flat = circle(17.0, np.zeros(3), np.eye(3))

    def opposed(points: np.ndarray) -> np.ndarray:
        return points * (1.0 + 0.02 * points[:, 2:])

    found = carried_landmarks({"mitral_ring": flat}, opposed, implanted=False)
    assert area(found.landmarks["mitral_ring"]) == pytest.approx(area(flat), rel=2e-3)


def test_a_slide_along_the_ring_hardly_moves_it() -> None:
    """Tissue that slips along the edge on one side only must not shift the stiff ring to that side."""

    def sliding(points: np.ndarray) -> np.ndarray:
        along = np.stack([-points[:, 1], points[:, 0], 0 * points[:, 0]], axis=1)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        return points + 2.0 * (points[:, :1] / 17.0) * along

    ring = circle(17.0, np.zeros(3), np.eye(3))
    found = carried_landmarks({"mitral_ring": ring}, sliding, implanted=True).landmarks["mitral_ring"]
    radii = np.linalg.norm(found[:, :2], axis=1)
    # a fit that takes slides at face value would shift the ring by 1 mm
    assert np.abs(radii - 17.0).max() < 0.15


def test_fine_errors_of_the_motion_do_not_bend_the_ring() -> None:
    def wavy(points: np.ndarray) -> np.ndarray:
        angle = np.arctan2(points[:, 1], points[:, 0])
        return points * (1.0 + 0.04 * np.cos(9.0 * angle))[:, None]

    ring = circle(17.0, np.zeros(3), np.eye(3), count=32)
    found = carried_landmarks({"mitral_ring": ring}, wavy, implanted=False)
    assert np.abs(np.linalg.norm(found.landmarks["mitral_ring"], axis=1) - 17.0).max() < 0.2
    assert found.left_over == pytest.approx(0.04 * 17.0 / np.sqrt(2.0), rel=0.25)


def test_one_wild_support_point_counts_little() -> None:
    points = circle(12.0, np.zeros(3), np.eye(3), count=24)
    along = np.stack([-points[:, 1], points[:, 0], 0 * points[:, 0]], axis=1) / 12.0
    moved = stiff(points)
    moved[5] += np.array([0.0, 0.0, 15.0])
    fit = stiff_fit(points, moved, along)
    # plain least squares would lift the middle by 15 / 24 mm
    assert np.abs(fit.move(np.zeros((1, 3))) - SHIFT).max() < 0.3


def test_a_reading_without_a_ring_or_with_two_hinges_is_carried_as_far_as_it_goes() -> None:
    marks = reading()
    few = {"aortic_hinge_left": marks["aortic_hinge_left"], "septum": marks["septum"]}
    found = carried_landmarks(few, stiff, implanted=False)
    assert set(found.landmarks) == {"septum"}
    assert found.ring is None
    assert found.annulus is None
    with pytest.raises(GeometryError, match="three points"):
        stiff_fit(np.zeros((2, 3)), np.zeros((2, 3)), np.zeros((2, 3)))
