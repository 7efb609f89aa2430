"""Whose results folder it is: one study's, and no place where images or other files are.

Asked before a byte is written. RESULTS/work/owner.json names the study by its id and by where its study.yaml is, seen
from the results folder, so that both may be moved together.
"""

from __future__ import annotations

import csv
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from outflow_cohort.study.problems import Problem

OWNER = Path("work/owner.json")
FORMER = Path("work/study.json")
"""Of results written before there was an owner file."""
OWN_FOLDERS = frozenset({"work", "logs", "tables", "report"})
READ_ME_FIRST = "Name another folder with `results:` in study.yaml."


@dataclass(frozen=True)
class Owner:
    """study_id, and the path of study.yaml as seen from the results folder ('' = not known)."""

    study_id: str
    study_file: str


def owner_of(study_id: str, study_file: Path, results: Path) -> Owner:
    """The owner that a study would be of its results folder."""
    place = os.path.relpath(os.path.realpath(study_file), os.path.realpath(results))
    return Owner(study_id, Path(place).as_posix())


def recorded_owner(results: Path) -> Owner | None:
    """The owner that the folder names; None where it names none, or not legibly."""
    try:
        return Owner(**json.loads((results / OWNER).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        pass
    try:
        return Owner(str(json.loads((results / FORMER).read_text(encoding="utf-8"))["study_id"]), "")
    except (OSError, ValueError, TypeError, KeyError):
        return None


def owner_record(owner: Owner) -> dict[str, str]:
    """What owner.json holds."""
    return asdict(owner)


def check_results(study_id: str, study_file: Path, results: Path, series: Path) -> Problem | None:
    """Why this study must not write into `results`; None where it may.

    series : its table of series, of which the image folders are read; a table that cannot be read is no reason here.
    """
    place = _refusal(study_id, study_file, results, series)
    if place is None:
        return None
    found, needed, remedy = place
    return Problem(file=study_file.name, row=None, column="results", found=found, needed=needed, remedy=remedy)


def _refusal(study_id: str, study_file: Path, results: Path, series: Path) -> tuple[str, str, str] | None:
    real = os.path.realpath(results)
    for folder in _image_folders(series):
        if real == folder or real.startswith(folder.rstrip(os.sep) + os.sep):
            return ("a folder inside the images of this study", "a folder outside of all image folders", READ_ME_FIRST)
    owner, mine = recorded_owner(results), owner_of(study_id, study_file, results)
    if owner is None:
        try:
            names = {path.name for path in results.iterdir() if not path.name.startswith(".")}
        except OSError:
            return None
        if names - OWN_FOLDERS:
            return ("a folder with other files in it", "a new or empty folder", READ_ME_FIRST)
        return None
    if owner.study_id != mine.study_id:
        return (
            "the results of another study (its study_id differs)",
            "a folder of its own for each study",
            READ_ME_FIRST,
        )
    if owner.study_file not in ("", mine.study_file):
        return (
            "the results of another study.yaml with the same study_id",
            "a folder of its own for each study",
            f"{READ_ME_FIRST[:-1]}; where the study alone was moved, delete {OWNER} in the results folder.",
        )
    return None


def _image_folders(series: Path) -> set[str]:
    """Real paths of the folders that the table of series names."""
    try:
        with series.open(encoding="utf-8-sig", newline="") as handle:
            places = {str(row.get("dicom_dir") or "").strip() for row in csv.DictReader(handle)}
    except (OSError, ValueError, csv.Error):
        return set()
    return {os.path.realpath(series.parent / place) for place in places if place}
