"""Checks of the study's series and landmarks: paths, phases, units, and readings that cannot be measured."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outflow_cohort.interchange.landmark_references import SeriesIndex
from outflow_cohort.phases import PhaseMatch
from outflow_cohort.study.columns import STRUCTURES, TABLES
from outflow_cohort.study.config import Study
from outflow_cohort.study.corrections import corrected
from outflow_cohort.study.cross_checks import (
    check_case_keys,
    check_devices,
    check_implants,
    check_outcomes,
    check_references,
)
from outflow_cohort.study.folders import leads_back
from outflow_cohort.study.landmark_table import LandmarkSources, read_landmarks
from outflow_cohort.study.problems import Problem, shown
from outflow_cohort.study.tables import read_table

WIDEST_RING_MM = 120.0
NARROWEST_RING_MM = 12.0
"""Twice the median distance of ring points from their middle. The largest annulus in the literature cited in the
handbook is about 50 mm wide, the smallest surgical ring 20 mm: outside 12-120 mm the unit is wrong."""
LARGEST_FRACTION = 1.0
"""Largest phase of a table of fractions; reconstructions are at whole percents and not all within the first one."""

READING = ["case_id", "phase_pct", "reader_id", "read_no"]


@dataclass(frozen=True)
class StudyTables:
    """All tables of a study, checked, and the readings refused at this stage (rows of set_aside)."""

    cases: pd.DataFrame
    series: pd.DataFrame
    landmarks: pd.DataFrame
    plans: pd.DataFrame
    devices: pd.DataFrame
    device_profiles: pd.DataFrame
    prostheses: pd.DataFrame
    sizing_targets: pd.DataFrame
    refused: pd.DataFrame
    history: pd.DataFrame
    """Landmarks before and after their corrections (`corrections.HISTORY`)."""


def load_tables(study: Study, folder: Path) -> tuple[StudyTables, list[Problem]]:
    """Read and check every table of `study`, whose file is in `folder`."""
    problems: list[Problem] = []
    read = {
        name: read_table(folder / getattr(study, name), spec, problems)
        for name, spec in TABLES.items()
        if name != "landmarks"
    }
    index = SeriesIndex(read["series"], read["cases"]["case_id"], folder, study.phase)
    sources = LandmarkSources(folder, study.landmarks, study.landmark_files, study.structure_names, index)
    landmarks = read_landmarks(sources, problems)
    check_references(read, landmarks, study, problems)
    check_case_keys(read["cases"], problems)
    check_devices(read, problems)
    _check_series(read["series"], folder, problems)
    landmarks, ambiguous = _fill_phase(landmarks, read["series"], study.phase.match)
    for _, row in ambiguous.iterrows():
        problems.append(
            Problem(
                file=str(row["file"]),
                row=int(row["row"]),
                column="phase_pct",
                found="an empty cell for a case with several phases",
                needed="the phase this reading belongs to",
                remedy="Fill phase_pct.",
            )
        )
    landmarks, history = corrected(landmarks, folder / study.corrections, problems)
    check_implants(read, study, problems)
    _check_units(landmarks, problems)
    check_outcomes(read["cases"], study, problems)
    if any(p.severity == "error" for p in problems):
        refused = pd.DataFrame(columns=[*READING, "code", "message"])
    else:
        refused = _refuse_readings(landmarks, read["series"], study)
    return StudyTables(landmarks=landmarks, refused=refused, history=history, **read), problems


WINDOWS_PATH = re.compile(r"^[A-Za-z]:[\\/]|\\")


def shown_path(path: str) -> str:
    """A path for a message; nothing where it may name somebody."""
    from outflow_cohort.dicom.identity_text import path_holds_identity

    parts = re.split(r"[\\/]", path)
    return "" if any(path_holds_identity(part) for part in parts) else f" ({shown(path)})"


def _check_series(series: pd.DataFrame, folder: Path, problems: list[Problem]) -> None:
    for _, row in series.iterrows():
        if (row["dicom_dir"] == "") == (row["volume"] == ""):
            found = "both" if row["dicom_dir"] else "neither"
            problems.append(
                Problem(
                    file=str(row["file"]),
                    row=int(row["row"]),
                    column="dicom_dir, volume",
                    found=found,
                    needed="one of the two",
                    remedy="Name a DICOM folder or a volume file.",
                )
            )
        for name in ("dicom_dir", "volume"):
            path = str(row[name])
            if WINDOWS_PATH.search(path) and not (folder / path).exists():
                problems.append(
                    Problem(
                        file=str(row["file"]),
                        row=int(row["row"]),
                        column=name,
                        found=f"a Windows path{shown_path(path)}",
                        needed="a path on this machine, with /",
                        remedy="Write it as this machine sees it, best relative to the"
                        " study folder: images/C1, ../ct/C1 or /mnt/ct/C1.",
                    )
                )
            elif path and leads_back(folder / path):
                problems.append(
                    Problem(
                        file=str(row["file"]),
                        row=int(row["row"]),
                        column=name,
                        found="a link that leads back on itself",
                        needed="a path through folders, or through links to other places",
                        remedy="Correct the link or the path.",
                    )
                )
    phases = series["phase_pct"].dropna()
    if len(phases) and 0.0 < phases.max() <= LARGEST_FRACTION:
        row = series.loc[phases.idxmax()]
        problems.append(
            Problem(
                file=str(row["file"]),
                row=int(row["row"]),
                column="phase_pct",
                found=f"no phase above {phases.max():g} in the table",
                needed="% of R-R, 0 to 100",
                remedy="These look like fractions of R-R: multiply phase_pct by 100 here and in the landmarks.",
            )
        )
    twice = series[series["phase_pct"].notna() & series.duplicated(["case_id", "phase_pct"])]
    for _, row in twice.iterrows():
        problems.append(
            Problem(
                file=str(row["file"]),
                row=int(row["row"]),
                column="phase_pct",
                found=f"phase {row['phase_pct']:g} a second time",
                needed="one series per case and phase",
                remedy="Remove one row or correct its phase.",
            )
        )


def _fill_phase(landmarks: pd.DataFrame, series: pd.DataFrame, match: PhaseMatch) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give readings the phase of their series: the case's only one where the cell is empty, else the nearest that
    means the same phase. Second result: first rows of readings whose empty cell is ambiguous."""
    counts = series.groupby("case_id").size()
    only = series.groupby("case_id")["phase_pct"].first()
    empty = landmarks["phase_pct"].isna()
    several = empty & (landmarks["case_id"].map(counts).fillna(0) > 1)
    filled = landmarks.copy()
    filled["phase_pct"] = landmarks["phase_pct"].fillna(landmarks["case_id"].map(only))
    filled["phase_pct"] = _phase_of_series(filled, series, match)
    return filled, landmarks[several].drop_duplicates(["case_id", "reader_id", "read_no"])


def _phase_of_series(landmarks: pd.DataFrame, series: pd.DataFrame, match: PhaseMatch) -> pd.Series:
    """The phase of each row as series.csv writes it, so that readings of one phase share one number.

    A reading keeps its own number where another of the same reader and number would then be the same reading.
    """
    readings = landmarks[READING].drop_duplicates().dropna(subset=["phase_pct"])
    known = {case: sorted(set(rows)) for case, rows in series.dropna(subset=["phase_pct"]).groupby("case_id").phase_pct}
    pairs = readings[["case_id", "phase_pct"]].drop_duplicates()
    homes = {}
    for case, phase in pairs.itertuples(index=False):
        found = match.nearest(phase, known.get(case, []))
        homes[case, phase] = phase if found is None else known[case][found]
    if all(phase == home for (_, phase), home in homes.items()):
        return landmarks["phase_pct"]
    home = pd.Series([homes[pair] for pair in zip(readings["case_id"], readings["phase_pct"], strict=True)],
                     index=readings.index, dtype="float64")  # fmt: skip
    shared = readings.assign(phase_pct=home).duplicated(READING, keep=False)
    moved = readings.assign(home=home.where(~shared, readings["phase_pct"]))
    placed = landmarks[READING].merge(moved, on=READING, how="left")["home"]
    return placed.set_axis(landmarks.index).astype("float64")


def _check_units(landmarks: pd.DataFrame, problems: list[Problem]) -> None:
    """A ring of another order of magnitude is a wrong unit, a mistake of the study and not of a reader."""
    ring = landmarks[landmarks["structure"] == "mitral_ring"].dropna(subset=["x_mm", "y_mm", "z_mm"])
    if ring.empty:
        return
    grouped = ring.groupby(READING, dropna=False, sort=True)
    points = ring[["x_mm", "y_mm", "z_mm"]]
    offset = points - grouped[["x_mm", "y_mm", "z_mm"]].transform("median")
    distance = pd.Series(np.sqrt((offset**2).sum(axis=1)), index=ring.index)
    width = 2 * distance.groupby([ring[c] for c in READING], dropna=False).median()
    count = grouped.size()
    rows = grouped["row"].first()
    files = grouped["file"].first()
    bad = width[((width > WIDEST_RING_MM) | (width < NARROWEST_RING_MM)) & (count >= 3)]
    for reading, value in list(bad.items())[:20]:
        problems.append(
            Problem(
                file=str(files[reading]),
                row=int(rows[reading]),
                column="x_mm, y_mm, z_mm",
                found=f"a mitral_ring {value:.3g} wide",
                needed=f"{NARROWEST_RING_MM:g} to {WIDEST_RING_MM:g} mm",
                remedy="Coordinates are in mm: check the unit of export.",
            )
        )
    if len(bad) > 20:
        problems.append(
            Problem(
                file=str(ring["file"].iloc[0]),
                row=None,
                column="x_mm, y_mm, z_mm",
                found=f"{len(bad) - 20} more rings of that kind",
                needed="as above",
                remedy="Correct them likewise.",
            )
        )


def _reading_key(reading: tuple[object, ...]) -> tuple[object, ...]:
    """A reading as a key of dictionaries: an unknown phase is None, since NaN never equals itself."""
    return tuple(None if pd.isna(part) else part for part in reading)


def _nearest(phase: float, phases: list[float | None], match: PhaseMatch) -> float | None:
    """Which of the phases of a case's readings `phase` means."""
    found = match.nearest(phase, phases)
    return None if found is None else phases[found]


def _refuse_readings(landmarks: pd.DataFrame, series: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Readings that cannot be measured, one row each with code and message (case-level, not study-level)."""
    grouped = landmarks.groupby(READING, dropna=False, sort=True)
    ends = grouped.agg(file=("file", "first"), first=("row", "first"), last=("row", "last"))
    spans = {
        _reading_key(reading): f"{file} rows {first}-{last}"
        for reading, file, first, last in zip(ends.index, ends["file"], ends["first"], ends["last"], strict=True)
    }
    refused: dict[tuple[object, ...], tuple[str, str]] = {}
    match = study.phase.match

    def place(reading: tuple[object, ...]) -> str:
        return spans[_reading_key(reading)]

    known = {case: set(rows) for case, rows in series.dropna(subset=["phase_pct"]).groupby("case_id")["phase_pct"]}
    open_phases = set(series.loc[series["phase_pct"].isna(), "case_id"])
    of_case: dict[object, list[float | None]] = {}
    for reading in spans:
        of_case.setdefault(reading[0], []).append(reading[1] if isinstance(reading[1], float) else None)
    for reading in spans:
        case, phase, reader, read_no = reading
        for item in study.exclude:
            if (
                item.case_id == case
                and item.reader_id in (None, reader)
                and item.read_no in (None, read_no)
                and (item.phase_pct is None or phase == _nearest(item.phase_pct, of_case[case], match))
            ):
                refused[reading] = ("excluded", f"excluded in study.yaml: {item.reason}")
        if case in open_phases or phase is None:
            continue
        phases = known.get(case, set())
        if isinstance(phase, float) and phases and match.nearest(phase, sorted(phases)) is None:
            given = ", ".join(f"{p:g}" for p in sorted(phases))
            refused.setdefault(
                reading,
                ("phase_without_series",
                 f"{place(reading)}: found phase {phase:g}; needed one of the phases of series.csv for this case "
                 f"({given}). Add the series or correct phase_pct."),
            )  # fmt: skip
    duplicate = landmarks[landmarks.duplicated([*READING, "structure", "point_no"])]
    for _, row in duplicate.iterrows():
        refused.setdefault(
            _reading_key(tuple(row[READING])),
            ("duplicate_point",
             f"{row['file']} row {row['row']}: {row['structure']} point {row['point_no']:g} is listed twice. "
             "Remove one or number the reads apart."),
        )  # fmt: skip
    counts = landmarks.groupby([*READING, "structure"], dropna=False, sort=True).size()
    least = counts.index.get_level_values("structure").map(lambda s: STRUCTURES[s].least)
    most = counts.index.get_level_values("structure").map(lambda s: STRUCTURES[s].most or 10**9)
    for key, count in counts[counts.to_numpy() > np.asarray(most)].items():
        structure = STRUCTURES[key[-1]]
        refused.setdefault(
            _reading_key(key[:-1]),
            ("too_many_points",
             f"{place(key[:-1])}: {structure.name} has {count} points; needed {structure.most}. Correct the table "
             "or list the reading under exclude."),
        )  # fmt: skip
    for key, count in counts[(counts.to_numpy() < np.asarray(least))].items():
        structure = STRUCTURES[key[-1]]
        if structure.name == "mitral_ring":
            refused.setdefault(
                _reading_key(key[:-1]),
                ("too_few_points",
                 f"{place(key[:-1])}: mitral_ring has {count} points; a plane needs {structure.least}. Correct the "
                 "table or list the reading under exclude."),
            )  # fmt: skip
    rows = [
        {**dict(zip(READING, reading, strict=True)), "code": code, "message": message}
        for reading, (code, message) in refused.items()
    ]
    table = pd.DataFrame(rows, columns=[*READING, "code", "message"])
    return table.astype({"phase_pct": "float64"})
