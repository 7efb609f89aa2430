"""Statistics on a dask.distributed scheduler, also when one of its workers is killed: the same bytes. Invented data.

OUTFLOW_FAULT_MOMENTS: a third of it, at least one, is how many times a worker is killed.
"""

from __future__ import annotations

import os
import random
import signal
import threading
from pathlib import Path

import pytest
from workflow_runs import table_bytes

from outflow_cohort.cli import EXIT_OK, main

pytestmark = pytest.mark.faults

MOMENTS = max(1, int(os.environ.get("OUTFLOW_FAULT_MOMENTS", "3")) // 3)
SEED = 21


def run_statistics(study: Path, kill_after: float | None) -> bool:
    """Compute all statistics anew on two workers; kill -9 one of them after so many seconds. Whether it was killed."""
    from distributed import LocalCluster

    results = study / "results"
    for path in [*(results / "tables").glob("agreement.*"), *(results / "tables").glob("cohort_summary.*")]:
        path.unlink()
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
        killed = threading.Event()

        def strike() -> None:
            os.kill(cluster.workers[0].pid, signal.SIGKILL)
            killed.set()

        timer = threading.Timer(kill_after or 0.0, strike)
        if kill_after is not None:
            timer.start()
        try:
            status = main(["statistics", "--results", str(results), "--scheduler", cluster.scheduler_address])
        finally:
            timer.cancel()
    assert status == EXIT_OK
    return killed.is_set()


def test_statistics_on_a_scheduler_give_the_same_bytes(own_finished_study: Path, finished_study: Path):
    assert not run_statistics(own_finished_study, None)
    assert table_bytes(own_finished_study) == table_bytes(finished_study)


def test_statistics_give_the_same_bytes_whenever_a_worker_is_killed(own_finished_study: Path, finished_study: Path):
    chance = random.Random(SEED)
    killed = 0
    for _ in range(2 * MOMENTS):
        killed += run_statistics(own_finished_study, chance.uniform(0.5, 6.0))
        assert table_bytes(own_finished_study) == table_bytes(finished_study)
        if killed == MOMENTS:
            return
    pytest.fail("statistics ended before a worker could be killed")
