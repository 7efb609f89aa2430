"""What commands tell: one event per line, its place first; quiet, verbose and JSON forms; none of it coloured."""

from __future__ import annotations

import json
import logging
import os
import re
import resource
import sys

import pytest
from terminal import on_terminal

from outflow_cohort import events
from outflow_cohort.cli import EXIT_OK, EXIT_STUDY, main

BROKEN = (["case_id", "plan_id", "device_id"], [["C1", "p", "K72"]])
PLACE_KEYS = ["case", "phase_pct", "reader", "read"]


@pytest.fixture(autouse=True)
def _listeners_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Handlers bound to a captured stream must not outlive their test."""
    for name in ("handlers", "propagate", "level"):
        monkeypatch.setattr(events.LOGGER, name, getattr(events.LOGGER, name))
    monkeypatch.delenv(events.VARIABLE, raising=False)


def json_lines(text: str) -> list[dict]:
    return [json.loads(line) for line in text.splitlines()]


def test_quiet_leaves_errors_only(study, capsys: pytest.CaptureFixture[str]):
    assert main(["check", str(study(plans=BROKEN))]) == EXIT_STUDY
    loud = capsys.readouterr()
    assert main(["check", str(study(plans=BROKEN)), "--quiet"]) == EXIT_STUDY
    quiet = capsys.readouterr()
    assert any(line.startswith("warning: ") for line in loud.err.splitlines())
    errors = [line for line in loud.err.splitlines() if line.startswith("error: ")]
    assert quiet.err.splitlines() == errors != []
    # the drawing was asked for and stays; the closing line goes
    assert "1 error, " in loud.out
    assert "1 error" not in quiet.out
    assert quiet.out.splitlines() == loud.out.splitlines()[:-1]


def test_verbose_adds_begin_end_and_status(study, capsys: pytest.CaptureFixture[str]):
    main(["check", str(study(plans=BROKEN)), "-v"])
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "check begins"
    assert re.fullmatch(rf"check ends after [0-9.]+ s, status {EXIT_STUDY}", lines[-1])


def test_the_end_tells_what_was_spent(study, capsys: pytest.CaptureFixture[str]):
    before = sum(os.times()[:4])
    main(["check", str(study()), "-v", "--json-log"])
    end = json_lines(capsys.readouterr().err)[-1]
    assert (end["event"], end["command"]) == ("end", "check")
    assert before - 0.1 <= end["processor_seconds"] <= sum(os.times()[:4]) + 0.1
    if sys.platform == "linux":
        held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        assert 10 < end["peak_mib"] <= held + 1


@pytest.mark.parametrize("words", [["--json-log", "check"], ["check", "--json-log"]])
def test_json_lines_tell_each_problem_place_first(study, words: list[str], capsys: pytest.CaptureFixture[str]):
    main([*words, str(study(plans=BROKEN))])
    captured = capsys.readouterr()
    told = json_lines(captured.err)
    assert all(list(line)[:4] == PLACE_KEYS for line in told)
    problem = next(line for line in told if line["level"] == "error" and line["event"] == "problem")
    assert (problem["file"], problem["rows"], problem["column"]) == ("plans.csv", [2], "device_id")
    assert 'did you mean "K27"' in problem["remedy"]
    assert told[-1]["event"] == "done"
    assert "1 error, " in told[-1]["message"]
    assert "1 error" not in captured.out


def test_a_place_comes_first_in_text_and_json(capsys: pytest.CaptureFixture[str]):
    place = events.Place("C007", 30.0, "ash", 2)
    for as_json in (False, True):
        events.listen(as_json=as_json)
        events.event("measured", "measured", place=place, details={"values": 12})
        events.set_aside([{"case_id": "C007", "phase_pct": None, "reader_id": None, "read_no": None,
                           "code": "leak", "message": "told"}])  # fmt: skip
        lines = capsys.readouterr().err.splitlines()
        if as_json:
            first, second = (json.loads(line) for line in lines)
            assert list(first.items())[:4] == [("case", "C007"), ("phase_pct", 30.0), ("reader", "ash"), ("read", 2)]
            assert (first["event"], first["level"], first["values"]) == ("measured", "info", 12)
            assert (second["reader"], second["level"], second["code"]) == (None, "warning", "leak")
            assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", first["time"])
        else:
            assert lines == ["C007 phase 30 reader ash read 2: measured", "C007: set aside (leak): told"]


def test_an_event_of_many_lines_is_one_json_line(capsys: pytest.CaptureFixture[str]):
    events.listen(as_json=True)
    events.error("first\nsecond", name="step_crashed")
    assert [line["message"] for line in json_lines(capsys.readouterr().err)] == ["first\nsecond"]


@pytest.mark.parametrize(
    ("value", "level", "as_json"),
    [("json", logging.INFO, True), ("quiet", logging.ERROR, False), ("verbose, json", logging.DEBUG, True),
     ("", logging.INFO, False), ("nonsense", logging.INFO, False)],
)  # fmt: skip
def test_the_variable_speaks_for_jobs_of_a_workflow(
    value: str, level: int, as_json: bool, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv(events.VARIABLE, value)
    events.listen()
    assert events.LOGGER.level == level
    assert isinstance(events.LOGGER.handlers[0].formatter, events.JsonLines) is as_json
    events.listen(verbose=True)
    assert events.LOGGER.level == logging.DEBUG  # an option given by hand counts more than the variable


def test_quiet_and_verbose_exclude_each_other(capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit):
        main(["status", "results", "--quiet", "--verbose"])
    assert "not allowed with" in capsys.readouterr().err


def test_quiet_prints_what_was_asked_for(capsys: pytest.CaptureFixture[str]):
    assert main(["cases-needed", "--icc", "0.8", "--width", "0.2", "--readers", "2", "--quiet"]) == EXIT_OK
    captured = capsys.readouterr()
    assert captured.out.startswith("goal,readers,cases")
    assert captured.err == ""


def test_no_color_silences_the_workflow_engine_too(study):
    """Source: no-color.org. Without the variable the engine does colour a terminal, else this could not fail."""
    command = [sys.executable, "-m", "snakemake", "-n", "--cores", "1", "--config", f"study={study()}"]
    plain, coloured = on_terminal(command, {"NO_COLOR": "1"}), on_terminal(command, {})
    assert b"Job stats" in plain
    assert b"\x1b[" not in plain
    assert b"\x1b[" in coloured
