"""A case that needs more memory or time than there is must not stop the others: it is set aside."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType

OUT_OF_MEMORY = "out_of_memory"
MEMORY_MESSAGE = (
    "the case needed more memory than there was, in every attempt. Give its steps more (mem_mb of the rules volume and "
    "measure, or a machine with more), delete the case's folder in work/measured and start again."
)
OUT_OF_TIME = "out_of_time"
TIME_MESSAGE = (
    "the step {step} was stopped after {minutes:g} minutes. Look whether the case's files can be read (a disk or "
    "network folder that hangs); where it only needs longer, give the rule more (--set-resources "
    "{step}:runtime=MINUTES). Then delete the case's files in work/inventory and work/measured and start again."
)
KEPT_FOR_THE_ROW = 0.05
"""Share of the time that is kept to write why the case was set aside, before a cluster ends the whole job."""
DYING_SECONDS = 5.0
"""How long a killed process is waited for; one that waits for a dead disk goes only when that answers."""
KILL_COUNTER = Path("/proc/vmstat")
DIE_WITH_PARENT = 1
"""PR_SET_PDEATHSIG of Linux prctl(2)."""


def supervised(
    command: Callable[[], int],
    set_aside: Callable[[str, str], None],
    *,
    step: str,
    out_of_memory: int | None,
    minutes: float | None,
) -> int:
    """Run `command` in a process of its own; where it ends out of memory or time, call `set_aside` with code and
    message and return 0.

    out_of_memory : the status by which the command reports a lack of memory; that, or a kill while the kernel counted
        one for that reason, sets the case aside. None: the workflow will try again, so memory sets nothing aside.
    minutes : what the job may take; None: as long as it wants.

    Any other end gives the command's status (a foreign kill 128 + the signal's number).
    """
    before = kernel_kills()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _run_and_leave(command)
    try:
        status = _wait(child, None if minutes is None else 60 * minutes * (1 - KEPT_FOR_THE_ROW))
    except TimeoutError:
        _end(child)
        set_aside(OUT_OF_TIME, TIME_MESSAGE.format(step=step, minutes=minutes))
        return 0
    short = status == out_of_memory or (status == -signal.SIGKILL and kernel_kills() > before)
    if out_of_memory is not None and short:
        set_aside(OUT_OF_MEMORY, MEMORY_MESSAGE)
        return 0
    return status if status >= 0 else 128 - status


def kernel_kills() -> int:
    """How many processes the kernel has ended for lack of memory since it started; 0 where it does not say."""
    try:
        lines = KILL_COUNTER.read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("oom_kill ")), 0)


def _wait(child: int, seconds: float | None) -> int:
    """Exit code of the child, negative for a signal; raises TimeoutError where it has not ended in time."""

    def ring(number: int, frame: FrameType | None) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, ring)
    # Not the clock of the day, which may be set while the job runs.
    signal.setitimer(signal.ITIMER_REAL, seconds or 0.0)
    try:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def _end(child: int) -> None:
    """Kill the child and the processes it has started, and wait a while for its end."""
    import psutil

    with suppress(psutil.NoSuchProcess):
        for process in psutil.Process(child).children(recursive=True):
            with suppress(psutil.NoSuchProcess):
                process.kill()
    os.kill(child, signal.SIGKILL)
    deadline = time.monotonic() + DYING_SECONDS
    while os.waitpid(child, os.WNOHANG)[0] == 0 and time.monotonic() < deadline:
        time.sleep(0.05)


def _run_and_leave(command: Callable[[], int]) -> None:
    """Run `command` in the child process and end it with its status; never returns."""
    status = 1
    try:
        # A job that is killed must not leave its child writing behind.
        if sys.platform == "linux":
            ctypes.CDLL(None).prctl(DIE_WITH_PARENT, signal.SIGKILL)
        status = command()
    except BaseException:
        sys.excepthook(*sys.exc_info())
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
