"""The compiled areas of what solids leave, compared with Shapely's (https://shapely.readthedocs.io) on random sections."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from outflow_geometry.base.frames import FloatArray, unit
from outflow_geometry.outflow.residual_areas import residual_areas
from outflow_geometry.outflow.rings import Rings
from outflow_geometry.outflow.sections import SectionStack, counted_areas, cut_by
from outflow_geometry.outflow.solids import Solid

SHAPES = {
    "cylinder": ([0.0, 30.0], [24.0, 24.0]),
    "flared": ([0.0, 8.0, 20.0, 30.0], [34.0, 26.0, 24.0, 30.0]),
    "stepped": ([0.0, 10.0, 10.0, 30.0], [22.0, 22.0, 30.0, 30.0]),
}


def blob(rng: np.random.Generator, center: FloatArray, size: float) -> shapely.Polygon:
    turn = np.sort(rng.uniform(0.0, 2.0 * np.pi, 60))
    reach = size * (1.0 + 0.35 * np.sin(rng.integers(2, 6) * turn + rng.uniform(0.0, 6.0)))
    return shapely.make_valid(shapely.Polygon(center + reach[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)))


def random_section(rng: np.random.Generator) -> shapely.Geometry:
    """Several blobs, some with holes, cut by a straight line as by the device's axis; at times with a line attached."""
    whole = shapely.union_all([blob(rng, rng.normal(0.0, 10.0, 2), rng.uniform(1.0, 12.0)) for _ in range(4)])
    holes = shapely.union_all([blob(rng, rng.normal(0.0, 9.0, 2), rng.uniform(0.5, 2.5)) for _ in range(5)])
    section = shapely.intersection(
        shapely.difference(whole, holes), shapely.box(-40.0, rng.uniform(-12.0, 0.0), 40.0, 40.0)
    )
    if rng.random() < 0.2:
        return shapely.GeometryCollection([*shapely.get_parts(section), shapely.LineString([(0.0, 50.0), (1.0, 50.0)])])
    return section


def random_stack(rng: np.random.Generator, count: int, rule: str) -> SectionStack:
    normals = unit(rng.normal(0.0, 1.0, (count, 3)))
    normals[0] = [0.0, 0.0, 1.0]
    u = unit(np.cross(normals, rng.normal(0.0, 1.0, (count, 3))))
    v = np.cross(normals, u)
    native = np.empty(count, dtype=object)
    native[:] = [random_section(rng) for _ in range(count)]
    native[1] = shapely.Polygon()
    height = np.column_stack([rng.normal(0.0, 4.0, count), rng.normal(0.0, 0.7, (count, 2))])
    return SectionStack(
        np.arange(count) * 1.0, rng.normal(0.0, 6.0, (count, 3)), normals, u, v, rule, native, native, height, 0.4
    )


@pytest.mark.parametrize("rule", ["aortic_side", "at_path"])
@pytest.mark.parametrize("shape", list(SHAPES))
def test_areas_are_those_of_shapely(shape: str, rule: str) -> None:
    rng = np.random.default_rng(len(shape) + len(rule))
    stack = random_stack(rng, 150, rule)
    stations, diameters = (np.asarray(x) for x in SHAPES[shape])
    solids = [
        Solid(np.array([0.0, 0.0, -15.0]) + rng.normal(0.0, 4.0, 3), unit(rng.normal([0.0, 0.0, 1.0], 0.3)), stations,
              diameters, 2.0, end)
        for end in (9.0, 17.0, 30.0)
    ]  # fmt: skip
    planes, solid_of = np.tile(np.arange(150), 3), np.repeat(np.arange(3), 150)
    found = residual_areas(stack, Rings.of(stack.native), solids, planes, solid_of)
    expected = np.concatenate([counted_areas(stack, cut_by(stack, solid)[0]) for solid in solids])
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)
    # the solids matter, and sections of many parts are among them
    untouched = np.tile(counted_areas(stack, stack.native), 3)
    assert (np.abs(found - untouched) > 1.0).sum() > 200
    assert np.isnan(found).sum() >= 3


def test_rings_joined_are_the_rings_of_both() -> None:
    rng = np.random.default_rng(1)
    stack = random_stack(rng, 20, "aortic_side")
    whole, halves = Rings.of(stack.native), Rings.of(stack.native[:7]).joined(Rings.of(stack.native[7:]))
    for name in ("corners", "ring_start", "ring_polygon", "plane_start"):
        assert np.array_equal(getattr(whole, name), getattr(halves, name)), name
