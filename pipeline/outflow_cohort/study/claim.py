"""One run at a time on a results folder, and nothing left behind by a run that was killed."""

from __future__ import annotations

import base64
import binascii
import fcntl
import logging
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from outflow_cohort import events

ENGINE_FOLDER = Path(".snakemake")
RUN_LOCK = "run.lock"
"""Held by the main process of a run, alone."""
JOBS_LOCK = "jobs.lock"
"""Shared by all jobs at work: a killed run leaves its jobs behind, and they go on writing."""


def claim(results: Path) -> TextIO:
    """Take the results folder for this process; the kernel frees it when the process ends, however that happens.

    Waits for jobs that a killed run left at work. With the claim held nothing else is active there, so locks and
    incomplete-marks that the workflow engine kept of a killed run are void: every output is written under a temporary
    name and moved into place, thus whole or absent. Raises SystemExit where another run holds the folder, or it cannot
    be written.
    """
    work = results / "work"
    try:
        work.mkdir(parents=True, exist_ok=True)
        handle = (work / RUN_LOCK).open("a+", encoding="ascii")
    except OSError as error:
        raise SystemExit(
            f"the results folder {results.name} cannot be written ({error.strerror}); give it write access, or choose "
            "another with `results:` in study.yaml"
        ) from None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise SystemExit(
            f"another run is working in {results.name}; wait for it (outflow-cohort status RESULTS) or stop it"
        ) from None
    _wait_for_jobs(work)
    _clear_engine_marks(str(results))
    _clear_leftovers(results)
    _bring_back_from_future(results)
    return handle


def leave_unused(results: Path, handle: TextIO) -> None:
    """Give a claimed folder back as it was where nothing has been written into it: a refused study leaves no trace."""
    work = results / "work"
    handle.close()
    if {path.name for path in work.iterdir()} <= {RUN_LOCK, JOBS_LOCK}:
        for path in work.iterdir():
            path.unlink()
        work.rmdir()
        with suppress(OSError):
            results.rmdir()


@contextmanager
def job_claim(work: Path) -> Iterator[None]:
    """Say that a job writes below `work`, as long as the block lasts; outside of a run (no run.lock there) nothing.

    Where the file system knows no locks the job works without: its outputs are whole or absent all the same.
    """
    if not (work / RUN_LOCK).exists():
        yield
        return
    with (work / JOBS_LOCK).open("a+", encoding="ascii") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_SH)
        except OSError:
            message = "the file system of the results folder has no locks; never start a run beside a killed run's jobs"
            events.event("no_locks", message, level=logging.WARNING)
        yield


def _wait_for_jobs(work: Path) -> None:
    """Wait until no job of an earlier run is at work: its output could be older than a request of this run."""
    with (work / JOBS_LOCK).open("a+", encoding="ascii") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            message = "a killed run left jobs at work in the results folder; waiting for them to end"
            events.event("waiting", message, level=logging.WARNING)
            fcntl.flock(handle, fcntl.LOCK_EX)


def _clear_engine_marks(results: str) -> None:
    """Remove the engine's locks and incomplete-marks of files below `results`; other studies keep theirs."""
    inside = f"{results}{os.sep}"
    for file in sorted((ENGINE_FOLDER / "locks").glob("*")):
        paths = file.read_text(encoding="utf-8", errors="replace").splitlines()
        if any(path == results or path.startswith(inside) for path in paths):
            file.unlink(missing_ok=True)
    marks = ENGINE_FOLDER / "incomplete"
    for folder, _, names in os.walk(marks):
        for name in names:
            mark = Path(folder, name)
            # A mark is named by its output's path in URL-safe base64, long ones in chunks as @folders.
            text = "".join(part.removeprefix("@") for part in mark.relative_to(marks).parts)
            try:
                path = base64.urlsafe_b64decode(text).decode("utf-8", errors="replace")
            except (binascii.Error, ValueError):
                continue
            if path == results or path.startswith(inside):
                mark.unlink(missing_ok=True)


def _clear_leftovers(results: Path) -> None:
    """Remove temporary files and folders of killed jobs."""
    for folder, folders, names in os.walk(results):
        for name in [n for n in folders if n.startswith(".") and n.endswith(".part")]:
            folders.remove(name)
            shutil.rmtree(Path(folder, name), ignore_errors=True)
        for name in names:
            if name.startswith(".") and name.endswith(".part"):
                Path(folder, name).unlink(missing_ok=True)


def _bring_back_from_future(results: Path) -> None:
    """Give files whose time is ahead (the clock was set back since) the present, in the order of their times.

    The engine refuses an output that is older than its input, so that no run would end before the clock catches up.
    """
    now = time.time_ns()
    ahead = []
    for folder, _, names in os.walk(results):
        for path in (Path(folder), *(Path(folder, name) for name in names)):
            changed = path.lstat().st_mtime_ns
            if changed > now:
                ahead.append((changed, str(path)))
    for place, (_, name) in enumerate(sorted(ahead)):
        # One microsecond apart, so that what was newer stays newer.
        os.utime(name, ns=(now + 1000 * place, now + 1000 * place), follow_symlinks=False)
