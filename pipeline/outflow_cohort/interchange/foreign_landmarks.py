"""Landmarks from general viewers: tables of any columns, JSON lists of control points, VTK polydata. Out: LPS, mm.

Which column is which, whose points they are and in which coordinate system is stated by the file or by the group
`landmark_files` of study.yaml that names it; what neither states is a problem that names the missing entry.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outflow_cohort.interchange.concepts import LANDMARK_COLUMNS, structure_of
from outflow_cohort.interchange.polydata_files import PolydataError, polydata_points
from outflow_cohort.study.landmark_sources import MILLIMETRES, LandmarkFiles
from outflow_cohort.study.problems import Problem, shown

SHEETS = frozenset({".xlsx", ".xlsm"})
TABLES = frozenset({".csv", ".tsv", ".txt", *SHEETS})
POLYDATA = frozenset({".vtp", ".vtk"})
LARGEST_JSON = 50_000_000
"""Bytes of a point list that is still read."""
DEEPEST = 12
"""Nesting of lists of points that is still followed."""
XYZ = ("x_mm", "y_mm", "z_mm")
LIST_KEYS = frozenset({"controlpoints", "points", "landmarks", "fiducials"})
POSITION_KEYS = ("position", "xyz", "coordinates", "point")
LABEL_KEYS = ("label", "name", "structure", "id")
GROUP_KEYS = ("structure", "name", "label")
SYSTEM_KEYS = ("coordinatesystem", "spacename", "frame", "space")
UNIT_KEYS = ("coordinateunits", "units", "unit")
SYSTEMS = {
    "lps": "LPS", "leftposteriorsuperior": "LPS", "ras": "RAS", "rightanteriorsuperior": "RAS",
}  # fmt: skip


@dataclass(frozen=True)
class Point:
    """One point as a file states it: structure, number or '', coordinates, and the row or place it is at."""

    structure: str
    number: str
    xyz: tuple[str, str, str]
    row: int
    cells: dict[str, str]


class _Refused(Exception):
    """A file that cannot be read as it is described."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def read_foreign_landmarks(path: Path, group: LandmarkFiles, problems: list[Problem]) -> pd.DataFrame:
    """The points of one file as a landmark table of text cells with `row`; mistakes go to `problems`."""
    try:
        points, system, unit = _points_of(path, group)
        if system is None:
            raise _Refused(_missing(path, "a coordinate system", "coordinates", "LPS or RAS, as the program writes it"))
        rows = _rows(path, group, points)
    except _Refused as refused:
        problems.append(refused.problem)
        return pd.DataFrame({n: pd.Series(dtype="str") for n in LANDMARK_COLUMNS}).assign(row=pd.Series(dtype="int64"))
    frame = pd.DataFrame(rows, dtype="str").fillna("").assign(row=[point.row for point in points])
    return _in_lps(frame, system, unit)


def _in_lps(frame: pd.DataFrame, system: str, unit: str) -> pd.DataFrame:
    """Coordinates as text in LPS, mm; a cell that is no number stays as it is and is refused with its place."""
    for name in XYZ:
        numbers = pd.to_numeric(frame[name], errors="coerce")
        factor = MILLIMETRES[unit] * (-1.0 if system == "RAS" and name != "z_mm" else 1.0)
        known = np.isfinite(numbers.to_numpy(dtype=float))
        frame.loc[known, name] = [repr(float(v)) for v in numbers[known] * factor]
    return frame


def _rows(path: Path, group: LandmarkFiles, points: list[Point]) -> list[dict[str, str]]:
    labels = {"read_no": "1"} | group.labels_of(path.name.partition(".")[0])
    rows: list[dict[str, str]] = []
    counts: dict[tuple[str, ...], int] = {}
    for point in points:
        cells = labels | {name: cell for name, cell in point.cells.items() if cell}
        named = cells.get("structure") or point.structure
        known = group.structures.get(named, named)
        cells["structure"] = structure_of([known]) or known
        place = tuple(cells.get(name, "") for name in ("case_id", "phase_pct", "reader_id", "read_no", "structure"))
        counts[place] = counts.get(place, 0) + 1
        cells["point_no"] = point.number or str(counts[place])
        rows.append(cells | dict(zip(XYZ, point.xyz, strict=True)))
    for name in ("case_id", "reader_id", "structure"):
        if rows and not any(row.get(name) for row in rows):
            remedy = f"{name} by columns, by name_pattern (?P<{name}>…), or as {name}: VALUE"
            raise _Refused(_missing(path, f"a {name}", name, remedy))
    return [{name: row.get(name, "") for name in (*LANDMARK_COLUMNS, "reading_order")} for row in rows]


def _missing(path: Path, what: str, key: str, how: str) -> Problem:
    return Problem(
        file=path.name,
        row=None,
        column=None,
        found=f"points without {what}",
        needed=f"`{key}` in the file or in landmark_files",
        remedy=f"Add to the entry of landmark_files in study.yaml that names this file: {how}.",
    )


def _points_of(path: Path, group: LandmarkFiles) -> tuple[list[Point], str | None, str]:
    """Points, coordinate system and unit of a file."""
    kind = path.suffix.lower()
    readers: dict[bool, Callable[[Path, LandmarkFiles], tuple[list[Point], str | None, str]]] = {
        kind in TABLES: _table, kind == ".json": _json, kind in POLYDATA: _polydata,
    }  # fmt: skip
    reader = readers.get(True)
    try:
        if reader is not None:
            return reader(path, group)
    except (UnicodeDecodeError, LookupError):
        found, needed = f"text that is not {group.encoding}", "text in the stated encoding"
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found=found,
                needed=needed,
                remedy="Give `encoding` in landmark_files.",
            )
        ) from None
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or 'damaged'})"
        raise _Refused(
            Problem(
                file=path.name, row=None, column=None, found=found, needed="a readable file", remedy="Export it again."
            )
        ) from None
    endings = ", ".join(sorted(TABLES | POLYDATA | {".json"}))
    raise _Refused(
        Problem(
            file=path.name,
            row=None,
            column=None,
            found=f"the ending {shown(kind)}",
            needed=f"one of {endings}, or a DICOM file",
            remedy="Take it out of the pattern in landmark_files.",
        )
    )


# Tables


def _table(path: Path, group: LandmarkFiles) -> tuple[list[Point], str | None, str]:
    frame = _sheet(path, group) if path.suffix.lower() in SHEETS else _text_table(path, group)
    frame.columns = [str(c).strip() for c in frame.columns]
    given = list(frame.columns)
    places = {ours: group.columns.get(ours, ours) for ours in (*LANDMARK_COLUMNS, "reading_order")}  # type: ignore[call-overload]
    for ours, theirs in places.items():
        if theirs not in given and (ours in group.columns or ours in XYZ):
            raise _Refused(
                Problem(
                    file=path.name,
                    row=1,
                    column=ours,
                    found=f"no column {shown(theirs)} among {', '.join(map(shown, given[:12]))}",
                    needed="the column that holds it",
                    remedy=f"Add columns: {{{ours}: ITS NAME}} to landmark_files.",
                )
            )
    points = []
    present = {ours: theirs for ours, theirs in places.items() if theirs in given}
    for number, row in enumerate(frame.to_dict("records"), start=2):
        cells = {ours: str(row[theirs]).strip() for ours, theirs in present.items()}
        if not any(cells.values()):
            continue
        xyz = tuple(cells.pop(name) for name in XYZ)
        if group.decimal == ",":
            xyz = tuple(text.replace(",", ".") for text in xyz)
            cells = {n: t.replace(",", ".") if n == "phase_pct" else t for n, t in cells.items()}
        point_no = cells.pop("point_no", "")
        points.append(Point(cells.get("structure", ""), point_no, xyz, number, cells))  # type: ignore[arg-type]
    return points, group.coordinates, group.unit


def _sheet(path: Path, group: LandmarkFiles) -> pd.DataFrame:
    try:
        return pd.read_excel(path, sheet_name=group.sheet or 0, dtype=str, keep_default_na=False)
    except Exception as error:  # the workbook library raises nearly any type for a damaged file
        if isinstance(error, MemoryError):
            raise
        found = "no sheet of that name" if group.sheet else "a workbook that cannot be read"
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found=found,
                needed="a sheet with a header",
                remedy="Correct `sheet`, or save the file again.",
            )
        ) from None


def _text_table(path: Path, group: LandmarkFiles) -> pd.DataFrame:
    encoding = "utf-8-sig" if group.encoding.lower().replace("_", "-") in ("utf-8", "utf8") else group.encoding
    separator = {"tab": "\t", None: ""}.get(group.separator, group.separator) or _separator(path, encoding)
    try:
        return pd.read_csv(path, dtype="str", keep_default_na=False, sep=separator, encoding=encoding, index_col=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, pd.errors.ParserWarning):
        found = f"rows that do not fit the header with the separator {separator!r}"
        raise _Refused(
            Problem(file=path.name, row=None, column=None, found=found, needed="a header and one cell per column",
                    remedy="Give `separator` and `decimal` in landmark_files.")
        ) from None  # fmt: skip


def _separator(path: Path, encoding: str) -> str:
    with path.open(encoding=encoding, newline="") as handle:
        header = handle.readline()
    return max(",;\t|", key=header.count)


# JSON


def _json(path: Path, group: LandmarkFiles) -> tuple[list[Point], str | None, str]:
    if path.stat().st_size > LARGEST_JSON:
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found="a file over 50 MB",
                needed="a list of points",
                remedy="Export the points alone.",
            )
        )
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:
        row = getattr(error, "lineno", None)
        raise _Refused(
            Problem(
                file=path.name,
                row=row,
                column=None,
                found="broken JSON",
                needed="a JSON file",
                remedy="Export it again.",
            )
        ) from None
    found = list(_lists(content, "", None, None, 0))
    if not any(points for _, _, points in found):
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found="no list of points",
                needed="points with a position of three numbers, under one of " + ", ".join(sorted(LIST_KEYS)),
                remedy="Export the points as a list.",
            )
        )
    stated = {(system, unit) for system, unit, points in found if points}
    if len(stated) > 1:
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found="lists in different coordinate systems or units",
                needed="one of each a file",
                remedy="Export one list per file.",
            )
        )
    ((system, unit),) = stated
    if system and group.coordinates and system != group.coordinates:
        raise _Refused(
            Problem(
                file=path.name,
                row=None,
                column=None,
                found=f"the coordinate system {system} beside coordinates: {group.coordinates}",
                needed="one coordinate system",
                remedy="Remove `coordinates` from landmark_files, or correct it.",
            )
        )
    points = [point for _, _, part in found for point in part]
    return points, system or group.coordinates, unit or group.unit


def _plain(key: object) -> str:
    return re.sub(r"[^a-z]", "", str(key).lower())


def _first(item: dict[str, Any], keys: tuple[str, ...]) -> Any:
    by_key = {_plain(key): value for key, value in item.items()}
    return next((by_key[key] for key in keys if by_key.get(key) not in (None, "")), None)


def _lists(
    item: Any, name: str, system: str | None, unit: str | None, depth: int
) -> Iterator[tuple[str | None, str | None, list[Point]]]:
    """Every list of points below `item` with the coordinate system and unit stated on it or above it."""
    if depth > DEEPEST:
        return
    if isinstance(item, list):
        for part in item:
            yield from _lists(part, name, system, unit, depth + 1)
    if not isinstance(item, dict):
        return
    own = _first(item, GROUP_KEYS)
    name = str(own) if isinstance(own, str) else name
    system = SYSTEMS.get(_plain(_first(item, SYSTEM_KEYS)), system)
    said = str(_first(item, UNIT_KEYS) or "").lower()
    unit = said if said in MILLIMETRES else unit
    for key, value in item.items():
        if _plain(key) in LIST_KEYS and isinstance(value, list):
            yield system, unit, [p for i, v in enumerate(value, start=1) if (p := _json_point(v, name, i)) is not None]
        elif isinstance(value, (dict, list)):
            yield from _lists(value, name, system, unit, depth + 1)


def _json_point(value: Any, name: str, place: int) -> Point | None:
    """A point of three numbers, or an object with a position; one without (not yet placed) is none."""
    label = ""
    if isinstance(value, dict):
        label = str(_first(value, LABEL_KEYS) or "")
        value = _first(value, POSITION_KEYS)
    if not isinstance(value, list) or len(value) != 3:
        return None
    if not all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in value):
        return None
    # A list named after a structure holds its points; else each point's own label, without its number, names it.
    own = re.sub(r"[\s_\-#.]*\d+$", "", label)
    structure = name if name and (structure_of([name]) != name or not own) else own or name
    return Point(structure, "", (repr(value[0]), repr(value[1]), repr(value[2])), place, {})


# Polydata


def _polydata(path: Path, group: LandmarkFiles) -> tuple[list[Point], str | None, str]:
    try:
        points = polydata_points(path)
    except PolydataError as error:
        raise _Refused(
            Problem(file=path.name, row=None, column=None, found=error.found, needed=error.needed, remedy=error.remedy)
        ) from None
    cells = [Point("", "", (repr(x), repr(y), repr(z)), i, {}) for i, (x, y, z) in enumerate(points.tolist(), start=1)]
    return cells, group.coordinates, group.unit
