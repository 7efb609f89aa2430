"""How far a run has come, from its files alone. Invented data."""

from __future__ import annotations

import logging
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from snakemake_interface_logger_plugins.common import LogEvent
from workflow_runs import jobs_planned, snakemake

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, main
from snakemake_logger_plugin_outflow import LogHandler


def test_a_finished_run_says_so(finished_study: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["status", str(finished_study / "results")]) == EXIT_OK
    said = capsys.readouterr().out
    assert "measured: 3 of 3 cases" in said
    assert "3 of 3 done, 1 of them set aside" in said
    assert "The run is finished." in said


def test_a_run_on_the_way_tells_rate_and_time_left(own_finished_study: Path, capsys: pytest.CaptureFixture[str]):
    results = own_finished_study / "results"
    shutil.rmtree(results / "work/measured/S02")
    (results / "work/measured/.S02.17.part").mkdir()
    (results / "run.json").unlink()
    assert main(["status", "--line", str(results)]) == EXIT_OK
    line = capsys.readouterr().out
    assert line.count("\n") == 1
    assert line.startswith("[#############.......] cases: 2 of 3 done, 1 of them set aside, ")
    assert " a minute, about " in line
    assert main(["status", str(results)]) == EXIT_OK
    assert "start it again to go on" in capsys.readouterr().out


def test_a_run_whose_table_is_gone_is_not_finished(own_finished_study: Path, capsys: pytest.CaptureFixture[str]):
    results = own_finished_study / "results"
    (results / "tables/set_aside.parquet").unlink()
    assert main(["status", str(results)]) == EXIT_OK
    assert "The run is not finished" in capsys.readouterr().out
    planned = jobs_planned(snakemake(own_finished_study / "study.yaml", "--dry-run").stdout)
    assert (
        planned["table"] == planned["statistics"] == planned["agreement"] == planned["report"] == planned["finish"] == 1
    )
    assert "volume" not in planned


def test_the_logger_shows_cases_and_errors_and_nothing_else(
    finished_study: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("OUTFLOW_PROGRESS", "")
    settings = SimpleNamespace(stdout=False, dryrun=False)
    handler = LogHandler(settings, None)  # type: ignore[arg-type]

    def emit(level: int, message: str, **more: object) -> str:
        record = logging.LogRecord("run", level, "file", 1, message, None, None)
        vars(record).update(more)
        handler.emit(record)
        return capsys.readouterr().err

    folder = finished_study / "results/work/measured/S03"
    outputs = [str(folder / name) for name in ("curves.parquet", "measurements.parquet")]
    assert emit(logging.INFO, "Building DAG of jobs...") == ""
    assert emit(logging.INFO, "rule", event=LogEvent.JOB_INFO, rule_name="measure", jobid=7, output=outputs) == ""
    assert emit(logging.INFO, "rule", event=LogEvent.JOB_INFO, rule_name="sheet", jobid=8, output=[]) == ""
    assert emit(logging.INFO, "done", event=LogEvent.JOB_FINISHED, job_id=8) == ""
    line = emit(logging.INFO, "done", event=LogEvent.JOB_FINISHED, job_id=7)
    assert line == f"S03: set aside; [{'#' * 20}] cases: 3 of 3 done, 1 of them set aside\n"
    assert emit(logging.ERROR, "Error in rule volume", event=LogEvent.JOB_ERROR) == "Error in rule volume\n"
    assert emit(logging.WARNING, "the disk is nearly full") == "the disk is nearly full\n"
    # the jobs of cases leave the line to the logger
    assert main(["status", "--line", str(finished_study / "results")]) == EXIT_OK
    assert capsys.readouterr().out == ""


def test_a_folder_without_a_run_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["status", str(tmp_path)]) == EXIT_FAILED
    assert "run snakemake first" in capsys.readouterr().err


def test_the_progress_line_imports_nothing_heavy(finished_study: Path):
    code = (
        "import sys\nfrom outflow_cohort.cli import main\nmain(sys.argv[1:])\n"
        "print(sorted({'numpy', 'pandas', 'pyarrow', 'pydicom', 'dask', 'pydantic'} & set(sys.modules)))"
    )
    command = [sys.executable, "-c", code, "status", "--line", str(finished_study / "results")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_each_job_logs_one_line_an_event_case_first(finished_study: Path):
    lines = (finished_study / "results/logs/measure/S01.log").read_text(encoding="utf-8").splitlines()
    events = [line for line in lines if line.endswith(" measured")]
    assert len(events) == 4
    places = {f"S01 phase 40 reader {reader} read {read}: measured" for reader in ("ash", "birch") for read in (1, 2)}
    assert set(events) == places
