"""The study as it was understood, before anything runs: tables, one header a series, and a matrix with its holes."""

from __future__ import annotations

import os
import zipfile
from functools import cache
from pathlib import Path

import pandas as pd

from outflow_cohort.study.checks import StudyTables, load_tables
from outflow_cohort.study.config import load_study
from outflow_cohort.study.cutoffs import read_cutoffs
from outflow_cohort.study.problems import Problem, StudyError

HEADER_TAGS = ("Modality", "PatientIdentityRemoved", "SeriesInstanceUID", "Rows")
WIDEST_MATRIX = 60
"""Cases drawn; the rest is counted, holes first."""


def preview(study_file: Path) -> tuple[str, list[Problem]]:
    """Check tables and one header a series; returns the drawing of the study and all problems, errors first."""
    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    folder = study_file.parent
    tables, found = load_tables(study, folder)
    problems += found + read_cutoffs(folder / study.cutoffs if study.cutoffs else None)[1]
    problems += _check_folders(tables.series, folder)
    for _, row in tables.refused.iterrows():
        problems.append(
            Problem(study.landmarks, None, None, f"a reading of case {row['case_id']} that will be set aside "
                    f"({row['code']})", "a reading that can be measured", str(row["message"]), severity="warning")
        )  # fmt: skip
    problems.sort(key=lambda p: (p.severity != "error", p.file, p.row or 0))
    return draw(tables), problems


def _check_folders(series: pd.DataFrame, folder: Path) -> list[Problem]:
    problems = []
    for _, row in series.iterrows():
        for column in ("dicom_dir", "volume"):
            if row[column] == "":
                continue
            verdict = _look(os.path.realpath(folder / str(row[column])), column)
            if verdict:
                found, needed, remedy = verdict
                problems.append(
                    Problem(str(row["file"]), int(row["row"]), column, found, needed, remedy, severity="warning")
                )
    return problems


@cache
def _look(path: str, column: str) -> tuple[str, str, str] | None:
    """What is wrong with a series folder (one header is read) or a volume file; None where nothing is."""
    if column == "dicom_dir" and os.path.isfile(path) and not zipfile.is_zipfile(path):
        return "a file that is no zip archive", "a folder or a zip archive", "Name the folder of the series."
    if column == "volume" or os.path.isfile(path):
        if os.path.isfile(path):
            return None
        return "no such file", "an image file", "Correct the path; else the series will be set aside."
    first = next(
        (os.path.join(root, name) for root, _, names in os.walk(path) for name in sorted(names) if name[0] != "."), None
    )
    if first is None:
        return "no file in this folder", "the files of one series", "Correct the path; else it will be set aside."
    import pydicom
    from pydicom.errors import InvalidDicomError

    try:
        header = pydicom.dcmread(first, stop_before_pixels=True, specific_tags=list(HEADER_TAGS))
    except (InvalidDicomError, OSError, ValueError, KeyError, AttributeError, NotImplementedError):
        return "a file that is no DICOM file", "the files of one CT series", "Look at the folder."
    if header.get("PatientIdentityRemoved") != "YES":
        return (
            "no sign of de-identification",
            "PatientIdentityRemoved = YES",
            "De-identify the series (DICOM PS3.15 Annex E); else it will be set aside.",
        )
    if header.get("Modality", "CT") != "CT":
        return "a series that is not CT", "Modality CT", "Correct the path; else the series will be set aside."
    return None


def draw(tables: StudyTables) -> str:
    """Cases x phases: the readings of each (reader letter, reads), `.` = series without reading, blank = no series."""
    readings = tables.landmarks.drop_duplicates(["case_id", "phase_pct", "reader_id", "read_no"])
    readers = sorted(set(readings["reader_id"]))
    letters = {reader: _letter(i) for i, reader in enumerate(readers)}
    phases = sorted(set(tables.series["phase_pct"].dropna()))
    unknown = bool(tables.series["phase_pct"].isna().any())
    columns: list[float | None] = [*phases, *([None] if unknown else [])]
    counts = readings.groupby(["case_id", readings["phase_pct"].fillna(-1.0), "reader_id"]).size()
    given: dict[tuple[str, float], str] = {}
    for (case, phase, reader), number in counts.items():
        given[(case, phase)] = given.get((case, phase), "") + letters[reader] + (str(number) if number > 1 else "")
    has = set(zip(tables.series["case_id"], tables.series["phase_pct"].fillna(-1.0), strict=True))
    cases = list(tables.cases["case_id"])
    grid = [
        [
            given.get((case, -1.0 if p is None else p)) or ("." if (case, -1.0 if p is None else p) in has else "")
            for p in columns
        ]
        for case in cases
    ]
    full = max((sum(bool(c.strip(".")) for c in row) for row in grid), default=0)
    order = sorted(range(len(cases)), key=lambda i: (sum(bool(c.strip(".")) for c in grid[i]) == full, i))
    shown = sorted(order[:WIDEST_MATRIX])
    head = ["case", *("?" if p is None else f"{p:g} %" for p in columns)]
    body = [[cases[i], *grid[i]] for i in shown]
    widths = [max(len(row[c]) for row in [head, *body]) for c in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [head, *body]
    ]
    if len(cases) > len(shown):
        lines.append(f"… and {len(cases) - len(shown)} more cases")
    key = ", ".join(f"{letter} = {reader}" for reader, letter in letters.items())
    lines.append(
        f"{len(cases)} cases, {len(tables.series)} series, {len(readings)} readings. Readers: {key or 'none'}."
    )
    lines.append(
        "A digit counts repeat reads; . = a series without readings; blank = no series; ? = phase from the header."
    )
    return "\n".join(lines)


def _letter(index: int) -> str:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return letters[index] if index < len(letters) else f"({index + 1})"
