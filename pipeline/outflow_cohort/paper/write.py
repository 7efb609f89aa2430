"""Writes everything that a paper takes from a finished run into one folder."""

from __future__ import annotations

from pathlib import Path

from outflow_cohort.files import write_text


class MissingLibrary(Exception):
    """A library that only papers need is not installed; the text says how to install it."""


def write_paper(*, results: Path, output: Path) -> list[str]:
    """Write OUTPUT/tables, figures and methods from the tables of RESULTS; returns the names of the files.

    Raises FileNotFoundError where the run is not finished, MissingLibrary without python-docx or matplotlib.
    """
    if not (results / "tables" / "cohort_summary.parquet").exists():
        raise FileNotFoundError("tables/cohort_summary.parquet")
    try:
        import docx  # noqa: F401
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise MissingLibrary(f"found no {error.name}; needed for papers: pip install 'outflow-cohort[paper]'") from None
    from outflow_cohort.paper.figures import write_paper_figures
    from outflow_cohort.paper.model_tables import model_tables, not_shown
    from outflow_cohort.paper.tables import paper_tables
    from outflow_cohort.paper.writers import write_methods, write_tables
    from outflow_cohort.report.cohort_data import read_cohort
    from outflow_cohort.report.methods import methods_text
    from outflow_cohort.report.settings import read_settings

    cohort = read_cohort(results, read_settings(results))
    write_tables([*paper_tables(cohort), *model_tables(cohort)], output / "tables", not_shown(cohort))
    captions = write_paper_figures(cohort, output / "figures")
    write_text(output / "figures" / "captions.txt", "\n\n".join(captions) + "\n")
    write_methods(*methods_text(cohort), output)
    return sorted(p.relative_to(output).as_posix() for p in output.rglob("*") if p.is_file())
