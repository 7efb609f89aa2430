"""Starting is light: the workflow parses these modules once a job."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("pandas", "numpy", "scipy", "pydicom", "SimpleITK", "dask", "matplotlib", "numba", "shapely", "pydantic")


@pytest.mark.parametrize("module", ["outflow_cohort.cli", "outflow_cohort.study.launch", "outflow_cohort.runs.status"])
def test_nothing_heavy_is_imported_at_start(module: str):
    code = f"import sys, {module}; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_importing_prints_nothing():
    done = subprocess.run(
        [sys.executable, "-c", "import outflow_cohort.cli"], capture_output=True, text=True, check=True
    )
    assert done.stdout == done.stderr == ""


def test_each_command_has_help_with_an_example_and_the_caution(capsys: pytest.CaptureFixture[str]):
    import argparse

    from outflow_cohort.cli import build_parser

    parser = build_parser()
    commands = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction)).choices
    assert len(commands) > 15
    for name, command in commands.items():
        text = command.format_help()
        assert f"example: outflow-cohort {name}" in " ".join(text.split()), name
        assert "For research only, not for treating a patient." in " ".join(text.split()), name


def test_without_a_command_the_help_is_printed(capsys: pytest.CaptureFixture[str]):
    from outflow_cohort.cli import EXIT_USAGE, main

    assert main([]) == EXIT_USAGE
    assert "commands" in capsys.readouterr().err


def test_cases_needed_prints_the_planning_table(capsys: pytest.CaptureFixture[str]):
    from outflow_cohort.cli import EXIT_OK, EXIT_USAGE, main
    from outflow_cohort.stats.planning import plan_icc

    assert main(["cases-needed", "--icc", "0.8", "--width", "0.2", "--readers", "2"]) == EXIT_OK
    assert capsys.readouterr().out == plan_icc(0.8, 0.2, readers=2).to_csv(index=False)
    assert main(["cases-needed", "--icc", "1.5"]) == EXIT_USAGE
