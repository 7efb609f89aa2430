"""The small study on a real Slurm: the same bytes as on this machine's cores. Invented data."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from one_node_slurm import SlurmUnavailable, missing, one_node_slurm
from workflow_runs import PROJECT, table_bytes

pytestmark = pytest.mark.slurm


@pytest.fixture(scope="module")
def slurm(tmp_path_factory: pytest.TempPathFactory):
    """The environment of a running Slurm, or a skip with the reason."""
    pytest.importorskip("snakemake_executor_plugin_slurm", reason="pip install 'outflow-cohort[slurm]'")
    reason = missing()
    if reason:
        pytest.skip(reason)
    try:
        with one_node_slurm(tmp_path_factory.mktemp("slurm")) as environment:
            yield environment
    except SlurmUnavailable as error:
        pytest.skip(f"Slurm does not start here: {error}")


def test_slurm_gives_the_same_bytes_as_this_machine(
    slurm: dict[str, str], scanned_study: Path, finished_study: Path, tmp_path: Path
):
    folder = tmp_path / "study"
    shutil.copytree(scanned_study, folder)
    command = [
        sys.executable, "-m", "snakemake", "--profile", "config/profiles/slurm",
        "--slurm-status-command", "squeue", "--slurm-init-seconds-before-status-checks", "2",
        "--config", f"study={folder / 'study.yaml'}",
    ]  # fmt: skip
    done = subprocess.run(command, cwd=PROJECT, env=slurm, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{done.stdout[-2000:]}\n{done.stderr[-6000:]}"
    assert "SLURM run ID" in done.stderr
    states = subprocess.run(["squeue", "--states=all", "-h", "-o", "%T"], env=slurm, capture_output=True, text=True)
    ended = states.stdout.split()
    assert len(ended) >= 6, "volume and measure jobs of the cases were not sent to Slurm"
    assert set(ended) == {"COMPLETED"}
    assert table_bytes(folder) == table_bytes(finished_study)
