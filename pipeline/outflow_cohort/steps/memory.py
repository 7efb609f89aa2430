"""A case that needs more memory than there is must not stop the others: after the last attempt it is set aside."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

OUT_OF_MEMORY = "out_of_memory"
MESSAGE = (
    "the case needed more memory than there was, in every attempt. Give its steps more (mem_mb of the rules volume and "
    "measure, or a machine with more), delete the case's folder in work/measured and start again."
)
KILL_COUNTER = Path("/proc/vmstat")
DIE_WITH_PARENT = 1
"""PR_SET_PDEATHSIG of Linux prctl(2)."""


def last_attempt(command: Callable[[], int], set_aside: Callable[[], None], out_of_memory: int) -> int:
    """Run `command` in a process of its own; where it ends for want of memory call `set_aside` and return 0.

    The end for want of memory is the status `out_of_memory`, or a kill while the kernel counted one for that reason;
    any other end gives the command's status (a foreign kill 128 + the signal's number).
    """
    before = kernel_kills()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _run_and_leave(command)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if status == out_of_memory or (status == -signal.SIGKILL and kernel_kills() > before):
        set_aside()
        return 0
    return status if status >= 0 else 128 - status


def kernel_kills() -> int:
    """How many processes the kernel has ended for want of memory since it started; 0 where it does not tell."""
    try:
        lines = KILL_COUNTER.read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("oom_kill ")), 0)


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
