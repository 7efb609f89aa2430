"""A mistake of the program in one case must not stop the others: the case is set aside, the traceback is logged."""

from __future__ import annotations

import traceback
from collections.abc import Callable

from outflow_cohort import events
from outflow_cohort.files import DamagedFile

CRASH_CODE = "step_crashed"


def crash_message(stage: str) -> str:
    """What the set_aside row of a crashed case says."""
    return f"the step {stage} failed on this case; its log holds the place in the program. Report it, with that log."


def run_guarded(step: Callable[[], None], on_crash: Callable[[], None]) -> None:
    """Run `step`; where it raises, log the traceback without the exception's own text and run `on_crash`.

    The text of a foreign exception can quote a value of a header, so only its type and the program lines are kept.
    MemoryError, OSError of a full disk and DamagedFile are passed on: they are the machine's trouble, not the case's,
    and the job is tried again.
    """
    try:
        step()
    except (MemoryError, OSError, DamagedFile):
        raise
    except Exception as error:
        lines = traceback.format_tb(error.__traceback__)
        text = str(error) if isinstance(error, ImportError) else "(text withheld: it may quote a header)"
        events.error(f"{''.join(lines)}{type(error).__name__} {text}", name=CRASH_CODE)
        on_crash()
