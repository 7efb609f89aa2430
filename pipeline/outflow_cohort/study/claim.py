"""One run at a time on a results folder, and nothing left behind by a run that was killed."""

from __future__ import annotations

import fcntl
import os
import shutil
from pathlib import Path
from typing import TextIO

ENGINE_FOLDER = Path(".snakemake")


def claim(results: Path) -> TextIO:
    """Take the results folder for this process; the kernel frees it when the process ends, however that happens.

    With the claim held, no other run is active there, so locks and incomplete-marks that the workflow engine kept
    of a killed run are void: every output is written under a temporary name and moved into place, thus whole or
    absent. Raises SystemExit where another run holds the folder.
    """
    lock = results / "work" / "run.lock"
    lock.parent.mkdir(parents=True, exist_ok=True)
    handle = lock.open("a+", encoding="ascii")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise SystemExit(
            f"another run is working in {results.name}; wait for it (outflow-cohort status RESULTS) or stop it"
        ) from None
    for file in sorted((ENGINE_FOLDER / "locks").glob("*")):
        paths = file.read_text(encoding="utf-8", errors="replace").splitlines()
        if any(path == str(results) or path.startswith(f"{results}{os.sep}") for path in paths):
            file.unlink(missing_ok=True)
    shutil.rmtree(ENGINE_FOLDER / "incomplete", ignore_errors=True)
    for leftover in results.rglob(".*.part"):
        shutil.rmtree(leftover, ignore_errors=True) if leftover.is_dir() else leftover.unlink(missing_ok=True)
    return handle
