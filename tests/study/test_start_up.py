"""Starting is light: the workflow parses these modules once a job."""

from __future__ import annotations

import subprocess
import sys
from types import SimpleNamespace

import pytest

import outflow_geometry
from outflow_cohort.study.launch import ENGINES_OWN_LIMIT, lift_rate_limit

HEAVY = ("pandas", "numpy", "scipy", "pydicom", "SimpleITK", "dask", "matplotlib", "numba", "shapely", "pydantic")


@pytest.mark.parametrize("module", ["outflow_cohort.cli", "outflow_cohort.study.launch", "outflow_cohort.runs.status"])
def test_nothing_heavy_is_imported_at_start(module: str):
    code = f"import sys, {module}; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("module", ["outflow_cohort.handover.request", "outflow_cohort.registration.settings"])
def test_reading_a_request_loads_nothing_that_measures(module: str):
    """Every job of a case reads its request; the settings of `carry:` once brought image registration with them."""
    heavy = ("scipy", "shapely", "pandas", "SimpleITK", "outflow_geometry.image", "outflow_geometry.landmarks")
    code = f"import sys, {module}; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("code", "left_out"),
    [
        ("from outflow_geometry.measures.registry import REGISTRY; len(REGISTRY)", ("scipy", "numba")),
        ("from outflow_cohort.stats.data.dask_scheduler import compute_each; compute_each(len, ['a'])", ("dask",)),
        ("import outflow_cohort.report.case_sheet", ("scipy", "dask", "distributed")),
    ],
)
def test_a_sheet_starts_without_what_only_measuring_or_a_cluster_needs(code: str, left_out: tuple[str, ...]):
    told = f"import sys; {code}; print([m for m in {left_out!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("limit", "stays"), [((100, 1), False), ((10, 60), True), (None, False)])
def test_only_the_limit_that_nobody_asked_for_is_lifted(limit: tuple[int, int] | None, stays: bool):
    given = None if limit is None else SimpleNamespace(max_jobs=limit[0], timespan=limit[1])
    scheduler = SimpleNamespace(job_rate_limiter=given)
    lift_rate_limit(scheduler)
    assert (scheduler.job_rate_limiter is not None) == stays


def test_the_engines_own_limit_is_the_one_we_know():
    from snakemake.cli import get_argument_parser
    from snakemake.settings.types import MaxJobsPerTimespan

    own = get_argument_parser().get_default("max_jobs_per_timespan")
    found = MaxJobsPerTimespan.parse_choice(own) if isinstance(own, str) else own
    assert (found.max_jobs, found.timespan) == ENGINES_OWN_LIMIT


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
    from outflow_cohort.stats.kernels.planning import plan_icc

    assert main(["cases-needed", "--icc", "0.8", "--width", "0.2", "--readers", "2"]) == EXIT_OK
    assert capsys.readouterr().out == plan_icc(0.8, 0.2, readers=2).to_csv(index=False)
    assert main(["cases-needed", "--icc", "1.5"]) == EXIT_USAGE


def test_every_public_name_is_where_it_is_looked_for():
    """A name that moved to another module fails only when somebody asks for it."""
    assert [name for name in outflow_geometry.__all__ if not hasattr(outflow_geometry, name)] == []
