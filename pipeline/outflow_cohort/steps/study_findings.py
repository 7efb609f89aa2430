"""Step between judging and the sheets: what only the whole study shows, case by case."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import read_json, write_json
from outflow_cohort.handover.judged import StudyFindings, write_study_findings
from outflow_cohort.study.findings import findings_by_case

FOLDER = "study_findings"
TOLD = "told.json"
"""What the sheets were told last, by case: the workflow deletes the files themselves before this step."""


def study_findings(*, results: Path) -> None:
    """Write RESULTS/work/study_findings/KEY.json of every case, so that its sheet says it too.

    Sheets made with other findings are written anew: a case that nobody touched may turn out to be in the study twice.
    """
    work = results / "work"
    said: dict[str, list[dict[str, object]]] = {}
    for key, rows in findings_by_case(work, read_json(work / "plan.json")["keys"]).items():
        write_study_findings(work / FOLDER / f"{key}.json", StudyFindings(findings=tuple(rows)))
        said[key] = [row.model_dump() for row in rows]
    told = work / FOLDER / TOLD
    before = read_json(told) if told.exists() else {}
    for key, content in said.items():
        if content != before.get(key, []) and (results / "report" / "cases" / f"{key}.html").exists():
            from outflow_cohort.steps.sheet import sheet

            sheet(results=results, key=key)
    write_json(told, said)
