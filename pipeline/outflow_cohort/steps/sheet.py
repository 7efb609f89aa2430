"""Step 7: the case sheet of one case."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_text


def sheet(*, results: Path, key: str) -> None:
    """Write RESULTS/report/cases/KEY.html from RESULTS/work of case `key`, and KEY.pdf where configured.

    Raises FileNotFoundError where the case has no request, report.pdf.NoPrinter where a PDF is wanted and nothing can
    print one.
    """
    from outflow_cohort.report.case_data import read_case
    from outflow_cohort.report.case_sheet import case_sheet
    from outflow_cohort.report.pdf import print_where_wanted
    from outflow_cohort.report.settings import read_settings

    settings = read_settings(results)
    page = results / "report" / "cases" / f"{key}.html"
    write_text(page, case_sheet(read_case(results, key, settings)))
    print_where_wanted(page, settings.pdf)
