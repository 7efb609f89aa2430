"""The smoothest curve that marked points support, against true arcs and rings of known scatter."""

import numpy as np
import pytest

from outflow_geometry.base.frames import Plane
from outflow_geometry.base.smoothing import smoothed_curve
from outflow_geometry.outflow.outflow_path import OutflowPath, path_through

RADIUS = 40.0
AORTIC = Plane.from_normal(np.array([RADIUS, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))


def arc(count: int) -> np.ndarray:
    """Points of a quarter circle about the y axis, ending 6 mm beyond the aortic plane."""
    angle = np.linspace(-0.8, 0.15, count)
    return np.stack([RADIUS * np.cos(angle), 0.0 * angle, RADIUS * np.sin(angle)], axis=1)


def settled_path(points: np.ndarray, scatter: float) -> OutflowPath:
    return path_through(smoothed_curve(points, scatter).points, AORTIC, "reader_path")


def true_tangents(stations: np.ndarray) -> np.ndarray:
    angle = stations / RADIUS
    return np.stack([-np.sin(angle), 0.0 * angle, np.cos(angle)], axis=1)


def tilts(points: np.ndarray, scatter: float) -> np.ndarray:
    """Degrees between the planes of the settled path and the true ones, 20 to 2 mm before the annulus."""
    stations = np.arange(-20.0, -1.0, 2.0)
    cosine = np.vecdot(settled_path(points, scatter).at(stations)[1], true_tangents(stations))
    return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))


@pytest.mark.parametrize("count", [4, 6, 10, 30])
def test_exact_points_are_passed_through_whatever_the_reader_is_known_for(count: int) -> None:
    points = arc(count)
    found = smoothed_curve(points, 0.7)
    np.testing.assert_array_equal(found.points, points)
    np.testing.assert_array_equal(found.smoother, np.eye(count))
    assert found.rest < 0.03 * 0.7
    assert tilts(points, 0.7).max() < 0.6
    # three decimals, as files carry them
    assert np.abs(smoothed_curve(points.round(3), 0.7).points - points).max() < 0.001


@pytest.mark.parametrize("count", [13, 30, 60])
def test_more_points_do_not_roughen_the_path(count: int) -> None:
    rng = np.random.default_rng(2)
    tilt = [tilts(arc(count) + 0.7 * rng.standard_normal((count, 3)), 0.7) for _ in range(30)]
    # a spline through the points themselves would turn its planes by 20 to 60 degrees
    assert np.sqrt(np.mean(np.square(tilt))) < 6.0


@pytest.mark.parametrize("count", [13, 25])
def test_scattered_points_settle_near_the_true_curve_and_show_their_scatter(count: int) -> None:
    rng = np.random.default_rng(1)
    apart, rest = [], []
    for _ in range(60):
        found = smoothed_curve(arc(count) + 0.7 * rng.standard_normal((count, 3)), 0.7)
        settled = found.points
        # across the circle, in its plane and out of it; along it points may slide
        apart += [np.hypot(settled[:, 0], settled[:, 2]) - RADIUS, settled[:, 1]]
        rest.append(found.rest)
    # a parabola, the fewest terms there are, leaves scatter * sqrt(3 / points); five terms are a fair price
    assert 0.7 * np.sqrt(3.0 / count) * 0.9 < np.sqrt(np.mean(np.square(apart))) < 0.7 * np.sqrt(5.0 / count)
    assert np.median(rest) == pytest.approx(0.7, rel=0.1)


def test_the_smoother_is_the_response_to_scatter() -> None:
    rng = np.random.default_rng(3)
    marked = arc(20) + 0.5 * rng.standard_normal((20, 3))
    found = smoothed_curve(marked, 0.5)
    np.testing.assert_allclose(found.smoother @ marked, found.points, atol=1e-9)
    # what moves or tilts all points together passes unchanged
    whole = np.array([0.3, -0.2, 0.1]) + found.share[:, None] * np.array([0.5, 0.1, -0.4])
    np.testing.assert_allclose(found.smoother @ whole, whole, atol=1e-9)


def test_points_without_scatter_or_too_few_stay_and_a_point_written_twice_counts_once() -> None:
    rng = np.random.default_rng(4)
    points = arc(9) + 0.5 * rng.standard_normal((9, 3))
    np.testing.assert_array_equal(smoothed_curve(points, 0.0).points, points)
    np.testing.assert_array_equal(smoothed_curve(points[:3], 0.7).points, points[:3])
    once, twice = smoothed_curve(points, 0.5), smoothed_curve(np.insert(points, 4, points[4], axis=0), 0.5)
    np.testing.assert_allclose(np.delete(twice.points, 4, axis=0), once.points, atol=1e-9)
    assert twice.rest == pytest.approx(once.rest)


def test_a_turn_that_scatter_does_not_explain_is_kept() -> None:
    points = arc(15)
    bent = points + np.exp(-(((np.arange(15) - 7.0) / 1.5) ** 2))[:, None] * [6.0, 0.0, 0.0]
    assert np.abs(smoothed_curve(bent, 0.1).points - bent).max() < 0.15


def _around(points: np.ndarray) -> float:
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())


def test_settled_ring_is_nearer_the_truth_and_keeps_its_saddle() -> None:
    angle = np.arange(24) * 2.0 * np.pi / 24
    true = np.stack([18.0 * np.cos(angle), 15.0 * np.sin(angle), 2.0 * np.cos(2.0 * angle)], axis=1)
    rng = np.random.default_rng(6)
    rough, settled = [], []
    for _ in range(40):
        read = true + 0.7 * rng.standard_normal(true.shape)
        rough.append(_around(read) - _around(true))
        settled.append(_around(smoothed_curve(read, 0.7, closed=True).points) - _around(true))
    # scatter makes the way around longer by some of its squares, settling takes most of that off
    assert np.mean(rough) > 4.0
    assert abs(np.mean(settled)) < 1.2
    # without scatter the saddle, its second harmonic, is the curve itself, but for the chord's uneven pace
    assert np.allclose(smoothed_curve(true, 0.1, closed=True).points, true, atol=0.1)
