"""What two phases are compared on: one grid, scaled HU, and a mask without the leaflets; and fields asked at points."""

import numpy as np
import pytest

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.registration import Displacement, compared, valve_points

RING = np.stack([17.0 * np.cos(np.arange(16) * np.pi / 8), 17.0 * np.sin(np.arange(16) * np.pi / 8), np.zeros(16)], 1)
APEX = np.array([0.0, 0.0, -80.0])


def block(value: float, origin: float = -60.0, spacing: float = 2.0, count: int = 61) -> Volume:
    """An image that rises by 1 HU a millimetre along x about `value`."""
    x = origin + spacing * np.arange(count)
    values = np.broadcast_to(value + x, (count, count, count)).astype(np.int16)
    return Volume(values, np.full(3, origin), np.eye(3), np.full(3, spacing))


def test_both_phases_lie_on_one_grid_with_hu_between_0_and_1() -> None:
    pair = compared(block(100.0), block(2000.0), RING, RING, APEX)
    assert pair.source.shape == pair.target.shape == pair.mask.shape
    assert pair.target.max() == 1.0
    middle = tuple(n // 2 for n in pair.source.shape)
    x = float(pair.grid.to_points(np.array(middle))[0])
    assert pair.source[middle] == pytest.approx((100.0 + x + 150.0) / 800.0, abs=2e-3)


def test_the_mask_keeps_to_the_landmarks_and_leaves_the_leaflets_out() -> None:
    pair = compared(block(0.0), block(0.0), RING, RING, APEX)

    def mask_at(*point: float) -> float:
        return float(pair.mask[tuple(np.rint(pair.grid.to_index(np.array(point))).astype(int))])

    assert mask_at(17.0, 0.0, 0.0) == 1.0
    assert mask_at(0.0, 0.0, -5.0) == 0.0
    # behind the ring, where no leaflet swings
    assert mask_at(8.0, 0.0, 10.0) == 1.0
    assert mask_at(39.0, 0.0, 0.0) == 0.0


def test_images_apart_share_nothing() -> None:
    with pytest.raises(GeometryError, match="share no region"):
        compared(block(0.0), block(0.0, origin=500.0), RING, RING, APEX)


def test_a_field_is_linear_between_voxels_and_constant_beyond() -> None:
    grid = Volume(np.zeros((3, 3, 3), np.float32), np.zeros(3), np.eye(3), np.full(3, 2.0))
    vectors = np.zeros((3, 3, 3, 3), np.float32)
    vectors[:, :, 2] = [1.0, -2.0, 3.0]
    field = Displacement(vectors, grid)
    np.testing.assert_allclose(field.carry([[3.0, 0.0, 0.0], [9.0, 0.0, 0.0]]), [[3.5, -1.0, 1.5], [10.0, -2.0, 3.0]])


def test_points_for_comparison_leave_out_what_is_far_from_the_valves() -> None:
    marks = {"mitral_ring": RING, "lv_apex": APEX[None], "blood_sample": APEX[None]}
    assert len(valve_points(marks)) == 16
    with pytest.raises(GeometryError, match="mitral ring"):
        valve_points({"lv_apex": APEX[None]})
