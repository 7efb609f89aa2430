"""Planes and angles against constructions whose answer is known."""

import numpy as np
import pytest
from analytic_heart import rotation

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import unit
from outflow_geometry.base.planes import (
    angle_between,
    facing,
    hinge_triangle_status,
    least_squares_plane,
    plane_through,
    triangle_angles_and_sides,
)


@pytest.mark.parametrize("far", [0.0, 1e3, 1e6])
@pytest.mark.parametrize("seed", range(5))
def test_exact_points_give_back_their_plane(seed: int, far: float) -> None:
    turn = rotation(seed)
    rng = np.random.default_rng(seed)
    flat = np.column_stack([rng.normal(0, 15, (9, 2)), np.zeros(9)])
    plane = least_squares_plane(flat @ turn.T + far)
    # float64 holds 1e6 mm to 1e-10 mm; over 15 mm that is an angle of about 1e-9 degrees
    assert min(angle_between(plane.normal, s * turn[:, 2]) for s in (1, -1)) < 1e-7
    np.testing.assert_allclose(np.cross(plane.u, plane.v), plane.normal, atol=1e-12)


def test_least_squares_plane_is_the_one_of_smallest_squared_distance() -> None:
    points = np.random.default_rng(1).normal(0, [20, 15, 2], (30, 3))
    plane = least_squares_plane(points)
    best = np.sum(plane.height(points) ** 2)
    for tilt in np.radians([0.1, -0.1, 1.0]):
        for axis in (plane.u, plane.v):
            normal = np.cos(tilt) * plane.normal + np.sin(tilt) * axis
            assert np.sum(((points - plane.point) @ normal) ** 2) > best
    # Golub & Van Loan: the squared distance left over is the smallest squared singular value
    assert best == pytest.approx(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2] ** 2, rel=1e-10)


def test_mean_plane_does_not_depend_on_point_order() -> None:
    points = np.random.default_rng(2).normal(0, [20, 15, 2], (12, 3))
    one = least_squares_plane(points)
    other = least_squares_plane(points[np.random.default_rng(3).permutation(12)])
    assert min(angle_between(one.normal, s * other.normal) for s in (1, -1)) < 1e-10


@pytest.mark.parametrize(
    ("points", "code"),
    [
        (np.zeros((2, 3)), "too_few_points"),
        (np.outer(np.arange(5.0), [1, 2, 3]), "collinear_points"),
        (np.zeros((4, 3)), "collinear_points"),
        (np.full((4, 3), np.nan), "bad_points"),
        (np.zeros((4, 2)), "bad_points"),
    ],
)
def test_points_without_a_plane_are_refused(points: np.ndarray, code: str) -> None:
    with pytest.raises(GeometryError) as caught:
        least_squares_plane(points)
    assert caught.value.code == code


def test_plane_through_three_points_refuses_a_line() -> None:
    with pytest.raises(GeometryError) as caught:
        plane_through([0, 0, 0], [5, 0, 0], [10, 0.01, 0], "hinges")
    assert caught.value.code == "collinear_points"


def test_facing_turns_the_normal_and_keeps_the_basis_right_handed() -> None:
    plane = plane_through([0, 0, 0], [1, 0, 0], [0, 1, 0], "plane")
    turned = facing(plane, [3, 4, -5])
    np.testing.assert_allclose(turned.normal, [0, 0, -1])
    np.testing.assert_allclose(np.cross(turned.u, turned.v), turned.normal)


@pytest.mark.parametrize("degrees", [0.0, 1e-7, 1e-3, 30.0, 90.0, 120.0, 179.9999, 180.0])
def test_angle_is_right_at_every_size(degrees: float) -> None:
    a = np.radians(degrees)
    turn = rotation(4)
    # arccos of the dot product loses everything below 1e-6 degrees; this form does not
    found = angle_between(turn @ [1, 0, 0], turn @ [np.cos(a), np.sin(a), 0])
    assert found == pytest.approx(degrees, abs=1e-11 + 1e-13 * degrees, rel=1e-7)


def test_triangle_angles_of_a_3_4_5_triangle() -> None:
    angles, sides = triangle_angles_and_sides([[0, 0, 0], [4, 0, 0], [0, 3, 0]])
    np.testing.assert_allclose(sides, [5, 3, 4])
    np.testing.assert_allclose(angles, [90, np.degrees(np.arctan(3 / 4)), np.degrees(np.arctan(4 / 3))])


@pytest.mark.parametrize(
    ("third", "status"),
    [
        ([10.0, 17.0, 0.0], "ok"),
        ([10.0, 3.0, 0.0], "hinge_triangle_ill_posed"),  # two angles of 16.7 degrees
        ([20.0, 7.5, 0.0], "hinge_triangle_ill_posed"),  # side of 7.5 mm
        ([20.0, 8.5, 0.0], "ok"),
    ],
)
def test_hinge_triangle_ill_posed_below_20_degrees_or_8_mm(third: list[float], status: str) -> None:
    assert hinge_triangle_status([[0, 0, 0], [20, 0, 0], third]) == status


def test_unit_refuses_nothing() -> None:
    with pytest.raises(GeometryError) as caught:
        unit([0.0, 0.0, 0.0])
    assert caught.value.code == "zero_length"
