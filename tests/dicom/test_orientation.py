"""Left and right, front and back by the anatomy: of the invented chest, drawn coarsely around random hearts.

The heart is moved to the isocentre, so that no position can tell a frame from its mirror image.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import SimpleITK as sitk
from series_files import request, take_volumes

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.landmarks import true_landmarks
from outflow_cohort.demo.random_cases import random_case
from outflow_cohort.demo.render import Grid, Scanner
from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import GantryBox
from outflow_geometry.image.orientation import NOTHING_SEEN, Vote, image_orientation, shows_lungs
from outflow_geometry.image.pose import may_be_mirrored, opposite_axes, pose_finding
from outflow_geometry.landmarks.anatomy import build_anatomy
from outflow_geometry.landmarks.views import reading_views

SPACING = (2.0, 2.0, 5.0)
NARROW, WIDE = (150.0, 150.0, 130.0), (240.0, 240.0, 150.0)


@cache
def scan(seed: int, field: tuple[float, float, float]) -> tuple[Volume, dict[str, np.ndarray]]:
    """A chest with 15 HU of noise and its true landmarks, both with the heart's middle at x = y = 0."""
    case = random_case(seed)
    heart = HeartPhase(case.heart, case.phase_pct)
    points = {name: np.atleast_2d(p) for name, p in true_landmarks(heart).items()}
    middle = np.mean([points["mitral_ring"].mean(axis=0), points["lv_apex"][0], points["aortic_hinge_left"][0]], axis=0)
    behind = np.array([0.0, 20.0 if field == WIDE else 0.0, 0.0])  # wide fields reach the spine
    origin = middle + behind - np.array(field) / 2
    grid = Grid(tuple(origin), SPACING, tuple(int(f / s) for f, s in zip(field, SPACING, strict=True)))
    image = Scanner(0.8, 0.0, 1).clean(heart, grid)
    image += np.random.default_rng(seed).normal(0.0, 15.0, image.shape)
    shift = middle * [1.0, 1.0, 0.0]
    volume = Volume(image.astype(np.int16), origin - shift, np.eye(3), np.array(SPACING))
    return volume, {name: p - shift for name, p in points.items()}


def marked(points: dict[str, np.ndarray], signs: tuple[int, int, int], sd: float, seed: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {name: (p + rng.normal(0.0, sd, p.shape)) * np.array(signs) for name, p in points.items()}


@pytest.mark.parametrize("seed", range(6))
def test_a_field_without_a_spine_tells_mirrored_landmarks_by_the_blood(seed: int) -> None:
    volume, points = scan(seed, NARROW)
    image = image_orientation(volume)
    assert image.inverted == ()
    assert pose_finding(marked(points, (1, 1, 1), 1.3, seed), image, volume) is None
    turned = pose_finding(marked(points, (-1, -1, 1), 0.7, seed), image, volume)
    assert turned is not None
    assert (turned.code, turned.axes) == ("coordinates_ras", ("x", "y"))
    assert turned.number <= turned.bound
    mirrored = pose_finding(marked(points, (-1, 1, 1), 0.7, seed), image, volume)
    assert mirrored is not None
    assert mirrored.code == "coordinates_mirrored"


@pytest.mark.parametrize("seed", range(4))
def test_the_chest_tells_which_way_the_image_lies(seed: int) -> None:
    volume, points = scan(seed, WIDE)
    upright = image_orientation(volume)
    assert set(upright.upright) >= {"x", "y"}
    assert upright.inverted == ()
    turned = replace(volume, values=volume.values[:, ::-1, ::-1])
    assert image_orientation(turned).inverted == ("x", "y")
    finding = pose_finding(points, image_orientation(turned), None)
    assert finding is not None
    assert finding.code == "image_orientation"
    refuted = pose_finding(points, image_orientation(turned), volume)  # the points are in blood, in a person's order
    assert refuted is None
    mirrored = replace(volume, values=volume.values[:, :, ::-1])
    assert image_orientation(mirrored).inverted == ("x",)
    assert image_orientation(replace(volume, values=volume.values[:, ::-1])).inverted == ("y",)


def test_the_chest_tells_landmarks_of_the_other_frame_without_asking_the_blood() -> None:
    volume, points = scan(0, WIDE)
    image = image_orientation(volume)
    assert pose_finding(points, image) is None
    for signs, code in (((-1, -1, 1), "coordinates_ras"), ((-1, 1, 1), "coordinates_mirrored")):
        finding = pose_finding(marked(points, signs, 0.7, 0), image)
        assert finding is not None
        assert finding.code == code
    apex_slip = points | {"lv_apex": points["lv_apex"] * [-1, 1, 1]}  # one point, not a frame
    assert pose_finding(apex_slip, image) is None or opposite_axes(apex_slip) == ("x",)


def test_the_verdict_does_not_depend_on_how_the_voxels_are_stored() -> None:
    """Axes in another order, other directions, other origins and another spacing: the same votes."""
    volume, _ = scan(0, WIDE)
    wanted = {vote.name: vote.number for vote in image_orientation(volume).votes}
    assert len(wanted) == 5
    for order, flips in itertools.product(((0, 1, 2), (2, 0, 1)), ((1, 1, 1), (-1, 1, 1), (-1, -1, 1), (1, -1, -1))):
        values, direction = volume.values, np.eye(3)
        for axis, flip in enumerate(flips):
            if flip < 0:
                values, direction = np.flip(values, axis=2 - axis), direction * np.where(np.arange(3) == axis, -1, 1)
        values = values.transpose([2 - order[2], 2 - order[1], 2 - order[0]])
        stored = Volume(values, np.array([7.0, 70.0, 700.0]), direction[:, order], volume.spacing[list(order)])
        found = {vote.name: vote.number for vote in image_orientation(stored).votes}
        assert found.keys() == wanted.keys()
        for name, number in wanted.items():
            assert found[name] == pytest.approx(number, abs=max(6.0, 0.1 * abs(number)))


def test_what_is_no_chest_casts_no_vote() -> None:
    volume, points = scan(0, WIDE)
    water = replace(volume, values=np.zeros_like(volume.values))
    assert image_orientation(water) == NOTHING_SEEN
    assert image_orientation(replace(volume, values=volume.values[:10])) == NOTHING_SEEN  # 50 mm of chest
    turn = np.array([[0.8, -0.6, 0.0], [0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
    assert image_orientation(replace(volume, direction=turn)) == NOTHING_SEEN
    assert pose_finding(marked(points, (-1, -1, 1), 0.0, 0), NOTHING_SEEN, water) is None


def test_disagreeing_votes_decide_nothing() -> None:
    votes = (
        Vote("x", "a", 20.0, 8.0),
        Vote("x", "b", -20.0, 8.0),
        Vote("y", "c", -40.0, 30.0),
        Vote("y", "d", -2.0, 30.0),
    )
    image = replace(NOTHING_SEEN, votes=votes)
    assert image.score("x") == 0
    assert image.score("y") == -1
    assert image.inverted == image.upright == ()


@pytest.mark.parametrize(
    ("signs", "doubtful"),
    [((1, 1, 1), False), ((-1, -1, 1), True), ((-1, 1, 1), True), ((1, 1, -1), False), ((-1, -1, -1), False)],
)
def test_only_the_order_of_a_person_in_another_frame_is_doubtful(signs: tuple[int, int, int], doubtful: bool) -> None:
    """A phantom that stands on its head is no frame taken for another; and one without lungs is no person at all."""
    volume, points = scan(0, NARROW)
    assert may_be_mirrored({name: p * np.array(signs) for name, p in points.items()}) == doubtful
    assert shows_lungs(volume)
    assert not shows_lungs(replace(volume, values=np.maximum(volume.values, 0)))


def test_landmarks_that_may_be_mirrored_give_no_view() -> None:
    _, points = scan(0, NARROW)
    views = reading_views(build_anatomy(points), True, GantryBox(), sides_doubtful=True)
    assert {(v.lao_rao_deg, v.reachable, v.status) for v in views} == {(None, None, "orientation_unusual")}


@pytest.mark.parametrize(
    ("image_signs", "point_signs", "code"),
    [
        ((1, 1), (1, 1, 1), None),
        ((1, 1), (-1, -1, 1), "coordinates_ras"),
        ((-1, -1), (-1, -1, 1), "image_orientation"),
        ((-1, 1), (-1, 1, 1), "image_orientation"),
    ],
    ids=["sound", "landmarks RAS", "image and landmarks turned", "image and landmarks mirrored"],
)
def test_the_volume_step_sets_aside_what_lies_the_wrong_way_round(tmp_path, image_signs, point_signs, code) -> None:
    volume, points = scan(0, WIDE)
    values = volume.values[:, :: image_signs[1], :: image_signs[0]]
    image = sitk.GetImageFromArray(np.ascontiguousarray(values))
    image.SetSpacing(SPACING)
    size = np.array(values.shape)[::-1]
    far = volume.origin + (size - 1) * volume.spacing
    start = [(-far if s < 0 else volume.origin)[i] for i, s in enumerate((*image_signs, 1))]
    image.SetOrigin([float(v) for v in start])
    sitk.WriteImage(image, str(tmp_path / "chest.nii.gz"))
    reading = {
        "phase_pct": 40.0, "reader_id": "R", "read_no": 1, "source": "landmarks.csv rows 2-40",
        "structures": {n: (p * np.array(point_signs)).tolist() for n, p in points.items()},
    }  # fmt: skip
    rows = [{"volume": str(tmp_path / "chest.nii.gz"), "phase_pct": 40.0}]
    for check in (True, False):
        content = request(tmp_path, rows, [reading], intake={"check_orientation": check})
        found = take_volumes(content, tmp_path / f"work{check}")
        codes = [row["code"] for row in found["set_aside"]]
        codes += [row["code"] for entry in found["volumes"] for row in entry["mirrored_readings"]]
        assert codes == ([code] if code and check else [])
