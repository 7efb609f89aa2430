"""Closed splines, chords and circle fits against closed forms."""

import numpy as np
import pytest
from analytic_heart import LONG, SHORT, ring_points, rotation
from scipy.interpolate import CubicSpline
from scipy.special import ellipe

from outflow_geometry.base.contours import circle_fit, closed_contour, periodic_spline, polygon_area, polygon_perimeter
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Plane
from outflow_geometry.base.planes import least_squares_plane

FLAT = Plane.from_normal([0.0, 0, 0], [0.0, 0, 1])
ELLIPSE_AREA = np.pi * LONG * SHORT
# Abramowitz & Stegun 17.3.3, complete elliptic integral of the second kind: P = 4 a E(1 - b^2/a^2)
ELLIPSE_PERIMETER = 4.0 * LONG * ellipe(1.0 - SHORT**2 / LONG**2)


def contour_of(count: int, start: float = 0.1):
    return closed_contour(ring_points(count, start, saddle=0.0), FLAT)


@pytest.mark.parametrize("start", [0.0, 0.1, 0.37])
def test_spline_through_24_points_of_an_ellipse(start: float) -> None:
    contour = contour_of(24, start)
    assert contour.area == pytest.approx(ELLIPSE_AREA, rel=1e-5)
    assert contour.perimeter == pytest.approx(ELLIPSE_PERIMETER, rel=1e-5)
    assert contour.spatial_perimeter == pytest.approx(ELLIPSE_PERIMETER, rel=1e-5)
    np.testing.assert_allclose(contour.center, [0, 0, 0], atol=1e-3)
    np.testing.assert_allclose(contour.axis_diameters, [2 * LONG, 2 * SHORT], rtol=1e-4)


def test_spline_area_converges_at_fourth_order() -> None:
    # de Boor 1978, A Practical Guide to Splines, ch. V: cubic spline interpolation errs by O(h^4)
    errors = [abs(contour_of(n).area / ELLIPSE_AREA - 1.0) for n in (12, 24, 48)]
    orders = np.log2(np.asarray(errors[:-1]) / errors[1:])
    assert np.all(orders > 3.5)


def test_unevenly_spaced_points_keep_the_ring_area() -> None:
    t = np.sort(np.random.default_rng(8).uniform(0, 2 * np.pi, 40))
    points = np.stack([LONG * np.cos(t), SHORT * np.sin(t), 0 * t], axis=1)
    assert closed_contour(points, FLAT).area == pytest.approx(ELLIPSE_AREA, rel=1e-3)


def test_integrals_agree_with_a_fine_polygon_of_the_same_spline() -> None:
    contour = contour_of(9)
    fine = contour.spline(np.linspace(0, contour.knots[-1], 200_001))
    assert contour.area == pytest.approx(abs(polygon_area(fine[:-1])), rel=1e-9)
    assert contour.perimeter == pytest.approx(np.linalg.norm(np.diff(fine, axis=0), axis=1).sum(), rel=1e-9)


@pytest.mark.parametrize("count", [3, 4, 5, 24])
def test_closed_spline_is_that_of_the_reference_library(count: int) -> None:
    # scipy.interpolate.CubicSpline, bc_type="periodic"
    rng = np.random.default_rng(count)
    knots = np.concatenate([[0.0], np.cumsum(rng.uniform(1, 5, count))])
    points = rng.normal(0, 10, (count, 3))
    reference = CubicSpline(knots, np.vstack([points, points[:1]]), bc_type="periodic")
    at = np.linspace(0, knots[-1], 101)
    for order in (0, 1, 2):
        np.testing.assert_allclose(periodic_spline(knots, points)(at, order), reference(at, order), atol=1e-11)


def test_centroid_of_an_off_centre_half_disc() -> None:
    # centroid of a half disc: 4 r / (3 pi) above its straight side (handbook)
    t = np.linspace(0, np.pi, 200)
    arc = np.stack([10 * np.cos(t), 10 * np.sin(t), 0 * t], axis=1)
    side = np.stack([np.linspace(-10, 10, 200)[1:-1], np.zeros(198), np.zeros(198)], axis=1)
    contour = closed_contour(np.vstack([arc, side]) + np.asarray([50.0, -30.0, 0.0]), FLAT)
    np.testing.assert_allclose(contour.centroid, [50.0, -30.0 + 40 / (3 * np.pi)], atol=2e-3)


@pytest.mark.parametrize("seed", range(4))
def test_start_point_winding_and_motion_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = ring_points(11) + rng.normal(0, 0.5, (11, 3))
    one = closed_contour(points, least_squares_plane(points))
    turn, shift = rotation(seed), rng.normal(0, 300, 3)
    again = np.roll(points[:: 1 if seed % 2 else -1], seed + 1, axis=0) @ turn.T + shift
    other = closed_contour(again, least_squares_plane(again))
    for name in ("area", "perimeter", "spatial_perimeter"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-9)
    # the outline is sampled from another start: its sagitta (5e-5 mm) leaves the direction of the longest chord
    # open by some 1e-5 rad, and the chord at right angles changes by up to 40 mm/rad
    np.testing.assert_allclose(other.axis_diameters, one.axis_diameters, rtol=0, atol=1e-3)
    np.testing.assert_allclose(other.center, one.center @ turn.T + shift, atol=1e-8)


def test_a_first_point_written_again_at_the_end_changes_nothing() -> None:
    points = ring_points(10)
    assert closed_contour(np.vstack([points, points[:1]]), FLAT).area == closed_contour(points, FLAT).area


@pytest.mark.parametrize("angle", np.radians([0, 17, 45, 90, 133]))
def test_chords_of_an_ellipse(angle: float) -> None:
    # chord through the centre of an ellipse: 2 / sqrt(cos^2/a^2 + sin^2/b^2)
    wanted = 2.0 / np.hypot(np.cos(angle) / LONG, np.sin(angle) / SHORT)
    assert contour_of(48).chord([np.cos(angle), np.sin(angle), 0.7]) == pytest.approx(wanted, rel=1e-5)


def test_chord_of_a_contour_that_turns_back_on_itself() -> None:
    # rounded horseshoe: rays from the centroid meet it more than once, the nearest crossings count
    t = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    points = np.stack([(10 + 7 * np.cos(2 * t)) * np.cos(t), (10 + 7 * np.cos(2 * t)) * np.sin(t), 0 * t], axis=1)
    tilted = points + [3.0, 0, 0] * (np.abs(points[:, 1:2]) / 5.0) ** 2
    contour = closed_contour(tilted, FLAT)
    chord = contour.chord([0.0, 1.0, 0.0])
    ray = contour.flat - contour.centroid
    crossing = ray[np.flatnonzero(np.diff(np.sign(ray[:, 0])) != 0)]
    wanted = crossing[crossing[:, 1] > 0, 1].min() - crossing[crossing[:, 1] < 0, 1].max()
    assert chord == pytest.approx(wanted, abs=0.1)


@pytest.mark.parametrize(
    ("points", "code"),
    [
        (ring_points(2), "too_few_points"),
        (np.repeat(ring_points(2), 2, axis=0), "too_few_points"),
        (np.vstack([ring_points(9), ring_points(9, 0.3)]), "wound_twice"),
        (ring_points(8)[[0, 1, 5, 4, 3, 2, 6, 7]], "points_out_of_order"),
        (ring_points(5)[[0, 2, 4, 1, 3]], "wound_twice"),
    ],
)
def test_rings_without_a_contour_are_refused(points: np.ndarray, code: str) -> None:
    with pytest.raises(GeometryError) as caught:
        closed_contour(points, FLAT)
    assert caught.value.code == code


@pytest.mark.parametrize("count", [3, 5, 24])
@pytest.mark.parametrize("arc", [40.0, 120.0, 360.0])
def test_circle_fit_is_exact_on_arcs(count: int, arc: float) -> None:
    t = np.radians(np.linspace(0, arc, count, endpoint=arc < 360))
    center, radius = circle_fit(np.stack([7 + 12.5 * np.cos(t), -300 + 12.5 * np.sin(t)], axis=1))
    assert radius == pytest.approx(12.5, rel=1e-8)
    np.testing.assert_allclose(center, [7, -300], atol=1e-6)


def test_circle_fit_is_the_geometric_optimum_of_a_published_example() -> None:
    # Gander, Golub & Strebel 1994, BIT 34:558, section 1.1: six points; best geometric circle
    # centre (4.7398, 2.9835), radius 4.7142
    points = [[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]]
    center, radius = circle_fit(points)
    np.testing.assert_allclose(center, [4.7398, 2.9835], atol=5e-5)
    assert radius == pytest.approx(4.7142, abs=5e-5)


def test_circle_fit_refuses_a_line() -> None:
    with pytest.raises(GeometryError) as caught:
        circle_fit([[0, 0], [1, 1], [2, 2]])
    assert caught.value.code == "collinear_points"


def test_polygon_formulas_on_a_3_4_5_triangle() -> None:
    triangle = [[0, 0], [4, 0], [0, 3]]
    assert polygon_area(triangle) == 6.0
    assert polygon_perimeter(triangle) == 12.0


def test_crescent_is_measured_where_it_may_be_one() -> None:
    # between circles of 12 and 9 mm about one centre, over 200 degrees, with round ends of 1.5 mm
    turn, cap = np.radians(np.linspace(-100.0, 100.0, 41)), np.radians(np.linspace(0.0, 180.0, 9)[1:-1])
    outer, inner = 12.0 * np.exp(1j * turn), 9.0 * np.exp(1j * turn[::-1])
    ends = [np.exp(1j * at) * (10.5 + 1.5 * np.exp(1j * way)) for at, way in ((turn[-1], cap), (turn[0], cap + np.pi))]
    outline = np.concatenate([outer, ends[0], inner, ends[1]])
    flat = np.stack([outline.real, outline.imag], axis=1)
    points = np.column_stack([flat, np.zeros(len(flat))])
    plane = Plane.from_normal([0.0, 0.0, 0.0], [0.0, 0.0, 1.0])
    with pytest.raises(GeometryError, match="points_out_of_order"):
        closed_contour(points, plane, "mitral_ring")
    area = closed_contour(points, plane, "outflow_trace", crescent=True).area
    assert area == pytest.approx(np.pi * 100.0 / 180.0 * (12.0**2 - 9.0**2) + np.pi * 1.5**2, rel=1e-3)
    # order still matters
    with pytest.raises(GeometryError, match="points_out_of_order"):
        closed_contour(points[np.random.default_rng(0).permutation(len(points))], plane, "outflow_trace", crescent=True)
