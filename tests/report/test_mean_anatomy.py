"""Mean anatomy and the ellipses drawn on it, against closed forms. LPS, mm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from outflow_cohort.report.landmarks_figure import ellipse, landmark_figures
from outflow_cohort.report.mean_anatomy import mean_anatomy

ANGLES = np.deg2rad(np.arange(0, 360, 20))
RING = np.stack([18 * np.cos(ANGLES), 20 * np.sin(ANGLES), 0 * ANGLES], axis=1)
"""Ellipse in the frame: half-axis 18 towards the aorta, 20 across."""
AORTA = np.array([27.0, 0.0, -4.0])
NORMAL = np.array([np.sin(np.deg2rad(60)), 0.0, -np.cos(np.deg2rad(60))])
"""Downstream, away from the ventricle, in the three-chamber plane."""
APEX = np.array([4.0, 0.0, 80.0])


def hinges() -> dict[str, np.ndarray]:
    """Three hinges on a circle of 12 mm; right, left, non-coronary run anticlockwise seen from the aorta."""
    u = np.cross(NORMAL, [0.0, 1.0, 0.0])
    v = np.cross(NORMAL, u)
    turn = np.deg2rad([10, 130, 250])
    points = AORTA + 12 * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)
    names = ("aortic_hinge_right", "aortic_hinge_left", "aortic_hinge_non")
    return dict(zip(names, points[:, None, :], strict=True))


def rows(case: str, reader: str, read: int, phase: float, motion: Rotation, shift: np.ndarray, scale: float) -> list:
    structures = {"mitral_ring": RING, "lv_apex": APEX[None], **hinges()}
    out = []
    for name, points in structures.items():
        for number, p in enumerate(motion.apply(points * scale) + shift, start=1):
            out.append((case, phase, reader, read, name, number, *p))
    return out


def table(*parts: list) -> pd.DataFrame:
    columns = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    return pd.DataFrame([r for part in parts for r in part], columns=columns)


def test_cases_in_any_pose_fall_on_each_other() -> None:
    motions = Rotation.random(6, random_state=4)
    shifts = np.random.default_rng(5).normal(0, 60, (6, 3))
    parts = [rows(f"C{i}", "R1", 1, 40.0, motions[i], shifts[i], 1.0) for i in range(6)]
    found = mean_anatomy(table(*parts))
    assert found is not None
    assert found.n_cases == 6
    np.testing.assert_allclose(found.places["lv_apex"], APEX, atol=1e-6)
    np.testing.assert_allclose(found.aortic_center, AORTA, atol=1e-6)
    np.testing.assert_allclose(found.aortic_normal, NORMAL, atol=1e-6)
    assert found.aortic_radius == pytest.approx(12.0, abs=1e-6)
    # The spline through 18 points of an ellipse departs from it by less than 0.02 mm.
    on_ellipse = (found.ring[:, 0] / 18) ** 2 + (found.ring[:, 1] / 20) ** 2
    np.testing.assert_allclose(on_ellipse, 1.0, atol=2e-3)
    distance = (found.annulus() - found.aortic_center) @ found.aortic_normal
    np.testing.assert_allclose(distance, 0.0, atol=1e-9)


def test_each_case_counts_once_by_its_first_reads_in_its_best_read_phase() -> None:
    """Case A: two readers, scale 1 and 1.2 → 1.1; its repeat and its other phase do not count. Case B: scale 0.9."""
    still, origin = Rotation.identity(), np.zeros(3)
    found = mean_anatomy(
        table(
            rows("A", "R1", 1, 40.0, still, origin, 1.0),
            rows("A", "R2", 1, 40.0, still, origin, 1.2),
            rows("A", "R1", 2, 40.0, still, origin, 3.0),
            rows("A", "R1", 1, 20.0, still, origin, 5.0),
            rows("B", "R1", 1, 70.0, still, origin, 0.9),
        )
    )
    assert found is not None
    assert found.n_cases == 2
    np.testing.assert_allclose(found.places["lv_apex"], APEX * (1.1 + 0.9) / 2, atol=1e-9)


def test_readings_without_a_frame_are_left_out() -> None:
    whole = table(rows("A", "R1", 1, 40.0, Rotation.identity(), np.zeros(3), 1.0))
    assert mean_anatomy(whole[whole["structure"] != "lv_apex"]) is None
    assert mean_anatomy(whole.iloc[:0]) is None


@pytest.mark.parametrize("seed", range(5))
def test_ellipse_is_the_shadow_of_the_ellipsoid(seed: int) -> None:
    """Against the hull of many points of the ellipsoid, projected."""
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=3)
    normal /= np.linalg.norm(normal)
    in_plane, along = 2.0, 0.7
    sphere = rng.normal(size=(200_000, 3))
    sphere /= np.linalg.norm(sphere, axis=1)[:, None]
    height = sphere @ normal
    points = in_plane * (sphere - height[:, None] * normal) + along * height[:, None] * normal
    axes = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    major, minor, angle = ellipse(axes, normal, in_plane, along)
    flat = points @ axes.T
    direction = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
    assert (flat @ direction).max() == pytest.approx(major, rel=2e-3)
    assert (flat @ [-direction[1], direction[0]]).max() == pytest.approx(minor, rel=2e-3)


def test_figures_show_the_distances_of_the_table() -> None:
    anatomy = mean_anatomy(table(rows("A", "R1", 1, 40.0, Rotation.identity(), np.zeros(3), 1.0)))
    statistics = {"distance_mean": 1.5, "distance_rms": 1.7, "in_plane_mean": 1.2, "normal_mean_absolute": 0.5}
    agreement = pd.DataFrame(
        [
            {"structure": s, "kind": k, "comparison": "all", "statistic": n, "estimate": v, "ci_low": v - 0.1,
             "ci_high": v + 0.1, "n_cases": 9, "n_pairs": 27}
            for s in ("lv_apex", "mitral_ring") for k in ("between_readers", "within_reader")
            for n, v in statistics.items()
        ]
    )  # fmt: skip
    long_axis, en_face = landmark_figures(agreement, anatomy)
    assert long_axis.data is not None
    apex = long_axis.data[long_axis.data["structure"] == "lv_apex"].iloc[0]
    assert {n: apex[n] for n in statistics} == statistics
    assert tuple(apex[["toward_mm", "across_mm", "down_mm"]]) == pytest.approx(tuple(APEX), abs=1e-6)
    # Seen across, the ring's normal is in the picture: half-axes 1.2 and 0.5 mm, 12 units per mm (4, enlarged 3 times).
    assert 'rx="14.4" ry="6.0"' in "".join(long_axis.drawing.parts)
    # Seen along the normal, the ring's ellipse is a circle; the apex is not shown from the atrium.
    assert 'rx="14.4" ry="14.4"' in "".join(en_face.drawing.parts)
    assert not any("LV apex" in p for p in en_face.drawing.parts)
    assert landmark_figures(agreement, None) == []
    assert landmark_figures(agreement.iloc[:0], anatomy) == []
