"""Sections of the outflow lumen: area against closed forms, blur, convergence, invariance, and which parts count."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from channels import Channel, lumen_of
from scipy.spatial.transform import Rotation

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Definitions
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.area_curves import area_curves
from outflow_geometry.outflow.outflow_path import path_through
from outflow_geometry.outflow.sections import (
    SectionStack,
    counted_areas,
    counted_parts,
    edge_field,
    half_plane,
    kept_region,
    plane_axes,
    section_stack,
)

STATIONS = np.arange(-17.0, -10.0, 0.7)


def tube(radius, across=None, **changes):
    """A straight tube without ventricle, far enough from the ring that nothing but the wall bounds it."""
    changed = {"center_x": 45.0, "center_z": 20.0, "ring_radius": 12.0, **changes}
    return Channel(ventricle=False, radius_toward=radius, radius_across=across or radius, noise=0.0, **changed)


def native_areas(channel, image=None, stations=STATIONS):
    lumen = channel.lumen(channel.clean_image() if image is None else image)
    anatomy = channel.anatomy()
    stack = section_stack(lumen, channel.path(), anatomy, stations)
    return counted_areas(stack, stack.native), stack


@pytest.mark.parametrize(("radius", "blur"), [(4.0, 0.7), (4.0, 1.1), (9.0, 0.9)])
def test_area_of_a_blurred_tube(radius, blur):
    """A circle of radius R blurred by sigma has its half-way level near R - sigma^2 / (2 R); the area is still had."""
    channel = tube(radius, blur=blur)
    areas, stack = native_areas(channel)
    # remainder: curvature taken on every other voxel and at first order, within 0.1 mm2 of area at 4 mm radius
    assert np.allclose(areas, math.pi * radius**2, atol=0.1, rtol=0.0)
    assert np.mean(areas) == pytest.approx(math.pi * radius**2, rel=1e-3)
    assert stack.blur * 2.3548 == pytest.approx(blur, abs=0.06)


def test_uncorrected_level_would_lose_the_curvature_shift():
    """Control: the half-way level itself encloses pi sigma^2 less (heat equation; Merriman, Bence & Osher 1992)."""
    import contourpy

    channel = tube(4.0, blur=1.1, angle=90.0, turn=(0.0, 0.0, 0.0), spacing=(0.25, 0.25, 0.5))
    image = channel.clean_image()
    k = image.values.shape[0] // 2
    slab = image.values[k].astype(float)
    lines = contourpy.contour_generator(z=slab).lines(0.5 * (channel.blood + channel.muscle))
    area = max(shapely.Polygon(line).area for line in lines if len(line) > 8) * 0.25**2
    lost = math.pi * (1.1 / 2.3548) ** 2
    assert math.pi * 4.0**2 - area == pytest.approx(lost, rel=0.12)


def test_area_of_a_blurred_ellipse():
    channel = tube(6.0, 11.0, blur=0.9)
    areas, _ = native_areas(channel)
    assert np.allclose(areas, math.pi * 66.0, rtol=1e-3)


def test_area_error_falls_at_second_order_with_spacing():
    """Root mean square error against the closed form over positions of the grid, for spacings from 1.8 to 0.8 mm.

    Below 0.8 mm the smoothing keeps its width (noise is least there), and the error stays below 0.04 %.
    """
    errors = []
    for spacing in (1.8, 1.2, 0.8):
        channel = tube(6.0, blur=1.0, spacing=(spacing,) * 3)
        areas, _ = native_areas(channel, stations=np.arange(-17.0, -10.0, 0.37))
        errors.append(np.sqrt(np.mean((areas / (math.pi * 36.0) - 1.0) ** 2)))
    order = np.log(np.array(errors[:-1]) / np.array(errors[1:])) / math.log(1.5)
    assert np.all(order >= 1.8), (errors, order)


def test_sections_are_invariant_under_rigid_motion_and_slice_direction():
    channel = Channel(noise=20.0, seed=4)
    image = channel.image()
    stations = np.array([-18.0, -9.0, -2.0])
    own, _ = native_areas(channel, image, stations)

    turn = Rotation.from_euler("xyz", [35.0, -20.0, 110.0], degrees=True).as_matrix()
    shift = np.array([-400.0, 37.0, 900.0])
    moved = Volume(image.values, turn @ image.origin + shift, turn @ image.direction, image.spacing)
    marks = {name: points @ turn.T + shift for name, points in channel.landmarks().items()}
    anatomy = build_anatomy(marks)
    path = path_through(marks["outflow_path"], anatomy.aortic_plane, "reader_path")
    lumen = lumen_of(moved, channel.blood, channel.muscle, channel.noise)
    stack = section_stack(lumen, path, anatomy, stations)
    assert np.allclose(counted_areas(stack, stack.native), own, rtol=1e-6)

    flipped_origin = image.origin + image.direction[:, 2] * image.spacing[2] * (image.values.shape[0] - 1)
    direction = image.direction.copy()
    direction[:, 2] *= -1.0
    flipped = Volume(np.ascontiguousarray(image.values[::-1]), flipped_origin, direction, image.spacing)
    again, _ = native_areas(channel, flipped, stations)
    assert np.allclose(again, own, rtol=1e-6)


def test_noise_leaves_the_mean_area_unbiased():
    channel = tube(5.0, blur=0.9)
    clean = channel.clean_image()
    found = []
    for seed in range(6):
        noise = np.random.default_rng(seed).normal(0.0, 30.0, clean.values.shape)
        noisy = dataclasses.replace(clean, values=(clean.values + noise).astype(np.float32))
        found.append(native_areas(channel, noisy)[0])
    # 6 x 10 sections, each with a standard deviation near 0.35 %, neighbours correlated
    assert np.mean(found) == pytest.approx(math.pi * 25.0, rel=1.5e-3)
    assert np.std(found) < 0.006 * math.pi * 25.0


# ------------------------------------------------------------------ which blood counts
def test_half_planes_near_far_and_parallel():
    lines = np.array([[1.0, 0.6, 0.8], [-1.0, 1e-7, 0.0], [5.0, 0.0, 0.0], [-5.0, 0.0, 0.0], [1e4, 1.0, 0.0]])
    x, y = np.meshgrid(np.linspace(-60, 60, 41), np.linspace(-60, 60, 41))
    for line, polygon in zip(lines, half_plane(lines), strict=True):
        height = line[0] + line[1] * x + line[2] * y
        clear = np.abs(height) > 1e-6
        assert np.array_equal(shapely.contains_xy(polygon, x, y)[clear], height[clear] > 0.0)


def test_kept_region_follows_the_contract():
    """Point by point: before the 8 mm cut, on the aortic side of the device axis, not on the atrial side."""
    channel = Channel()
    anatomy, path, solid = channel.anatomy(), channel.path(), channel.solid()
    stations = np.array([-25.0, -12.0, -3.0, 0.0])
    points, normals = path.at(stations)
    u, v = plane_axes(normals, anatomy)
    side = anatomy.aortic_center - anatomy.ring_center
    side = side - (side @ solid.axis) * solid.axis
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-50, 50, 81), np.linspace(-50, 50, 81)))
    for rule in ("aortic_side", "at_path"):
        region = kept_region(points, normals, u, v, anatomy, solid, Definitions(section_rule=rule))
        for n in range(len(stations)):
            p = points[n] + x[:, None] * u[n] + y[:, None] * v[n]
            wanted = (anatomy.aortic_plane.height(p) < 8.0) & ~anatomy.atrial_side(p)
            if rule == "aortic_side":
                wanted &= (p - solid.axis_point) @ side > 0.0
            assert np.mean(shapely.contains_xy(region[n], x, y) != wanted) < 1e-3


def made_stack(geometries, rule="aortic_side", height=(-20.0, 0.0, 0.0)):
    count = len(geometries)
    rows = np.zeros((count, 3))
    sections = np.array(geometries, dtype=object)
    z, x, y = (np.tile(row, (count, 1)) for row in ([0.0, 0, 1], [1.0, 0, 0], [0.0, 1, 0]))
    return SectionStack(
        np.zeros(count), rows, z, x, y, rule, sections, sections, np.tile(height, (count, 1)).astype(float), 0.4
    )


def test_both_lobes_count_and_crevices_do_not():
    lobes = shapely.union_all([shapely.box(2, 0, 8, 10), shapely.box(-8, 0, -2, 9), shapely.box(0, 20, 2, 22)])
    stack = made_stack([lobes])
    assert counted_areas(stack, stack.native)[0] == pytest.approx(60.0 + 54.0)


def test_sinuses_beyond_the_aortic_plane_do_not_count():
    """Height over the aortic plane = y: more than half of a part above y = 1 drops it, less than half does not."""
    outflow, sinus, straddling = shapely.box(0, -10, 5, 0), shapely.box(10, 0.5, 15, 6), shapely.box(20, -4, 25, 4)
    stack = made_stack([shapely.union_all([outflow, sinus, straddling])], height=(0.0, 0.0, 1.0))
    assert counted_areas(stack, stack.native)[0] == pytest.approx(50.0 + 40.0)


def test_the_part_at_the_path_always_counts():
    """It or the nearest one, be it a sinus beyond the aortic plane or smaller than 5 mm2; the rest by the rules."""
    beyond, sliver, lobe = shapely.box(-2, 1.5, 3, 8), shapely.box(-1, -1, 1, 1), shapely.box(10, -8, 15, 0)
    far_sinus = shapely.box(-20, 1.5, -15, 8)
    stack = made_stack(
        [
            shapely.union_all([beyond, lobe, far_sinus]),
            shapely.union_all([sliver, lobe]),
            shapely.box(-20, 1.5, -15, 8),
            shapely.Polygon(),
        ],
        height=(0.0, 0.0, 1.0),
    )
    areas = counted_areas(stack, stack.native)
    assert areas[:3] == pytest.approx([5 * 6.5 + 40.0, 4.0 + 40.0, 5 * 6.5])
    assert np.isnan(areas[3])  # a plane without any part has no area, never 0


def test_at_path_takes_the_part_of_the_path():
    first, second = shapely.box(-3, -3, 3, 3), shapely.box(5, -3, 15, 3)
    stack = made_stack([shapely.union_all([first, second]), shapely.union_all([second, shapely.box(-9, 0, -8, 10)])])
    stack = dataclasses.replace(stack, rule="at_path")
    assert counted_areas(stack, stack.native) == pytest.approx([36.0, 60.0])
    parts, row = counted_parts(stack, stack.native)
    assert len(parts) == 2
    assert row.tolist() == [0, 1]


# ------------------------------------------------------------------ curves and refusals
def test_area_curves_hold_every_solid_and_the_native_lumen():
    channel = Channel(noise=15.0)
    lumen, path, anatomy = channel.lumen(), channel.path(), channel.anatomy()
    solids = {name: channel.solid(name) for name in ("full_frame", "skirt")}
    curves = area_curves(lumen, path, anatomy, solids)
    assert curves.stations[0] == -30.0
    assert curves.stations[-1] == 0.0
    assert len(curves.stations) == 61
    assert np.all(curves.areas["full_frame"] <= curves.areas["skirt"] + 5.0)
    assert np.all(curves.areas["skirt"] <= curves.native_area + 1e-6)
    for station in (-12.0, -8.0):
        row = int(np.argmin(np.abs(curves.stations - station)))
        truth = channel.true_area(station, path, anatomy, solids["full_frame"])
        assert curves.areas["full_frame"][row] == pytest.approx(truth, rel=0.01)


def test_refusals():
    channel = Channel()
    lumen, path, anatomy = channel.lumen(), channel.path(), channel.anatomy()
    with pytest.raises(GeometryError, match="path_outside_image"):
        section_stack(lumen, path, anatomy, [-29.0, 60.0])
    with pytest.raises(GeometryError, match="unknown_section_rule"):
        section_stack(lumen, path, anatomy, [-5.0], definitions=Definitions(section_rule="atrial_side"))
    tilted = dataclasses.replace(channel, tilt_ap=5.0)
    with pytest.raises(GeometryError, match="solids_differ"):
        area_curves(lumen, path, anatomy, {"full_frame": channel.solid(), "skirt": tilted.solid("skirt")})
    assert edge_field(lumen).contrast == pytest.approx(270.0)
