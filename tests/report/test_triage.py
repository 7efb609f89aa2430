"""Each code once, in words, by what it asks for; one rule for what comes first."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import outflow_geometry
from outflow_cohort.handover.base import AsideRow
from outflow_cohort.handover.drawing import DrawnReading
from outflow_cohort.handover.inventory import Inventory
from outflow_cohort.report import case_tables
from outflow_cohort.report.asked import with_plans_named
from outflow_cohort.report.case_data import ReadValue, read_case
from outflow_cohort.report.case_sheet import case_sheet
from outflow_cohort.report.charts_cohort import reason_counts
from outflow_cohort.report.headline import headline_method, headline_plan, headline_variant, of_headline_plan
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.report.triage import MOST_NAMES, case_triage, cohort_triage, named
from outflow_cohort.study.dictionary import data_dictionary
from outflow_cohort.study.status_codes import MISSING, status_code, status_codes
from outflow_geometry.base.drawn import DrawnPlan


def value(status: str, number: float | None = None, measure: str = "neo_lvot_area") -> ReadValue:
    return ReadValue(
        phase_pct=40.0, reader_id="R1", read_no=1, plan_id="P1", measure=measure, variant="full_frame",
        method="reader_path", value=number, unit="mm2", status=status,
    )  # fmt: skip


def codes_of_the_core() -> set[str]:
    """Every literal code that the geometry core raises, or sets as a status."""
    found: set[str] = set()
    for path in sorted(Path(str(outflow_geometry.__file__)).parent.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        compared = {t for c in ast.walk(tree) if isinstance(c, ast.Compare) for t in ast.walk(c)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "GeometryError" and node.args:
                texts = [node.args[0]]
            elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "RingEdges" and node.args:
                texts = [node.args[-1]]
            elif isinstance(node, ast.FunctionDef) and node.name.endswith("_status"):
                returned = [r.value for r in ast.walk(node) if isinstance(r, ast.Return) and r.value]
                texts = [t for value in returned for t in ast.walk(value)]
            elif (isinstance(node, ast.keyword) and node.arg == "status") or (
                isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "status"
            ):
                texts = list(ast.walk(node.value))
            else:
                continue
            found |= {
                t.value for t in texts if t not in compared and isinstance(t, ast.Constant) and isinstance(t.value, str)
            }
    return {code for code in found if code.replace("_", "").isalpha()} - {"ok"}


def test_every_code_of_the_core_has_a_meaning_and_a_remedy() -> None:
    codes = codes_of_the_core()
    assert len(codes) > 40
    known = status_codes()
    assert sorted(c for c in codes if not c.startswith(MISSING) and c not in known) == []
    assert all(status.meaning and status.remedy for status in known.values())
    contract = {"landmark_suspect", "paths_differ", "two_lobes", "no_channel", "no_section"}
    assert contract | {"carried_not_evidence_of_change"} <= set(known)
    text = data_dictionary()
    assert all(f"| `{code}` | {status.level} |" in text for code, status in known.items())


def test_a_code_without_an_entry_still_says_something() -> None:
    assert status_code("missing_post_tip").meaning == "The structure post tip is not marked."
    assert status_code("unheard_of").level == "act"


def test_each_code_once_by_level_without_counts_of_rows(results: Path) -> None:
    data = read_case(results, "GR-001", ReportSettings())
    rows = [replace(value("leak"), phase_pct=p) for p in (20.0, 40.0) for _ in range(7)]
    rows += [value("leak", measure="lv_volume"), value("two_lobes", 1.0), value("smallest_at_annulus", 1.0)]
    rows += [value("missing_plan")] * 263 + [value("ok", 1.0)]
    triage = case_triage(replace(data, values=tuple(rows), inventory=Inventory(), set_aside=()))
    (leak,) = triage.act
    assert (leak.code, leak.where) == ("leak", "Neo-LVOT area; 40 %; R1 read 1")
    assert leak.remedy
    assert leak.href == "../what_to_do.html#leak"
    assert [f.code for f in triage.know] == ["two_lobes"]
    assert {f.code for f in triage.notes} == {"smallest_at_annulus", "missing_plan"}
    assert not any("row" in f.where for f in (*triage.act, *triage.know, *triage.notes))


@pytest.mark.parametrize(
    "other",
    [{"measure": "neo_lvot_station"}, {"variant": "skirt"}, {"method": "automatic_path"}, {"phase_pct": 70.0}],
)
def test_a_status_of_a_number_that_the_sheet_does_not_lead_with_is_a_note(results: Path, other: dict) -> None:
    data = replace(read_case(results, "GR-001", ReportSettings()), inventory=Inventory(), set_aside=())
    assert [f.code for f in case_triage(replace(data, values=(value("leak"),))).act] == ["leak"]
    triage = case_triage(replace(data, values=(replace(value("leak"), **other),)))
    assert (triage.act, triage.know) == ((), ())
    assert triage.notes[0].where.startswith("other numbers than those above: ")


def test_a_status_of_some_plans_names_them(results: Path) -> None:
    data = replace(read_case(results, "GR-001", ReportSettings()), inventory=Inventory(), set_aside=())
    second = data.request.plans[0].model_copy(update={"plan_id": "P2"})
    data = replace(data, request=data.request.model_copy(update={"plans": (*data.request.plans, second)}))
    (one,) = case_triage(replace(data, values=(replace(value("leak"), plan_id="P2"),))).act
    assert "plan P2" in one.where
    (both,) = case_triage(replace(data, values=(value("leak"), replace(value("leak"), plan_id="P2")))).act
    assert "plan" not in both.where
    found = [("leak", "neo_lvot_area", "A", "P2"), ("leak", "neo_lvot_area", "B", "P1"), ("leak", "lv_volume", "C", "")]
    cases = [case for _, _, case in with_plans_named(found, {"A": "P1", "B": "P1", "C": "P1"})]
    assert cases == ["A (P2)", "B", "C"]


def test_a_sound_case_shows_no_warning(results: Path) -> None:
    data = read_case(results, "GR-001", ReportSettings())
    sound = replace(data, inventory=Inventory())
    page = case_sheet(sound)
    assert "What needs a look" not in page
    assert "Must act" not in page


def test_what_the_study_left_out_is_a_note(results: Path) -> None:
    triage = cohort_triage([], [], [("not_chosen", "C1")], [("excluded", "C2"), ("missing_slices", "C3")])
    assert [f.code for f in triage.act] == ["missing_slices"]
    assert {f.code for f in triage.notes} == {"not_chosen", "excluded"}


def test_cohort_findings_name_measures_and_cases() -> None:
    statuses = [("leak", "neo_lvot_area", f"C{i}") for i in range(9)] + [("leak", "lv_volume", "C1")]
    (leak,) = cohort_triage(statuses, [("leak", "lv_volume", "C77")], [], []).act
    assert leak.where == "LV volume, Neo-LVOT area; 9 cases: C0, C1, C2, C3, C4, C5 and 3 more"
    assert leak.href == "what_to_do.html#leak"
    assert named([str(i) for i in range(MOST_NAMES)]) == "0, 1, 2, 3, 4, 5"


def with_plans(reading: DrawnReading, plans: dict[str, DrawnPlan]) -> DrawnReading:
    return reading.model_copy(update={"drawn": replace(reading.drawn, plans=plans)})


def test_case_without_plans_says_so_once(results: Path) -> None:
    data = read_case(results, "GR-001", ReportSettings())
    planned = {v.measure for v in data.values if v.plan_id}
    bare = replace(
        data,
        request=data.request.model_copy(update={"plans": ()}),
        values=tuple(
            replace(v, plan_id="", value=None, ci_low=None, ci_high=None, status="missing_plan") if v.plan_id else v
            for v in data.values
        ),
        curves=(),
        drawings=tuple(with_plans(d, {}) for d in data.drawings),
    )
    page = case_sheet(bare)
    assert len(planned) > 3
    assert page.count("<b>Missing plan</b>") == 1
    assert "missing plan" not in page
    assert page.count("missing_plan") == 1  # the link to what to do


def test_series_findings_name_the_phases(results: Path) -> None:
    triage = case_triage(read_case(results, "GR-001", ReportSettings()))
    (only,) = triage.know
    assert (only.title, only.where) == ("Low contrast", "70 %")


def test_a_case_set_aside_must_be_acted_on_with_its_message(results: Path) -> None:
    (finding,) = case_triage(read_case(results, "GR-003", ReportSettings())).act
    assert finding.title == "Set aside: missing slices"
    assert finding.meaning.startswith("Slice 120 of 288 is missing; needed an unbroken stack")
    assert finding.where == "the whole case"


def test_readings_set_aside_for_one_reason_share_a_line(results: Path) -> None:
    data = read_case(results, "GR-003", ReportSettings())
    row = AsideRow(
        case_id="GR-003", phase_pct=20.0, reader_id="R1", read_no=1, stage="measure", code="folder_missing",
        message="no series",
    )  # fmt: skip
    many = tuple(row.model_copy(update={"phase_pct": p, "reader_id": r}) for p in (20.0, 40.0) for r in ("R1", "R2"))
    other = row.model_copy(update={"stage": "inventory", "reader_id": None, "read_no": None, "message": "row 7"})
    (line,) = case_tables.set_aside_table(replace(data, set_aside=(other, *many))).rows
    text = "row 7 (1 more message like it)"
    assert line == ("folder missing", "inventory, measure", "20 %, 40 %", "R1 1, R2 1", "5 rows", text)


def test_sheet_and_cohort_take_the_same_plan(results: Path) -> None:
    """The first by name, whether or not another leaves less room."""
    data = read_case(results, "GR-001", ReportSettings())

    def with_second(reading: DrawnReading) -> DrawnReading:
        first = reading.drawn.plans["P1"]
        tight = {n: replace(s, area_mm2=s.area_mm2 / 2) for n, s in first.sections.items()}
        return with_plans(reading, {"P2": replace(first, sections=tight), "P1": first})

    both = replace(data, drawings=tuple(with_second(d) for d in data.drawings))
    assert both.main_plan(40.0) == ("P1", "full_frame|reader_path")
    frame = pd.DataFrame({"case_id": ["A", "A", "B"], "plan_id": ["P2", "P1", "P2"], "value": [1.0, 2.0, 3.0]})
    assert list(of_headline_plan(frame, ["case_id"])["value"]) == [2.0, 3.0]
    assert list(of_headline_plan(frame)["value"]) == [2.0]


@pytest.mark.parametrize(
    ("found", "wanted"),
    [
        (headline_plan(["P2", "P1"]), "P1"),
        (headline_plan([]), ""),
        (headline_method(["automatic_path", "reader_path"], "reader_path"), "reader_path"),
        (headline_method(["table", "image_edge"], "reader_path"), "image_edge"),
        (headline_variant(["skirt", "full_frame/end_systole", "leaflet_limited"], "full_frame"), "leaflet_limited"),
        (headline_variant(["skirt", "full_frame"], "full_frame"), "full_frame"),
    ],
)
def test_what_stands_first(found: str, wanted: str) -> None:
    assert found == wanted


def test_a_warning_on_a_series_set_aside_is_no_reason_of_it():
    series = pd.DataFrame(
        {
            "verdict": ["set_aside", "set_aside", "warned"],
            "reason_codes": ["missing_slices;not_supine;slice_thickness_poor", "not_ct", "not_supine"],
        }
    )
    assert reason_counts(series) == {"missing_slices": 1, "not_ct": 1}
