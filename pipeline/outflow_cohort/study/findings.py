"""The table of landmark findings: what each case's judge step found, and what only the whole study shows."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json
from outflow_cohort.study.outputs import LANDMARK_FINDINGS, typed_frame

if TYPE_CHECKING:
    import pandas as pd

    from outflow_geometry.landmarks.findings import LandmarkFinding

Row = dict[str, Any]
READING = ("case_id", "phase_pct", "reader_id", "read_no")
FEWEST_POINTS = 3
"""Points that two readings must share to be the same: one point at the same place may be chance."""


def landmark_findings(work: Path, keys: list[str]) -> pd.DataFrame:
    """All findings of the study, in the order of the table.

    work : RESULTS/work with judged/KEY.json, inventory/KEY.json and readings.parquet.
    """
    import pandas as pd

    rows: list[Row] = []
    for key in keys:
        rows += read_json(work / "judged" / f"{key}.json")["findings"]
    rows += same_pixels({key: read_json(work / "judged" / f"{key}.json").get("pixels", []) for key in keys})
    rows += same_landmarks(pd.read_parquet(work / "readings.parquet"))
    frame = typed_frame(rows, LANDMARK_FINDINGS)
    order = [*READING, "structure", "point_no", "code"]
    return frame.sort_values(order, kind="stable", na_position="first").reset_index(drop=True)


def _row(who: tuple[Any, ...], found: LandmarkFinding) -> Row:
    return dict(zip(READING, who, strict=True)) | vars(found)


def same_pixels(pixels: dict[str, list[Row]]) -> list[Row]:
    """Series of which another case, or another phase of the case, has the very same slice.

    pixels : rows {case_id, phase_pct, hash} by case; the hash is that of the middle slice's HU.
    """
    from outflow_geometry.landmarks.findings import finding

    places: dict[str, list[tuple[str, float | None]]] = {}
    for rows in pixels.values():
        for row in rows:
            places.setdefault(row["hash"], []).append((row["case_id"], row["phase_pct"]))
    doubled = sorted(
        ((place, len(found)) for found in places.values() if len(found) > 1 for place in found), key=lambda d: str(d)
    )
    return [_row((*place, "", None), finding("same_pixels_twice", "", None, count, 1)) for place, count in doubled]


def same_landmarks(readings: pd.DataFrame) -> list[Row]:
    """Readings whose points are all those of another reading, or of which a whole structure is.

    readings : one row per point (work/readings.parquet).
    """
    from outflow_geometry.landmarks.findings import finding

    digests: dict[str, list[tuple[Any, ...]]] = {}
    columns = [*READING, "x_mm", "y_mm", "z_mm"]
    if readings.empty:
        return []
    for who, rows in readings[columns].groupby(list(READING), dropna=False, sort=True):
        points = rows[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float)
        if len(points) < FEWEST_POINTS:
            continue
        points = points[sorted(range(len(points)), key=lambda i: tuple(points[i]))].round(2) + 0.0
        digests.setdefault(hashlib.sha256(points.tobytes()).hexdigest(), []).append(who)
    found = []
    for several in digests.values():
        if len(several) > 1:
            found += [_row(_plain(who), finding("same_landmarks_twice", "", None, len(several), 1)) for who in several]
    return found


def _plain(who: tuple[Any, ...]) -> tuple[Any, ...]:
    case, phase, reader, read_no = who
    return case, None if phase is None or phase != phase else float(phase), reader, int(read_no)
