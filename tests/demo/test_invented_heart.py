"""The invented heart is what its closed forms say. Lengths mm."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import label

from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.demo.chambers import Chambers
from outflow_cohort.demo.heart_case import HeartCase, RingImplant
from outflow_cohort.demo.landmarks import OutflowCurve, chambers_at, true_landmarks
from outflow_cohort.demo.ring_shape import RingShape


@pytest.mark.parametrize(("longer", "flat"), [(0.0, 0.0), (0.09, 0.03), (0.15, -0.05)])
def test_ring_area_centroid_and_plane_are_closed_forms(longer: float, flat: float) -> None:
    ring = RingShape(17.0, longer, flat, 3.0)
    p = ring.points(np.arange(20000) * (2 * np.pi / 20000))
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]
    assert 0.5 * cross.sum() == pytest.approx(ring.area, rel=1e-7)
    assert ((p + q)[:, 0] * cross).sum() / (3 * cross.sum()) == pytest.approx(0.0, abs=1e-6)
    points = ring.even_points()
    normal = np.linalg.svd(points - points.mean(axis=0))[2][2]
    assert abs(normal[2]) == pytest.approx(1.0, abs=1e-12)
    assert points[:, 2].mean() == pytest.approx(0.0, abs=1e-12)


def test_ring_distance_is_zero_on_the_ring_and_first_order_beside_it() -> None:
    ring = RingShape(17.0, 0.1, 0.04)
    p = ring.points(np.linspace(0.0, 6.2, 50))
    assert np.abs(ring.distance(p[:, 0], p[:, 1])).max() < 1e-7
    ahead = ring.points(np.linspace(0.0, 6.2, 50) + 1e-5)
    tangent = (ahead - p)[:, :2]
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    outside = p[:, :2] + 0.5 * np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    # second order: half a mm at a radius of some 15 mm
    assert ring.distance(outside[:, 0], outside[:, 1]) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("phase", [20.0, 40.0, 75.0])
def test_landmarks_give_the_stated_angle_and_the_frame(phase: float) -> None:
    heart = HeartPhase(HeartCase(roll=(4.0, -7.0, 10.0)), phase)
    marks = true_landmarks(heart)
    ring = marks["mitral_ring"]
    n_m = np.linalg.svd(ring - ring.mean(axis=0))[2][2]
    n_m *= np.sign((marks["lv_apex"][0] - ring.mean(axis=0)) @ n_m)
    right, left, non = (marks[f"aortic_hinge_{name}"][0] for name in ("right", "left", "non"))
    n_a = np.cross(left - right, non - right)
    n_a /= np.linalg.norm(n_a)
    # hinges run right, left, non-coronary anticlockwise seen from the aorta
    assert n_a @ (marks["lv_apex"][0] - right) < 0.0
    assert np.degrees(np.arccos(n_a @ n_m)) == pytest.approx(heart.opening, abs=1e-9)
    assert (right + left + non) / 3.0 == pytest.approx(heart.to_patient(heart.aortic_center), abs=1e-9)
    assert heart.axes @ heart.axes.T == pytest.approx(np.eye(3), abs=1e-12)
    assert heart.to_local(heart.to_patient([1.0, 2.0, 3.0])) == pytest.approx([1.0, 2.0, 3.0])
    # patient's left is +x, front -y, head +z: apex left, in front of and below the ring; aorta above and before it
    assert heart.axes[2] @ [1.0, -1.0, -1.0] > 0.0
    assert heart.axes[0] @ [0.0, -1.0, 1.0] > 0.0


def test_lumen_in_the_aortic_plane_is_the_annulus_ellipse() -> None:
    heart = HeartPhase(HeartCase(bulge=6.0), 40.0)
    ru, rv = heart.annulus_axes
    angle = np.linspace(0.0, 2 * np.pi, 721)
    for share, inside in ((0.998, True), (1.002, False)):
        p = heart.from_aortic(share * ru * np.cos(angle), share * rv * np.sin(angle), 0.0)
        assert np.all((chambers_at(heart, p).ventricle < 0.0) == inside)


def test_outflow_curve_arrives_along_the_aortic_normal_with_arc_length_stations() -> None:
    heart = HeartPhase(HeartCase(), 40.0)
    curve = OutflowCurve(heart)
    points, tangents = curve.at(np.linspace(-30.0, 5.0, 3501))
    assert np.linalg.norm(np.diff(points, axis=0), axis=1) == pytest.approx(0.01, abs=2e-5)
    (end,), (direction,) = curve.at(0.0)
    assert end == pytest.approx(heart.aortic_center, abs=1e-9)
    assert direction == pytest.approx(heart.aortic_axes[2], abs=1e-9)
    assert np.linalg.norm(tangents, axis=1) == pytest.approx(1.0)


def _grid(heart: HeartPhase, step: float) -> Chambers:
    x = np.arange(-45.0, 50.0, step)
    y = np.arange(-42.0, 50.0, step)
    h = np.arange(-40.0, 60.0, step)
    return Chambers(heart, *(a.astype(np.float32) for a in np.meshgrid(x, y, h, indexing="ij")))


@pytest.mark.parametrize("kind", ["none", "bioprosthesis"])
@pytest.mark.parametrize("phase", [40.0, 75.0])
def test_chambers_are_joined_by_the_open_valve_only(kind: str, phase: float) -> None:
    ring = RingShape(13.0) if kind == "bioprosthesis" else RingShape(17.0, 0.09, 0.03, 2.5)
    heart = HeartPhase(HeartCase(ring=ring, implant=RingImplant(kind), curtain_wall=1.4), phase)
    parts = _grid(heart, 0.7)
    labels, _ = label(parts.left_blood < 0.0)
    middle = [int(np.argmin(np.abs(axis))) for axis in (parts.x[:, 0, 0], parts.y[0, :, 0])]
    heights = parts.h[0, 0, :]
    atrium = labels[middle[0], middle[1], int(np.argmin(np.abs(heights + 22.0)))]
    ventricle = labels[middle[0], middle[1], int(np.argmin(np.abs(heights - 40.0)))]
    assert atrium > 0
    assert ventricle > 0
    assert (atrium == ventricle) == (phase == 75.0)
    outflow, _ = label(parts.outflow_blood < 0.0)
    # the stated outflow lumen is one piece, and with the valve closed exactly the ventricle's piece
    wanted = labels == ventricle
    differs = wanted != (outflow == outflow[middle[0], middle[1], int(np.argmin(np.abs(heights - 40.0)))])
    assert differs.mean() < 2e-5
    right = parts.right_blood < 0.0
    joined, _ = label(right | wanted)
    assert not np.isin(np.unique(joined[right]), np.unique(joined[wanted])).any()
