"""Small studies through the real Snakefile. Invented data."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml
from workflow_runs import DEMO, snakemake


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
    study = yaml.safe_load((folder / "study.yaml").read_text(encoding="utf-8"))
    # one case with a second plan is enough to see everything go through
    study |= {"uncertainty": {"draws": 50}, "statistics": {"n_boot": 100}}
    (folder / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    plans = (folder / "plans.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "plans.csv").write_text("".join(p for p in plans if not p.startswith("S01,P2")), encoding="utf-8")
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
