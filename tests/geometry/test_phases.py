"""Rules over the phases of a case, on rows whose answers are known."""

import math
from dataclasses import replace

import pytest

from outflow_geometry.base.drawn import ReadingDrawing
from outflow_geometry.base.inputs import Definitions, LandmarkOrigin
from outflow_geometry.base.results import MeasuredValue
from outflow_geometry.measures.phases import Systole, case_end_systole, end_systole, measure_case, read_systole
from outflow_geometry.measures.reading import ReadingResult

SOLIDS = Definitions(solids=("full_frame",))


def result(area: float | None, volume: float | None, error: float | None = 10.0, status: str = "ok") -> ReadingResult:
    """One phase: the neo-LVOT of one solid by one path, native area and fraction, and the ventricle's volume."""
    native = 400.0

    def row(measure: str, value: float | None, unit: str, sd: float | None) -> MeasuredValue:
        low, high = (None, None) if value is None or sd is None else (value - 2 * sd, value + 2 * sd)
        code = status if value is not None else "leak"
        return MeasuredValue(
            plan_id="P", measure=measure, variant="full_frame", method="automatic_path", value=value, unit=unit,
            std_error=sd, ci_low=low, ci_high=high, status=code,
        )  # fmt: skip

    rows = [
        row("neo_lvot_area", area, "mm2", error),
        row("native_lvot_area", None if area is None else native, "mm2", error),
        row("lvot_residual_fraction", None if area is None else area / native, "1", None),
        row("neo_lvot_station", None if area is None else -area / 20, "mm", None),
        row("device_septum_distance", None if area is None else area / 30, "mm", None),
        MeasuredValue(
            plan_id="",
            measure="lv_volume",
            variant="",
            method="image_edge",
            value=volume,
            unit="ml",
            status="ok" if volume is not None else "leak",
        ),
    ]
    return ReadingResult(tuple(rows), (), (), ReadingDrawing())


def case(*phases: tuple[float | None, ReadingResult]) -> dict[tuple[str, str], MeasuredValue]:
    return {(v.measure, v.variant.split("/")[1]): v for v in measure_case(phases, SOLIDS)}


BEAT = (
    (0.0, result(420, 150)),
    (10.0, result(300, 130)),
    (20.0, result(240, 90)),
    (30.0, result(200, 70)),
    (40.0, result(210, 62)),
    (70.0, result(400, 140)),
)


def test_end_systole_is_the_phase_of_the_smallest_volume() -> None:
    rows = case(*BEAT)
    assert end_systole(dict(BEAT)) == 40.0
    assert rows["neo_lvot_area", "end_systole"].value == 210
    assert rows["neo_lvot_station", "end_systole"].value == -10.5
    assert rows["neo_lvot_area", "end_systole"].ci_low == 190
    assert rows["neo_lvot_area", "end_systole"].status == "ok"


def test_mean_systole_averages_the_window_with_both_ends() -> None:
    row = case(*BEAT)["neo_lvot_area", "mean_systole"]
    # phases 10, 20, 30 and 40 %
    assert row.value == pytest.approx((300 + 240 + 200 + 210) / 4)
    # independent errors: SE of a mean of four is 10 / sqrt(4)
    assert row.std_error == pytest.approx(5.0)
    assert row.ci_high == pytest.approx(237.5 + 1.96 * 5.0, abs=0.01)
    assert row.status == "ok"


def test_min_over_phases_is_each_measure_s_own_smallest_value() -> None:
    rows = case(*BEAT)
    assert rows["neo_lvot_area", "min_over_phases"].value == 200
    assert rows["lvot_residual_fraction", "min_over_phases"].value == 0.5
    assert rows["neo_lvot_station", "min_over_phases"].value == -21.0
    assert rows["device_septum_distance", "min_over_phases"].value == pytest.approx(200 / 30)


def test_every_measure_over_phases_has_every_rule_and_variant() -> None:
    found = {(v.measure, v.variant) for v in measure_case(BEAT, SOLIDS)}
    rules = ("end_systole", "mean_systole", "min_over_phases")
    assert len(found) == 5 * 3
    assert {variant for _, variant in found} == {f"full_frame/{rule}" for rule in rules}


@pytest.mark.parametrize(("count", "status"), [(2, "few_systolic_phases"), (3, "ok")])
def test_a_mean_over_systole_wants_three_phases(count: int, status: str) -> None:
    assert case(*BEAT[1 : 1 + count])["neo_lvot_area", "mean_systole"].status == status


def test_a_window_of_the_study_s_own() -> None:
    rows = measure_case(BEAT, Definitions(solids=("full_frame",), systolic_window=(20.0, 40.0)))
    mean = next(v for v in rows if v.measure == "neo_lvot_area" and v.variant.endswith("mean_systole"))
    assert mean.value == pytest.approx((240 + 200 + 210) / 3)


@pytest.mark.parametrize(
    ("phases", "statuses"),
    [
        (((30.0, result(200, 70)),), ("too_few_phases", "few_systolic_phases", "single_phase")),
        (((None, result(200, 70)),), ("phase_unknown", "phase_unknown", "single_phase")),
        (((70.0, result(400, 140)), (80.0, result(410, 150))), ("ok", "no_systolic_phase", "ok")),
        (
            ((10.0, result(300, 130)), (20.0, result(None, 90)), (30.0, result(200, 70)), (40.0, result(210, 72))),
            ("ok", "phases_missing", "phases_missing"),
        ),
        (
            ((20.0, result(240, 90)), (30.0, result(None, 70)), (40.0, result(210, 72))),
            ("leak", "phases_missing", "phases_missing"),  # the end-systolic phase says itself why it has no value
        ),
        (
            ((20.0, result(240, None)), (30.0, result(220, 70)), (40.0, result(210, 72))),
            ("phases_missing", "ok", "ok"),
        ),
        (((20.0, result(None, 90)), (30.0, result(None, 70))), ("leak", "leak", "leak")),
    ],
)
def test_phases_missing_for_a_rule_are_a_status(phases: tuple, statuses: tuple[str, str, str]) -> None:
    rows = case(*phases)
    rules = ("end_systole", "mean_systole", "min_over_phases")
    assert tuple(rows["neo_lvot_area", rule].status for rule in rules) == statuses


def test_a_null_value_carries_no_interval() -> None:
    for row in measure_case(((30.0, result(200, 70)),), SOLIDS):
        if row.value is None:
            assert (row.std_error, row.ci_low, row.ci_high) == (None, None, None)
            assert row.status != "ok"
        else:
            assert math.isfinite(row.value)


def carried(of: ReadingResult, error: float) -> ReadingResult:
    return replace(of, origin=LandmarkOrigin("carried", 40.0, error))


def test_rows_over_phases_say_how_many_of_their_phases_were_carried() -> None:
    beat = [(p, carried(r, 0.1 + p / 100) if p in (10.0, 30.0, 70.0) else r) for p, r in BEAT]
    rows = case(*beat)
    smallest = rows["neo_lvot_area", "min_over_phases"]
    assert (smallest.landmark_origin, smallest.carried_from_pct, smallest.carry_error_mm) == ("carried", 40.0, 0.4)
    assert (smallest.phases_used, smallest.phases_carried) == (6, 3)
    systole = rows["neo_lvot_area", "end_systole"]
    assert (systole.landmark_origin, systole.carry_error_mm) == ("marked", None)
    assert (systole.phases_used, systole.phases_carried) == (6, 3)
    mean = rows["neo_lvot_area", "mean_systole"]
    assert (mean.landmark_origin, mean.phases_used, mean.phases_carried) == ("carried", 4, 2)
    # two marked phases err apart, the two carried ones together: sqrt(10^2 + 10^2 + (10 + 10)^2) / 4
    assert mean.std_error == pytest.approx(math.sqrt(600) / 4)


def test_rows_over_marked_phases_say_so() -> None:
    row = case(*BEAT)["neo_lvot_area", "mean_systole"]
    assert (row.landmark_origin, row.carried_from_pct, row.phases_used, row.phases_carried) == ("marked", None, 4, 0)


def test_a_read_of_one_phase_takes_the_end_systole_of_the_other_reads() -> None:
    """Second reads are often made in one phase only; the case's first reads tell which phase end-systole is."""
    first = dict(BEAT)
    second = measure_case(((40.0, result(190, 60)),), SOLIDS, [first])
    row = next(v for v in second if (v.measure, v.variant) == ("neo_lvot_area", "full_frame/end_systole"))
    assert (row.value, row.status) == (190, "ok")
    assert read_systole({40.0: result(190, 60)}, [{**first, 50.0: result(1, None)}]) == Systole(40.0, "phases_missing")
    elsewhere = measure_case(((20.0, result(190, 60)),), SOLIDS, [first])
    row = next(v for v in elsewhere if (v.measure, v.variant) == ("neo_lvot_area", "full_frame/end_systole"))
    assert (row.value, row.status) == (None, "phases_missing")


def test_a_read_of_every_phase_keeps_its_own_end_systole() -> None:
    other = {**dict(BEAT), 30.0: result(200, 10)}
    assert case_end_systole([other]) == 30.0
    assert read_systole(dict(BEAT), [other]) == Systole(40.0)


def test_the_case_s_end_systole_is_by_the_mean_of_the_fullest_reads() -> None:
    a = {10.0: result(1, 60), 40.0: result(1, 50)}
    b = {10.0: result(1, 50), 40.0: result(1, 64)}
    assert case_end_systole([a, b, {40.0: result(1, 1)}]) == 10.0  # means 55 and 57; the single phase does not count
    assert case_end_systole([{40.0: result(1, 1)}, {10.0: result(1, 2)}]) is None
    assert case_end_systole([]) is None
