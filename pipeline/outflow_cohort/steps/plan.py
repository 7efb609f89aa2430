"""Step 1: check the study and freeze one request per case. Lengths in mm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import outflow_geometry
from outflow_cohort.files import read_json, write_csv, write_json, write_parquet
from outflow_cohort.study.ownership import OWNER, check_results, owner_of, owner_record
from outflow_cohort.study.problems import Problem, StudyError

if TYPE_CHECKING:
    import pandas as pd

    from outflow_cohort.dicom.privacy_texts import TableAudit
    from outflow_cohort.study.checks import StudyTables
    from outflow_cohort.study.config import Study

GROUP_ROWS = 100_000
"""Rows of a row group of the plan's tables: those of some 25 cases with ten phases and six readings each."""
PLAN_VERSION = f"2 {outflow_geometry.__version__}"
"""Part of the stamp: requests are written anew when their form or the package changes."""


def plan(*, study_file: Path, generated: bool = False, changes: Path | None = None) -> list[Problem]:
    """Check `study_file` and its tables, and write RESULTS/work/{study.json,plan.json,cases.parquet,
    readings.parquet,requests/KEY.json}; a file whose content is unchanged is left untouched.

    changes : a folder for a dry run; what would be written goes there, and nothing into RESULTS.
    generated : the workflow makes the series itself, so the state of their files is not part of the requests.

    Where nothing that it reads or wrote has changed since the last time, it ends at once (`plan_stamp`).

    Returns warnings; raises StudyError with every problem where there is an error.
    """
    from outflow_cohort.study.plan_stamp import warnings_of_unchanged, write_stamp

    unchanged = warnings_of_unchanged(study_file, generated=generated)
    if unchanged is not None:
        return unchanged
    import pandas as pd

    from outflow_cohort.corelab.freeze import TABLES as INPUT_TABLES
    from outflow_cohort.corelab.freeze import refuse_changes
    from outflow_cohort.handover.request import TableFinding
    from outflow_cohort.study.checks import load_tables
    from outflow_cohort.study.config import load_study
    from outflow_cohort.study.cutoffs import read_cutoffs
    from outflow_cohort.study.requests import build_requests, shared_tables

    study, problems = load_study(study_file)
    if study is None:
        raise StudyError(problems)
    folder = study_file.parent
    refused_place = check_results(study.study_id, study_file, folder / study.results, folder / study.series)
    if refused_place is not None:
        raise StudyError([refused_place])
    refuse_changes(folder, study_file, {name: getattr(study, name) for name in INPUT_TABLES})
    tables, table_problems = load_tables(study, folder)
    cutoffs, cutoff_problems = read_cutoffs(folder / study.cutoffs if study.cutoffs else None)
    problems += table_problems + cutoff_problems
    if any(p.severity == "error" for p in problems):
        raise StudyError(problems)
    work = folder / study.results / "work"
    into = work if changes is None else changes
    audit = _audit(study, tables)
    keys, carried = set(), set()
    findings = {case: [TableFinding(tag=f.tag, rule=f.rule) for f in found] for case, found in audit.findings.items()}
    for request in build_requests(study, tables, folder, cutoffs, findings=findings, generated=generated):
        key = request.case.key
        keys.add(key)
        if request.study.carry is not None:
            carried.add(key)
        name, content = f"requests/{key}.json", request.model_dump(mode="json")
        _write_if_changed(work / name, into / name, content, indent=None)
    for stale in sorted((work / "requests").glob("*.json")):
        if stale.stem not in keys and changes is None:
            stale.unlink()
    points = tables.landmarks[
        [
            "case_id",
            "phase_pct",
            "reader_id",
            "read_no",
            "reading_order",
            "structure",
            "point_no",
            "x_mm",
            "y_mm",
            "z_mm",
        ]
    ]
    if len(tables.history) or (work / "landmark_history.csv").exists():
        write_csv(into / "landmark_history.csv", tables.history)
    _write_table_if_changed(work / "readings.parquet", into / "readings.parquet", points.reset_index(drop=True))
    dropped = ["row", "file", *(() if study.privacy.policy == "report_only" else audit.tainted_columns)]
    _write_table_if_changed(
        work / "cases.parquet", into / "cases.parquet", tables.cases.drop(columns=dropped).reset_index(drop=True)
    )
    refused = [
        {**{k: (None if pd.isna(v) else v) for k, v in row.items()}, "stage": "plan"}
        for row in tables.refused.to_dict("records")
    ]
    for row in refused:
        row["read_no"] = None if row["read_no"] is None else int(row["read_no"])
    targets, devices = shared_tables(tables)
    settings = study.model_dump(mode="json") | {
        "cutoff_table": cutoffs,
        "sizing_target_table": targets,
        "device_table": devices,
        "study_file": study_file.name,
    }
    _write_if_changed(work / "study.json", into / "study.json", settings)
    # A file of its own, so that sheets are made anew where it changes and only there.
    rules = ("reader_rule", "reference_reader", "read_rule", "phase_rule", "usable_statuses", "curve_step_pct")
    chosen = {name: settings["statistics"][name] for name in rules}
    _write_if_changed(
        work / "report.json", into / "report.json", {"report": settings["report"], "value_of_a_case": chosen}
    )
    _write_if_changed(
        work / "plan.json",
        into / "plan.json",
        {
            "version": PLAN_VERSION,
            "keys": sorted(keys),
            "carried": sorted(carried),
            "refused": refused,
            "warnings": [str(p) for p in problems],
        },
    )
    owner = owner_of(study.study_id, study_file, folder / study.results)
    _write_if_changed(work / OWNER.name, into / OWNER.name, owner_record(owner))
    if changes is None:
        series = [str(p) for name in ("dicom_dir", "volume") for p in tables.series[name] if p]
        write_stamp(study, study_file, series, problems, generated=generated)
    return problems


def _audit(study: Study, tables: StudyTables) -> TableAudit:
    """What looks like an identity in the study's own tables."""
    from outflow_cohort.dicom.privacy_texts import TableAudit, audit_tables
    from outflow_cohort.study.columns import TABLES

    if not study.privacy.scan_tables:
        return TableAudit({}, ())
    contract = {name: frozenset(column.name for column in spec.columns) for name, spec in TABLES.items()}
    frames = {"cases": tables.cases, "series": tables.series, "landmarks": tables.landmarks}
    return audit_tables(frames, study.privacy, contract)


def _write_if_changed(path: Path, target: Path, content: Any, *, indent: int | None = 1) -> None:
    """Write `content` to `target` unless `path` holds it already."""
    try:
        if read_json(path) == content:
            return
    except (OSError, ValueError):
        pass
    write_json(target, content, indent=indent)


def _write_table_if_changed(path: Path, target: Path, frame: pd.DataFrame) -> None:
    """Write `frame` to `target` unless `path` holds it already."""
    import pyarrow.parquet as pq

    try:
        known = pq.read_schema(path).names == list(frame.columns)
        # A column at a time: a second copy of all landmarks would be the largest thing in memory.
        if known and all(pq.read_table(path, columns=[n])[n].to_pandas().equals(frame[n]) for n in frame.columns):
            return
    except (OSError, ValueError):
        pass
    write_parquet(target, frame, group_rows=GROUP_ROWS)
