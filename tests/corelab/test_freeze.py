"""A frozen study refuses changed inputs until an amendment with a reason is open."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from outflow_cohort.corelab.freeze import freeze, last_record, refuse_changes
from outflow_cohort.files import write_json
from outflow_cohort.study.problems import StudyError

NAMES = {"landmarks": "landmarks.csv", "cases": "cases.csv"}


@pytest.fixture
def study(tmp_path: Path) -> Path:
    (tmp_path / "study.yaml").write_text("study_id: frozen\n", encoding="utf-8")
    (tmp_path / "landmarks.csv").write_text("case_id\nC1\n", encoding="utf-8")
    (tmp_path / "cases.csv").write_text("case_id\nC1\n", encoding="utf-8")
    record_run(tmp_path)
    return tmp_path / "study.yaml"


def record_run(folder: Path) -> None:
    run = {"tables": {"tables/final.parquet": "ab"}, "versions": {}, "commit": "c", "counts": {}, "settings": {}}
    write_json(folder / "results/run.json", run)
    later = max(p.stat().st_mtime_ns for p in folder.glob("*.*")) + 1_000_000
    os.utime(folder / "results/run.json", ns=(later, later))


def test_a_frozen_study_refuses_changes_and_takes_amendments(study: Path) -> None:
    assert "number 0" in freeze(study_file=study)
    refuse_changes(study.parent, study, NAMES)
    (study.parent / "landmarks.csv").write_text("case_id\nC1\nC2\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"landmarks\.csv.*changed since the study was frozen.*--amend"):
        refuse_changes(study.parent, study, NAMES)
    with pytest.raises(StudyError):
        freeze(study_file=study)
    assert "Amendment 1" in freeze(study_file=study, amend="a case was missing")
    refuse_changes(study.parent, study, NAMES)
    with pytest.raises(StudyError, match="inputs newer than the run"):
        freeze(study_file=study)
    record_run(study.parent)
    assert "number 2" in freeze(study_file=study)
    record = last_record(study.parent)
    assert record is not None
    assert (record.kind, record.reason) == ("frozen", "a case was missing")
    assert len(list((study.parent / "freeze").glob("*.json"))) == 3


def test_a_study_that_was_not_run_cannot_be_frozen(study: Path) -> None:
    (study.parent / "results/run.json").unlink()
    with pytest.raises(StudyError, match=r"no run\.json"):
        freeze(study_file=study)


def test_nothing_changed_is_no_amendment(study: Path) -> None:
    freeze(study_file=study)
    with pytest.raises(StudyError, match="no changed input"):
        freeze(study_file=study, amend="nothing")
