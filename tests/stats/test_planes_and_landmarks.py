"""Planes and landmarks of readers: planted angles and offsets come back; readers' bias and drift."""

import numpy as np
import pandas as pd
import pytest

from outflow_cohort.stats import (
    drift_table,
    landmark_agreement,
    plane_agreement,
    planes_of_readings,
    reader_bias,
    reader_drift,
    reading_plane_agreement,
)
from outflow_cohort.stats.agreement.planes import angle_between


def rotation(axis, degrees):
    axis = np.asarray(axis, float) / np.linalg.norm(axis)
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    angle = np.radians(degrees)
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


def planes(tilt_deg, along_mm, across_mm, n=12):
    rng = np.random.default_rng(1)
    rows = []
    for case in range(n):
        normal = rng.normal(size=3)
        normal /= np.linalg.norm(normal)
        side = np.cross(normal, [1.0, 0.0, 0.0])
        side /= np.linalg.norm(side)
        turned = rotation(side, tilt_deg) @ normal
        middle = (normal + turned) / np.linalg.norm(normal + turned)
        center = rng.normal(size=3) * 50
        rows.append((f"C{case}", "R1", 1, *normal, *center))
        rows.append((f"C{case}", "R2", 1, *(3 * turned), *(center + along_mm * middle + across_mm * side)))
    columns = [
        "case_id",
        "reader_id",
        "read_no",
        *(f"{name}_{axis}" for name in ("normal", "center") for axis in "xyz"),
    ]
    return pd.DataFrame(rows, columns=columns)


def test_planted_tilt_and_offsets_come_back():
    table = plane_agreement(planes(4.0, 1.5, 2.5)).query("kind == 'between_readers' and comparison == 'R2 - R1'")
    found = table.set_index("statistic").estimate
    assert found["angle_mean"] == pytest.approx(4.0, abs=1e-9)
    assert found["angle_rms"] == pytest.approx(4.0, abs=1e-9)
    assert found["offset_normal_mean"] == pytest.approx(1.5, abs=1e-9)
    assert found["offset_in_plane_mean"] == pytest.approx(2.5, abs=1e-9)


def test_result_does_not_depend_on_the_frame_of_the_patient():
    frame = planes(3.0, 1.0, 2.0).assign(case_id=lambda f: f["case_id"])
    turn = rotation([1, 2, 3], 77)
    moved = frame.copy()
    moved[["normal_x", "normal_y", "normal_z"]] = frame[["normal_x", "normal_y", "normal_z"]].to_numpy() @ turn.T
    moved[["center_x", "center_y", "center_z"]] = frame[["center_x", "center_y", "center_z"]].to_numpy() @ turn.T + 9
    first, second = plane_agreement(frame), plane_agreement(moved)
    np.testing.assert_allclose(first["estimate"], second["estimate"], rtol=1e-9, atol=1e-9)


def test_angle_is_accurate_where_the_arc_cosine_is_not():
    tiny = 1e-7
    first = np.array([[1.0, 0, 0]])
    second = np.array([[np.cos(tiny), np.sin(tiny), 0]])
    assert angle_between(first, second)[0] == pytest.approx(np.degrees(tiny), rel=1e-9)
    assert angle_between(first, -second, signed=False)[0] == pytest.approx(np.degrees(tiny), rel=1e-8)
    assert angle_between(first, -second)[0] == pytest.approx(180 - np.degrees(tiny), rel=1e-12)


def test_two_scalar_angles_would_mislead_where_the_plane_angle_does_not():
    """Near the pole a LAO/RAO difference of 90 degrees may be a degree between the normals."""
    pole = np.array([[np.sin(0.01), 0.0, np.cos(0.01)], [0.0, np.sin(0.01), np.cos(0.01)]])
    assert angle_between(pole[:1], pole[1:])[0] < 1.0


def landmarks(shift, n=10, phases=(30.0,)):
    rng = np.random.default_rng(2)
    rows = []
    for case in range(n):
        normal = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        u, v, axis = normal.T
        center = rng.normal(size=3) * 30
        for phase in phases:
            for reader, offset in (("R1", np.zeros(3)), ("R2", shift[0] * u + shift[1] * axis)):
                turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
                ring = center + 18 * np.cos(turn)[:, None] * u + 18 * np.sin(turn)[:, None] * v
                structures = {
                    "mitral_ring": ring + shift[1] * axis * (reader == "R2"),
                    "lv_apex": (center + 70 * axis + offset)[None],
                    "trigone_left": (center + 18 * u + offset)[None],
                    "post_tip": center + 9 * axis + 12 * np.array([u, v, -u])[:: 1 if reader == "R1" else -1] + offset,
                }
                for structure, points in structures.items():
                    for number, point in enumerate(points):
                        rows.append((f"C{case}", phase, reader, 1, structure, number + 1, *point))
    columns = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no", "x_mm", "y_mm", "z_mm"]
    return pd.DataFrame(rows, columns=columns)


def test_planted_landmark_shifts_come_back_by_direction():
    table = landmark_agreement(landmarks((3.0, 4.0))).query("comparison == 'R2 - R1'")
    found = table.set_index(["structure", "statistic"]).estimate
    for structure in ("lv_apex", "trigone_left", "post_tip"):
        assert found[structure, "distance_mean"] == pytest.approx(5.0, abs=1e-9)
        assert found[structure, "in_plane_mean"] == pytest.approx(3.0, abs=1e-9)
        assert found[structure, "normal_mean"] == pytest.approx(4.0, abs=1e-9)
    # The ring is moved along its axis only; both ways round its line.
    assert found["mitral_ring", "normal_mean"] == pytest.approx(4.0, abs=1e-9)
    assert found["mitral_ring", "in_plane_mean"] == pytest.approx(0.0, abs=1e-9)


def test_a_ring_marked_at_other_places_of_the_same_outline_does_not_differ():
    frame = landmarks((0.0, 0.0))
    ring = (frame["structure"] == "mitral_ring") & (frame["reader_id"] == "R2")
    half = frame[ring]
    # Midpoints of the sides, numbered from elsewhere: every one is on the first reader's polygon.
    for _, group in half.groupby("case_id"):
        points = group[["x_mm", "y_mm", "z_mm"]].to_numpy()
        frame.loc[group.index, ["x_mm", "y_mm", "z_mm"]] = np.roll(
            (points + np.roll(points, -1, axis=0)) / 2, 5, axis=0
        )
    table = landmark_agreement(frame).query("structure == 'mitral_ring' and comparison == 'all'")
    mean = table.set_index("statistic").estimate["distance_mean"]
    sagitta = 18 * (1 - np.cos(np.pi / 16))
    assert 0 < mean < sagitta


def test_phases_do_not_multiply_the_cases():
    one = landmark_agreement(landmarks((3.0, 4.0)))
    three = landmark_agreement(landmarks((3.0, 4.0), phases=(10.0, 30.0, 50.0)))
    assert set(three["n_cases"]) == {10}
    np.testing.assert_allclose(one["estimate"], three["estimate"], atol=1e-9)


def drifting(slope, bias, n=30):
    rng = np.random.default_rng(4)
    rows = []
    order = rng.permutation(n)
    for case in range(n):
        truth = rng.normal(100, 10)
        for reader in ("R1", "R2", "R3"):
            extra = bias + slope * order[case] if reader == "R2" else 0.0
            rows.append((f"C{case}", reader, order[case] + 1, truth + extra + rng.normal(0, 0.5)))
    return pd.DataFrame(rows, columns=["case_id", "reader_id", "order", "value"])


def test_planted_drift_and_bias_come_back():
    drift = reader_drift(drifting(0.2, 0.0), order="order").set_index("reader")
    assert drift.ci_low["R2"] < 2.0 < drift.ci_high["R2"]
    assert drift.p_value["R2"] < 1e-6
    bias = reader_bias(drifting(0.0, 3.0)).set_index("reader")
    assert bias.ci_low["R2"] < 2.0 < bias.ci_high["R2"]
    assert bias.estimate.sum() == pytest.approx(0.0, abs=1e-9)


def test_bias_of_complete_readings_is_the_classical_contrast():
    frame = drifting(0.0, 3.0)
    wide = frame.pivot_table(index="case_id", columns="reader_id", values="value")
    expected = wide.mean() - wide.mean().mean()
    found = reader_bias(frame).set_index("reader")
    np.testing.assert_allclose(found.estimate, expected, atol=1e-8)
    left = wide.sub(wide.mean(axis=1), axis=0).sub(expected, axis=1).to_numpy()
    square = (left**2).sum() / (29 * 2)
    np.testing.assert_allclose(found.standard_error, np.sqrt(square / 30 * 2 / 3), rtol=1e-6)


def test_planes_of_readings_are_those_the_measures_use():
    shifted = landmarks((0.0, 2.0))
    planes = planes_of_readings(shifted)
    assert set(planes["plane"]) == {"mitral_ring"}
    assert len(planes) == 20
    table = reading_plane_agreement(shifted).query("plane == 'mitral_ring' and comparison == 'R2 - R1'")
    found = table.set_index("statistic").estimate
    assert found["angle_mean"] == pytest.approx(0.0, abs=1e-6)
    assert found["offset_normal_mean"] == pytest.approx(2.0, abs=1e-6)
    assert found["offset_in_plane_mean"] == pytest.approx(0.0, abs=1e-6)
    missing = reading_plane_agreement(shifted).query("plane == 'aortic_annulus'")
    assert set(missing["status"]) == {"no_pairs"}


def test_drift_of_measures_takes_the_order_told_with_the_landmarks():
    readings = drifting(0.2, 0.0).assign(phase_pct=np.nan, read_no=1)
    points = readings[["case_id", "phase_pct", "reader_id", "read_no"]].assign(reading_order=readings["order"])
    measured = readings.drop(columns="order").assign(
        measure="mitral_area", variant="spline", method="reader_points", plan_id="", unit="mm2"
    )
    table = drift_table(measured, points).set_index("reader")
    expected = reader_drift(readings, order="order").set_index("reader")
    np.testing.assert_allclose(table["estimate"], expected["estimate"])
    untold = drift_table(measured, points.drop(columns="reading_order"))
    assert set(untold["status"]) == {"no_reading_order_or_other_reader"}
    assert untold["estimate"].isna().all()
