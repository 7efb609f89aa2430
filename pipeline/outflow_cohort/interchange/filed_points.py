"""Points that readers file under the identifiers of a blinded list: CSV, or as `landmark_files` describe them.

Points LPS, mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatch
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd

from outflow_cohort.study.landmark_sources import LandmarkFiles
from outflow_cohort.study.problems import Problem

NEEDED = ("case_id", "reader_id", "structure", "point_no", "x_mm", "y_mm", "z_mm")


def landmark_files_of(study_file: Path) -> tuple[LandmarkFiles, ...]:
    """What a study says of files of other programs; raises ValueError where its settings are wrong."""
    from outflow_cohort.study.config import load_study

    study, problems = load_study(study_file)
    if study is None or problems:
        raise ValueError("\n".join(map(str, problems)))
    return tuple(study.landmark_files)


def filed_table(path: Path, groups: Sequence[LandmarkFiles] = ()) -> pd.DataFrame:
    """The points of a file that a reader filed, checked: a CSV with the columns NEEDED, a table, point list or polydata
    as the group of landmark_files says whose pattern fits its name, or one that says itself what it holds.

    Raises FileNotFoundError or ValueError with file, row, found, needed.
    """
    if not path.is_file():
        raise FileNotFoundError(f"{path.name}: no such file; needed a file of points")
    group = next((g for g in groups if fnmatch(path.name, PurePosixPath(g.files).name)), None)
    if group is None and path.suffix.lower() in ("", ".csv"):
        frame = _plain_table(path)
    else:
        frame = _described_table(path, group)
    for name in ("point_no", "x_mm", "y_mm", "z_mm"):
        numbers = pd.to_numeric(frame[name], errors="coerce")
        bad = np.flatnonzero(~np.isfinite(numbers.to_numpy(dtype=float)))
        if len(bad):
            row = frame["row"].iloc[bad[0]] if "row" in frame else bad[0] + 2
            # the cell itself is not told: it may name somebody
            raise ValueError(f"{path.name}, row {row}, {name}: found no number; needed digits with a decimal point")
        frame[name] = numbers
    return frame[list(NEEDED)]


def _plain_table(path: Path) -> pd.DataFrame:
    try:
        frame = pd.read_csv(path, dtype="str", keep_default_na=False, encoding="utf-8-sig", sep=None, engine="python")
    except (UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError):
        raise ValueError(f"{path.name}: found no CSV in UTF-8; needed a table with {', '.join(NEEDED)}") from None
    missing = [name for name in NEEDED if name not in frame.columns]
    if missing:
        raise ValueError(
            f"{path.name}: found no column {', '.join(missing)}; needed {', '.join(NEEDED)}, or --study with an entry "
            "of landmark_files whose pattern fits this name"
        )
    return frame


def _described_table(path: Path, group: LandmarkFiles | None) -> pd.DataFrame:
    """Points by the mapping of landmark_files. Without one a sheet or text table is taken to be in LPS, mm, as the
    readers are asked to file; other files must say themselves."""
    from outflow_cohort.interchange.foreign_landmarks import TABLES, read_foreign_landmarks

    if group is None:
        group = LandmarkFiles(files=path.name, coordinates="LPS" if path.suffix.lower() in TABLES else None)
    problems: list[Problem] = []
    frame = read_foreign_landmarks(path, group, problems)
    if problems:
        raise ValueError("\n".join(map(str, problems)))
    return frame
