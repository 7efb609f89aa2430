"""One reading from landmarks and image to rows, curves, views and drawing, on a closed-form heart."""

import json
import math
from dataclasses import asdict, replace
from functools import cache

import numpy as np
import pytest
from analytic_heart import rotation
from thin_walls import thin_walled

from outflow_geometry.base.frames import Volume
from outflow_geometry.base.inputs import Cutoff, Definitions, Device, Plan, ReadingInput
from outflow_geometry.measures.phases import measure_case
from outflow_geometry.measures.reading import ReadingResult, measure_reading
from outflow_geometry.measures.registry import REGISTRY

DEVICE = Device("invented-38", 38.0, 28.0, 0.0, 16.0)
PLANS = (Plan("P1", DEVICE, ventricular_depth=21.0),)
CHOSEN = Definitions(solids=("full_frame", "skirt"), cutoffs=(Cutoff("A", 170.0),))
DRAWN = replace(CHOSEN, draws=40, landmark_sd={"default": 0.5})


@cache
def heart() -> ReadingInput:
    case, volume = thin_walled("closed", 1.0)
    return ReadingInput(case.landmarks(), volume, PLANS, None, CHOSEN)


@cache
def plain() -> ReadingResult:
    return measure_reading(heart())


@cache
def redrawn() -> ReadingResult:
    return measure_reading(replace(heart(), definitions=DRAWN))


def numbers(result: ReadingResult) -> dict[tuple[str, str, str, str], float | None]:
    return {(v.plan_id, v.measure, v.variant, v.method): v.value for v in result.values}


def test_every_combination_is_a_row_and_the_sections_are_there() -> None:
    rows = plain().values
    assert {r.measure for r in rows} == {m.id for m in REGISTRY}
    assert len({(r.plan_id, r.measure, r.variant, r.method) for r in rows}) == len(rows)
    for row in rows:
        assert (row.value is None) <= (row.status != "ok")
        assert row.value is None or math.isfinite(row.value)
    found = numbers(plain())
    for method in ("reader_path", "automatic_path"):
        area = found["P1", "neo_lvot_area", "full_frame", method]
        native = found["P1", "native_lvot_area", "full_frame", method]
        assert 0.0 < area < native
        assert found["P1", "lvot_residual_fraction", "full_frame", method] == pytest.approx(area / native)
        assert 0.0 < found["P1", "bottleneck_area", "full_frame", method] <= area
        assert -30.0 <= found["P1", "neo_lvot_station", "full_frame", method] <= 0.0
        # the skirt is part of the frame, so it leaves no less
        assert found["P1", "neo_lvot_area", "skirt", method] >= area - 1e-6


def test_smallest_section_is_the_foot_of_its_curve() -> None:
    found = numbers(plain())
    for curve in plain().curves:
        smallest = found["P1", "neo_lvot_area", curve.variant, curve.method]
        station = found["P1", "neo_lvot_station", curve.variant, curve.method]
        at = np.interp(station, curve.stations, curve.areas)
        assert smallest == pytest.approx(at, rel=0.02)
        rows = curve.rows()
        assert len(rows) == len(curve.stations)
        assert set(rows[0]) == {"plan_id", "variant", "method", "station_mm", "area_mm2", "native_area_mm2"}


def test_measured_twice_is_the_same_to_the_last_bit() -> None:
    again = measure_reading(replace(heart(), definitions=DRAWN))
    assert again.values == redrawn().values
    assert again.drawing == redrawn().drawing


def test_plans_of_one_reading_share_what_they_can_and_change_nothing_by_it() -> None:
    """Depths of one device share flow, answers of the path and sections; each plan's rows are those of it alone."""
    own = heart().plans[0]
    others = (replace(own, plan_id="P2", ventricular_depth=11.0), replace(own, plan_id="P3", tilt_ap=5.0))
    few = replace(DRAWN, draws=24)
    together = measure_reading(replace(heart(), plans=(own, *others), definitions=few))
    # of another tilt, whose planes are others, the image's blur is that found for the first plan
    for plan, within in zip(others, (1e-9, 1e-2), strict=True):
        alone = measure_reading(replace(heart(), plans=(plan,), definitions=few))
        rows = [row for row in together.values if row.plan_id == plan.plan_id]
        for row, again in zip(rows, [r for r in alone.values if r.plan_id == plan.plan_id], strict=True):
            assert (row.measure, row.variant, row.method, row.status) == (
                again.measure, again.variant, again.method, again.status,
            )  # fmt: skip
            for name in ("value", "std_error", "ci_low", "ci_high"):
                one, other = getattr(row, name), getattr(again, name)
                assert one == (None if other is None else pytest.approx(other, rel=within, abs=1e-9)), row


def test_intervals_and_chances_come_with_known_scatter() -> None:
    # values do not depend on whether intervals are asked for
    assert numbers(redrawn())["P1", "neo_lvot_area", "full_frame", "reader_path"] == pytest.approx(
        numbers(plain())["P1", "neo_lvot_area", "full_frame", "reader_path"]
    )
    rows = {(v.measure, v.variant, v.method): v for v in redrawn().values}
    for key, row in rows.items():
        if row.value is None or key[0] == "neo_lvot_chance_below":
            assert row.std_error is None
        else:
            assert row.std_error > 0.0 or key[0] == "lvot_residual_fraction", key
            assert row.ci_low <= row.ci_high
    chance = rows["neo_lvot_chance_below", "full_frame/A", "automatic_path"]
    area = rows["neo_lvot_area", "full_frame", "automatic_path"]
    assert 0.0 <= chance.value <= 1.0
    assert (chance.value > 0.5) == (0.5 * (area.ci_low + area.ci_high) < 170.0)
    assert all(v.std_error is None for v in plain().values)


def test_drawing_is_json_and_holds_what_was_measured() -> None:
    drawing = json.loads(json.dumps(asdict(redrawn().drawing), allow_nan=False))
    section = drawing["plans"]["P1"]["sections"]["full_frame|reader_path"]
    row = next(v for v in redrawn().values if (v.measure, v.variant, v.method)
               == ("neo_lvot_area", "full_frame", "reader_path"))  # fmt: skip
    assert section["area_mm2"] == pytest.approx(row.value, abs=1e-3)
    assert section["ci_low"] == pytest.approx(row.ci_low, abs=1e-3)
    rings = [np.asarray(ring) for ring in section["residual"]]
    shoelace = sum(0.5 * np.sum(r[:-1, 0] * r[1:, 1] - r[1:, 0] * r[:-1, 1]) for r in rings)
    assert abs(shoelace) == pytest.approx(row.value, rel=0.01)
    along = np.asarray(drawing["plans"]["P1"]["curve_intervals"]["full_frame|reader_path"])
    assert along[-1, 0] == 0.0
    assert np.all(along[:, 1:].sum(axis=1) > 0.0)
    assert plain().drawing.plans["P1"].curve_intervals == {}
    assert len(drawing["edge_on"]["mitral"]) == 181
    assert set(drawing["paths"]) == {"reader_path", "automatic_path"}
    assert drawing["level"]["blood_hu"] == pytest.approx(360.0, abs=10)


def turned(reading: ReadingInput, turn: np.ndarray, shift: np.ndarray) -> ReadingInput:
    volume = reading.volume
    moved = Volume(volume.values, turn @ volume.origin + shift, turn @ volume.direction, volume.spacing)
    marks = {name: points @ turn.T + shift for name, points in reading.landmarks.items()}
    return replace(reading, landmarks=marks, volume=moved)


def assert_same_numbers(one: ReadingResult, other: ReadingResult, relative: float) -> None:
    first, second = numbers(one), numbers(other)
    assert first.keys() == second.keys()
    for key, value in first.items():
        if value is None:
            assert second[key] is None, key
        else:
            assert second[key] == pytest.approx(value, rel=relative, abs=2e-3), key


def test_a_turned_and_shifted_patient_measures_the_same() -> None:
    moved = turned(heart(), rotation(7), np.asarray([120.0, -400.0, 900.0]))
    assert_same_numbers(plain(), measure_reading(moved), 1e-4)


def test_slices_stored_from_head_to_feet_measure_the_same() -> None:
    volume = heart().volume
    flipped = Volume(
        np.ascontiguousarray(volume.values[::-1]),
        volume.to_points([volume.values.shape[0] - 1.0, 0.0, 0.0]),
        volume.direction * [1.0, 1.0, -1.0],
        volume.spacing,
    )
    # the coarse grid pools blocks from the other end, which may settle a border between chambers a voxel elsewhere
    assert_same_numbers(plain(), measure_reading(replace(heart(), volume=flipped)), 5e-3)


def test_without_image_the_landmarks_still_measure() -> None:
    result = measure_reading(replace(heart(), volume=None))
    status = {(v.measure, v.method): v.status for v in result.values if v.variant != "d_shape"}
    assert status["mitral_area", "reader_points"] == "ok"
    assert status["aorto_mitral_angle", "reader_points"] in ("ok", "inflow_leans_away")
    assert status["neo_lvot_area", "automatic_path"] == "missing_image"
    assert status["lv_volume", "image_edge"] == "missing_image"
    assert result.curves == ()


@pytest.mark.parametrize(
    ("gone", "code"), [("lv_apex", "missing_lv_apex"), ("aortic_hinge_left", "missing_aortic_hinges"),
                       ("mitral_ring", "missing_mitral_ring")]
)  # fmt: skip
def test_a_missing_structure_ends_as_status_not_as_crash(gone: str, code: str) -> None:
    marks = {name: points for name, points in heart().landmarks.items() if name != gone}
    result = measure_reading(replace(heart(), landmarks=marks, definitions=DRAWN))
    sections = {v.status for v in result.values if v.measure == "neo_lvot_area"}
    assert sections == {code}
    assert {r.measure for r in result.values} == {m.id for m in REGISTRY}
    json.dumps(asdict(result.drawing), allow_nan=False)


@pytest.mark.parametrize(
    ("name", "points", "code"),
    [
        ("mitral_ring", "twice", "wound_twice"),
        ("mitral_ring", "line", "collinear_points"),
        ("mitral_ring", "two", "too_few_points"),
        ("outflow_path", "far", "path_outside_image"),
    ],
)
def test_bad_geometry_ends_as_status(name: str, points: str, code: str) -> None:
    marks = dict(heart().landmarks)
    own = marks[name]
    bad = {
        "twice": np.vstack([own[::2], own[1::2]]),
        "line": own[:1] + np.arange(8.0)[:, None] * (own[1] - own[0]),
        "two": own[:2],
        "far": own + 400.0 * np.linspace(1, 0, len(own))[:, None] * np.cross(own[-1] - own[0], [1.0, 0, 0]) / 36.0,
    }[points]
    result = measure_reading(replace(heart(), landmarks=marks | {name: bad}))
    method = "reader_path" if name == "outflow_path" else "automatic_path"
    assert {v.status for v in result.values if v.measure == "neo_lvot_area" and v.method == method} == {code}


def test_a_patient_not_supine_gets_no_views() -> None:
    result = measure_reading(replace(heart(), volume=None, supine=False))
    assert {(v.lao_rao_deg, v.status) for v in result.views} == {(None, "not_supine")}


def test_a_reading_without_plans_has_the_rows_of_a_plan_with_their_reason() -> None:
    planned = measure_reading(replace(heart(), volume=None))
    bare = measure_reading(replace(heart(), volume=None, plans=()))
    of_plan = {(v.measure, v.variant, v.method) for v in planned.values if v.plan_id}
    reasons = {(v.measure, v.variant, v.method): (v.value, v.status) for v in bare.values}
    assert {reasons[name] for name in of_plan} == {(None, "missing_plan")}
    assert {v.plan_id for v in bare.values} == {""}
    over_phases = measure_case([(30.0, bare), (40.0, bare)], CHOSEN)
    expected = {(m.id, v) for m in REGISTRY for v in m.case_variants}
    assert {(v.measure, v.variant.replace("full_frame", "SOLID").replace("skirt", "SOLID")) for v in over_phases} == (
        expected
    )
    assert {(v.plan_id, v.value, v.status) for v in over_phases} == {("", None, "missing_plan")}
