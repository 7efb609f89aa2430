"""The frozen request of each case: all that its jobs need, so that a change elsewhere reruns nothing of it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outflow_cohort.handover.request import Request, StudySettings, TableFinding
from outflow_cohort.study.checks import READING, StudyTables
from outflow_cohort.study.columns import TABLES
from outflow_cohort.study.config import Study
from outflow_cohort.study.fingerprints import fingerprint, real_path
from outflow_cohort.study.judging import settled_names
from outflow_cohort.study.keys import case_key


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
    study: Study,
    tables: StudyTables,
    folder: Path,
    cutoffs: list[dict[str, Any]],
    *,
    findings: Mapping[str, Sequence[TableFinding]],
    generated: bool = False,
) -> Iterator[Request]:
    """Give the request of every case, one after the other. findings : of its tables, by case_id."""
    settings = study.model_dump(mode="json")
    # Statistics and report settings are none of these, so that a change of them leaves cases untouched.
    sections = {name: settings[name] for name in StudySettings.model_fields if name != "cutoffs"}
    shared = StudySettings.model_validate(sections | {"cutoffs": cutoffs})
    shared = shared.model_copy(update={"judging": settled_names(study.judging, tables.landmarks)})
    all_marked = shared.model_copy(update={"carry": None})
    targets, devices = shared_tables(tables)
    prostheses = {
        str(row["prosthesis_id"]): _record(row, [c.name for c in TABLES["prostheses"].columns])
        for _, row in tables.prostheses.iterrows()
    }
    series = dict(list(tables.series.groupby("case_id", sort=False)))
    plans = dict(list(tables.plans.groupby("case_id", sort=False)))
    refused = {tuple(_plain(v) for v in row) for row in tables.refused[READING].itertuples(index=False)}
    readings = _Readings(tables.landmarks, refused)
    case_columns = [c.name for c in TABLES["cases"].columns]
    tried = set(study.implants.devices) if study.implants and study.implants.devices != "fitting" else set()
    for _, case in tables.cases.iterrows():
        case_id = str(case["case_id"])
        own_plans = _plans(plans.get(case_id), case)
        used = {p["device_id"] for p in own_plans} | {t["device_id"] for t in targets} | tried
        group = _plain(case["group"])
        own_series = _series(series.get(case_id), folder, folder / study.results / "work" / "requests", generated)
        own_readings = readings.of_case(case_id)
        yield Request.model_validate(
            {
                "study": shared if _may_carry(own_series, own_readings) else all_marked,
                "case": _record(case, case_columns) | {"key": case_key(case_id)},
                "series": own_series,
                "readings": own_readings,
                "plans": own_plans,
                "devices": {name: device for name, device in devices.items() if name in used},
                "prosthesis": prostheses.get(str(case["prosthesis_id"])),
                "sizing_targets": [t for t in targets if t["group"] in (None, group)],
                "table_findings": findings.get(case_id, ()),
            }
        )


def _may_carry(series: list[dict[str, Any]], readings: list[dict[str, Any]]) -> bool:
    """Whether a reader left a phase of the case unmarked; a phase that only the header states may be one of these."""
    phases = {row["phase_pct"] for row in series}
    marked: dict[str, set[float | None]] = {}
    for reading in readings:
        marked.setdefault(reading["reader_id"], set()).add(reading["phase_pct"])
    return len(phases) > 1 and any(None in own or phases - own for own in marked.values())


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
                entry["fingerprint"] = fingerprint(real_path(path))
        result.append(entry)
    return result


class _Readings:
    """Readings of all cases that were not refused. Names are numbered and the whole table is put in order once: to sort
    and group each case's rows by themselves takes several times as long."""

    def __init__(self, landmarks: pd.DataFrame, refused: set[tuple[Any, ...]]):
        self._refused = refused
        self._points = landmarks[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float)
        self._rows = landmarks["row"].to_numpy()
        self._point_numbers = landmarks["point_no"].to_numpy()
        self._names: dict[str, list[Any]] = {}
        numbers = {}
        for name in (*READING, "structure", "point_no", "file"):
            codes, values = pd.factorize(landmarks[name], sort=True)
            # Missing values come last.
            numbers[name] = np.where(codes < 0, len(values), codes).astype(np.int32)
            self._names[name] = [*(_plain(value) for value in values), None]
        self._order = np.lexsort([numbers[name] for name in reversed((*READING, "structure", "point_no"))])
        in_order = np.stack([numbers[name][self._order] for name in (*READING, "structure")], axis=1)
        changes = np.append(True, (in_order[1:] != in_order[:-1]).any(axis=1)) if len(in_order) else np.zeros(0, bool)
        self._starts = np.flatnonzero(changes)
        self._stops = np.append(self._starts[1:], len(self._order))
        self._keys = in_order[self._starts]
        self._files = numbers["file"][self._order[self._starts]]
        self._cases = {name: code for code, name in enumerate(self._names["case_id"])}

    def of_case(self, case_id: str) -> list[dict[str, Any]]:
        """Readings of a case, each with its points by structure in the order of point_no."""
        code = self._cases.get(case_id)
        if code is None:
            return []
        own = slice(*np.searchsorted(self._keys[:, 0], [code, code + 1]))
        result: list[dict[str, Any]] = []
        last: tuple[Any, ...] | None = None
        columns = [self._names[name] for name in (*READING, "structure")]
        runs = zip(self._keys[own].tolist(), self._files[own], self._starts[own], self._stops[own], strict=True)
        for key, file, start, stop in runs:
            cells = [names[number] for names, number in zip(columns, key, strict=True)]
            reading, structure = tuple(cells[:-1]), cells[-1]
            if reading in self._refused:
                continue
            places = self._order[start:stop]
            if reading != last:
                _, phase, reader, read_no = reading
                entry = {"phase_pct": phase, "reader_id": reader, "read_no": int(read_no), "structures": {}}
                result.append(entry | {"source": self._names["file"][file], "rows": (start, stop)})
                last = reading
            result[-1]["structures"][str(structure)] = self._points[places].tolist()
            listed = [int(number) for number in self._point_numbers[places]]
            if listed != list(range(1, len(listed) + 1)):
                # so that a finding names the point as the reader's table does
                result[-1].setdefault("point_numbers", {})[str(structure)] = listed
            result[-1]["rows"] = (result[-1]["rows"][0], stop)
        for entry in result:
            rows = self._rows[self._order[slice(*entry.pop("rows"))]]
            entry["source"] += f" rows {rows.min()}-{rows.max()}"
        return result
