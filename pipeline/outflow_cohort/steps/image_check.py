"""Intake and judging of a whole study without measuring: what a night's run would find, shown before it."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outflow_cohort.files import read_json
from outflow_cohort.study.problems import Problem

if TYPE_CHECKING:
    from outflow_cohort.handover.base import AsideRow


def check_images(study_file: Path) -> list[Problem]:
    """Everything that inventory, volume and judge steps find, one problem each; raises StudyError.

    The requests are written to the results folder as a run does; all else goes to a temporary folder.
    """
    import pandas as pd

    from outflow_cohort.handover.inventory import read_inventory
    from outflow_cohort.handover.volumes import read_index
    from outflow_cohort.steps.inventory import inventory
    from outflow_cohort.steps.judge import judge
    from outflow_cohort.steps.plan import plan
    from outflow_cohort.steps.volume import volume
    from outflow_cohort.study.config import load_study
    from outflow_cohort.study.findings import landmark_findings

    plan(study_file=study_file)
    study, _ = load_study(study_file)
    if study is None:  # plan has raised already
        return []
    work = study_file.parent / study.results / "work"
    keys: list[str] = read_json(work / "plan.json")["keys"]
    problems: list[Problem] = []
    with tempfile.TemporaryDirectory(prefix="outflow_check_") as name:
        own = Path(name)
        for key in keys:
            request, found = work / "requests" / f"{key}.json", own / "inventory" / f"{key}.json"
            volumes = own / "volumes" / key
            found.parent.mkdir(exist_ok=True)
            volumes.parent.mkdir(exist_ok=True)
            inventory(request=request, output=found)
            volume(request=request, inventory=found, output_dir=volumes)
            judge(request=request, inventory=found, volumes=volumes, output=own / "judged" / f"{key}.json")
            rows = [*read_inventory(found).set_aside, *read_index(volumes).set_aside]
            problems += [_set_aside(study.series, row) for row in rows]
            for image in volumes.glob("*.nrrd"):
                image.unlink()
        pd.read_parquet(work / "readings.parquet").to_parquet(own / "readings.parquet")
        findings = landmark_findings(own, keys).to_dict("records")
    return problems + [_finding(study.landmarks, row) for row in findings]


def _set_aside(file: str, row: AsideRow) -> Problem:
    place = f"case {row.case_id}" + ("" if row.phase_pct is None else f", phase {row.phase_pct:g}")
    return Problem(
        file=file,
        row=None,
        column=None,
        found=f"{place}: {row.code}",
        needed="a series that can be measured",
        remedy=row.message,
        severity="warning",
    )


def _finding(file: str, row: Mapping[str, Any]) -> Problem:
    """A finding as a message: where, found, needed, remedy."""
    from outflow_geometry.landmarks.findings import CODES

    place = [f"case {row['case_id']}"]
    place += [] if row["phase_pct"] is None or row["phase_pct"] != row["phase_pct"] else [f"phase {row['phase_pct']:g}"]
    place += [f"reader {row['reader_id']}, read {row['read_no']}"] if row["reader_id"] else []
    place += [str(row["structure"])] if row["structure"] else []
    point = row["point_no"]
    place += [] if point is None or point != point else [f"point {int(point)}"]
    meaning = CODES[row["code"]].meaning if row["code"] in CODES else str(row["code"])
    unit = "" if row["unit"] == "1" else f" {row['unit']}"
    number = "" if row["number"] != row["number"] or row["number"] is None else f" ({row['number']:.3g}{unit})"
    needed = "landmarks that fit" if row["bound"] != row["bound"] else f"within {row['bound']:.3g}{unit}"
    return Problem(
        file=file,
        row=None,
        column=None,
        found=f"{', '.join(place)}: {meaning}{number}",
        needed=needed,
        remedy=row["remedy"],
        severity="warning",
    )
