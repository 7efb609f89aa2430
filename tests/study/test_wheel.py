"""The wheel carries all that a run needs: it works in a folder without a checkout."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from this checkout and unpacked."""
    pytest.importorskip("hatchling", reason="hatchling is not installed (pip install '.[test]')")
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
        wheel.extractall(folder / "site")
    return folder / "site"


def run(unpacked: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wheel_finds_its_own_workflow_files(unpacked: Path, tmp_path: Path) -> None:
    code = (
        "from outflow_cohort.workflow_files import workflow_file, workflow_root\n"
        "from outflow_cohort.study.cutoffs import read_cutoffs\n"
        "print(workflow_root())\n"
        "for name in ('Snakefile', 'config/demo.yaml', 'pipeline/rules/common.smk', 'config/profiles/local'):\n"
        "    workflow_file(name)\n"
        "assert read_cutoffs(None)[0]\n"
    )
    done = run(unpacked, tmp_path, "-c", code)
    assert (done.returncode, done.stderr) == (0, "")
    assert Path(done.stdout.strip()) == unpacked / "outflow_cohort" / "workflow"
    included = (unpacked / "outflow_cohort/workflow/Snakefile").read_text(encoding="utf-8")
    for line in included.splitlines():
        if line.startswith("include:"):
            assert (unpacked / "outflow_cohort/workflow" / line.split('"')[1]).is_file()


@pytest.mark.slow
def test_the_workflow_starts_in_an_empty_folder(unpacked: Path, tmp_path: Path) -> None:
    done = run(unpacked, tmp_path, "-m", "outflow_cohort", "run", "--dry-run", "--cores", "1")
    assert done.returncode == 0, done.stderr
    assert "finish" in done.stdout + done.stderr
