"""Pictures and the drawings over them: positions, orientation, greys. All points LPS, mm."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from synthetic_results import make_drawing, make_heart

from outflow_cohort.report.outlines import aorta_outline, crossings, device_silhouette, trace
from outflow_cohort.report.pictures import (
    GREY_KNOTS,
    GREY_KNOTS_HU,
    frame_around,
    frames_of_reading,
    grey,
    read_pictures,
    take_pictures,
)
from outflow_cohort.report.plates import spread
from outflow_geometry.base.drawn import DrawnAorta, DrawnPlan
from outflow_geometry.base.frames import Volume


@pytest.fixture(scope="module")
def heart():
    return make_heart(np.random.default_rng(3))


@pytest.fixture(scope="module")
def drawing(heart):
    return make_drawing(heart, 40.0, "R1", 1, 200.0, np.random.default_rng(4))


def ramp(heart, slope, offset, direction=None) -> Volume:
    """HU linear in position: trilinear interpolation gives it back exactly."""
    axes = np.eye(3) if direction is None else direction
    spacing = np.array([1.5, 1.5, 2.0])
    count = np.array([120, 120, 90])
    middle = heart.center + 20 * heart.down
    origin = middle - axes @ (spacing * (count - 1) / 2)
    k, j, i = np.meshgrid(*(np.arange(n) for n in count[::-1]), indexing="ij")
    points = origin + np.stack([i, j, k], axis=-1) * spacing @ axes.T
    return Volume((points @ slope + offset).astype(np.float32), origin, axes, spacing)


def pixel_points(frame):
    rows, columns = frame.shape
    c, r = np.meshgrid(np.arange(columns), np.arange(rows))
    right, down = np.asarray(frame.right), np.asarray(frame.down)
    return np.asarray(frame.corner) + frame.spacing * (c[..., None] * right + r[..., None] * down)


@pytest.mark.parametrize("turn", [None, [30.0, -20.0, 55.0]])
def test_every_pixel_shows_the_point_its_frame_names(heart, drawing, turn):
    direction = None if turn is None else Rotation.from_euler("xyz", turn, degrees=True).as_matrix()
    slope, offset = np.array([1.2, -0.8, 1.5]), 250.0
    volume = ramp(heart, slope, offset, direction)
    pictures = read_pictures(take_pictures({40.0: volume}, [drawing]))
    assert [f.name for f, _ in pictures] == ["three_chamber", "ring", "section"]
    for frame, picture in pictures:
        points = pixel_points(frame)
        inside = volume.contains(points)
        expected = np.interp(points @ slope + offset, GREY_KNOTS_HU, GREY_KNOTS)
        # Half a grey of rounding, and float32 values of the volume.
        assert np.abs(picture[inside].astype(float) - expected[inside]).max() <= 0.51
        assert (picture[~inside] == 0).all()
        assert inside.mean() > 0.5


def test_overlay_lands_where_the_picture_shows_it(heart, drawing):
    for frame in frames_of_reading(drawing):
        points = pixel_points(frame)
        placed = frame.place(points)
        rows, columns = frame.shape
        c, r = np.meshgrid(np.arange(columns), np.arange(rows))
        assert np.allclose(placed, np.stack([c, r], axis=-1), atol=1e-6)


def test_orientation_is_atrium_up_aorta_right_and_aorta_up_en_face(heart, drawing):
    long_axis, ring, section = frames_of_reading(drawing)
    center, apex, aorta = long_axis.place([heart.center, heart.apex, heart.aorta])
    assert apex[1] > center[1]
    assert aorta[0] > center[0]
    assert long_axis.place([heart.center - 10 * heart.down])[0][1] < center[1]
    seen = ring.place([heart.center, heart.aorta])
    assert seen[1][1] < seen[0][1]
    # Seen from the atrium: the viewer looks along the ring's normal, which is right x up turned into the page.
    assert np.allclose(np.cross(ring.right, ring.down), heart.down, atol=1e-6)
    plan = drawing.drawn.plans["P1"]
    cut = plan.sections["full_frame|reader_path"]
    assert np.allclose(np.cross(section.right, section.down), cut.normal, atol=1e-6)
    at, device = section.place([cut.point, plan.axis_point])
    assert device[1] > at[1]


def test_grey_scale_is_monotone_and_keeps_metal_apart_from_blood():
    hu = np.linspace(-1000, 4000, 2001)
    greys = grey(hu).astype(int)
    assert (np.diff(greys) >= 0).all()
    assert greys.min() == 1
    assert greys.max() == 255
    assert int(grey(3000)) - int(grey(1000)) > 25
    assert int(grey(400)) - int(grey(100)) > 60


def test_only_first_readings_of_phases_with_a_volume_are_taken(heart, drawing):
    second = drawing.model_copy(update={"reader_id": "R2"})
    other = drawing.model_copy(update={"phase_pct": 70.0})
    arrays = take_pictures({40.0: ramp(heart, np.zeros(3), 0.0)}, [second, other, drawing])
    frames = [f for f, _ in read_pictures(arrays)]
    assert {f.phase_pct for f in frames} == {40.0}
    assert len(frames) == 3
    again = take_pictures({40.0: ramp(heart, np.zeros(3), 0.0)}, [drawing, other, second])
    assert json.loads(again["frames"].tobytes()) == json.loads(arrays["frames"].tobytes())


def test_reading_without_ring_or_aorta_has_no_picture(heart, drawing):
    for lost in ({"ring": None}, {"aorta": None}):
        assert frames_of_reading(drawing.model_copy(update={"drawn": replace(drawing.drawn, **lost)})) == []


def test_frame_around_holds_its_points_with_the_margin(heart, drawing):
    frame = frames_of_reading(drawing)[0]
    points = heart.ring()
    moved = frame_around(frame, points, 5.0)
    placed = moved.place(points) * moved.spacing
    assert placed.min() == pytest.approx(5.0, abs=1e-6)
    assert np.all(placed.max(axis=0) <= (np.array(moved.shape[::-1]) - 1) * moved.spacing - 5.0 + 1e-6)


def test_crossings_of_a_circle_are_its_chord():
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = np.stack([10 * np.cos(angle), 10 * np.sin(angle), np.zeros_like(angle)], axis=1)
    found = crossings(circle, [6.0, 0, 0], [1.0, 0, 0])
    # Chord of a circle at 6 of 10: half length 8 (3-4-5 triangle).
    assert sorted(found[:, 1]) == pytest.approx([-8, 8], abs=1e-3)
    assert trace(circle, [11, 0, 0], [1, 0, 0]) is None


def test_annulus_circle_runs_through_the_three_hinges():
    hinges = np.array([[12.0, 1, 3], [-4, 9, 2], [-5, -8, 6]])
    circle = aorta_outline(DrawnAorta(hinges.tolist(), None, [0, 0, 0], [0, 0, 1]))
    for hinge in hinges:
        step = np.linalg.norm(circle - np.roll(circle, 1, axis=0), axis=1).max()
        assert np.linalg.norm(circle - hinge, axis=1).min() < step
    middle = circle.mean(axis=0)
    radii = np.linalg.norm(hinges - middle, axis=1)
    assert radii == pytest.approx([radii[0]] * 3, abs=1e-9)
    assert aorta_outline(DrawnAorta([[0, 0, 0], [1, 0, 0], [2, 0, 0]], None, [0, 0, 0], [0, 0, 1])) is None


def test_silhouette_of_a_cylinder_is_its_rectangle():
    plan = DrawnPlan(profile=[[0, 20], [30, 20]], axis=[0, 0, 1], axis_point=[1, 2, 3])
    outline = device_silhouette(plan, [0, 1, 0])
    assert {tuple(np.round(p, 9) + 0.0) for p in outline} == {(-9, 2, 3), (11, 2, 3), (-9, 2, 33), (11, 2, 33)}
    part = device_silhouette(plan, [0, 1, 0], (5, 12))
    assert sorted(set(part[:, 2])) == [8, 15]
    assert device_silhouette(plan, [0, 0, 1]) is None
    assert device_silhouette(plan, [0, 1, 0], (40, 50)) is None


def test_spread_keeps_labels_apart_and_in_place():
    assert spread([10, 100, 200], 15, 0, 300) == [10, 100, 200]
    crowded = spread([50, 50, 50, 51, 290], 15, 9, 60)
    assert np.all(np.diff(crowded) >= 15 - 1e-9)
    assert crowded[-1] == 60
