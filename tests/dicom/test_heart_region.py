"""The region read for a phase holds the whole ventricle. LPS, mm."""

from __future__ import annotations

import numpy as np
import pytest

from outflow_cohort.demo.rough_hearts import rough_heart
from outflow_cohort.dicom.heart_region import BEYOND_APEX, region_points, ventricle_hull
from outflow_cohort.dicom.resampling import target_grid
from outflow_cohort.dicom.settings import ResampleSettings
from outflow_cohort.dicom.volume import Grid, Region


def ring_at(center: np.ndarray, normal: np.ndarray, radius: float) -> list[list[float]]:
    first = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [1.0, 0.0, 0.0])
    first /= np.linalg.norm(first)
    angle = np.arange(12) * np.pi / 6.0
    circle = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * np.cross(normal, first)
    return (center + radius * circle).tolist()


def test_hull_reaches_past_apex_and_to_both_sides() -> None:
    axis = np.array([0.0, 0.0, -1.0])
    hull = ventricle_hull({"mitral_ring": ring_at(np.zeros(3), axis, 17.0), "lv_apex": [[0.0, 0.0, -80.0]]})
    # an ellipsoid of 50 mm half length about the middle of the line, 45 mm half width; 200 points miss it by < 1 mm
    assert hull[:, 2].min() == pytest.approx(-80.0 - BEYOND_APEX, abs=1.0)
    assert hull[:, 2].max() == pytest.approx(BEYOND_APEX, abs=1.0)
    assert np.abs(hull[:, :2]).max() == pytest.approx(45.0, abs=1.0)
    assert len(ventricle_hull({"mitral_ring": ring_at(np.zeros(3), axis, 17.0)})) == 0


def test_a_dilated_ventricle_is_whole_where_the_landmarks_margin_cuts_it() -> None:
    """A ball of 70 mm beside the line from ring to apex, as a dilated ventricle is: 20 mm beside landmarks miss it."""
    axis = np.array([0.0, 0.0, -1.0])
    structures = {"mitral_ring": ring_at(np.zeros(3), axis, 17.0), "lv_apex": [[0.0, 0.0, -85.0]]}
    points = np.array([p for group in structures.values() for p in group])
    ball = np.array([8.0, 0.0, -42.0]) + 35.0 * np.concatenate([np.eye(3), -np.eye(3)])
    settings = ResampleSettings()
    for spacing in (0.5, 1.0):
        size = round(200.0 / spacing)
        grid = Grid(np.full(3, -100.0), np.eye(3), np.full(3, spacing), (size, size, size), np.zeros(2))
        held = []
        for hull in (None, ventricle_hull(structures)):
            target = target_grid(grid, points, settings, hull)
            high = target.origin + (np.array(target.size) - 1) * target.spacing
            held.append(bool(np.all((ball >= target.origin) & (ball <= high))))
        assert held == [False, True]


def test_hull_holds_the_ventricles_of_rough_hearts() -> None:
    """Walls of the invented ventricles, at their widest, in every direction of the grid."""
    for seed in range(12):
        case = rough_heart(seed)
        heart = case.heart
        hull = ventricle_hull({name: p.tolist() for name, p in case.landmarks.items()})
        rx, ry, _, shift = heart.lv_axes
        angle = np.linspace(0.0, 2.0 * np.pi, 72)
        wall = heart.case.lv_wall
        for depth in (0.15, 0.5, 0.9):
            narrow = np.sqrt(1.0 - depth**2)
            local = np.stack(
                [shift + (rx * narrow + wall) * np.cos(angle), (ry * narrow + wall) * np.sin(angle),
                 np.full(72, depth * heart.lv_length)], axis=1)  # fmt: skip
            points = heart.to_patient(heart.from_ventricle(local))
            assert np.all(points >= hull.min(axis=0))
            assert np.all(points <= hull.max(axis=0))


def test_joined_regions_hold_both() -> None:
    one, two = Region((1, 5, 2), (4, 9, 8)), Region((2, 1, 3), (9, 6, 5))
    assert one.joined(two) == Region((1, 1, 2), (9, 9, 8))
    assert one.joined(None) == one


def test_the_reader_s_path_does_not_move_the_region() -> None:
    """A path within reach of the other landmarks leaves the voxels where they are; one beyond is held by the region."""
    axis = np.array([0.0, 0.0, -1.0])
    structures = {"mitral_ring": ring_at(np.zeros(3), axis, 17.0), "lv_apex": [[0.0, 0.0, -85.0]]}
    settings = ResampleSettings()
    grid = Grid(np.full(3, -200.0), np.eye(3), np.array([0.8, 0.8, 1.1]), (500, 500, 360), np.zeros(2))

    def target(path: list[list[float]]):
        points = region_points([structures | {"outflow_path": path}], settings.margin_mm)
        return target_grid(grid, points, settings, ventricle_hull(structures))

    alone = target_grid(grid, region_points([structures], settings.margin_mm), settings, ventricle_hull(structures))
    inside, beyond = (
        target([[-10.0, -30.0, -30.0], [0.0, -33.0, 12.0]]),
        target([[0.0, -30.0, -20.0], [0.0, -60.0, 33.0]]),
    )
    assert alone is not None
    assert inside is not None
    assert beyond is not None
    assert inside.origin.tolist() == alone.origin.tolist()
    assert inside.size == alone.size
    top = beyond.origin + (np.array(beyond.size) - 1) * beyond.spacing
    assert top[2] >= 33.0 + settings.margin_mm - 1.0
    assert beyond.size != alone.size
