"""A run with `report: {pdf: true}` in study.yaml: every page has its PDF beside it. Invented data."""

from __future__ import annotations

from pathlib import Path

import pytest
from workflow_runs import snakemake

from outflow_cohort.report.pdf import browser, weasyprint_problem

pdfium = pytest.importorskip("pypdfium2", reason="reads the PDF back; pip install 'outflow-cohort[test]'")


@pytest.mark.skipif(
    browser() is None and bool(weasyprint_problem()), reason="neither Chromium nor WeasyPrint to print with"
)
def test_a_run_prints_every_page_where_the_study_says_so(own_finished_study: Path) -> None:
    folder = own_finished_study
    with (folder / "study.yaml").open("a", encoding="utf-8") as handle:
        handle.write("report: {pdf: true}\n")
    snakemake(folder / "study.yaml")
    report = folder / "results/report"
    pages = [report / "index.html", *sorted((report / "cases").glob("*.html"))]
    assert len(pages) == 4
    for page in pages:
        document = pdfium.PdfDocument(page.with_suffix(".pdf"))
        text = "".join(leaf.get_textpage().get_text_bounded() for leaf in document)
        assert "For research only, not for treating a patient" in " ".join(text.split()), page.name
    assert "full frame" in text
