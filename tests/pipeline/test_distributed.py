"""Statistics on a dask.distributed scheduler, also when one of its workers is killed: the same bytes. Invented data."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest
from workflow_runs import table_bytes

from outflow_cohort.cli import EXIT_OK, main

pytestmark = pytest.mark.faults


@pytest.mark.parametrize("kill", [False, True], ids=["undisturbed", "one worker killed"])
def test_statistics_on_a_scheduler_give_the_same_bytes(own_finished_study: Path, finished_study: Path, kill: bool):
    from distributed import LocalCluster

    results = own_finished_study / "results"
    for path in [*(results / "tables").glob("agreement.*"), *(results / "tables").glob("cohort_summary.*")]:
        path.unlink()
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
        killed = threading.Event()

        def strike() -> None:
            os.kill(cluster.workers[0].pid, signal.SIGKILL)
            killed.set()

        timer = threading.Timer(3.0, strike)
        if kill:
            timer.start()
        try:
            status = main(["statistics", "--results", str(results), "--scheduler", cluster.scheduler_address])
        finally:
            timer.cancel()
    assert status == EXIT_OK
    assert killed.is_set() == kill
    assert table_bytes(own_finished_study) == table_bytes(finished_study)
