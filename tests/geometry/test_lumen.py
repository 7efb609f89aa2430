"""The outflow lumen on anatomy with walls a voxel thick, against the closed forms that the image was made of."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.segmentation import watershed
from thin_walls import AORTIC_AXIS, Heart, thin_walled

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.frames import Volume
from outflow_geometry.image.flooding import CLOSED, OPEN, flood, settle_border
from outflow_geometry.image.lumen import ATRIUM, OTHER, OUTFLOW, Lumen, PhaseImage, outflow_lumen
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.outflow.outflow_path import path_through
from outflow_geometry.outflow.sections import counted_areas, section_stack

STATIONS = np.arange(-20.0, 0.1, 4.0)

STEP = 0.1
"""mm of the grid on which true sections are counted: their area is right to some 0.3 mm2."""


def true_areas(heart: Heart, anatomy) -> np.ndarray:
    """Areas, mm2, of the closed-form lumen on the aortic side, by counting points of each plane."""
    steps = np.arange(-32.0, 32.0, STEP) + 0.5 * STEP
    first = np.cross(AORTIC_AXIS, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(AORTIC_AXIS, first)
    areas = []
    for center in heart.path(STATIONS):
        count = 0
        for row in np.array_split(steps, 8):
            u, v = np.meshgrid(steps, row)
            p = center + u[..., None] * first + v[..., None] * second
            inside = p[heart.lumen(p) < 0.0]
            lps = heart.pose(inside)
            side = (lps - anatomy.ring_center) @ anatomy.toward_aorta > 0.0
            count += int((side & ~anatomy.atrial_side(lps) & (anatomy.aortic_plane.height(lps) < 8.0)).sum())
        areas.append(count * STEP**2)
    return np.asarray(areas)


def measured_areas(heart: Heart, anatomy, lumen: Lumen) -> np.ndarray:
    path = path_through(heart.pose(heart.path(np.array([-40.0, 10.0]))), anatomy.aortic_plane, "reader_path")
    stack = section_stack(lumen, path, anatomy, STATIONS)
    return counted_areas(stack, stack.native)


@pytest.mark.parametrize(
    ("name", "spacing", "shift", "bound"),
    [
        pytest.param("closed", 0.5, 0.0, 0.010, marks=pytest.mark.slow),
        pytest.param("closed", 0.5, 1.5, 0.010, marks=pytest.mark.slow),
        ("closed", 0.5, -1.5, 0.010),
        pytest.param("open", 0.5, 0.0, 0.010, marks=pytest.mark.slow),
        ("open", 0.5, 1.5, 0.010),
        ("closed", 1.5, 0.0, 0.04),
        # a ring drawn 1.2 mm into the atrium leaves the closed leaflets, 1 mm thick, before the ring plane; at
        # 1.5 mm they do not darken to the half-way level, so their own area (1 mm by 27 mm) counts as blood
        ("closed", 1.5, -2.0, 0.06),
        ("open", 1.5, 1.5, 0.04),
        ("thin", 1.5, 0.0, 0.05),
        ("busy", 1.5, 0.0, 0.04),
    ],
)
def test_sections_hold_the_outflow_lumen_and_no_other_chamber(
    name: str, spacing: float, shift: float, bound: float
) -> None:
    """Valve open or closed, walls of 0.6 to 1 mm, right heart as bright and in contact, ring 1.5 to 2 mm off.

    Plain thresholding joins all chambers here: several thousand mm2 instead of 400 to 1,200.
    """
    heart, image = thin_walled(name, spacing)
    anatomy = heart.anatomy(shift)
    lumen = outflow_lumen(PhaseImage(image), anatomy)
    assert lumen.status == "ok"
    truth = true_areas(heart, anatomy)
    error = np.abs(measured_areas(heart, anatomy, lumen) / truth - 1.0)
    assert float(error.max()) < bound
    # at 1.5 mm a wall of 0.6 to 1 mm shows brighter than muscle, so its half-way level is inside the wall, by
    # some 0.2 mm over the third of the outline that touches other chambers: 2 % of a tract 12 mm in radius at most
    assert float(np.median(error)) < (0.005 if spacing == 0.5 else 0.025)


def test_the_lumen_needs_no_reader_path() -> None:
    heart, image = thin_walled("closed", 0.5)
    with_path = outflow_lumen(PhaseImage(image), heart.anatomy())
    without = outflow_lumen(PhaseImage(image), heart.anatomy(path=False))
    differing = (with_path.territory.values == OUTFLOW) != (without.territory.values == OUTFLOW)
    assert int(differing.sum()) == 0


@pytest.mark.parametrize("right_hu", [180.0, 560.0])
def test_brightness_of_the_right_heart_does_not_matter(right_hu: float) -> None:
    heart = Heart(noise=25.0, right_hu=right_hu, valve_open=False)
    anatomy = heart.anatomy()
    lumen = outflow_lumen(PhaseImage(heart.image(1.5)), anatomy)
    assert lumen.status == "ok"
    np.testing.assert_allclose(measured_areas(heart, anatomy, lumen), true_areas(heart, anatomy), rtol=0.04)


def test_other_chambers_are_negative_and_the_blood_edge_is_the_image() -> None:
    heart, image = thin_walled("closed", 0.5)
    lumen = outflow_lumen(PhaseImage(image), heart.anatomy())
    field = lumen.field
    grid = np.stack(np.meshgrid(*(np.arange(0, n, 3) for n in field.values.shape), indexing="ij"), axis=-1)
    points = field.to_points(grid)
    p = heart.unpose(points)
    values = field.values[::3, ::3, ::3]
    deep_atrium, deep_right = heart.atrium(p) < -3.0, heart.right(p) < -3.0
    assert deep_atrium.sum() > 500
    assert deep_right.sum() > 500
    # behind the orifice the field runs on, for the exact cut at the ring plane
    elsewhere = p[..., 2] > 5.0
    for chamber in (deep_atrium & elsewhere, deep_right):
        # blood is turned; only single voxels that noise has made as dark as muscle stay as they are
        assert float(values[chamber].max()) < 0.0
        assert float(np.quantile(values[chamber], 0.995)) < -0.2 * lumen.level.contrast_hu
    # far from other chambers, calcium and metal, the field near the edge is the image minus the level
    near = (np.abs(heart.lumen(p)) < 1.0) & (heart.atrium(p) > 4.0) & (heart.right(p) > 4.0) & (heart.outflow(p) > -1.0)
    near &= heart.lumen(p) - heart.outflow(p) < 1e-9
    aorta = heart.anatomy().aortic_plane
    near &= aorta.height(points) < 8.0
    index = np.round(image.to_index(points[near])).astype(int)
    raw = image.values[tuple(index.T)] - lumen.level.threshold_hu
    clipped = np.clip(raw, -1.5 * lumen.level.contrast_hu, lumen.level.contrast_hu)
    changed = np.abs(values[near] - clipped) > 1e-2
    # single bright noise voxels in the wall are the only ones turned
    assert near.sum() > 1000
    assert float(changed.mean()) < 0.002


def test_territories_meet_in_the_wall() -> None:
    """Between outflow and right heart the border is within the wall between them, a voxel either way."""
    heart, image = thin_walled("closed", 0.5)
    lumen = outflow_lumen(PhaseImage(image), heart.anatomy())
    territory = lumen.territory
    for label, inside in ((OUTFLOW, heart.lumen), (ATRIUM, heart.atrium), (OTHER, heart.right)):
        where = np.argwhere(territory.values == label)[::7]
        p = heart.unpose(territory.to_points(where))
        own, others = inside(p), [f(p) for f in (heart.lumen, heart.atrium, heart.right) if f != inside]
        anatomy = heart.anatomy()
        free = (anatomy.aortic_plane.height(heart.pose(p)) < 8.0) & (np.abs(p[:, 2]) > 6.0)
        wrong = free & (own > 0.0) & (np.minimum(*others) < -1.5)
        assert float(wrong.mean()) < 0.001


def test_a_missing_wall_is_a_leak() -> None:
    heart = Heart(noise=25.0, right_wall=0.0, valve_open=False)
    assert outflow_lumen(PhaseImage(heart.image(1.5)), heart.anatomy()).status == "leak"


def test_what_is_straight_behind_the_valve_is_atrium_however_the_curtain_leans() -> None:
    # The annulus begins 1 mm beside and 0.5 mm below the ring and hangs into the ventricle: the curtain plane, through
    # two points 1.5 mm apart, leans over the atrium, and the valve stands open without leaflets.
    opening, radius, ring = np.radians(122.0), 12.0, 15.0
    downstream = np.array([np.sin(opening), 0.0, np.cos(opening)])
    sideways = np.array([-np.cos(opening), 0.0, np.sin(opening)])
    center = np.array([ring + 1.0, 0.0, 0.5]) + radius * sideways
    axes = [np.arange(low, high, 1.0) for low, high in ((-40.0, 66.0), (-28.0, 29.0), (-30.0, 55.0))]
    p = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    along = (p - center) @ downstream
    beside_tube = np.linalg.norm(p - center - along[..., None] * downstream, axis=-1) - radius
    ventricle = (np.linalg.norm((p - [1, 0, 22]) / [18.5, 19, 40], axis=-1) < 1.0) & (p[..., 2] > 0.0)
    valve = np.hypot(p[..., 0], p[..., 1]) < ring
    outflow = ventricle | (valve & (np.abs(p[..., 2] - 6.0) < 6.0)) | ((beside_tube < 0.0) & (along > -14.0))
    atrium = np.linalg.norm((p - [-5, 0, -20]) / [21, 24, 20], axis=-1) < 1.0
    atrium = (atrium | (valve & (p[..., 2] > -20.0))) & (p[..., 2] < 0.0) & (beside_tube > 1.5)
    values = ndimage.gaussian_filter(np.where(outflow | atrium, 400.0, 100.0), 0.5).astype(np.float32)
    x_to_z = np.eye(3)[:, ::-1]  # array index k runs along x, i along z
    image = Volume(values, p[0, 0, 0], x_to_z, np.ones(3))
    t = np.radians(np.arange(0, 360, 15))
    marks = {"mitral_ring": ring * np.stack([np.cos(t), np.sin(t), 0 * t], axis=1), "lv_apex": np.array([[1.0, 0, 62]])}
    for name, angle in (("right", 0.2), ("left", -2.0), ("non", 2.2)):
        across = np.array([0.0, 1.0, 0.0])
        marks[f"aortic_hinge_{name}"] = center + radius * (np.cos(angle) * sideways + np.sin(angle) * across)
    lumen = outflow_lumen(PhaseImage(image), build_anatomy(marks))
    assert lumen.status == "ok"
    straight = (np.hypot(p[..., 0], p[..., 1]) < ring - 4.0) & (p[..., 2] < -5.0) & (p[..., 2] > -11.0)
    k, j, i = np.round(lumen.territory.to_index(p[straight])).astype(int).T
    assert (lumen.territory.values[k, j, i] == ATRIUM).all()


def test_apex_outside_the_image_and_no_apex_at_all() -> None:
    heart = Heart(noise=25.0, turn=(0.0, 0.0, 0.0))
    image = heart.image(1.0)
    anatomy = heart.anatomy()
    low = round(float(image.to_index(heart.pose(np.array([0.0, 0.0, -44.0])))[0]))
    cropped = Volume(image.values[low:], image.to_points(np.array([low, 0.0, 0.0])), image.direction, image.spacing)
    assert not cropped.contains(anatomy.apex)
    whole = measured_areas(heart, anatomy, outflow_lumen(PhaseImage(image), anatomy))
    part = measured_areas(heart, anatomy, outflow_lumen(PhaseImage(cropped), anatomy))
    np.testing.assert_allclose(part, whole, rtol=2e-3)
    marks = {name: points for name, points in heart.landmarks().items() if name != "lv_apex"}
    headless = heart.anatomy(marks=marks)
    np.testing.assert_allclose(
        measured_areas(heart, headless, outflow_lumen(PhaseImage(image), headless)), whole, rtol=2e-3
    )


def test_slice_direction_does_not_matter() -> None:
    heart, image = thin_walled("open", 1.5)
    last = image.values.shape[0] - 1.0
    turned = Volume(
        image.values[::-1],
        image.to_points(np.array([last, 0.0, 0.0])),
        image.direction * np.array([1.0, 1.0, -1.0]),
        image.spacing,
    )
    anatomy = heart.anatomy()
    one, two = outflow_lumen(PhaseImage(image), anatomy), outflow_lumen(PhaseImage(turned), anatomy)
    np.testing.assert_allclose(measured_areas(heart, anatomy, two), measured_areas(heart, anatomy, one), rtol=5e-3)


def test_the_same_question_is_answered_once() -> None:
    heart, image = thin_walled("open", 1.5)
    phase = PhaseImage(image)
    first = outflow_lumen(phase, heart.anatomy())
    assert outflow_lumen(phase, heart.anatomy()) is first
    assert outflow_lumen(phase, heart.anatomy(1.0)) is not first


def test_landmarks_outside_the_blood_are_refused() -> None:
    heart, image = thin_walled("open", 1.5)
    level = outflow_lumen(PhaseImage(image), heart.anatomy()).level
    marks = {name: points + np.array([400.0, 0.0, 0.0]) for name, points in heart.landmarks().items()}
    with pytest.raises(GeometryError) as refused:
        outflow_lumen(PhaseImage(image), heart.anatomy(marks=marks), None, level)
    assert refused.value.code == "no_lumen_at_path"


def test_flooding_matches_a_reference_watershed() -> None:
    """Basins as scikit-image's watershed finds them (ties at equal height aside); passes by exhaustive search."""
    rng = np.random.default_rng(11)
    height = rng.permutation(12 * 13 * 14).reshape(12, 13, 14) // 3
    height = np.minimum(height, 1023).astype(np.int16)
    height[rng.random(height.shape) < 0.1] = CLOSED
    markers = np.zeros(height.shape, np.int8)
    markers[3, 3, 3], markers[8, 9, 10], markers[5, 9, 2] = 1, 2, 3
    height[markers > 0] = 1000
    label, passed = flood(height, markers)
    closed = height.copy()
    closed[[0, -1]] = closed[:, [0, -1]] = closed[:, :, [0, -1]] = CLOSED
    reference = watershed(-closed.astype(int), markers.astype(int), mask=closed >= 0)
    both = (label > 0) & (reference > 0)
    assert np.array_equal(label > 0, reference > 0)
    assert float(np.mean(label[both] == reference[both])) > 0.97
    # widest path (maximum capacity) by repeated relaxation
    widest = np.where(markers > 0, closed, CLOSED).astype(int)
    for _ in range(400):
        around = widest.copy()
        for axis in range(3):
            for step in (1, -1):
                around = np.maximum(around, np.roll(widest, step, axis=axis))
        following = np.where(closed >= 0, np.maximum(widest, np.minimum(around, closed)), CLOSED)
        if np.array_equal(following, widest):
            break
        widest = following
    np.testing.assert_array_equal(passed, widest)


def test_the_border_settles_on_the_darkest_line() -> None:
    place = np.arange(40, dtype=np.float32)
    values = np.broadcast_to(100.0 - 80.0 * np.exp(-(((place - 17.3) / 2.0) ** 2)), (12, 12, 40)).astype(np.float32)
    label = np.full((12, 12, 40), OPEN, np.int8)
    label[:, :, :8], label[:, :, 30:] = 1, 2
    settle_border(values, label, 0.0, 120.0)
    inner = label[1:-1, 1:-1, 1:-1]
    assert set(np.unique(inner)) == {1, 2}
    border = (inner == 1).sum(axis=2) + 1
    assert np.all(np.abs(border - 17.8) <= 1.0)
