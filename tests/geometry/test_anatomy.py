"""The frame of a reading: planes, centres, curtain, and what partial readings still give."""

import numpy as np
import pytest
from analytic_heart import AORTIC_CENTER, AORTIC_RADIUS, OPENING, SHORT, aortic_axes, landmarks, moved, rotation

from outflow_geometry.base.errors import GeometryError
from outflow_geometry.base.planes import angle_between
from outflow_geometry.landmarks.anatomy import HINGES, build_anatomy


def without(*names: str) -> dict[str, np.ndarray]:
    return {name: points for name, points in landmarks(24).items() if name not in names}


def test_planes_and_centres_of_the_closed_form() -> None:
    anatomy = build_anatomy(without("aortic_contour"))
    np.testing.assert_allclose(anatomy.ring_plane.normal, [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(anatomy.ring_center, [0, 0, 0], atol=1e-3)
    np.testing.assert_allclose(anatomy.aortic_plane.normal, aortic_axes()[0], atol=1e-12)
    np.testing.assert_allclose(anatomy.aortic_center, AORTIC_CENTER, atol=1e-12)
    assert anatomy.aortic_radius == pytest.approx(AORTIC_RADIUS)
    np.testing.assert_allclose(anatomy.toward_aorta, [0, -1, 0], atol=1e-4)
    np.testing.assert_allclose(anatomy.across, np.cross([0, 0, 1], anatomy.toward_aorta), atol=1e-12)
    for point in (anatomy.ring_center, anatomy.aortic_center, anatomy.apex):
        assert abs(anatomy.three_chamber.height(point)) < 1e-9


def test_curtain_plane_holds_both_edges_and_parts_atrium_from_outflow() -> None:
    anatomy = build_anatomy(without("aortic_contour"))
    curtain = anatomy.curtain_plane
    ring_edge = np.asarray([0.0, -SHORT, 0.0])
    aortic_edge = AORTIC_CENTER + AORTIC_RADIUS * aortic_axes()[2] * np.sign(aortic_axes()[2][1])
    assert abs(curtain.height(ring_edge)) < 2e-3
    assert abs(curtain.height(aortic_edge)) < 2e-3
    assert abs(curtain.normal @ anatomy.across) < 1e-12
    outflow = AORTIC_CENTER - 10 * aortic_axes()[0]
    atrium = np.asarray([0.0, 5.0, -15.0])
    ventricle = np.asarray([0.0, 0.0, 10.0])
    np.testing.assert_array_equal(anatomy.atrial_side([outflow, atrium, ventricle, AORTIC_CENTER]), [0, 1, 0, 0])


def test_normals_point_downstream_however_the_points_run() -> None:
    marks = landmarks()
    marks["mitral_ring"] = marks["mitral_ring"][::-1]
    marks["aortic_hinge_left"], marks["aortic_hinge_right"] = marks["aortic_hinge_right"], marks["aortic_hinge_left"]
    anatomy = build_anatomy(marks)
    assert anatomy.ring_plane.normal[2] > 0
    assert anatomy.aortic_plane.normal @ aortic_axes()[0] > 0


@pytest.mark.parametrize("seed", range(4))
def test_rigid_motion_moves_everything_along(seed: int) -> None:
    turn, shift = rotation(seed), np.random.default_rng(seed).normal(0, 500, 3)
    one, other = build_anatomy(landmarks()), build_anatomy(moved(landmarks(), turn, shift))
    for name in ("ring_plane", "aortic_plane", "curtain_plane"):
        assert angle_between(turn @ getattr(one, name).normal, getattr(other, name).normal) < 1e-6
    np.testing.assert_allclose(other.toward_aorta, turn @ one.toward_aorta, atol=1e-8)
    np.testing.assert_allclose(other.ring_center, turn @ one.ring_center + shift, atol=1e-8)


def test_a_prosthetic_base_stands_in_for_the_hinges() -> None:
    marks = without(*HINGES, "aortic_contour")
    normal, u, v = aortic_axes()
    angles = np.radians([0, 50, 80, 170, 300])  # uneven, and below given out of order
    rim = AORTIC_CENTER + AORTIC_RADIUS * (np.cos(angles)[:, None] * u + np.sin(angles)[:, None] * v)
    marks["aortic_ring"] = rim[[2, 0, 4, 1, 3]]
    anatomy = build_anatomy(marks)
    np.testing.assert_allclose(anatomy.aortic_plane.normal, normal, atol=1e-12)
    assert anatomy.aortic_radius == pytest.approx(AORTIC_RADIUS)


def test_centre_is_that_of_the_traced_contour_where_one_is_traced() -> None:
    marks = landmarks()
    marks["aortic_contour"] = marks["aortic_contour"] + 1.5 * aortic_axes()[1]
    np.testing.assert_allclose(build_anatomy(marks).aortic_center, AORTIC_CENTER + 1.5 * aortic_axes()[1], atol=1e-3)


def test_hinges_alone_tell_downstream_by_their_cusps() -> None:
    # seen from the aorta, right -> left -> non-coronary runs anticlockwise (position of the coronary cusps:
    # right anterior, left left-posterior, non-coronary right-posterior; standard anatomy)
    marks = {
        "aortic_hinge_right": np.asarray([[0.0, -12, 0]]),
        "aortic_hinge_left": np.asarray([[10.0, 6, 0]]),
        "aortic_hinge_non": np.asarray([[-10.0, 6, 0]]),
    }
    np.testing.assert_allclose(build_anatomy(marks).aortic_plane.normal, [0, 0, 1], atol=1e-12)


@pytest.mark.parametrize(
    ("gone", "attribute", "code"),
    [
        ("mitral_ring", "ring_plane", "missing_mitral_ring"),
        ("aortic_hinge_non", "aortic_plane", "missing_aortic_hinges"),
        ("lv_apex", "three_chamber", "missing_lv_apex"),
        ("lv_apex", "apex", "missing_lv_apex"),
        ("aortic_hinge_non", "curtain_plane", "missing_aortic_hinges"),
    ],
)
def test_a_missing_structure_is_named(gone: str, attribute: str, code: str) -> None:
    with pytest.raises(GeometryError) as caught:
        getattr(build_anatomy(without(gone)), attribute)
    assert caught.value.code == code


def test_ring_needs_neither_apex_nor_aorta() -> None:
    anatomy = build_anatomy({"mitral_ring": landmarks(24)["mitral_ring"]})
    assert anatomy.ring_contour.area == pytest.approx(np.pi * 20 * 16, rel=1e-3)
    assert not anatomy.oriented
    with pytest.raises(GeometryError, match="missing_lv_apex"):
        anatomy.require_orientation()


def test_without_apex_the_valves_are_taken_to_open_apart() -> None:
    anatomy = build_anatomy(without("lv_apex"))
    assert angle_between(anatomy.ring_plane.normal, anatomy.aortic_plane.normal) == pytest.approx(OPENING)


def test_collinear_hinges_are_refused() -> None:
    marks = without("aortic_contour")
    for shift, name in zip((0.0, 10.0, 20.0), HINGES, strict=True):
        marks[name] = np.asarray([[shift, -30.0, 0.0]])
    with pytest.raises(GeometryError) as caught:
        _ = build_anatomy(marks).aortic_plane
    assert caught.value.code == "collinear_points"


def test_thin_hinge_triangle_is_reported_but_measured() -> None:
    marks = without("aortic_contour")
    for point, name in zip(([0, -30, 0], [20, -30, 0], [10, -33, 1]), HINGES, strict=True):
        marks[name] = np.asarray([point], dtype=float)
    anatomy = build_anatomy(marks)
    assert anatomy.aortic_status == "hinge_triangle_ill_posed"
    assert anatomy.aortic_radius < 15.0  # not the circumcircle of a nearly straight triple


def test_ring_and_traced_annulus_need_no_apex_beside_an_aortic_ring() -> None:
    angles = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)[:, None]
    _, u, v = aortic_axes()
    base = AORTIC_CENTER + AORTIC_RADIUS * (np.cos(angles) * u + np.sin(angles) * v)
    whole = build_anatomy({**without(*HINGES), "aortic_ring": base})
    anatomy = build_anatomy({**without(*HINGES, "lv_apex"), "aortic_ring": base})
    assert anatomy.ring_contour.area == pytest.approx(whole.ring_contour.area, rel=1e-12)
    assert anatomy.traced_aortic_contour.area == pytest.approx(whole.traced_aortic_contour.area, rel=1e-12)
    with pytest.raises(GeometryError, match="missing_lv_apex"):
        _ = anatomy.aortic_plane
