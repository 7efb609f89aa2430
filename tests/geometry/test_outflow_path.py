"""The outflow path: stations by arc length, the crossing of the aortic plane, ends that fall short."""

import numpy as np
import pytest

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Plane
from outflow_geometry.outflow.outflow_path import PathStack, path_through

AORTIC = Plane.from_normal([0.0, 0.0, 0.0], [0.0, 0.0, 1.0])
RADIUS = 40.0


def arc(angles):
    """Circle of 40 mm that meets z = 0 at right angles in the origin."""
    a = np.asarray(angles)
    return np.stack([RADIUS * (1.0 - np.cos(a)), np.zeros_like(a), RADIUS * np.sin(a)], axis=-1)


@pytest.mark.parametrize("count", [9, 15, 40])
def test_arc_keeps_stations_points_and_tangents(count):
    path = path_through(arc(np.linspace(-0.8, 0.15, count)), AORTIC, "reader_path")
    stations = np.array([-30.0, -17.3, -4.0, 0.0, 5.0])
    points, tangents = path.at(stations)
    a = stations / RADIUS
    step = 0.95 * RADIUS / (count - 1)
    # not-a-knot cubic: fourth-order in the points' distance
    error = 0.5 * step**4 / RADIUS**3
    assert np.allclose(points, arc(a), atol=error + 1e-5)
    assert np.allclose(tangents, np.stack([np.sin(a), 0.0 * a, np.cos(a)], axis=1), atol=4.0 * error / step + 1e-5)


def test_straight_path_of_two_points():
    path = path_through([[0.0, 0.0, -20.0], [0.0, 0.0, 5.0]], AORTIC, "reader_path")
    points, tangents = path.at([-20.0, -3.0, 0.0, 8.0])
    assert np.allclose(points, [[0, 0, -20], [0, 0, -3], [0, 0, 0], [0, 0, 8]])
    assert np.allclose(tangents, [0.0, 0.0, 1.0])


def test_path_short_of_the_annulus_runs_on_straight():
    path = path_through(arc(np.linspace(-0.8, -0.1, 20)), AORTIC, "reader_path")
    point, tangent = path.at(0.0)
    assert abs(point[2]) < 1e-6
    assert np.allclose(tangent, [np.sin(-0.1), 0.0, np.cos(-0.1)], atol=1e-4)
    with pytest.raises(GeometryError, match="path_short_of_annulus"):
        path_through(arc(np.linspace(-0.9, -0.5, 20)), AORTIC, "reader_path")


def test_order_and_number_of_points_are_checked():
    points = arc(np.linspace(-0.8, 0.1, 9))
    with pytest.raises(GeometryError, match="path_reversed"):
        path_through(points[::-1], AORTIC, "reader_path")
    with pytest.raises(GeometryError, match="too_few_points"):
        path_through(points[:1], AORTIC, "reader_path")
    with pytest.raises(GeometryError, match="too_few_points"):
        path_through(np.repeat(points[:1], 3, axis=0), AORTIC, "reader_path")
    with pytest.raises(GeometryError, match="path_beyond_annulus"):
        path_through(arc(np.linspace(0.1, 0.4, 9)), AORTIC, "reader_path")


def test_repeated_points_change_nothing():
    points = arc(np.linspace(-0.8, 0.1, 12))
    once = path_through(points, AORTIC, "reader_path")
    twice = path_through(np.repeat(points, 2, axis=0), AORTIC, "reader_path")
    assert np.allclose(once.points, twice.points)


def test_stack_of_paths_answers_as_each_path_does():
    paths = [path_through(arc(np.linspace(low, 0.15, 20)), AORTIC, "reader_path") for low in (-0.8, -0.7)]
    stack = PathStack.of([paths[0], None, paths[1]])
    assert stack.known.tolist() == [True, False, True]
    stations = np.array([[-27.31, -12.0, 0.0], [-3.3, -8.77, -0.01]])
    points, tangents = stack.at(np.array([0, 2]), stations)
    for row, path in enumerate(paths):
        own = path.at(stations[row])
        # cubic Hermite over 0.25 mm: error step^4 / (384 radius^3) is below 1e-9 mm
        assert np.allclose(points[row], own[0], atol=1e-6)
        assert np.allclose(tangents[row], own[1], atol=1e-6)
