"""Corrected landmarks: corrections.csv replaces points by name, with reader, reason and date; nothing is overwritten.

Points LPS, mm. The table of landmarks stays as it was filed; the history holds every point before and after.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from outflow_cohort.study.columns import TABLES, Column, TableSpec
from outflow_cohort.study.problems import Problem
from outflow_cohort.study.tables import read_table

POINT = ["case_id", "phase_pct", "reader_id", "read_no", "structure", "point_no"]
PLACE = ["x_mm", "y_mm", "z_mm"]
CORRECTIONS = TableSpec(
    "corrections",
    (
        *(TABLES["landmarks"].column(name) for name in (*POINT, *PLACE)),
        Column("corrected_by", required=True, meaning="who corrected the point"),
        Column("date", "text", True, meaning="when, year-month-day"),
        Column("reason", "text", True, meaning="why, such as the query it answers"),
    ),
    optional=True,
)
HISTORY = [*POINT, "version", *PLACE, "by", "date", "reason", "valid"]


def corrected(landmarks: pd.DataFrame, path: Path, problems: list[Problem]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Landmarks with the corrections of `path` in place, and the history of the points that were corrected.

    Later rows of the table come after earlier ones. A correction of a point that nobody filed is a problem.
    """
    table = read_table(path, CORRECTIONS, problems)
    history: list[dict[str, object]] = []
    if table.empty:
        return landmarks, pd.DataFrame(history, columns=HISTORY)
    landmarks = landmarks.copy()
    places = {key: index for index, key in zip(landmarks.index, _keys(landmarks), strict=True)}
    versions: dict[tuple[object, ...], int] = {}
    for key, (_, row) in zip(_keys(table), table.iterrows(), strict=True):
        if key[1] is None and key not in places:
            # an empty phase means the case's only phase
            same = [other for other in places if (other[0], *other[2:]) == (key[0], *key[2:])]
            key = same[0] if len(same) == 1 else key
        index = places.get(key)
        if index is None:
            problems.append(
                Problem(
                    file=path.name,
                    row=int(row["row"]),
                    column="point_no",
                    found="a point that no reading has",
                    needed="case, phase, reader, read, structure and point of landmarks.csv",
                    remedy="Correct the row.",
                )
            )
            continue
        who = dict(zip(POINT, key, strict=True))
        if key not in versions:
            before = {name: float(landmarks.at[index, name]) for name in PLACE}
            history.append(who | before | {"version": 0, "by": who["reader_id"], "date": "", "reason": "as filed"})
        versions[key] = versions.get(key, 0) + 1
        after = {name: float(row[name]) for name in PLACE}
        change = {"version": versions[key], "by": row["corrected_by"], "date": row["date"], "reason": row["reason"]}
        history.append(who | after | change)
        for name in PLACE:
            landmarks.at[index, name] = after[name]
    frame = pd.DataFrame(history, columns=HISTORY)
    last = frame.groupby(POINT, dropna=False)["version"].transform("max") if len(frame) else frame["version"]
    frame["valid"] = frame["version"] == last
    return landmarks, frame.sort_values([*POINT, "version"], kind="stable", na_position="first").reset_index(drop=True)


def _keys(frame: pd.DataFrame) -> list[tuple[object, ...]]:
    """Names of the points, an unknown phase as None."""
    rows = frame[POINT].itertuples(index=False)
    return [(r[0], None if r[1] != r[1] else float(r[1]), r[2], int(r[3]), r[4], int(r[5])) for r in rows]
