"""What readers must look at again: one row per query, and one page of pictures. Points LPS, mm.

A query says what is wrong with the reader's own point and never another reader's values or whether it was larger.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from outflow_cohort.files import write_atomically, write_csv, write_text
from outflow_cohort.steps.judge_pictures import picture_name
from outflow_cohort.study.dictionary import CAUTION

if TYPE_CHECKING:
    import pandas as pd

READING = ("case_id", "phase_pct", "reader_id", "read_no")
COLUMNS = ["query_id", *READING, "structure", "point_no", "code", "what_is_wrong", "what_to_do", "answer"]
OF_OTHERS = ("readings_differ", "reading_shifted")
"""Codes whose number says how far other readers are: it is left out."""
COPY = "same_landmarks_twice"
ANSWERS = (
    "Answer in the column `answer` of queries.xlsx or queries.csv: corrected (send the new place of the point with the "
    "number of the query; it goes into corrections.csv), confirmed, or read anew."
)
HIDDEN = ("case_id", "phase_pct", "read_no")
"""What a reader of a blinded list must not see: the identifier of the reading stands for it."""
PLANES = ("axial", "coronal", "sagittal")

Row = dict[str, Any]


def write_queries(*, results: Path, folder: Path | None = None, key: Path | None = None) -> tuple[Path, int]:
    """Write queries.csv, queries.xlsx, queries.html and landmark_history.csv to `folder` (default RESULTS/queries).

    key : key.csv of a worklist: then for its readers, who know readings by their reading_id alone, without history
    (default folder RESULTS/queries_blinded).

    Returns the folder and the number of queries. Raises FileNotFoundError where there are no findings yet, ValueError
    for a key that is none.
    """
    import pandas as pd

    target = results / ("queries" if key is None else "queries_blinded") if folder is None else folder
    findings = pd.read_parquet(results / "tables" / "landmark_findings.parquet")
    frame = query_table(findings)
    if key is not None:
        frame = _of_key(frame, key)
    sent = frame if key is None else frame.drop(columns=list(HIDDEN))
    write_csv(target / "queries.csv", sent)
    write_atomically(target / "queries.xlsx", lambda path: _write_workbook(path, sent))
    write_text(target / "queries.html", _page(frame, results))
    if key is not None:
        return target, len(frame)
    history = results / "work" / "landmark_history.csv"
    if history.exists():
        write_text(target / "landmark_history.csv", history.read_text(encoding="utf-8"))
    return target, len(frame)


def _of_key(frame: pd.DataFrame, key: Path) -> pd.DataFrame:
    """The queries on readings of a key, with their reading_id after the query_id."""
    from outflow_cohort.interchange.blinding import read_key

    known = read_key(key)
    for name in ("phase_pct", "read_no"):
        known[name] = known[name].map(lambda cell: float(cell) if cell else None).astype("float64")
    known = known[[*READING, "reading_id"]]
    asked = frame.assign(read_no=frame["read_no"].astype("float64"), phase_pct=frame["phase_pct"].astype("float64"))
    joined = asked.merge(known, on=list(READING), how="inner", validate="many_to_one")
    return joined[["query_id", "reading_id", *COLUMNS[1:]]]


def query_table(findings: pd.DataFrame) -> pd.DataFrame:
    """One row per suspect point, structure or reading, and per copied reading, with all that is wrong there; other
    notes are no queries."""
    import pandas as pd

    grouped: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in findings[(findings["severity"] != "note") | (findings["code"] == COPY)].to_dict("records"):
        point = None if pd.isna(row["point_no"]) else int(row["point_no"])
        reading = (None if pd.isna(row[name]) else row[name] for name in READING)
        grouped.setdefault((*reading, row["structure"], point), []).append(row)
    rows = []
    for place, found in grouped.items():
        *who, structure, point = place
        name = "/".join(map(str, place))
        where = str(structure).replace("_", " ") or "the whole reading"
        where += "" if point is None else f", point {point}"
        wrong = "; ".join(dict.fromkeys(_what_is_wrong(row) for row in found))
        rows.append(
            {"query_id": f"Q-{hashlib.sha256(name.encode()).hexdigest()[:8]}"}
            | dict(zip(READING, who, strict=True))
            | {
                "structure": structure,
                "point_no": point,
                "code": "; ".join(dict.fromkeys(row["code"] for row in found)),
                "what_is_wrong": f"{where[0].upper()}{where[1:]}: {wrong}.",
                "what_to_do": " ".join(dict.fromkeys(row["remedy"] for row in found)),
                "answer": "",
            }
        )
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["point_no"] = frame["point_no"].astype("Int64")
    frame["read_no"] = frame["read_no"].astype("Int64")
    return frame


def _what_is_wrong(row: Mapping[str, Any]) -> str:
    """A finding in words, with its number unless that would reveal another reader's points."""
    import pandas as pd

    from outflow_geometry.landmarks.findings import CODES

    text = CODES[row["code"]].meaning if row["code"] in CODES else str(row["code"]).replace("_", " ")
    if row["code"] in OF_OTHERS or pd.isna(row["number"]) or row["unit"] == "1":
        return text
    bound = "" if pd.isna(row["bound"]) else f", bound {row['bound']:.1f} {row['unit']}"
    return f"{text}: {row['number']:.1f} {row['unit']}{bound}"


def _write_workbook(path: Path, frame: pd.DataFrame) -> None:
    from datetime import datetime

    import pandas as pd
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True}
    with path.open("wb") as handle, xlsxwriter.Workbook(handle, options) as book:
        book.set_properties({"title": "Queries", "comments": CAUTION, "created": datetime(2000, 1, 1)})
        bold, sheet = book.add_format({"bold": True}), book.add_worksheet("queries")
        for column, name in enumerate(frame.columns):
            sheet.write_string(0, column, name, bold)
            for row, cell in enumerate(frame[name], start=1):
                if cell is None or pd.isna(cell):
                    continue
                if isinstance(cell, str):
                    sheet.write_string(row, column, cell)
                else:
                    sheet.write_number(row, column, float(cell))
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(frame.columns) - 1, 18)
        book.add_worksheet("how to answer").write_string(0, 0, ANSWERS)


def _page(frame: pd.DataFrame, results: Path) -> str:
    from outflow_cohort.handover.request import read_request
    from outflow_cohort.report.page import render

    keys = {read_request(path).case.case_id: path.stem for path in (results / "work" / "requests").glob("*.json")}
    pictures: dict[str, Any] = {}
    queries = []
    for row in frame.to_dict("records"):
        key = keys.get(row["case_id"])
        if key is not None and key not in pictures:
            pictures[key] = _load(results / "work" / "judged" / f"{key}.npz")
        found = pictures.get(key or "", {}).get(picture_name(row, row["structure"], row["point_no"]))
        uris = [] if found is None else [(name, _uri(plane)) for name, plane in zip(PLANES, found, strict=True)]
        queries.append(row | {"where": _where(row), "pictures": uris})
    return render("queries.html", queries=queries, answers=ANSWERS)


def _where(row: Row) -> str:
    """Which reading a query is about, in words."""
    if "reading_id" in row:
        return f"reading {row['reading_id']}, reader {row['reader_id']}"
    phase = row["phase_pct"]
    where = [str(row["case_id"])]
    where += [] if phase is None or phase != phase else [f"{phase:g} %"]
    where += [f"reader {row['reader_id']}, read {row['read_no']}"] if row["reader_id"] else []
    return " · ".join(where)


def _load(path: Path) -> dict[str, Any]:
    if not path.exists():
        return {}
    with np.load(path) as content:
        return {name: content[name] for name in content.files}


def _uri(plane: np.ndarray) -> str:
    from outflow_cohort.report.plates import picture_uri

    return picture_uri(plane, 80)
