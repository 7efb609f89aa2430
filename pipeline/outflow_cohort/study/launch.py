"""What the workflow does at its start, in the main process only: make the demonstration tables, check the study,
freeze the requests. Jobs of the workflow just read the case list."""

from __future__ import annotations

import difflib
import json
import logging
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from outflow_cohort.study.claim import claim, leave_unused
from outflow_cohort.study.keys import read_case_keys
from outflow_cohort.study.ownership import check_results
from outflow_cohort.workflow_files import workflow_file

EXIT_STUDY = 3
"""As of the commands (cli.py, which is too heavy to import here)."""
DEMO_FOLDER = Path("demo_study")


@dataclass(frozen=True)
class Launch:
    """Names that the rules need; paths are text relative to the working directory where the study is."""

    results: str
    keys: list[str]
    series_ready: list[str]
    truth: list[str]
    keep_volumes: bool
    carried: frozenset[str]
    """Keys of the cases that have phases to carry landmarks to."""
    claimed: TextIO | None
    """Held open as long as the run lasts."""
    changes: tempfile.TemporaryDirectory[str] | None = None
    """Of a dry run: what `plan` would write anew; gone when the process ends."""

    def frozen(self, name: str) -> str:
        """Path of a file that `plan` freezes below RESULTS/work; in a dry run its new form, where it changes."""
        if self.changes is not None and Path(self.changes.name, name).exists():
            return str(Path(self.changes.name, name))
        return f"{self.results}/work/{name}"


def prepare(*, study: str | None, demo_settings: str, main_process: bool, given: Iterable[str] = ()) -> Launch:
    """Prepare a run of `study` (the demonstration study where None); raises SystemExit where it is refused."""
    from outflow_cohort.study.settings_peek import peek

    _refuse_unknown(given)
    if os.environ.get("NO_COLOR"):
        _silence_colour()
    # Jobs find the commands of this environment also where it was not activated.
    os.environ["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    study_file = Path(study) if study else DEMO_FOLDER / "study.yaml"
    if study and study_file.is_dir():
        study_file /= "study.yaml"
    claimed, changes = None, None
    dry = main_process and is_dry_run(sys.argv)
    if dry:
        changes = tempfile.TemporaryDirectory(prefix="outflow_dry_run_")
    if main_process and study is None and not study_file.exists():
        folder = DEMO_FOLDER if changes is None else Path(changes.name) / DEMO_FOLDER
        _run("demo", "--folder", str(folder), "--settings", str(workflow_file(demo_settings)))
        study_file = folder / "study.yaml"
    if main_process and not study_file.is_file():
        _run("plan", "--study", str(study_file))
    settings = peek(study_file)
    results = (study_file.parent if study else DEMO_FOLDER) / settings.results
    if "{" in str(results) or "}" in str(results):
        raise SystemExit("the path of the results folder holds a brace, which no workflow can handle; move the study")
    if changes is not None:
        _run("plan", "--study", str(study_file), "--changes", changes.name, *([] if study else ["--generated"]))
    elif main_process:
        refused = check_results(settings.study_id, study_file, results, study_file.parent / settings.series)
        if refused is not None:
            print(refused, file=sys.stderr)
            raise SystemExit(EXIT_STUDY)
        claimed = claim(results)
        # Only now: a job of a killed run must not outlive the request it was given.
        try:
            _run("plan", "--study", str(study_file), *([] if study else ["--generated"]))
        except SystemExit:
            leave_unused(results, claimed)
            raise
    keys = read_case_keys(study_file.parent / settings.cases)
    frozen = Path(results, "work")
    if changes is not None and Path(changes.name, "plan.json").exists():
        frozen = Path(changes.name)
    carried = json.loads((frozen / "plan.json").read_text(encoding="utf-8"))["carried"] if settings.carries else []
    return Launch(
        results=str(results),
        keys=keys,
        series_ready=[] if study else [str(DEMO_FOLDER / "dicom" / "{key}.done")],
        truth=[] if study else [str(DEMO_FOLDER / "truth" / f"{key}.csv") for key in keys],
        keep_volumes=settings.keep_volumes,
        carried=frozenset(carried),
        claimed=claimed,
        changes=changes,
    )


DRY_RUN = re.compile(r"--dry(-?run)?|-[npqkF]*n[npqkF]*")
"""The engine's option, shortened or joined with other letters as its parser allows."""


def is_dry_run(arguments: Sequence[str]) -> bool:
    """Whether the engine was asked to say what it would do, and do nothing."""
    return any(DRY_RUN.fullmatch(argument) for argument in arguments[1:])


CONFIG_KEYS = ("study", "scheduler")
"""What --config takes."""


def _refuse_unknown(given: Iterable[str]) -> None:
    """A mistyped key would be passed over, and the demonstration would run in place of the study."""
    for key in given:
        if key not in CONFIG_KEYS:
            near = difflib.get_close_matches(key, CONFIG_KEYS, n=1)
            hint = f', did you mean "{near[0]}"?' if near else "."
            raise SystemExit(
                f"error: --config: found the unknown key {key[:40]!r}; needed {' or '.join(CONFIG_KEYS)}. Remedy: "
                f"Correct or remove it{hint}"
            )


def _silence_colour() -> None:
    """The engine colours its lines on a terminal; NO_COLOR (no-color.org) forbids that, which it does not ask."""
    for handler in logging.getLogger("snakemake.logging").handlers:
        if hasattr(handler, "nocolor"):
            handler.nocolor = True


ENGINES_OWN_LIMIT = (100, 1)
"""Jobs and seconds of the limit that the engine sets where nobody asks for one."""


def lift_rate_limit(scheduler: Any) -> None:
    """Take the engine's own limit of jobs a second off its scheduler; a limit that somebody asked for stays.

    With a limit the engine looks at all ready jobs once more a second after each look, for as long as the run lasts,
    and each job that ends adds to these looks (Snakemake 9.27; its open pull request 3744 describes the same loop): a
    study of 1,000 cases came to a standstill. How many jobs are sent off at once is bounded by --cores and --jobs.
    """
    limit = scheduler.job_rate_limiter
    if limit is not None and (limit.max_jobs, limit.timespan) == ENGINES_OWN_LIMIT:
        scheduler.job_rate_limiter = None


def last_words(results: str) -> str:
    """What the screen says last where a run fails: how far it came, where the reasons are, how to go on."""
    from outflow_cohort.runs.status import progress_line

    try:
        line = progress_line(Path(results))
    except (FileNotFoundError, ValueError):
        line = "no case was measured"
    return (
        f"The run did not finish. {line}.\nEach failed job is named above with its log ({results}/logs). "
        "Start the run again: it goes on where it stopped."
    )


def closing_words(results: str) -> str:
    """What the screen says last where a run succeeds: where to begin reading."""
    return f"Done. Begin with {results}/report/index.html; the tables are in {results}/tables."


def _run(*arguments: str) -> None:
    """Run one of our commands in a process of its own, so that the workflow's parser stays light."""
    status = subprocess.run([sys.executable, "-m", "outflow_cohort", *arguments], check=False).returncode
    if status:
        raise SystemExit(status)
