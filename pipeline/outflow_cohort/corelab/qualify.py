"""Readings of invented scans taken back and reported: tables, and one page per reader that says passed or what to
practise. Points LPS, mm."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from outflow_cohort.corelab.qualify_deal import KEEP_BACK, known_hearts
from outflow_cohort.corelab.qualify_score import (
    PASSED,
    Reading,
    Scored,
    measure_table,
    reader_table,
    score,
    structure_table,
)
from outflow_cohort.demo.anatomy import HeartPhase
from outflow_cohort.files import read_json, write_csv, write_text
from outflow_cohort.interchange.filed_points import filed_table, landmark_files_of
from outflow_cohort.study.qualification import QualificationSettings

REPORT = "report"


def report(
    *, folder: Path, readings: Sequence[Path], output: Path | None = None, study_file: Path | None = None
) -> tuple[Path, pd.DataFrame]:
    """Write readers.csv, structures.csv, measures.csv, slips.csv and READER.html.

    folder : what `qualify_deal.deal` wrote. readings : files of points that readers filed. output : default
    FOLDER/report. study_file : study.yaml whose `landmark_files` describe files of other programs.

    Returns the folder written and the table of readers. Raises FileNotFoundError, or ValueError where a file has no
    such column, number or reading.
    """
    if not (folder / KEEP_BACK / "key.csv").is_file():
        raise FileNotFoundError(f"{folder.name} holds no {KEEP_BACK}/key.csv; name the folder that qualify wrote")
    limits = QualificationSettings(**read_json(folder / KEEP_BACK / "settings.json")["qualification"])
    key = pd.read_csv(folder / KEEP_BACK / "key.csv", dtype={"reader_id": str, "reading_id": str, "case_id": str})
    groups = () if study_file is None else landmark_files_of(study_file)
    filed = pd.concat([filed_table(path, groups) for path in readings], ignore_index=True)
    scored = score(_readings(filed, key, folder))
    structures, slips = structure_table(scored, limits)
    measures = measure_table(scored, limits)
    dealt = {str(reader): int(count) for reader, count in key.groupby("reader_id").size().items()}
    readers = reader_table(scored, dealt, structures, slips, measures, limits)
    target = folder / REPORT if output is None else output
    for name, frame in (("readers", readers), ("structures", structures), ("measures", measures), ("slips", slips)):
        write_csv(target / f"{name}.csv", frame.round(4))
    for row in readers.to_dict("records"):
        if row["readings_filed"]:
            page = _page(str(row["reader_id"]), readers, structures, measures, slips, scored, limits)
            write_text(target / f"{row['reader_id']}.html", page)
    return target, readers


def _readings(filed: pd.DataFrame, key: pd.DataFrame, folder: Path) -> list[Reading]:
    from outflow_cohort.demo.cohort import heart_case

    hearts = {name: HeartPhase(heart_case(case), phase) for name, (case, phase) in known_hearts(folder).items()}
    known = {(row["reader_id"], row["reading_id"]): row for row in key.to_dict("records")}
    found = []
    for (reader, reading_id), rows in filed.groupby(["reader_id", "case_id"], sort=True):
        row = known.get((reader, reading_id))
        if row is None:
            raise ValueError(
                f"reading {reading_id} of reader {reader} is not in {KEEP_BACK}/key.csv; needed the reading_id and "
                "reader_id of the reading list"
            )
        points = {}
        for name, own in rows.groupby("structure", sort=False):
            if own["point_no"].duplicated().any():
                raise ValueError(f"reading {reading_id}: {name} has a point_no twice; number its points 1, 2, 3 ...")
            points[str(name)] = own.sort_values("point_no")[["x_mm", "y_mm", "z_mm"]].to_numpy(dtype=float)
        case = str(row["case_id"])
        found.append(
            Reading(
                reader_id=str(reader),
                reading_id=str(reading_id),
                case_id=case,
                read_no=int(row["read_no"]),
                order=int(row["order"]),
                points=points,
                heart=hearts[case],
            )
        )
    return found


# ---------------------------------------------------------------------- one reader's page
def _page(
    reader: str,
    readers: pd.DataFrame,
    structures: pd.DataFrame,
    measures: pd.DataFrame,
    slips: pd.DataFrame,
    scored: Sequence[Scored],
    limits: QualificationSettings,
) -> str:
    from outflow_cohort.corelab.qualify_pages import (
        ReaderTables,
        advice,
        change_text,
        distance_figure,
        error_figure,
        tables,
    )
    from outflow_cohort.report.page import render

    own = [s for s in scored if s.reading.reader_id == reader]
    row = readers[readers["reader_id"] == reader].iloc[0]
    mine = ReaderTables(*(frame[frame["reader_id"] == reader] for frame in (structures, measures, slips)))
    return render(
        "qualify.html",
        reader=reader,
        passed=row["verdict"] == PASSED,
        verdict=row["verdict"],
        change=change_text(row),
        row=row,
        advice=advice(row, mine, limits),
        tables=tables(mine, limits),
        figures=[error_figure(own, limits), distance_figure(own)],
    )
