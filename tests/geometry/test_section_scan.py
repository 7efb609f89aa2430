"""The quick scan of many planes against the exact sections that it stands for."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from channels import Channel, random_channel

from outflow_geometry.base.inputs import Definitions
from outflow_geometry.image.edge_kernels import trilinear
from outflow_geometry.outflow import depth_kernels
from outflow_geometry.outflow.residual import feret_diameters, septum_distance
from outflow_geometry.outflow.section_scan import Cuttings, quick_areas, quick_shapes
from outflow_geometry.outflow.sections import (
    aortic_side,
    counted_areas,
    counted_parts,
    cut_by,
    edge_field,
    section_stack,
)

WINDOW = np.array([-24.0, -24.0, 24.0, 24.0])


def exact_and_quick(channel: Channel, rule: str):
    """Areas, septum distances and caliper widths (n, 4) of planes along the path: cut exactly, and scanned."""
    lumen, path, anatomy, solid = channel.lumen(), channel.path(), channel.anatomy(), channel.solid()
    stations = np.arange(-12.0, -2.0, 1.3)
    stack = section_stack(lumen, path, anatomy, stations, solid, Definitions(section_rule=rule))
    sections, devices = cut_by(stack, solid)
    areas = counted_areas(stack, sections)
    side = aortic_side(anatomy, solid.axis)
    rows = []
    for n in range(len(stations)):
        one = stack.rows(np.array([n]))
        part = shapely.multipolygons(counted_parts(one, sections[n : n + 1])[0])
        rows.append([areas[n], septum_distance(one, side, devices[n], part), *feret_diameters(part)])
    points, tangents = path.at(stations)
    which = np.zeros(len(stations), dtype=np.int64)
    windows = np.broadcast_to(WINDOW, (len(stations), 4))
    cuttings = Cuttings.of([anatomy], [solid], Definitions(section_rule=rule))
    quick = quick_shapes(edge_field(lumen), points, tangents, cuttings, which, windows)
    fine = quick_areas(edge_field(lumen), points, tangents, cuttings, which, windows, 0.5)
    bare = quick_areas(edge_field(lumen), points, tangents, cuttings.without_device(), which, windows, 0.5)
    return np.array(rows), quick, fine, bare, counted_areas(stack, stack.native)


@pytest.mark.parametrize(("number", "rule"), [(0, "aortic_side"), (1, "aortic_side"), (2, "at_path")])
def test_scanned_planes_are_near_the_exact_ones(number: int, rule: str) -> None:
    exact, quick, fine, bare, native = exact_and_quick(random_channel(number), rule)
    met = np.isfinite(exact[:, 1])
    # linear interpolation on a grid of 0.6 mm: a percent of the area, and corners that are between its lines are lost
    assert np.allclose(quick[:, 0], exact[:, 0], rtol=0.015, atol=1.5)
    # near the device's rim the nearest point of its outline is found to half a step; where the fan leaves the section
    # (channel 1 beyond the device), its last ray meets the corner to the rays' spacing, 0.35 mm at 20 mm
    assert np.allclose(quick[met, 1], exact[met, 1], atol=0.75 if number == 1 else 0.4)
    assert np.allclose(quick[:, 2:], exact[:, 2:], atol=0.6)
    assert np.allclose(fine, exact[:, 0], rtol=0.015, atol=1.5)
    assert np.allclose(bare, native, rtol=0.015)


def test_solids_that_share_a_plane_are_cut_as_each_alone() -> None:
    channel = random_channel(0)
    lumen, anatomy, path = channel.lumen(), channel.anatomy(), channel.path()
    whole = channel.solid()
    shorter = replace(whole, solid_to=0.7 * whole.solid_to)
    nothing = replace(whole, solid_to=whole.solid_from)
    cuttings = Cuttings.of([anatomy] * 3, [whole, shorter, nothing])
    points, tangents = path.at(np.linspace(-25.0, 0.0, 12))
    window = np.array([-24.0, -24.0, 24.0, 24.0])
    plane_of, solid_of = np.repeat(np.arange(12), 3), np.tile([2, 0, 1], 12)
    together = quick_shapes(
        edge_field(lumen), points, tangents, cuttings, solid_of, np.tile(window, (12, 1)),
        plane_of=plane_of,
    )  # fmt: skip
    alone = quick_shapes(
        edge_field(lumen), points[plane_of], tangents[plane_of], cuttings, solid_of,
        np.tile(window, (36, 1)),
    )  # fmt: skip
    assert np.allclose(together, alone, rtol=1e-9, atol=1e-9, equal_nan=True)
    assert len(np.unique(together[:, 0].round(3))) > 25  # the solids do differ


PROFILES = {
    "hourglass": [(0.0, 15.0), (6.0, 12.0), (14.0, 12.0), (20.0, 14.5)],
    "step": [(0.0, 14.0), (9.0, 14.0), (9.0, 10.0), (18.0, 11.0)],
    "cone": [(0.0, 8.0), (20.0, 13.0)],
}
"""Station and radius, mm, of the corners of profiles."""


@pytest.mark.parametrize("name", PROFILES)
def test_depth_into_a_solid_of_frustums_is_the_distance_from_its_surface(name: str) -> None:
    """Against the distance from the profile's outline (Shapely), with no pit where two frustums meet."""
    corners = np.array(PROFILES[name])
    low, high, first, last = (x for x in np.stack([corners[:-1], corners[1:]], axis=2).reshape(-1, 4).T)
    kept = high > low
    rate = ((last - first) / np.where(kept, high - low, 1.0))[kept]
    pieces = np.stack([low[kept], high[kept], first[kept], rate, 1.0 / np.hypot(1.0, rate)], axis=1)
    outline = shapely.Polygon([*corners, *(corners * [1.0, -1.0])[::-1]])
    borders = np.unique(corners[:, 0])
    z = np.sort(np.concatenate([np.linspace(-3.0, corners[-1, 0] + 3.0, 60), borders + 1e-4, borders - 1e-4]))
    z, radial = (grid.ravel() for grid in np.meshgrid(z, np.linspace(0.0, 18.0, 61)))
    points = shapely.points(z, radial)
    distance = shapely.distance(outline.exterior, points) * np.where(shapely.contains(outline, points), 1.0, -1.0)
    depth = np.array([depth_kernels.solid_depth(*at, pieces, len(pieces)) for at in zip(z, radial, strict=True)])
    assert np.all((depth > 0.0) == (distance > 0.0))
    # first order: a corner is taken for the faces that make it, so near one the depth is up to sqrt(2) too near or far
    assert np.all(np.abs(depth) <= 1.5 * np.abs(distance) + 1e-9)
    assert np.all(np.abs(depth) >= np.abs(distance) / 1.5 - 1e-9)


def test_rows_of_a_plane_are_looked_up_as_single_points_are() -> None:
    """Against interpolation in double precision, point by point; beyond the image there is nothing."""
    generator = np.random.default_rng(3)
    values = generator.normal(0.0, 300.0, (7, 9, 11)).astype(np.float32)
    flat, shape = values.ravel(), values.shape
    seen = 0
    for _ in range(400):
        start, rate = generator.uniform(-3.0, 12.0, 3), generator.choice([0.0, 1.0], 3) * generator.normal(0.0, 0.8, 3)
        first, last = 0, 19
        for axis in range(3):
            first, last = depth_kernels.columns_inside(start[axis], rate[axis], shape[axis], first, last)
        for column in range(20):
            index = start + column * rate
            inside = bool(np.all((index >= 0.0) & (index <= np.array(shape) - 1.0)))
            assert inside == (first <= column <= last)
            if inside:
                seen += 1
                found = depth_kernels.within_cell(flat, shape[2], shape[1] * shape[2], *index)
                assert found == pytest.approx(trilinear(values, *index, np.nan), abs=1e-3)
    assert seen > 100


def test_reach_into_the_solid_is_that_of_its_half() -> None:
    channel = Channel()
    anatomy, solid, path = channel.anatomy(), channel.solid(), channel.path()
    stations = np.arange(-28.0, 0.0, 2.0)
    points, tangents = path.at(stations)
    low, high = solid.half_heights(aortic_side(anatomy, solid.axis), points, tangents)
    reach = Cuttings.of([anatomy] * 2, [solid] * 2).meets(np.stack([points] * 2), np.stack([tangents] * 2))
    assert np.allclose(reach, np.minimum(-low, high))
