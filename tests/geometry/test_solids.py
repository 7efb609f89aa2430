"""Device solids: outlines against closed-form conics, poses and solid variants against the study contract."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from channels import Channel
from scipy.spatial.transform import Rotation

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Plane, unit
from outflow_geometry.base.inputs import Device, Plan, Prosthesis
from outflow_geometry.outflow.placing import SOLIDS, build_solid, build_solids
from outflow_geometry.outflow.solids import CURVE_ARC_STEPS, Solid, outlines

AXIS = unit([0.3, -0.5, 0.8])
POINT = np.array([12.0, -7.0, 101.0])


def cylinder(radius=13.0, height=40.0):
    return Solid(POINT, AXIS, np.array([0.0, height]), np.full(2, 2.0 * radius), 0.0, height)


def cone(first=4.0, last=24.0, height=40.0):
    return Solid(POINT, AXIS, np.array([0.0, height]), 2.0 * np.array([first, last]), 0.0, height)


def tilted(angle_deg, at=20.0, offset=0.0):
    """Plane through the axis at station `at`, its normal `angle_deg` off the axis."""
    side = unit(np.cross(AXIS, [0.0, 0.0, 1.0]))
    a = math.radians(angle_deg)
    return Plane.from_normal(POINT + at * AXIS + offset * side, math.cos(a) * AXIS + math.sin(a) * side)


@pytest.mark.parametrize("angle", [0.0, 1e-7, 5.0, 30.0, 50.0])
def test_oblique_plane_cuts_cylinder_in_ellipse(angle):
    """An oblique section of a circular cylinder is an ellipse of semi-axes r and r / cos(angle)."""
    outline = cylinder().outline(tilted(angle))
    a = math.radians(angle)
    assert outline.area == pytest.approx(math.pi * 13.0**2 / math.cos(a), rel=1e-9)
    hull = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
    sides = np.sort(np.linalg.norm(np.diff(hull, axis=0), axis=1))
    assert sides[0] == pytest.approx(26.0, rel=2e-5)
    assert sides[-1] == pytest.approx(26.0 / math.cos(a), rel=2e-5)


@pytest.mark.parametrize("offset", [0.0, 5.0, 12.9])
def test_plane_parallel_to_axis_cuts_cylinder_in_rectangle(offset):
    side = unit(np.cross(AXIS, [0.0, 0.0, 1.0]))
    plane = Plane.from_normal(POINT + 3.0 * AXIS + offset * side, side)
    assert cylinder().outline(plane).area == pytest.approx(2.0 * math.sqrt(13.0**2 - offset**2) * 40.0, rel=1e-9)
    assert cylinder().outline(Plane.from_normal(POINT + 13.1 * side, side)).is_empty


@pytest.mark.parametrize("angle", [0.0, 10.0, 25.0, 35.0])
def test_oblique_plane_cuts_cone_in_ellipse(angle):
    """Conic of a cone of half-angle b cut at `angle` < 90 - b degrees off the perpendicular.

    In the plane r(t) = R + k s t, x_e = -c t, so y^2 = (R + k s t)^2 - c^2 t^2: an ellipse with
    semi-axes R c / (c^2 - k^2 s^2) along t and R c / sqrt(c^2 - k^2 s^2) across (completing the square).
    """
    k = 0.5  # (24 - 4) / 40
    at = 14.0
    radius = 4.0 + k * at
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    along, across = radius * c / (c**2 - (k * s) ** 2), radius * c / math.sqrt(c**2 - (k * s) ** 2)
    solid = cone()
    assert solid.outline(tilted(angle, at)).area == pytest.approx(math.pi * along * across, rel=1e-9)


def test_plane_through_apex_of_cone_cuts_triangle():
    solid = cone(0.0, 20.0)
    side = unit(np.cross(AXIS, [0.0, 0.0, 1.0]))
    assert solid.outline(Plane.from_normal(POINT, side)).area == pytest.approx(20.0 * 40.0, rel=1e-9)


def test_plane_parallel_to_generator_cuts_parabola():
    """y^2 is linear in t: a parabolic segment has 2/3 of the area of its circumscribed rectangle (Archimedes)."""
    solid = cone(0.0, 20.0)
    half = math.atan(0.5)
    at = 20.0
    outline = solid.outline(tilted(90.0 - math.degrees(half), at))
    rectangle = shapely.minimum_rotated_rectangle(outline).area
    assert outline.area == pytest.approx(2.0 / 3.0 * rectangle, rel=1e-4)


def test_stacked_frustums_agree_with_sampled_solid():
    """Hourglass with a step, cut obliquely: the outline covers exactly the points that the solid contains."""
    solid = Solid(
        POINT, AXIS, np.array([0.0, 6.0, 12.0, 12.0, 20.0]), np.array([30.0, 22.0, 25.0, 28.0, 31.0]), 1.0, 18.0
    )
    rng = np.random.default_rng(5)
    for _ in range(12):
        plane = Plane.from_normal(POINT + rng.uniform(2.0, 18.0) * AXIS + rng.normal(0, 4, 3), rng.normal(0, 1, 3))
        step = 0.1
        grid = np.arange(-40.0, 40.0, step)
        x, y = np.meshgrid(grid, grid)
        inside = solid.contains(plane.lift(np.stack([x, y], axis=-1)))
        outline = solid.outline(plane)
        assert shapely.is_valid(outline)
        # counting error of a convex outline on a grid: below perimeter x step^2, and it averages out
        assert outline.area == pytest.approx(inside.sum() * step**2, abs=0.02 * max(outline.length, 1.0))
        wrong = shapely.contains_xy(outline, x, y) != inside
        assert np.all(shapely.distance(shapely.boundary(outline), shapely.points(x[wrong], y[wrong])) < 2e-3)


def test_coarse_arcs_keep_the_exact_area():
    plane = tilted(40.0)
    coarse = outlines(
        cone(), plane.point[None], plane.normal[None], plane.u[None], plane.v[None], arc_steps=CURVE_ARC_STEPS
    )[0]
    assert coarse.area == pytest.approx(cone().outline(plane).area, rel=1e-9)


def test_outline_is_invariant_under_rigid_motion():
    turn = Rotation.from_euler("xyz", [20.0, 50.0, -70.0], degrees=True).as_matrix()
    shift = np.array([100.0, -300.0, 55.0])
    moved = dataclasses.replace(cone(), axis_point=turn @ POINT + shift, axis=turn @ AXIS)
    plane = tilted(33.0)
    moved_plane = Plane(turn @ plane.point + shift, turn @ plane.normal, turn @ plane.u, turn @ plane.v)
    difference = shapely.symmetric_difference(cone().outline(plane), moved.outline(moved_plane))
    assert difference.area < 1e-8 * cone().outline(plane).area


def test_half_heights_are_the_extremes_of_the_half_solid():
    solid = Solid(POINT, AXIS, np.array([0.0, 6.0, 20.0]), np.array([30.0, 22.0, 31.0]), 0.0, 20.0)
    side = unit(np.cross(AXIS, [1.0, 0.2, 0.0]))
    across = np.cross(AXIS, side)
    angle = np.linspace(-math.pi / 2.0, math.pi / 2.0, 4001)
    rim = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * across
    surface = np.concatenate(
        [POINT + z * AXIS + r * rim for z, r in ((0.0, 15.0), (6.0, 11.0), (20.0, 15.5))]
        + [POINT + z * AXIS[None] for z in (0.0, 20.0)]
    )
    rng = np.random.default_rng(3)
    for _ in range(20):
        normal = unit(rng.normal(0, 1, 3))
        point = POINT + rng.normal(0, 10, 3)
        low, high = solid.half_heights(side, point[None], normal[None])
        height = (surface - point) @ normal
        assert low[0] == pytest.approx(height.min(), abs=1e-5)
        assert high[0] == pytest.approx(height.max(), abs=1e-5)


# ------------------------------------------------------------------ poses
@pytest.fixture(scope="module")
def anatomy():
    return Channel().anatomy()


DEVICE = Device("invented", 27.0, 22.0, 2.0, 13.0, ())


def test_depth_is_measured_below_the_ring_plane(anatomy):
    solid = build_solid("full_frame", Plan("p", DEVICE, 15.0), None, anatomy)
    assert anatomy.ring_plane.height(solid.outflow_end) == pytest.approx(15.0)
    assert np.allclose(solid.axis, anatomy.ring_plane.normal)
    assert anatomy.ring_plane.height(solid.axis_point) == pytest.approx(-7.0)
    default = build_solid("full_frame", Plan("p", DEVICE), None, anatomy)
    assert anatomy.ring_plane.height(default.axis_point) == pytest.approx(0.0, abs=1e-9)


def test_signs_of_tilt_and_offset(anatomy):
    straight = build_solid("full_frame", Plan("p", DEVICE, 15.0), None, anatomy)
    toward, across = anatomy.toward_aorta, anatomy.across
    for name, direction in (("tilt_ap", toward), ("tilt_ic", across)):
        leaned = build_solid("full_frame", Plan("p", DEVICE, 15.0, **{name: 10.0}), None, anatomy)
        moved = leaned.outflow_end - straight.outflow_end
        assert moved @ direction == pytest.approx(15.0 * math.sin(math.radians(10.0)))
        assert math.degrees(math.acos(leaned.axis @ straight.axis)) == pytest.approx(10.0)
    for name, direction in (("offset_ap", toward), ("offset_ic", across)):
        moved = build_solid("full_frame", Plan("p", DEVICE, 15.0, **{name: 3.0}), None, anatomy)
        assert np.allclose(moved.axis_point - straight.axis_point, 3.0 * direction)


def test_post_tips_carry_the_outflow_end(anatomy):
    n, t, a = anatomy.ring_plane.normal, anatomy.toward_aorta, anatomy.across
    tips = anatomy.ring_center + 17.0 * n + 12.0 * np.stack([t, -0.5 * t + 0.8 * a, -0.5 * t - 0.8 * a])
    plan = Plan("p", DEVICE, None, anchor="post_tips")
    solid = build_solid("full_frame", plan, None, anatomy, post_tips=tips)
    assert anatomy.ring_plane.height(solid.outflow_end) == pytest.approx(17.0)
    with pytest.raises(GeometryError, match="missing_post_tip"):
        build_solid("full_frame", plan, None, anatomy)


@pytest.mark.parametrize(("lean", "refused"), [(57.0, False), (63.0, True)])
def test_post_tips_beside_the_device_axis_are_refused(anatomy, lean, refused):
    """Their plane leans by more than 60 degrees."""
    n, t, a = anatomy.ring_plane.normal, anatomy.toward_aorta, anatomy.across
    along = np.cos(np.radians(lean)) * t + np.sin(np.radians(lean)) * n
    tips = anatomy.ring_center + 30.0 * n + 12.0 * np.stack([along, -0.5 * along + 0.8 * a, -0.5 * along - 0.8 * a])
    plan = Plan("p", DEVICE, None, anchor="post_tips")
    if not refused:
        assert build_solid("full_frame", plan, None, anatomy, post_tips=tips).solid_to == DEVICE.height
        return
    with pytest.raises(GeometryError, match="post_tips_beside_axis"):
        build_solid("full_frame", plan, None, anatomy, post_tips=tips)


def test_solid_variants(anatomy):
    plan = Plan("p", DEVICE, 15.0)  # the ring plane is at station 7
    valve = Prosthesis("v", 27.0, 24.0, 1.0, post_height=12.0, leaflet_height=9.0)
    found = build_solids(plan, valve, anatomy, leaflet_length=9.5)
    extents = {name: (found[name].solid_from, found[name].solid_to) for name in SOLIDS}
    assert extents["full_frame"] == (0.0, 22.0)
    assert extents["skirt"] == (2.0, 13.0)
    assert extents["leaflet_limited"] == pytest.approx((2.0, 16.5))
    assert extents["prosthesis_leaflet"] == pytest.approx((0.0, 16.0))
    assert extents["prosthesis_post"] == pytest.approx((0.0, 19.0))
    # a leaflet shorter than the skirt leaves the skirt, one longer than the device ends with it
    assert build_solid("leaflet_limited", plan, None, anatomy, 4.0).solid_to == pytest.approx(13.0)
    assert build_solid("leaflet_limited", plan, None, anatomy, 40.0).solid_to == pytest.approx(22.0)


def test_leaflet_lies_along_a_flared_surface(anatomy):
    device = Device("flared", 30.0, 20.0, 0.0, 5.0, ((0.0, 24.0), (20.0, 54.0)))
    solid = build_solid("leaflet_limited", Plan("p", device, 20.0), None, anatomy, 10.0)
    assert solid.solid_to == pytest.approx(10.0 / math.hypot(1.0, 0.75))


def test_what_cannot_be_had_says_why(anatomy):
    bare = Device("bare", 27.0, 22.0)
    found = build_solids(Plan("p", bare, 15.0), None, anatomy)
    codes = {name: error.code for name, error in found.items() if isinstance(error, GeometryError)}
    assert codes == {
        "skirt": "missing_covered_part",
        "leaflet_limited": "missing_covered_part",
        "prosthesis_leaflet": "missing_prosthesis",
        "prosthesis_post": "missing_prosthesis",
    }
    bad = Device("bad", 27.0, 22.0, profile=((0.0, 20.0), (10.0, -3.0)))
    with pytest.raises(GeometryError, match="bad_profile"):
        build_solid("full_frame", Plan("p", bad, 15.0), None, anatomy)
    with pytest.raises(GeometryError, match="no_solid_part"):
        build_solid("skirt", Plan("p", Device("d", 27.0, 22.0, 5.0, 5.0), 15.0), None, anatomy)
