"""The frozen request of each case: all that its jobs need, so that a change elsewhere reruns nothing of it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outflow_cohort.study.checks import READING, StudyTables
from outflow_cohort.study.columns import TABLES
from outflow_cohort.study.config import Study
from outflow_cohort.study.keys import case_key

REQUEST_SECTIONS = (
    "definitions",
    "uncertainty",
    "gantry",
    "privacy",
    "intake",
    "phase",
    "quality",
    "resample",
)
"""Sections of study.yaml that jobs of a case depend on; statistics and report settings leave cases untouched."""


def _plain(value: Any) -> Any:
    """A cell as JSON: NaN and '' are null."""
    if isinstance(value, float | np.floating):
        return None if not np.isfinite(value) else float(value)
    if isinstance(value, np.integer):
        return int(value)
    return None if value == "" else value


def _record(row: pd.Series, names: list[str]) -> dict[str, Any]:
    return {name: _plain(row[name]) for name in names}


def build_requests(
    study: Study, tables: StudyTables, folder: Path, cutoffs: list[dict[str, Any]], *, generated: bool = False
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give key and request of every case, one after the other, in the form that DEVELOPERS.md documents."""
    settings = study.model_dump(mode="json")
    shared = {"study_id": study.study_id} | {name: settings[name] for name in REQUEST_SECTIONS}
    shared["cutoffs"] = cutoffs
    targets, devices = shared_tables(tables)
    prostheses = {
        str(row["prosthesis_id"]): _record(row, [c.name for c in TABLES["prostheses"].columns])
        for _, row in tables.prostheses.iterrows()
    }
    series = dict(list(tables.series.groupby("case_id", sort=False)))
    landmarks = tables.landmarks
    places = landmarks.groupby("case_id", sort=False).indices
    plans = dict(list(tables.plans.groupby("case_id", sort=False)))
    refused = {tuple(_plain(v) for v in row) for row in tables.refused[READING].itertuples(index=False)}
    case_columns = [c.name for c in TABLES["cases"].columns]
    for _, case in tables.cases.iterrows():
        case_id = str(case["case_id"])
        own_plans = _plans(plans.get(case_id), case)
        used = {p["device_id"] for p in own_plans} | {t["device_id"] for t in targets}
        group = _plain(case["group"])
        own_points = landmarks.iloc[places[case_id]] if case_id in places else None
        yield (
            case_key(case_id),
            {
                "study": shared,
                "case": _record(case, case_columns) | {"key": case_key(case_id)},
                "series": _series(series.get(case_id), folder, folder / study.results / "work" / "requests", generated),
                "readings": _readings(own_points, refused),
                "plans": own_plans,
                "devices": {name: device for name, device in devices.items() if name in used},
                "prosthesis": prostheses.get(str(case["prosthesis_id"])),
                "sizing_targets": [t for t in targets if t["group"] in (None, group)],
            },
        )


def shared_tables(tables: StudyTables) -> tuple[list[dict[str, Any]], dict[str, dict[str, Any]]]:
    """Sizing targets (list of rows) and devices ({device_id: row with its profile}) as JSON."""
    names = [c.name for c in TABLES["sizing_targets"].columns]
    return [_record(row, names) for _, row in tables.sizing_targets.iterrows()], _devices(tables)


def _devices(tables: StudyTables) -> dict[str, dict[str, Any]]:
    profiles = {
        str(name): sorted(zip(rows["station_mm"].astype(float), rows["diameter_mm"].astype(float), strict=True))
        for name, rows in tables.device_profiles.groupby("device_id")
    }
    names = [c.name for c in TABLES["devices"].columns]
    return {
        str(row["device_id"]): _record(row, names)
        | {"profile": [list(p) for p in profiles.get(str(row["device_id"]), [])]}
        for _, row in tables.devices.iterrows()
    }


def _plans(rows: pd.DataFrame | None, case: pd.Series) -> list[dict[str, Any]]:
    """Plans of a case; a case with a device and no plan gets one named `default` (inflow end in the ring plane)."""
    names = [c.name for c in TABLES["plans"].columns if c.name != "case_id"]
    if rows is not None:
        ordered = rows.sort_values("plan_id", kind="stable")
        return [_record(row, names) for _, row in ordered.iterrows()]
    if case["device_id"] != "":
        return [dict.fromkeys(names) | {"plan_id": "default", "device_id": str(case["device_id"])}]
    return []


def _series(rows: pd.DataFrame | None, folder: Path, requests: Path, generated: bool) -> list[dict[str, Any]]:
    """Series of a case; their paths are relative to the folder of the requests, so that a study may be moved."""
    if rows is None:
        return []
    result = []
    for _, row in rows.iterrows():
        entry: dict[str, Any] = {"row": int(row["row"]), "phase_pct": _plain(row["phase_pct"])}
        for name in ("dicom_dir", "volume"):
            path = folder / str(row[name]) if row[name] else None
            entry[name] = os.path.relpath(path, requests) if path else None
            if path and not generated:
                entry["fingerprint"] = fingerprint(os.path.realpath(path))
        result.append(entry)
    return result


@cache
def fingerprint(path: str) -> str:
    """A hash of names, sizes and times of the files under `path`: changes when an input changes."""
    digest = hashlib.sha256()
    if os.path.isfile(path):
        stat = os.stat(path)
        digest.update(f"{stat.st_size} {stat.st_mtime_ns}".encode())
    for root, folders, files in os.walk(path):
        folders.sort()
        for name in sorted(files):
            try:
                stat = os.stat(os.path.join(root, name))
            except OSError:
                continue
            digest.update(
                f"{os.path.relpath(root, path)}/{name} {stat.st_size} {stat.st_mtime_ns}\n".encode(errors="replace")
            )
    return digest.hexdigest()[:16]


def _readings(rows: pd.DataFrame | None, refused: set[tuple[Any, ...]]) -> list[dict[str, Any]]:
    """Readings of a case that were not refused, each with its points by structure in the order of point_no."""
    if rows is None:
        return []
    ordered = rows.sort_values([*READING, "structure", "point_no"], kind="stable")
    # Cut where the reading or the structure changes: grouping each reading by itself costs a hundred times more.
    starts = _starts(ordered, [*READING, "structure"])
    stops = np.append(starts[1:], len(ordered))
    points = ordered[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float).tolist()
    names, files = ordered["structure"].tolist(), ordered["file"].tolist()
    row_numbers = ordered["row"].to_numpy()
    readings = list(zip(*(ordered[name].iloc[starts].map(_plain).tolist() for name in READING), strict=True))
    result: list[dict[str, Any]] = []
    last: tuple[Any, ...] | None = None
    for reading, start, stop in zip(readings, starts.tolist(), stops.tolist(), strict=True):
        plain = tuple(_plain(value) for value in reading)
        if plain in refused:
            continue
        if plain != last:
            _, phase, reader, read_no = plain
            entry = {"phase_pct": phase, "reader_id": reader, "read_no": int(read_no), "structures": {}}
            result.append(entry | {"source": (files[start], start)})
            last = plain
        result[-1]["structures"][str(names[start])] = points[start:stop]
        result[-1]["stop"] = stop
    for entry in result:
        file, start = entry["source"]
        own = row_numbers[start : entry.pop("stop")]
        entry["source"] = f"{file} rows {own.min()}-{own.max()}"
    return result


def _starts(ordered: pd.DataFrame, columns: list[str]) -> np.ndarray:
    """Positions where a run of equal values in `columns` begins; missing values are equal to each other."""
    number = ordered.groupby(columns, dropna=False, sort=False).ngroup().to_numpy()
    result: np.ndarray = np.flatnonzero(np.append(True, number[1:] != number[:-1]))
    return result
