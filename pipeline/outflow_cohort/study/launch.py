"""What the workflow does at its start, in the main process only: make the demonstration tables, check the study,
freeze the requests. Jobs of the workflow just read the case list."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from outflow_cohort.study.claim import claim
from outflow_cohort.study.keys import read_case_keys

DEMO_FOLDER = Path("demo_study")


@dataclass(frozen=True)
class Launch:
    """Names that the rules need; paths are text relative to the working directory where the study is."""

    results: str
    keys: list[str]
    series_ready: list[str]
    truth: list[str]
    keep_volumes: bool
    claimed: TextIO | None
    """Held open as long as the run lasts."""


def prepare(*, study: str | None, demo_settings: str, main_process: bool) -> Launch:
    """Prepare a run of `study` (the demonstration study where None); raises SystemExit where it is refused."""
    from outflow_cohort.study.settings_peek import peek

    # Jobs find the commands of this environment also where it was not activated.
    os.environ["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    study_file = Path(study) if study else DEMO_FOLDER / "study.yaml"
    claimed = None
    if main_process:
        if study is None and not study_file.exists():
            _run("demo", "--folder", str(DEMO_FOLDER), "--settings", demo_settings)
        _run("plan", "--study", str(study_file), *([] if study else ["--generated"]))
    settings = peek(study_file)
    results = study_file.parent / settings.results
    if "{" in str(results) or "}" in str(results):
        raise SystemExit("the path of the results folder holds a brace, which the workflow cannot handle; move the study")
    if main_process:
        claimed = claim(results)
    keys = read_case_keys(study_file.parent / settings.cases)
    return Launch(
        results=str(results),
        keys=keys,
        series_ready=[] if study else [str(DEMO_FOLDER / "dicom" / "{key}.done")],
        truth=[] if study else [str(DEMO_FOLDER / "truth" / f"{key}.csv") for key in keys],
        keep_volumes=settings.keep_volumes,
        claimed=claimed,
    )


def _run(*arguments: str) -> None:
    """Run one of our commands in a process of its own, so that the workflow's parser stays light."""
    status = subprocess.run([sys.executable, "-m", "outflow_cohort", *arguments], check=False).returncode
    if status:
        raise SystemExit(status)
