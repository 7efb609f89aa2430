"""Results that another version of the program wrote: each command says so in one line, with the remedy."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from outflow_cohort.cli import EXIT_FAILED, main
from outflow_cohort.handover.settings import OtherVersion, frozen_section
from outflow_cohort.report.settings import ReportSettings


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """Settings as they were when the statistics had primary measures of their own."""
    (tmp_path / "work").mkdir()
    settings = {"study_id": "S", "statistics": {"primary_measures": ["neo_lvot_area"]}}
    (tmp_path / "work" / "study.json").write_text(json.dumps(settings), encoding="utf-8")
    (tmp_path / "tables").mkdir()
    pd.DataFrame({"measure": ["neo_lvot_area"]}).to_parquet(tmp_path / "tables" / "cohort_summary.parquet")
    return tmp_path


@pytest.mark.parametrize(
    "words",
    [
        ["sheet", "--key", "C1", "--results"],
        ["report", "--results"],
        ["statistics", "--part", "cohort", "--results"],
        ["statistics", "--part", "readers", "--results"],
        ["final", "--results"],
        ["paper", "--output", "paper"],
    ],
)
def test_settings_of_another_version_are_told_in_one_line(
    words: list[str], old: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(old)
    assert main([*words, str(old)]) == EXIT_FAILED
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.removeprefix("error: ").startswith("work/study.json: found settings of another version")
    assert "statistics.primary_measures: extra_forbidden" in line
    assert "Remedy: run the study again" in line


def test_settings_of_this_version_are_read() -> None:
    study = {"report": {"main_solid": "skirt"}}
    assert frozen_section(study, "report", ReportSettings).main_solid == "skirt"
    assert frozen_section({}, "report", ReportSettings) == ReportSettings()
    with pytest.raises(OtherVersion, match=r"report\.main_solid: literal_error"):
        frozen_section({"report": {"main_solid": "a text from elsewhere"}}, "report", ReportSettings)
