"""Thresholds that decide what counts or what a status says, probed from both sides with the documented numbers."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from outflow_geometry.base.contours import closed_contour
from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Plane
from outflow_geometry.base.inputs import GantryBox
from outflow_geometry.base.planes import least_squares_plane, plane_through
from outflow_geometry.landmarks.anatomy import Anatomy
from outflow_geometry.landmarks.aortic import angle_status, annulus_status
from outflow_geometry.landmarks.mitral import d_shape, ring_status
from outflow_geometry.landmarks.views import reachable
from outflow_geometry.outflow.sections import counted_parts
from outflow_geometry.scatter.redrawing import Read, landmark_scatter

FLAT = Plane.from_normal([0, 0, 0], [0, 0, 1])


@pytest.mark.parametrize(("area", "counts"), [(4.9, False), (5.0, True), (5.1, True)])
def test_a_part_of_a_section_counts_from_5_mm2(area: float, counts: bool) -> None:
    """Study contract: all parts of at least 5 mm2 count."""
    own, other = shapely.box(-5, -5, 5, 5), shapely.box(20, 0, 20 + area, 1)
    stack = SimpleNamespace(rule="aortic_side", aortic_height=np.array([[-50.0, 0.0, 0.0]]))
    parts, _ = counted_parts(stack, np.array([shapely.union(own, other)]))  # type: ignore[arg-type]
    assert len(parts) == (2 if counts else 1)


@pytest.mark.parametrize(("beyond", "counts"), [(0.45, True), (0.55, False)])
def test_a_part_does_not_count_where_more_than_half_lies_1_mm_beyond_the_aortic_plane(
    beyond: float, counts: bool
) -> None:
    """Study contract. The height over the aortic plane grows along u; the part is 10 mm long."""
    own = shapely.box(-5, -5, 5, 5)
    start = 101.0 - 10.0 * (1.0 - beyond)  # height = u - 100 here
    other = shapely.box(start, 0, start + 10.0, 2)
    stack = SimpleNamespace(rule="aortic_side", aortic_height=np.array([[-100.0, 1.0, 0.0]]))
    parts, _ = counted_parts(stack, np.array([shapely.union(own, other)]))  # type: ignore[arg-type]
    assert len(parts) == (2 if counts else 1)


def overtaken(step: float) -> np.ndarray:
    """48 points on a circle of 20 mm, one of which is moved on by `step` of the spacing, past its neighbour."""
    angle = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    angle[10] += step * (angle[1] - angle[0])
    radius = np.full(48, 20.0)
    radius[10] += 2.0
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(48)], axis=1)


def test_self_crossings_may_take_one_hundredth_of_the_area() -> None:
    seen = []
    for step in np.arange(1.5, 9.0, 0.1):
        points = overtaken(step)
        outline = closed_contour(points, FLAT, check=False)
        polygon = shapely.Polygon(outline.flat)
        if polygon.is_valid:
            continue
        enclosed = shapely.make_valid(polygon).area
        share = abs(enclosed - outline.area) / enclosed
        try:
            closed_contour(points, FLAT)
            accepted = True
        except GeometryError as error:
            accepted = error.code != "points_out_of_order"
        assert accepted == (share <= 0.01), (step, share)
        seen.append(share)
    assert any(0.007 < share < 0.01 for share in seen)
    assert any(0.01 < share < 0.014 for share in seen)


@pytest.mark.parametrize(("gap", "touching"), [(0.08, True), (0.12, False)])
def test_ring_and_annulus_touch_below_a_tenth_of_a_millimetre(gap: float, touching: bool) -> None:
    """Then the curtain has no direction of its own, and its plane faces the aorta."""
    toward, across = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    anatomy = SimpleNamespace(
        ring_contour=SimpleNamespace(extreme=lambda direction: np.zeros(3)),
        toward_aorta=toward, across=across,
        _raw_aortic_plane=SimpleNamespace(normal=np.array([0.0, 0.0, 1.0])),
        aortic_circle_center=np.array([10.0 + gap, 0.0, 0.0]), aortic_radius=10.0,
        aortic_center=np.array([10.0, 0.0, 0.0]),
        ring_center=np.array([-20.0, 0.0, 0.0]), ring_plane=SimpleNamespace(normal=np.array([0.0, 0.0, 1.0])),
    )  # fmt: skip
    plane = Anatomy.curtain_plane.func(anatomy)  # type: ignore[attr-defined]
    assert (abs(float(plane.normal @ toward)) > 0.99) == touching
    assert (abs(float(plane.normal[2])) > 0.99) == (not touching)


@pytest.mark.parametrize(("ratio", "status"), [(1.24, "ok"), (1.26, "contour_jagged")])
def test_an_outline_is_jagged_above_one_and_a_quarter(ratio: float, status: str) -> None:
    anatomy = SimpleNamespace(aortic_status="ok")
    outline = SimpleNamespace(area=400.0, perimeter=math.sqrt(ratio * 4.0 * math.pi * 400.0))
    assert annulus_status(anatomy, outline) == status  # type: ignore[arg-type]


def test_an_ellipse_of_two_to_one_is_not_jagged() -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    points = np.stack([24.0 * np.cos(angle), 12.0 * np.sin(angle), np.zeros(40)], axis=1)
    assert annulus_status(SimpleNamespace(aortic_status="ok"), closed_contour(points, FLAT)) == "ok"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("azimuth", "status"), [(88.0, "ok"), (92.0, "inflow_leans_away"), (180.0, "inflow_leans_away")]
)
def test_the_inflow_axis_leans_away_beyond_a_right_angle(azimuth: float, status: str) -> None:
    a = math.radians(azimuth)
    anatomy = SimpleNamespace(
        aortic_status="ok", aortic_plane=SimpleNamespace(normal=np.array([0.0, 0.0, 1.0])),
        aortic_center=np.array([27.0, 0.0, 4.0]), ring_center=np.zeros(3),
        ring_plane=SimpleNamespace(normal=np.array([math.cos(a), math.sin(a), -0.7])),
    )  # fmt: skip
    assert angle_status(anatomy) == status  # type: ignore[arg-type]


def test_the_prior_weighs_as_ten_degrees_of_freedom() -> None:
    """Two reads 6 mm apart along x: squares 18 in 3 degrees of freedom, prior 2 mm: (10 x 4 + 18) / 13."""
    reads = [Read(30.0, "R1", n, {"lv_apex": np.array([[6.0 * n, 0.0, 0.0]])}) for n in (0, 1)]
    found = landmark_scatter(reads, {"lv_apex": 2.0})["lv_apex"]
    assert found.freedom == 3.0
    assert found.sd == pytest.approx(math.sqrt(58.0 / 13.0), rel=1e-12)


def test_repeats_that_are_missing_leave_a_scatter_of_0_7_mm() -> None:
    """The study settings' documented default (`uncertainty.prior_sd_mm`)."""
    found = landmark_scatter([Read(30.0, "R1", 1, {"lv_apex": np.zeros((1, 3))})])
    assert found["lv_apex"].sd == pytest.approx(0.7, rel=1e-12)


@pytest.mark.parametrize(("count", "status"), [(5, "few_ring_points"), (6, "ok")])
def test_a_ring_wants_six_points(count: int, status: str) -> None:
    anatomy = SimpleNamespace(ring_contour=SimpleNamespace(points=np.zeros((count, 3))))
    assert ring_status(anatomy) == status  # type: ignore[arg-type]


@pytest.mark.parametrize(("outside", "on_ring"), [(9.8, True), (10.2, False)])
def test_a_trigone_may_lie_10_mm_off_the_ring(outside: float, on_ring: bool) -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    ring = closed_contour(np.stack([20 * np.cos(angle), 20 * np.sin(angle), 0 * angle], axis=1), FLAT)
    places = {"trigone_left": [20.0 + outside, 0.0, 0.0], "trigone_right": [0.0, 20.0, 0.0]}
    anatomy = SimpleNamespace(ring_contour=ring, has_aorta=False, structure=lambda name: np.array([places[name]]))
    if on_ring:
        assert d_shape(anatomy).area > 0.0  # type: ignore[arg-type]
    else:
        with pytest.raises(GeometryError, match="trigones_off_ring"):
            d_shape(anatomy)  # type: ignore[arg-type]


@pytest.mark.parametrize(("angle", "held"), [(60.0, True), (-60.0, True), (60.1, False), (-60.1, False)])
def test_the_gantry_holds_its_limits(angle: float, held: bool) -> None:
    assert reachable(angle, 0.0, GantryBox()) == held


@pytest.mark.parametrize(("width", "plane"), [(0.9, False), (1.1, True)])
def test_points_within_a_hundredth_of_their_length_lie_on_a_line(width: float, plane: bool) -> None:
    """Widths along and across as the singular values have them: 100 to 0.9 or 1.1."""
    points = [[50.0, 0, 0], [-50.0, 0, 0], [0, width / 2, 0], [0, -width / 2, 0]]
    corner = [[0.0, 0, 0], [100.0, 0, 0], [50.0, width, 0]]
    for build in (lambda: least_squares_plane(points), lambda: plane_through(*corner, "three points")):
        if plane:
            build()
        else:
            with pytest.raises(GeometryError) as caught:
                build()
            assert caught.value.code == "collinear_points"
