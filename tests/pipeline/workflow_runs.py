"""Runs the real Snakefile on studies of the tests. Invented data: the demonstration's heart, coarse scans."""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[2]
DEMO = """\
study_id: small_invented_study
title: Two invented cases
seed: 5
phases_pct: [40]
readers: [ash, birch]
reads: 2
sites: [Aldermoor]
cases:
  - {case_id: S01, group: native, seed: 11}
  - {case_id: S02, group: annular_calcification, seed: 12}
  - {case_id: S03, group: native, seed: 13, fault: no_deidentification}
scan: {matrix: 128, pixel_mm: 1.25, slice_mm: 1.25, slices: 100, supersample: 1}
"""


def snakemake(
    study: Path | None, *arguments: str, cores: int = 2, check: bool = True, cwd: Path = PROJECT
) -> subprocess.CompletedProcess[str]:
    """Run the project's Snakefile as the contract says, from the project's root."""
    config = ["--config", f"study={study}"] if study else []
    command = [sys.executable, "-m", "snakemake", "--cores", str(cores), *arguments, *config]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    if check and done.returncode:
        raise AssertionError(f"exit status {done.returncode}\n{done.stdout[-3000:]}\n{done.stderr[-6000:]}")
    return done


def table_bytes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below the study's tables, without the workflow engine's own time marks."""
    tables = folder / "results/tables"
    files = sorted(p for p in tables.rglob("*") if p.is_file() and p.name != ".snakemake_timestamp")
    return {p.relative_to(tables).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def jobs_planned(output: str) -> dict[str, int]:
    """Jobs by rule from the last job-stats block of a dry run."""
    block = output.rsplit("Job stats:", 1)[-1]
    return {name: int(count) for name, count in re.findall(r"^(\w+)\s+(\d+)\s*$", block, re.MULTILINE)}
