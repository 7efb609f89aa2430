"""A case sheet says what only the whole study shows, and gives values the statuses of the tables."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_results import make_results

from outflow_cohort.handover.judged import (
    FindingRow,
    Judged,
    PixelHash,
    StudyFindings,
    write_judged,
    write_study_findings,
)
from outflow_cohort.report.case_data import read_case
from outflow_cohort.report.case_sheet import case_sheet
from outflow_cohort.report.settings import read_settings
from outflow_cohort.steps.sheet import sheet
from outflow_cohort.steps.study_findings import study_findings
from outflow_geometry.landmarks.findings import finding


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = make_results(tmp_path_factory.mktemp("sheets"))
    found = [
        ("K1", None, "", None, finding("same_pixels_twice", "", None, 2, 1)),
        ("all", None, "ash", None, finding("reader_drifts", "", None, 0.62, 0.3)),
    ]
    names = ("case_id", "phase_pct", "reader_id", "read_no")
    rows = tuple(FindingRow(**dict(zip(names, who, strict=True)), **vars(f)) for *who, f in found)
    write_study_findings(root / "work/study_findings/K1.json", StudyFindings(findings=rows))
    return root


def test_the_sheet_names_the_findings(results: Path) -> None:
    page = case_sheet(read_case(results, "K1", read_settings(results)))
    assert "Find out whose scan it is" in page
    assert "Have the reader practise" in page
    other = case_sheet(read_case(results, "K2", read_settings(results)))
    assert "Find out whose scan it is" not in other


def test_values_that_may_be_another_patients_say_so_on_the_sheet(results: Path) -> None:
    held = read_case(results, "K1", read_settings(results))
    assert {v.status for v in held.values if v.value is not None} == {"same_pixels_twice"}
    assert {v.status for v in held.primary} == {"same_pixels_twice"}
    free = read_case(results, "K2", read_settings(results))
    assert "same_pixels_twice" not in {v.status for v in free.values}


def test_a_sheet_made_before_the_copy_came_is_made_anew(tmp_path: Path) -> None:
    root = make_results(tmp_path)
    for key in ("K1", "K2"):
        sheet(results=root, key=key)
    page = root / "report/cases/K1.html"
    other = (root / "report/cases/K2.html").stat().st_mtime_ns
    study_findings(results=root)
    assert "Find out whose scan it is" not in page.read_text(encoding="utf-8")
    for key in ("K1", "K3"):
        write_judged(
            root / f"work/judged/{key}.json", Judged(pixels=(PixelHash(case_id=key, phase_pct=30.0, hash="a"),))
        )
    study_findings(results=root)
    assert "Find out whose scan it is" in page.read_text(encoding="utf-8")
    assert (root / "report/cases/K2.html").stat().st_mtime_ns == other
    assert not (root / "report/cases/K3.html").exists()


def test_the_first_findings_reach_a_sheet_of_an_earlier_run_and_the_same_ones_leave_it(tmp_path: Path) -> None:
    root = make_results(tmp_path)
    sheet(results=root, key="K1")
    for key in ("K1", "K3"):
        write_judged(
            root / f"work/judged/{key}.json", Judged(pixels=(PixelHash(case_id=key, phase_pct=30.0, hash="a"),))
        )
    page = root / "report/cases/K1.html"
    study_findings(results=root)
    assert "Find out whose scan it is" in page.read_text(encoding="utf-8")
    made = page.stat().st_mtime_ns
    study_findings(results=root)
    assert page.stat().st_mtime_ns == made
