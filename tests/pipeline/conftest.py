"""Small studies through the real Snakefile. Invented data: the demonstration's heart, two cases, coarse scans."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

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


@pytest.fixture(scope="session")
def scanned_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small study with its CT, never run; copy it before use."""
    from outflow_cohort.demo.study import write_case_series, write_tables

    folder = tmp_path_factory.mktemp("scanned") / "study"
    settings = folder.parent / "demo.yaml"
    settings.write_text(DEMO, encoding="utf-8")
    write_tables(folder=folder, settings=settings)
    for case in ("S01", "S02", "S03"):
        write_case_series(folder=folder, case_id=case)
    text = (folder / "study.yaml").read_text(encoding="utf-8")
    more = "uncertainty: {draws: 50}\nstatistics: {n_boot: 100}\n"
    (folder / "study.yaml").write_text(f"{text}\n{more}", encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def finished_study(scanned_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small study, run once on two cores; tests must not change it."""
    folder = tmp_path_factory.mktemp("finished") / "study"
    shutil.copytree(scanned_study, folder)
    snakemake(folder / "study.yaml")
    return folder


@pytest.fixture
def own_finished_study(finished_study: Path, tmp_path: Path) -> Path:
    """A copy of the finished study that a test may change; times of files are kept."""
    folder = tmp_path / "study"
    shutil.copytree(finished_study, folder, copy_function=shutil.copy2)
    return folder
