"""A broken study stops with one message per problem; a sound one is frozen into requests that change only with it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from table_files import LANDMARK_HEADER, ring_rows

from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main
from outflow_cohort.handover.request import read_request
from outflow_cohort.steps.plan import plan
from outflow_cohort.study.keys import SAFE_KEY, case_key
from outflow_cohort.study.problems import StudyError


def problems_of(path: Path) -> list[str]:
    with pytest.raises(StudyError) as caught:
        plan(study_file=path)
    return [str(p) for p in caught.value.problems if p.severity == "error"]


def requests_of(path: Path) -> dict[str, dict]:
    plan(study_file=path)
    return {p.stem: json.loads(p.read_text()) for p in (path.parent / "results/work/requests").glob("*.json")}


def test_a_sound_study_freezes_one_request_a_case(study):
    requests = requests_of(study())
    assert set(requests) == {"C1", "C2"}
    assert [r["phase_pct"] for r in requests["C1"]["readings"]] == [30.0, 40.0]
    assert len(requests["C1"]["readings"][0]["structures"]["mitral_ring"]) == 12
    assert requests["C2"]["readings"][0]["phase_pct"] is None
    assert requests["C2"]["prosthesis"]["wall_mm"] == 0.6
    assert requests["C2"]["plans"] == []


def test_a_device_without_a_plan_gets_the_default_plan(study):
    requests = requests_of(study(plans=(["case_id", "plan_id", "device_id"], [])))
    assert [(p["plan_id"], p["device_id"], p["ventricular_depth_mm"]) for p in requests["C1"]["plans"]] == [
        ("default", "K27", None)
    ]


def test_outcome_columns_hold_the_stated_texts_or_stop_the_study(study):
    cases = (["case_id", "group", "device_id", "death"], [["C1", "native", "K27", "yes"], ["C2", "ring", "", "no"]])
    settings = "study_id: trial\nstatistics: {outcomes: [{column: death%s}]}\n"
    wrong = problems_of(study(settings % "", cases=cases))
    assert len(wrong) == 1
    assert '"no", "yes"' in wrong[0]
    assert 'needed "1" for an event' in wrong[0]
    assert "no such column" in problems_of(study(settings % ""))[0]
    requests_of(study(settings % ', event: "yes", no_event: "no"', cases=cases))


def test_a_change_in_one_case_leaves_the_other_request_untouched(study):
    path = study()
    plan(study_file=path)
    work = path.parent / "results/work/requests"
    before = {p.name: p.stat().st_mtime_ns for p in work.iterdir()}
    rows = ring_rows("C1", 30, "R1", scale=1.01) + ring_rows("C1", 40, "R1") + ring_rows("C2", "", "R1")
    plan(study_file=study(landmarks=(LANDMARK_HEADER, rows)))
    after = {p.name: p.stat().st_mtime_ns for p in work.iterdir()}
    assert after["C1.json"] != before["C1.json"]
    assert after["C2.json"] == before["C2.json"]


@pytest.mark.parametrize(
    ("tables", "expected"),
    [
        ({"landmarks": (LANDMARK_HEADER[:-1], [r[:-1] for r in ring_rows("C1", 30, "R1")])}, ["landmarks.csv, row 1, z_mm", "no such column"]),
        ({"plans": (["case_id", "plan_id", "device_id"], [["C1", "p", "K72"]])}, ["plans.csv, row 2, device_id", '"K72"', 'did you mean "K27"', "devices.csv"]),
        ({"landmarks": (LANDMARK_HEADER, ring_rows("C1", 30, "R1", scale=10))}, ["landmarks.csv, row 2", "wide", "12 to 120 mm", "unit"]),
        ({"devices": (["device_id", "nominal_diameter_mm", "height_mm"], [["K27", 2.7, 20]])}, ["devices.csv, row 2, nominal_diameter_mm", "found 2.7", "10 to 80 mm", "unit"]),
        ({"devices": (["device_id", "nominal_diameter_mm", "height_mm"], [["K27", "27,5", 20]])}, ["decimal comma"]),
        ({"cases": (["case", "group"], [["C1", "x"]])}, ["cases.csv, row 1, case_id", "no such column"]),
        ({"series": (["case_id", "dicom_dir", "phase_pct"], [["C1", "a", 30], ["C1", "b", 30], ["C2", "c", 30]])}, ["series.csv, row 3", "a second time"]),
        ({"landmarks": (LANDMARK_HEADER, ring_rows("C1", "", "R1"))}, ["landmarks.csv, row 2, phase_pct", "several phases"]),
        ({"series": (["case_id", "dicom_dir", "phase_pct"], [["C1", "a", 0.3], ["C1", "b", 0.4], ["C2", "c", ""]])}, ["series.csv, row 3, phase_pct", "no phase above 0.4", "multiply"]),
        ({"landmarks": (LANDMARK_HEADER, [["C1", 30, "R1", 1, "mitral_rnig", 1, 0, 0, 0]])}, ["structure", 'did you mean "mitral_ring"']),
    ],
)  # fmt: skip
def test_each_mistake_gets_one_message_with_its_place(study, tables, expected):
    messages = [m for m in problems_of(study(**tables)) if expected[0] in m]
    assert len(messages) == 1, problems_of(study(**tables))
    for part in [*expected, "Remedy:"]:
        assert part in messages[0]


def test_names_are_not_missed_in_a_table_that_could_not_be_read(study):
    assert len(problems_of(study(cases=(["case"], [["C1"], ["C2"]])))) == 1


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ("study_id: t\nsection_rul: at_path\n", 'did you mean "section_rule"'),
        ("title: t\n", "study_id"),
        ("study_id: t\nuncertainty: {draws: 3}\n", "uncertainty.draws"),
        ("study_id: t\nuncertainty: {draws: -1}\n", "uncertainty.draws"),
        ("study_id: !!python/object/apply:os.system ['true']\n", "broken YAML"),
        ("study_id: t\ndefinitions: {section_rule: other}\n", "section_rule"),
        ("study_id: t\nimplants: {depths_mm: [8], cases: [C9], devices: [none]}\n", "implants.cases"),
        ("study_id: t\nimplants: {depths_mm: [8], devices: [none]}\n", "implants.devices"),
    ],
)
def test_settings_are_closed_and_bounded(study, settings, expected):
    assert any(expected in m for m in problems_of(study(settings)))


@pytest.mark.parametrize(
    "settings",
    [
        "study_id: t\nsection_rule: at_path\nsearch_upstream_mm: 20\n",
        "study_id: t\ndefinitions: {section_rule: at_path, search_upstream_mm: 20}\n",
    ],
)
def test_definitions_may_stand_in_their_section_or_alone(study, settings):
    chosen = requests_of(study(settings))["C1"]["study"]["definitions"]
    assert (chosen["section_rule"], chosen["search_upstream_mm"]) == ("at_path", 20.0)


def test_intervals_may_be_left_out(study):
    assert requests_of(study("study_id: t\nuncertainty: {draws: 0}\n"))["C1"]["study"]["uncertainty"]["draws"] == 0


def refused_of(path: Path) -> dict[tuple, str]:
    plan(study_file=path)
    rows = json.loads((path.parent / "results/work/plan.json").read_text())["refused"]
    return {(r["case_id"], r["phase_pct"], r["reader_id"]): r["code"] for r in rows}


def test_readings_that_cannot_be_measured_are_refused_and_the_rest_goes_on(study):
    rows = ring_rows("C1", 30, "R1") + ring_rows("C1", 50, "R1") + ring_rows("C1", 40, "R2", n=2)
    rows += ring_rows("C2", "", "R1") + ring_rows("C1", 40, "R3") + ring_rows("C1", 40, "R3")[:1]
    path = study(landmarks=(LANDMARK_HEADER, rows))
    assert refused_of(path) == {
        ("C1", 50.0, "R1"): "phase_without_series",
        ("C1", 40.0, "R2"): "too_few_points",
        ("C1", 40.0, "R3"): "duplicate_point",
    }
    kept = [(r["phase_pct"], r["reader_id"]) for r in requests_of(path)["C1"]["readings"]]
    assert kept == [(30.0, "R1")]


def test_an_excluded_reading_is_listed_with_its_reason(study):
    path = study("study_id: t\nexclude:\n- {case_id: C1, phase_pct: 30, reason: wrong patient}\n")
    assert refused_of(path) == {("C1", 30.0, "R1"): "excluded"}


def test_free_text_in_a_number_cell_is_not_repeated(study, capsys):
    rows = [["C1", 30, "R1", 1, "mitral_ring", 1, "Zebulon Quagmire", 0, 0]]
    path = study(landmarks=(LANDMARK_HEADER, rows))
    assert main(["plan", "--study", str(path)]) == EXIT_STUDY
    assert "Quagmire" not in "".join(capsys.readouterr())


def test_a_sound_study_exits_with_zero(study):
    assert main(["plan", "--study", str(study())]) == EXIT_OK


@pytest.mark.parametrize("name", ["../../etc/passwd", "a b", "{key}", "x'; touch y; '", "Ω", "-rf", "a/b", "a.b"])
def test_any_case_name_gets_a_file_safe_key(name):
    key = case_key(name)
    assert SAFE_KEY.fullmatch(key)
    assert key != case_key(name + " ")


def test_a_moved_study_has_the_same_requests(study, tmp_path: Path):
    path = study()
    before = requests_of(path)
    elsewhere = tmp_path.with_name(f"{tmp_path.name}_moved")
    path.parent.rename(elsewhere)
    plan(study_file=elsewhere / "study.yaml")
    request = elsewhere / "results/work/requests/C1.json"
    assert json.loads(request.read_text()) == before["C1"]
    assert [s.dicom_dir for s in read_request(request).series] == [str(elsewhere / "d/a"), str(elsewhere / "d/b")]
