"""How far a run has come, from the files it has written; nothing heavy is imported. Times in minutes."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

STAGES = (
    ("inventory", "work/inventory", "{key}.json"),
    ("measured", "work/measured", "{key}/set_aside.json"),
    ("sheets", "report/cases", "{key}.html"),
)
"""Stage, its folder, and the file that a case has there once the stage is done."""


BAR = 20
"""Characters of the bar."""


@dataclass(frozen=True)
class Progress:
    """Cases of a run by stage; `per_minute` and `minutes_left` are None until two cases are measured."""

    cases: int
    done: dict[str, int]
    set_aside: int
    per_minute: float | None
    minutes_left: float | None
    finished: bool


def progress(results: Path) -> Progress:
    """Look at RESULTS; raises FileNotFoundError where no run has begun."""
    plan = json.loads((results / "work" / "plan.json").read_text(encoding="utf-8"))
    keys = set(plan["keys"])
    done, times, aside = {}, [], 0
    for stage, folder, name in STAGES:
        files = {key: results / folder / name.format(key=key) for key in _names(results / folder)}
        ready = {key: found for key, path in files.items() if key in keys and (found := _modified(path)) is not None}
        done[stage] = len(ready)
        if stage == "measured":
            times = sorted(ready.values())
            aside = sum(is_set_aside(files[key]) for key in ready)
    spread = (times[-1] - times[0]) / 60 if len(times) > 1 else 0.0
    rate = (len(times) - 1) / spread if spread > 0 else None
    left = (len(keys) - done["measured"]) / rate if rate else None
    return Progress(
        cases=len(keys), done=done, set_aside=aside, per_minute=rate, minutes_left=left, finished=_is_finished(results)
    )


def _is_finished(results: Path) -> bool:
    """Whether the closing record is there, and every table that it names."""
    try:
        record = json.loads((results / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return all((results / name).exists() for name in record["tables"])


def _names(folder: Path) -> list[str]:
    """Keys that have an entry in `folder`, temporary ones left out."""
    try:
        return [name.split(".")[0] for name in os.listdir(folder) if not name.startswith(".")]
    except FileNotFoundError:
        return []


def _modified(path: Path) -> float | None:
    """Time of the last change in seconds, or None where the file is not there."""
    try:
        return os.stat(path).st_mtime
    except OSError:
        return None


def is_set_aside(path: Path) -> bool:
    """Whether a case's set_aside.json sets the whole case aside; its first key shows it (keys are sorted)."""
    try:
        with path.open("rb") as handle:
            return b'"case_set_aside": true' in handle.read(40)
    except OSError:
        return False


def changed_tables(results: Path) -> list[str]:
    """Tables that are not as the finished run left them (gone or other bytes), by the hashes of RESULTS/run.json.

    Raises FileNotFoundError where the run is not finished.
    """
    import hashlib

    record = json.loads((results / "run.json").read_text(encoding="utf-8"))
    changed = []
    for name, digest in sorted(record["tables"].items()):
        path = results / name
        if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            changed.append(name)
    return changed


def progress_line(results: Path) -> str:
    """One line: a bar, cases done, set aside, rate, time left."""
    state = progress(results)
    full = BAR * state.done["measured"] // max(state.cases, 1)
    line = f"[{'#' * full}{'.' * (BAR - full)}] cases: {state.done['measured']} of {state.cases} done, "
    line += f"{state.set_aside} of them set aside"
    if state.per_minute and state.done["measured"] < state.cases:
        line += f", {state.per_minute:.3g} a minute, about {state.minutes_left:.0f} min left"
    return line


def status_text(results: Path) -> str:
    """The state of a run, a line per stage."""
    state = progress(results)
    lines = [f"{stage:>10}: {count} of {state.cases} cases" for stage, count in state.done.items()]
    lines.append(progress_line(results))
    lines.append("The run is finished." if state.finished else "The run is not finished; start it again to go on.")
    return "\n".join(lines)
