"""How far a run has come, from the files it has written; nothing heavy is imported. Times in minutes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

STAGES = (
    ("inventory", "work/inventory", "*.json"),
    ("measured", "work/measured", "*/measurements.parquet"),
    ("sheets", "report/cases", "*.html"),
)


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
    done = {}
    for stage, folder, pattern in STAGES:
        found = list((results / folder).glob(pattern))
        names = {p.parent.name if stage == "measured" else p.stem for p in found}
        done[stage] = len(names & keys)
    files = sorted((results / "work" / "measured").glob("*/set_aside.json"))
    files = [p for p in files if p.parent.name in keys]
    aside = sum(1 for p in files if json.loads(p.read_text(encoding="utf-8"))["case_set_aside"])
    times = sorted(p.stat().st_mtime for p in files)
    spread = (times[-1] - times[0]) / 60 if len(times) > 1 else 0.0
    rate = (len(times) - 1) / spread if spread > 0 else None
    left = (len(keys) - done["measured"]) / rate if rate else None
    return Progress(len(keys), done, aside, rate, left, (results / "run.json").exists())


def progress_line(results: Path) -> str:
    """One line: cases done, set aside, rate, time left."""
    state = progress(results)
    line = f"cases: {state.done['measured']} of {state.cases} done, {state.set_aside} of them set aside"
    if state.per_minute and state.done["measured"] < state.cases:
        line += f", {state.per_minute:.3g} a minute, about {state.minutes_left:.0f} min left"
    return line


def status_text(results: Path) -> str:
    """The state of a run, a line a stage."""
    state = progress(results)
    lines = [f"{stage:>10}: {count} of {state.cases} cases" for stage, count in state.done.items()]
    lines.append(progress_line(results))
    lines.append("The run is finished." if state.finished else "The run is not finished; start it again to go on.")
    return "\n".join(lines)
