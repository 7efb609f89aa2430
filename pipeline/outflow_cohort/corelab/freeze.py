"""A study is closed by its hashes; later changes are refused, or make a numbered amendment with a reason.

Records are FOLDER/freeze/NNN.json beside study.yaml. The last one says which inputs are valid.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from outflow_cohort.files import read_json, write_json
from outflow_cohort.study.problems import Problem, StudyError

TABLES = (
    "cases", "series", "landmarks", "corrections", "plans", "devices", "device_profiles", "prostheses",
    "sizing_targets", "cutoffs",
)  # fmt: skip
"""Keys of study.yaml that name input tables."""


@dataclass(frozen=True)
class Record:
    """One record of the freeze folder.

    kind : `frozen` (with the hashes of the results) or `amendment` (inputs changed for `reason`; not yet frozen).
    """

    number: int
    kind: str
    date: str
    reason: str
    inputs: dict[str, str]
    changed: list[str]
    results: dict[str, Any]


def last_record(folder: Path) -> Record | None:
    """The valid record of the study in `folder`; None where it was never frozen."""
    files = sorted((folder / "freeze").glob("[0-9][0-9][0-9].json"))
    return Record(**read_json(files[-1])) if files else None


def input_hashes(folder: Path, settings: Path, names: dict[str, str | None]) -> dict[str, str]:
    """SHA-256 of study.yaml, of every table, and of names and sizes of the series' files.

    names : path of each table by its key, relative to `folder`.
    """
    found = {settings.name: _hash(settings)}
    for key in TABLES:
        place = folder / str(names.get(key) or "")
        if not names.get(key) or not place.exists():
            continue
        for path in sorted(p for p in (place.rglob("*") if place.is_dir() else [place]) if p.is_file()):
            found[path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name] = _hash(path)
    return found


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while block := handle.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def changed_inputs(before: dict[str, str], now: dict[str, str]) -> list[str]:
    """Names of files that are new, gone or different, sorted."""
    return sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name))


def refuse_changes(folder: Path, settings: Path, names: dict[str, str | None]) -> None:
    """Raise StudyError where the study is frozen and its inputs are not those of the last record."""
    record = last_record(folder)
    if record is None:
        return
    changed = changed_inputs(record.inputs, input_hashes(folder, settings, names))
    if changed:
        raise StudyError(
            [
                Problem(
                    file=name,
                    row=None,
                    column=None,
                    found=f"a file that has changed since the study was frozen ({record.date})",
                    needed="the file as it was frozen",
                    remedy='Restore it, or open an amendment: outflow-cohort freeze STUDY --amend "REASON".',
                )
                for name in changed
            ]
        )


def freeze(*, study_file: Path, amend: str | None = None) -> str:
    """Close the study, or open an amendment for the reason `amend`; returns what was done, in words.

    Raises StudyError where there is no finished run, the inputs changed since it, or there is nothing to amend.
    """
    from outflow_cohort.study.config import load_study

    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    folder = study_file.parent
    names = {key: getattr(study, key) for key in TABLES}
    inputs, record = input_hashes(folder, study_file, names), last_record(folder)
    number = 0 if record is None else record.number + 1
    if amend is not None:
        if record is None:
            raise _error(study_file, "an amendment of a study that was never frozen", "a frozen study", "Freeze it.")
        changed = changed_inputs(record.inputs, inputs)
        if not changed:
            raise _error(study_file, "no changed input", "a change to be recorded", "Change the tables first.")
        new = Record(
            number=number, kind="amendment", date=_today(), reason=amend, inputs=inputs, changed=changed, results={}
        )
        write_json(folder / "freeze" / f"{number:03d}.json", asdict(new))
        return f"Amendment {number}: {len(changed)} changed file(s) ({', '.join(changed)}). Run the study, then freeze."
    if record is not None and changed_inputs(record.inputs, inputs):
        refuse_changes(folder, study_file, names)
    results = folder / study.results
    if not (results / "run.json").exists():
        raise _error(study_file, "no run.json in the results folder", "a finished run", "Run the study first.")
    run = read_json(results / "run.json")
    if os.stat(results / "run.json").st_mtime_ns < max(
        os.stat(folder / n).st_mtime_ns for n in inputs if (folder / n).exists()
    ):
        raise _error(study_file, "inputs newer than the run", "results of these inputs", "Run the study again.")
    kept = {name: run[name] for name in ("tables", "versions", "commit", "counts", "settings")}
    reason = "" if record is None else record.reason
    new = Record(number=number, kind="frozen", date=_today(), reason=reason, inputs=inputs, changed=[], results=kept)
    write_json(folder / "freeze" / f"{number:03d}.json", asdict(new))
    return (
        f"Frozen as number {number}: {len(inputs)} input file(s), {len(kept['tables'])} table(s). Changes need --amend."
    )


def _error(study_file: Path, found: str, needed: str, remedy: str) -> StudyError:
    return StudyError([Problem(file=study_file.name, row=None, column=None, found=found, needed=needed, remedy=remedy)])


def _today() -> str:
    return date.today().isoformat()
