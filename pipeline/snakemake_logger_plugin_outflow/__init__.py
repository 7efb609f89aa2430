"""What a run shows while it goes on: a line with a bar for each case, and errors; all else is in the log file.

Used by `outflow-cohort run`, and by `snakemake --logger outflow`. The engine finds it by the package's name.
"""

from __future__ import annotations

import os
import sys
from logging import WARNING, LogRecord
from pathlib import Path
from typing import Any

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

ERRORS = (LogEvent.JOB_ERROR, LogEvent.GROUP_ERROR, LogEvent.ERROR)
MEASURED = "measurements.parquet"
TOLD_BY_LOGGER = "OUTFLOW_PROGRESS"
"""Set here, so that the jobs of cases do not print the same line themselves."""


class LogHandler(LogHandlerBase):
    """Shows one line per case that is measured or set aside, and whatever went wrong."""

    def __post_init__(self) -> None:
        self.measuring: dict[int, Path] = {}
        self.stream = sys.stdout if self.common_settings.stdout else sys.stderr
        if not self.common_settings.dryrun:
            os.environ[TOLD_BY_LOGGER] = "logger"

    def emit(self, record: LogRecord) -> None:
        """Print a record where it is a finished case, an error, or a dry run's plan."""
        try:
            text = self._text(record)
            if text:
                print(text, file=self.stream, flush=True)
        except Exception:  # what is shown must not stop the run
            self.handleError(record)

    def _text(self, record: LogRecord) -> str:
        event: Any = getattr(record, "event", None)
        found = vars(record)
        if event in ERRORS or record.levelno >= WARNING or self.common_settings.dryrun:
            return self.format(record)
        if event == LogEvent.JOB_INFO and found.get("rule_name") == "measure":
            outputs = [Path(str(path)) for path in found.get("output") or ()]
            self.measuring[found["jobid"]] = next(path.parent for path in outputs if path.name == MEASURED)
        if event == LogEvent.JOB_FINISHED and found.get("job_id") in self.measuring:
            return _case_line(self.measuring.pop(found["job_id"]))
        return ""

    @property
    def writes_to_stream(self) -> bool:
        """In place of the engine's own lines."""
        return True

    @property
    def writes_to_file(self) -> bool:
        """The engine's own log file stays."""
        return False

    @property
    def has_filter(self) -> bool:
        """None of its own."""
        return False

    @property
    def has_formatter(self) -> bool:
        """Errors look as the engine writes them."""
        return False

    @property
    def needs_rulegraph(self) -> bool:
        """No."""
        return False


def _case_line(folder: Path) -> str:
    """The line of the case whose measurements are in `folder` (RESULTS/work/measured/KEY)."""
    from outflow_cohort.runs.status import is_set_aside, progress_line

    state = "set aside" if is_set_aside(folder / "set_aside.json") else "measured"
    return f"{folder.name}: {state}; {progress_line(folder.parents[2])}"
