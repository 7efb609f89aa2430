"""Step 7: the case sheet of one case."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_text


def sheet(*, results: Path, key: str) -> None:
    """Write RESULTS/report/cases/KEY.html from RESULTS/work of case `key`.

    Raises FileNotFoundError where the case has no request.
    """
    from outflow_cohort.report.case_data import read_case
    from outflow_cohort.report.case_sheet import case_sheet
    from outflow_cohort.report.settings import read_settings

    data = read_case(results, key, read_settings(results))
    write_text(results / "report" / "cases" / f"{key}.html", case_sheet(data))
