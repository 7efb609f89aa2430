"""What a command reports while it works: one event per line on standard error, as text or as JSON.

A line begins with its place (case, phase, reader, read), so that the lines of one case can be picked out with grep.
Callers hand over pseudonyms, places and codes, never a value of a header. Built on the standard library's logging:
a program that imports these functions sees the logger `outflow_cohort` and decides itself what is shown.
"""

from __future__ import annotations

import json
import logging
import os
import resource
import sys
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LOGGER = logging.getLogger("outflow_cohort")
VARIABLE = "OUTFLOW_LOG"
"""Environment variable with the words quiet, verbose, json (comma-separated): how the jobs of a workflow report."""
WORDS = ("quiet", "verbose", "json")


@dataclass(frozen=True)
class Place:
    """Which case, phase (% of R-R), reader and read an event belongs to; None where it belongs to none."""

    case: str | None = None
    phase_pct: float | None = None
    reader: str | None = None
    read: int | None = None

    def __str__(self) -> str:
        parts = [
            self.case or "",
            "" if self.phase_pct is None else f"phase {self.phase_pct:g}",
            "" if self.reader is None else f"reader {self.reader}",
            "" if self.read is None else f"read {self.read}",
        ]
        return " ".join(part for part in parts if part)


NOWHERE = Place()


def event(
    name: str, message: str, *, place: Place = NOWHERE, level: int = logging.INFO, details: Mapping[str, object] = {}
) -> None:
    """Report one event: `name` is a fixed word for machines, `message` a sentence for people."""
    if LOGGER.isEnabledFor(level):
        LOGGER.log(level, "%s", message, extra={"event": name, "place": place, "details": dict(details)})


def error(message: str, *, name: str = "refused", place: Place = NOWHERE) -> None:
    """Say why a command cannot go on; shown also with --quiet."""
    event(name, message, place=place, level=logging.ERROR)


def set_aside(rows: Iterable[Mapping[str, Any]]) -> None:
    """Report each row of set_aside (case_id, phase_pct, reader_id, read_no, code, message) as an event."""
    for row in rows:
        place = Place(row["case_id"], row["phase_pct"], row["reader_id"], row["read_no"])
        message = f"set aside ({row['code']}): {row['message']}"
        event("set_aside", message, place=place, level=logging.WARNING, details={"code": row["code"]})


def tell(message: str, *, name: str = "done") -> None:
    """Say what was done, on standard output; with JSON logs as an event, with --quiet not at all."""
    if any(isinstance(handler.formatter, JsonLines) for handler in LOGGER.handlers):
        event(name, message)
    elif LOGGER.isEnabledFor(logging.INFO):
        print(message)


def spent() -> dict[str, float | None]:
    """Processor seconds of this process and its children, and the peak memory of the largest (MiB; None where no kernel
    tells)."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        status = ""
    own = next((int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM:")), None)
    peak = None if own is None else max(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
    seconds = round(sum(os.times()[:4]), 3)
    return {"processor_seconds": seconds, "peak_mib": None if peak is None else round(peak / 1024, 1)}


class TextLines(logging.Formatter):
    """`C001 phase 30 reader ash read 1: measured`; never coloured."""

    def format(self, record: logging.LogRecord) -> str:
        place = str(getattr(record, "place", ""))
        return f"{place}: {record.getMessage()}" if place else record.getMessage()


class JsonLines(logging.Formatter):
    """One JSON object a line; case, phase_pct, reader and read come first and are null where there is none."""

    def format(self, record: logging.LogRecord) -> str:
        place = getattr(record, "place", NOWHERE)
        fields = {
            "case": place.case,
            "phase_pct": place.phase_pct,
            "reader": place.reader,
            "read": place.read,
            "level": record.levelname.lower(),
            "event": getattr(record, "event", "message"),
            "message": record.getMessage(),
            **getattr(record, "details", {}),
            "time": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(record.created)),
        }
        return json.dumps(fields, ensure_ascii=False)


def listen(*, quiet: bool = False, verbose: bool = False, as_json: bool = False) -> None:
    """Show events on standard error from now on: errors only, or all, or all but the finest; as text or as JSON.

    The variable OUTFLOW_LOG adds to what the arguments say; an unknown word in it is passed over.
    """
    words = {word.strip().lower() for word in os.environ.get(VARIABLE, "").split(",")}
    silent = quiet or ("quiet" in words and not verbose)
    loud = verbose or ("verbose" in words and not quiet)
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines() if as_json or "json" in words else TextLines())
    LOGGER.handlers = [handler]  # each call takes the place of the last one
    LOGGER.propagate = False
    LOGGER.setLevel(logging.ERROR if silent else logging.DEBUG if loud else logging.INFO)
