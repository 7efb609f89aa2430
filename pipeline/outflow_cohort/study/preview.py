"""The study as it was understood, before anything runs: tables, one header a series, and a matrix with its holes."""

from __future__ import annotations

import os
import zipfile
from functools import cache
from pathlib import Path

import pandas as pd

from outflow_cohort.study.checks import StudyTables, load_tables, shown_path
from outflow_cohort.study.config import Study, load_study
from outflow_cohort.study.cutoffs import read_cutoffs
from outflow_cohort.study.identity_hints import CHECKED, identity_hints
from outflow_cohort.study.problems import Problem, StudyError

HEADER_TAGS = ("Modality", "PatientIdentityRemoved", "SeriesInstanceUID", "Rows")
WIDEST_MATRIX = 60
"""Cases drawn; the rest is counted, holes first."""
MOST_READERS_WITH_GAPS = 6
"""With more readers not everybody is meant to read everything, and gaps would crowd the drawing."""


def preview(study_file: Path) -> tuple[str, list[Problem]]:
    """Check tables and one header a series; returns the drawing of the study and all problems, errors first."""
    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    folder = study_file.parent
    tables, found = load_tables(study, folder)
    problems += found + read_cutoffs(folder / study.cutoffs if study.cutoffs else None)[1]
    problems += _check_folders(tables.series, folder)
    hints = identity_hints({name: getattr(tables, name) for name in CHECKED}, study.privacy)
    problems += hints
    for _, row in tables.refused.iterrows():
        problems.append(
            Problem(
                file=study.landmarks,
                row=None,
                column=None,
                found=f"a reading of case {row['case_id']} that will be set aside ({row['code']})",
                needed="a reading that can be measured",
                remedy=str(row["message"]),
                severity="warning",
            )
        )
    problems += _gaps(tables, study)
    problems.sort(key=lambda p: (p.severity != "error", p.file, p.row or 0))
    return draw(tables, _withheld(tables, hints)), problems


def _gaps(tables: StudyTables, study: Study) -> list[Problem]:
    """Cases that nothing, or no outflow tract, can be measured of, one warning a kind."""
    cases = tables.cases
    planned = set(tables.plans["case_id"]) | set(cases.loc[cases["device_id"] != "", "case_id"])
    kinds = (
        (set(tables.series["case_id"]), study.series, "no series", "a series per case",
         "Add rows; else the cases are set aside."),
        (set(tables.landmarks["case_id"]), study.landmarks, "no reading", "a reading per case",
         "Fill in landmarks; else the cases are set aside."),
        (planned, study.plans, "no plan and no device", "a plan, or a device_id in cases.csv",
         "Add rows where the outflow tract beside a device is asked for; ring and annulus are measured without."),
    )  # fmt: skip
    problems = []
    for has, file, found, needed, remedy in kinds:
        count = sum(case not in has for case in cases["case_id"])
        if count:
            text = f"{found} of {count} of {len(cases)} cases"
            problems.append(
                Problem(file=file, row=None, column=None, found=text, needed=needed, remedy=remedy, severity="warning")
            )
    return problems


def _withheld(tables: StudyTables, hints: list[Problem]) -> frozenset[str]:
    """Names of cases and readers that look like somebody's: the drawing must not show them either."""
    rows = {(hint.file, hint.row, hint.column) for hint in hints}
    return frozenset(
        str(name)
        for frame, column in ((tables.cases, "case_id"), (tables.landmarks, "reader_id"))
        for name, file, row in zip(frame[column], frame["file"], frame["row"], strict=True)
        if (file, row, column) in rows
    )


def _check_folders(series: pd.DataFrame, folder: Path) -> list[Problem]:
    """One problem per row; rows with the same mistake share its text, with the first path as an example."""
    problems = []
    first: dict[tuple[str, tuple[str, str, str]], str] = {}
    for column in ("dicom_dir", "volume"):
        for file, row, place in zip(series["file"], series["row"], series[column], strict=True):
            verdict = _look(os.path.realpath(folder / str(place)), column) if place else None
            if verdict:
                found, needed, remedy = verdict
                example = first.setdefault((column, verdict), shown_path(str(place)))
                problems.append(
                    Problem(
                        file=str(file),
                        row=int(row),
                        column=column,
                        found=found + example,
                        needed=needed,
                        remedy=remedy,
                        severity="warning",
                    )
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
        return "no file in this folder", "the files of one series", "Correct the path; else the series is set aside."
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
            "De-identify the series (DICOM PS3.15 Annex E); else the series is set aside.",
        )
    if header.get("Modality", "CT") != "CT":
        return "a series that is not CT", "Modality CT", "Correct the path; else the series will be set aside."
    return None


def draw(tables: StudyTables, withheld: frozenset[str] = frozenset()) -> str:
    """Cases x phases: the readings of each (reader letter, reads), `-` = not by this reader, `.` = series without
    reading, blank = no series. Names in `withheld` are not shown; such a case is named by its row."""
    readings = tables.landmarks.drop_duplicates(["case_id", "phase_pct", "reader_id", "read_no"])
    readers = sorted(set(readings["reader_id"]))
    letters = {reader: _letter(i) for i, reader in enumerate(readers)}
    phases = sorted(set(tables.series["phase_pct"].dropna()))
    unknown = bool(tables.series["phase_pct"].isna().any())
    columns: list[float | None] = [*phases, *([None] if unknown else [])]
    reads = readings.groupby(["case_id", readings["phase_pct"].fillna(-1.0), "reader_id"]).size().to_dict()
    has = set(zip(tables.series["case_id"], tables.series["phase_pct"].fillna(-1.0), strict=True))
    cases = list(tables.cases["case_id"])

    def cell(case: str, phase: float) -> str:
        own = [reads.get((case, phase, reader), 0) for reader in readers]
        if not any(own):
            return "." if (case, phase) in has else ""
        gap = "-" if len(readers) <= MOST_READERS_WITH_GAPS else ""
        counted = zip(letters.values(), own, strict=True)
        return "".join(letter + (str(n) if n > 1 else "") if n else gap for letter, n in counted)

    grid = [[cell(case, -1.0 if p is None else p) for p in columns] for case in cases]
    filled = [sum(c.isalpha() or c == ")" for text in row for c in text) for row in grid]
    order = sorted(range(len(cases)), key=lambda i: (filled[i] == max(filled), i))
    shown = sorted(order[:WIDEST_MATRIX])
    head = ["case", *("?" if p is None else f"{p:g} %" for p in columns)]
    names = [f"(row {row})" if c in withheld else c for c, row in zip(cases, tables.cases["row"], strict=True)]
    body = [[names[i], *grid[i]] for i in shown]
    widths = [max(len(row[c]) for row in [head, *body]) for c in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [head, *body]
    ]
    if len(cases) > len(shown):
        holes = sum(filled[i] < max(filled) for i in order[WIDEST_MATRIX:])
        lines.append(
            f"… and {len(cases) - len(shown)} more cases, {holes} of them with fewer readings than the fullest"
        )
    key = ", ".join(f"{letter} = {'(name withheld)' if r in withheld else r}" for r, letter in letters.items())
    lines.append(
        f"{len(cases)} cases, {len(tables.series)} series, {len(readings)} readings. Readers: {key or 'none'}."
    )
    lines.append(
        "A digit counts repeat reads; - = a reader who did not read this series; . = a series without readings; "
        "blank = no series; ? = phase from the header."
    )
    return "\n".join(lines)


def _letter(index: int) -> str:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return letters[index] if index < len(letters) else f"({index + 1})"
