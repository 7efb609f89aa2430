"""Many rows of one status in one line, with what to do; one rule for what stands first."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import outflow_geometry
from outflow_cohort.report import case_tables
from outflow_cohort.report.case_data import Value, read_case
from outflow_cohort.report.case_sheet import case_sheet
from outflow_cohort.report.charts_cohort import reason_counts
from outflow_cohort.report.headline import headline_method, headline_plan, headline_variant, of_headline_plan
from outflow_cohort.report.remarks import WANT, series_remarks, value_remarks, want_remarks
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.study.dictionary import data_dictionary
from outflow_cohort.study.status_codes import status_code, status_codes


def value(status: str, number: float | None = None, measure: str = "neo_lvot_area") -> Value:
    return Value(40.0, "R1", 1, "P1", measure, "full_frame", "reader_path", number, "mm2", None, None, status)


def codes_of_the_core() -> set[str]:
    """Every literal code that the geometry core raises, or sets as a status."""
    found: set[str] = set()
    for path in sorted(Path(str(outflow_geometry.__file__)).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "GeometryError" and node.args:
                texts = [node.args[0]]
            elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "RingEdges" and node.args:
                texts = [node.args[-1]]
            elif isinstance(node, ast.FunctionDef) and node.name.endswith("_status"):
                texts = [t for r in ast.walk(node) if isinstance(r, ast.Return) and r.value for t in ast.walk(r.value)]
            elif (isinstance(node, ast.keyword) and node.arg == "status") or (
                isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "status"
            ):
                texts = list(ast.walk(node.value))
            else:
                continue
            found |= {t.value for t in texts if isinstance(t, ast.Constant) and isinstance(t.value, str)}
    return {code for code in found if code.replace("_", "").isalpha()} - {"ok"}


def test_every_code_of_the_core_has_a_meaning_and_a_remedy() -> None:
    codes = codes_of_the_core()
    assert len(codes) > 40
    known = status_codes()
    assert sorted(c for c in codes if not c.startswith(WANT) and c not in known) == []
    assert all(status.meaning and status.remedy for status in known.values())
    contract = {"landmark_suspect", "paths_differ", "two_lobes", "no_channel", "no_section"}
    assert contract | {"carried_not_evidence_of_change"} <= set(known)
    text = data_dictionary()
    assert all(f"| `{code}` | {status.level} |" in text for code, status in known.items())


def test_a_code_without_an_entry_still_says_something() -> None:
    assert status_code("missing_post_tip").meaning == "The structure post tip is not marked."
    assert status_code("unheard_of").level == "act"


def test_one_line_a_code_with_counts_and_measures() -> None:
    rows = [value("leak") for _ in range(7)] + [value("leak", measure="lv_volume")]
    rows += [value("saturated", 30.0, "ring_inner_diameter")] * 2 + [value("ok", 1.0)] + [value("missing_plan")] * 263
    leak, saturated = value_remarks(rows)
    assert (leak.title, leak.rows, leak.what) == ("Leak", 8, "8 rows without a value: LV volume, Neo-LVOT area")
    assert (saturated.rows, saturated.what) == (2, "2 rows with the remark: Ring inner diameter")
    assert leak.advice
    (want,) = want_remarks(rows)
    assert (want.title, want.what) == ("No plan", "263 rows not measured: Neo-LVOT area")
    assert want.advice == "List a plan for the case in plans.csv."


def test_case_without_plans_says_so_once(results: Path) -> None:
    data = read_case(results, "GR-001", ReportSettings())
    planned = {v.measure for v in data.values if v.plan_id}
    bare = replace(
        data,
        request={**data.request, "plans": []},
        values=tuple(
            replace(v, plan_id="", value=None, ci_low=None, ci_high=None, status="missing_plan") if v.plan_id else v
            for v in data.values
        ),
        curves=(),
        drawings=tuple({**d, "plans": {}} for d in data.drawings),
    )
    page = case_sheet(bare)
    assert len(planned) > 3
    assert page.count("<b>No plan.</b>") == 1
    assert "missing plan" not in page
    assert "missing_plan" not in page


def test_series_remarks_name_the_phases(results: Path) -> None:
    (only,) = series_remarks(read_case(results, "GR-001", ReportSettings()))
    assert (only.title, only.what) == ("Series warned: low contrast", "70 %")


def test_readings_set_aside_for_one_reason_share_a_line(results: Path) -> None:
    data = read_case(results, "GR-003", ReportSettings())
    row = {"stage": "measure", "code": "folder_missing", "message": "no series"}
    many = tuple({**row, "phase_pct": p, "reader_id": r, "read_no": 1} for p in (20.0, 40.0) for r in ("R1", "R2"))
    other = {**row, "stage": "inventory", "phase_pct": 20.0, "reader_id": None, "read_no": None, "message": "row 7"}
    (line,) = case_tables.set_aside_table(replace(data, set_aside=(other, *many))).rows
    text = "row 7 (1 more message like it)"
    assert line == ("folder missing", "inventory, measure", "20 %, 40 %", "R1 1, R2 1", "5 rows", text)


def test_sheet_and_cohort_take_the_same_plan(results: Path) -> None:
    """The first by name, even where another leaves less room."""
    data = read_case(results, "GR-001", ReportSettings())

    def with_second(drawing: dict) -> dict:
        first = drawing["plans"]["P1"]
        tight = {n: {**s, "area_mm2": s["area_mm2"] / 2} for n, s in first["sections"].items()}
        return {**drawing, "plans": {"P2": {**first, "sections": tight}, "P1": first}}

    both = replace(data, drawings=tuple(with_second(dict(d)) for d in data.drawings))
    assert both.main_plan(40.0) == ("P1", "full_frame|reader_path")
    none = tuple(
        {**d, "plans": {**d["plans"], "P1": {**d["plans"]["P1"], "sections": {
            n: {**s, "area_mm2": None} for n, s in d["plans"]["P1"]["sections"].items()}}}}
        for d in both.drawings
    )  # fmt: skip
    assert replace(both, drawings=none).main_plan(40.0) == ("P2", "full_frame|reader_path")
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
