"""Step 8: the cohort report with its figures."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_text


def report(*, results: Path) -> None:
    """Write RESULTS/report/index.html, what_to_do.html, figures/*.svg and *.csv, and index.pdf where configured; and
    tables/cases.csv and cases.xlsx, which have the same numbers.

    Raises report.pdf.NoPrinter where a PDF is wanted and nothing can print one.
    """
    from outflow_cohort.report.case_table import write_case_table
    from outflow_cohort.report.cohort_data import read_cohort
    from outflow_cohort.report.cohort_report import cohort_report, write_figures
    from outflow_cohort.report.guide import guide_page
    from outflow_cohort.report.pdf import print_where_wanted
    from outflow_cohort.report.settings import read_settings

    settings = read_settings(results)
    cohort = read_cohort(results, settings)
    write_case_table(cohort)
    page = cohort_report(cohort)
    folder = results / "report"
    write_figures(page.figures, folder / "figures")
    write_text(folder / "what_to_do.html", guide_page(str(cohort.study.get("study_id", "study"))))
    write_text(folder / "index.html", page.html)
    print_where_wanted(folder / "index.html", settings.pdf)
