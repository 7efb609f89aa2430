"""A study's landmarks out as DICOM files or as one table, and reading lists from its series. All points LPS, mm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from outflow_cohort.files import write_csv, write_parquet
from outflow_cohort.interchange.blinding import blinded_lists, write_lists
from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS, ReadingLabel
from outflow_cohort.interchange.landmark_writers import evidence_of, write_report, write_structure_set
from outflow_cohort.study.keys import case_key
from outflow_cohort.study.problems import StudyError

if TYPE_CHECKING:
    from outflow_cohort.study.checks import StudyTables

TABLE_WRITERS = {"csv": write_csv, "parquet": write_parquet}
WRITERS = {"sr": write_report, "rtss": write_structure_set}


def checked_tables(study_file: Path) -> StudyTables:
    """Settings and tables of a study; raises StudyError where it has errors."""
    from outflow_cohort.study.checks import load_tables
    from outflow_cohort.study.config import load_study

    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    tables, found = load_tables(study, study_file.parent)
    if any(p.severity == "error" for p in found):
        raise StudyError(found)
    return tables


def export_landmarks(*, study_file: Path, kind: str, folder: Path) -> int:
    """Write one DICOM file per reading into `folder` (`kind` sr or rtss), or all readings as landmarks.csv or
    landmarks.parquet (`kind` csv or parquet); returns the number of files."""
    import pandas as pd

    landmarks = checked_tables(study_file).landmarks
    if kind in ("csv", "parquet"):
        table = landmarks[list(LANDMARK_COLUMNS)].astype({"read_no": "int64", "point_no": "int64"})
        TABLE_WRITERS[kind](folder / f"landmarks.{kind}", table)
        return 1
    key = ["case_id", "phase_pct", "reader_id", "read_no"]
    count = 0
    for (case, phase, reader, read_no), points in landmarks.groupby(key, dropna=False, sort=True):
        label = ReadingLabel(str(case), str(reader), int(read_no), None if pd.isna(phase) else float(phase))
        ordered = points.sort_values(["structure", "point_no"], kind="stable")
        structures = {
            str(name): part[["x_mm", "y_mm", "z_mm"]].to_numpy(float) for name, part in ordered.groupby("structure")
        }
        phase_name = "phase" if label.phase_pct is None else f"{label.phase_pct:g}"
        name = f"{case_key(label.case_id)}_{phase_name}_{case_key(label.reader_id)}_{label.read_no}.dcm"
        WRITERS[kind](folder / name, label, structures, evidence_of(label))
        count += 1
    return count


def make_reading_lists(
    *, study_file: Path, readers: list[str], repeat_share: float, seed: int, lists: Path, key: Path
) -> int:
    """Write blinded lists of all series of a study; returns the number of readings. Raises ValueError."""
    series = checked_tables(study_file).series
    blinded = blinded_lists(series, readers, repeat_share=repeat_share, seed=seed)
    write_lists(blinded, lists=lists, key=key)
    return len(blinded.key)
