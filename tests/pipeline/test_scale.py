"""Many cases through the plan, the real Snakefile's dry run and the steps of the whole cohort. Invented data."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from workflow_runs import PROJECT, jobs_planned

sys.path.insert(0, str(PROJECT / "tests/benchmarks"))
from scale_study import (
    FULL_PHASES,
    READERS,
    READS,
    add_case,
    look_finished,
    make_base,
    make_study,
    snakemake,
    synthetic_run,
)

CASES = 20


@pytest.mark.scale
def test_a_larger_study_balances_and_one_case_more_costs_one_case(tmp_path: Path):
    base = tmp_path / "base"
    make_base(base, FULL_PHASES, scans=True)
    snakemake(make_study(tmp_path / "lender", base, 1), "--until", "measure")
    donor = tmp_path / "lender/results/work/measured/C00000"
    figures = synthetic_run(tmp_path / "many", base, donor, CASES, FULL_PHASES)
    assert figures.readings == CASES * len(FULL_PHASES) * len(READERS) * READS
    look_finished(tmp_path / "many/study.yaml")
    requests = tmp_path / "many/results/work/requests"
    before = {p.name: p.stat().st_mtime_ns for p in requests.iterdir()}
    assert len(before) == CASES
    add_case(tmp_path / "many", "C00003", "C90000")
    planned = jobs_planned(snakemake(tmp_path / "many/study.yaml", "--dry-run").output)
    assert planned["inventory"] == planned["volume"] == planned["measure"] == 1
    assert planned["table"] == planned["statistics"] == planned["agreement"] == planned["report"] == 1
    after = {p.name: p.stat().st_mtime_ns for p in requests.iterdir()}
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {"C90000.json"}
