"""Whether everything that `plan` reads and wrote is as it was at its last run: then it has nothing to do.

Tables and study.yaml count by their content, images by names, sizes and times of their files (as in the requests), the
program by names, sizes and times of its own files. Light: no table is parsed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import outflow_geometry
from outflow_cohort.files import read_json, write_json
from outflow_cohort.study.fingerprints import fingerprint, real_path
from outflow_cohort.study.ownership import OWNER, check_results, owner_of, owner_record
from outflow_cohort.study.problems import Problem
from outflow_cohort.study.settings_peek import peek

if TYPE_CHECKING:
    from outflow_cohort.study.config import Study

STAMP = "plan_stamp.json"
VERSION = "1"
WRITTEN = (
    OWNER.name,
    "cases.parquet",
    "landmark_history.csv",
    "plan.json",
    "readings.parquet",
    "report.json",
    "study.json",
)
"""What `plan` writes below RESULTS/work besides the requests."""
PROGRAM_FILES = frozenset({".py", ".csv", ".yaml", ".json"})
BLOCK = 1 << 20


def warnings_of_unchanged(study_file: Path, *, generated: bool) -> list[Problem] | None:
    """The last plan's warnings where nothing that it read or wrote has changed since; None where it must run."""
    folder, settings = study_file.parent, peek(study_file)
    results = folder / settings.results
    work = results / "work"
    try:
        stamp = read_json(work / STAMP)
        if stamp["version"] != VERSION or stamp["generated"] != generated or stamp["program"] != _program():
            return None
        if check_results(settings.study_id, study_file, results, folder / settings.series) is not None:
            return None
        if read_json(work / OWNER.name) != owner_record(owner_of(settings.study_id, study_file, results)):
            return None
        if stamp["outputs"] != _outputs(work) or stamp["inputs"] != _inputs(folder, stamp["inputs"]):
            return None
        if stamp["images"] != _images(folder, stamp["series"], generated):
            return None
        return [Problem(**one) for one in stamp["warnings"]]
    except (OSError, ValueError, KeyError, TypeError):
        return None  # no stamp that can be read


def write_stamp(
    study: Study, study_file: Path, series: Iterable[str], warnings: Iterable[Problem], *, generated: bool
) -> None:
    """Note what this plan rests on; `series` are the paths of images as series.csv has them.

    No note where study.yaml names landmark files by patterns: what they match is not watched.
    """
    from outflow_cohort.corelab.freeze import TABLES

    folder = study_file.parent
    work = folder / study.results / "work"
    if study.landmark_files:
        (work / STAMP).unlink(missing_ok=True)
        return
    names = [study_file.name, "freeze", *(str(getattr(study, key)) for key in TABLES if getattr(study, key))]
    paths = sorted(set(series))
    stamp: dict[str, Any] = {
        "version": VERSION,
        "generated": generated,
        "program": _program(),
        "inputs": _inputs(folder, names),
        "series": paths,
        "images": _images(folder, paths, generated),
        "outputs": _outputs(work),
        "warnings": [asdict(problem) for problem in warnings],
    }
    write_json(work / STAMP, stamp, indent=None)


def _inputs(folder: Path, names: Iterable[str]) -> dict[str, str]:
    """Hash of each named file or folder below `folder`; empty where there is none."""
    return {name: _content(folder / name) for name in names}


def _content(path: Path) -> str:
    if not path.exists():
        return ""
    digest = hashlib.sha256()
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    for file in files:
        digest.update(f"{file.relative_to(path).as_posix()}\n".encode(errors="replace"))
        with file.open("rb") as handle:
            while block := handle.read(BLOCK):
                digest.update(block)
    return digest.hexdigest()


def _images(folder: Path, series: Iterable[str], generated: bool) -> str:
    """One hash of all series' files; images that the workflow makes itself are not watched."""
    digest = hashlib.sha256()
    for path in () if generated else series:
        digest.update(f"{path} {fingerprint(real_path(folder / path))}\n".encode(errors="replace"))
    return digest.hexdigest()


def _outputs(work: Path) -> str:
    files = [work / name for name in WRITTEN if (work / name).exists()]
    return _states({str(file.relative_to(work)): file for file in [*files, *sorted((work / "requests").glob("*"))]})


def _program() -> str:
    import outflow_cohort

    found: dict[str, Path] = {}
    for package in (outflow_cohort, outflow_geometry):
        root = Path(str(package.__file__)).parent
        found |= {f"{root.name}/{p.relative_to(root)}": p for p in sorted(root.rglob("*")) if p.suffix in PROGRAM_FILES}
    return _states(found)


def _states(files: Mapping[str, Path]) -> str:
    """A hash of names, sizes and times."""
    digest = hashlib.sha256()
    for name, file in files.items():
        state = file.stat()
        digest.update(f"{name} {state.st_size} {state.st_mtime_ns}\n".encode(errors="replace"))
    return digest.hexdigest()
