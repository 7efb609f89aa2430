"""The PDF of both printers: every label of every figure is in it, and no letter leaves the printable area."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from synthetic_results import Maker

from outflow_cohort.report.pdf import NoPrinter, Printer, browser, print_pdf, weasyprint_problem
from outflow_cohort.report.settings import ReportSettings
from outflow_cohort.steps.report import report
from outflow_cohort.steps.sheet import sheet

pdfium = pytest.importorskip("pypdfium2", reason="reads the PDF back; pip install 'outflow-cohort[test]'")

MARGIN_PT = 14 / 25.4 * 72
"""Side margin of the print style, mm to points."""
LETTER_PT = 1.5
"""A letter's box may reach this far over its pen position."""
PRINTERS = [
    pytest.param(
        "browser",
        marks=[
            pytest.mark.browser,
            pytest.mark.skipif(browser() is None, reason="no Chromium here (Debian: apt-get install chromium)"),
        ],
    ),
    pytest.param("weasyprint", marks=pytest.mark.skipif(bool(weasyprint_problem()), reason=weasyprint_problem())),
]


def printed(
    page: Path, folder: Path, printer: Printer
) -> list[tuple[str, list[tuple[float, float, float, float]], float]]:
    """Text, boxes of all letters, and width of each page, points."""
    target = folder / "page.pdf"
    assert print_pdf(page, target, printer)
    document = pdfium.PdfDocument(target)
    out = []
    for leaf in document:
        text = leaf.get_textpage()
        boxes = [text.get_charbox(i) for i in range(text.count_chars()) if text.get_text_range(i, 1).strip()]
        out.append((text.get_text_bounded(), boxes, leaf.get_width()))
    return out


def letters(text: str) -> str:
    """Only what every printer spells the same way: no blanks, soft hyphens or line breaks."""
    return re.sub(r"[\s\u00ad\ufffe\u2010-]", "", text).replace("−", "").replace("ﬁ", "fi").replace("ﬂ", "fl")


@pytest.mark.parametrize("printer", PRINTERS)
@pytest.mark.parametrize("page", ["index.html", "cases/GR-001.html"])
def test_every_figure_is_printed_whole(results: Path, tmp_path: Path, page: str, printer: Printer) -> None:
    source = results / "report" / page
    sheets = printed(source, tmp_path, printer)
    assert len(sheets) > 2
    for _, boxes, width in sheets:
        for left, _, right, _ in boxes:
            assert left > MARGIN_PT - LETTER_PT
            assert right < width - MARGIN_PT + LETTER_PT
    whole = letters("".join(text for text, _, _ in sheets))
    shown = re.sub(r"<details>.*?</details>", "", source.read_text(encoding="utf-8"), flags=re.DOTALL)
    # Text with a white edge is printed as shapes, which cannot be read back.
    labels = {html.unescape(t) for look, t in re.findall(r"<text([^>]*)>([^<]*)</text>", shown) if "halo" not in look}
    assert len(labels) > 40
    assert sorted(t for t in labels if letters(t) not in whole) == []


def test_a_printer_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outflow_cohort.report.pdf.shutil.which", lambda name: None)
    with pytest.raises(NoPrinter, match="found no Chromium"):
        print_pdf(tmp_path / "page.html", tmp_path / "page.pdf", "browser")
    monkeypatch.setattr("outflow_cohort.report.pdf.importlib.util.find_spec", lambda name: None)
    with pytest.raises(NoPrinter, match="WeasyPrint is not installed"):
        print_pdf(tmp_path / "page.html", tmp_path / "page.pdf", "weasyprint")
    assert not (tmp_path / "page.pdf").exists()


def test_switch_prints_both_documents_and_removes_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, str, object]] = []

    def fake(page: Path, target: Path, printer: object) -> str:
        target.write_bytes(b"%PDF-")
        asked.append((page.name, target.name, printer))
        return "fake"

    monkeypatch.setattr("outflow_cohort.report.pdf.print_pdf", fake)
    maker = Maker(tmp_path, phases=(40.0,))
    maker.add_case("GR-001", "GR-001", "native", "Alder")
    for wanted in ("weasyprint", True, False):
        maker.write_tables({"pdf": wanted}, with_statistics=False)
        sheet(results=tmp_path, key="GR-001")
        report(results=tmp_path)
        there = sorted(p.name for p in (tmp_path / "report").rglob("*.pdf"))
        assert there == (["GR-001.pdf", "index.pdf"] if wanted else [])
    pages = [("GR-001.html", "GR-001.pdf"), ("index.html", "index.pdf")]
    assert asked == [(*page, printer) for printer in ("weasyprint", None) for page in pages]


@pytest.mark.parametrize("value", [True, False, "browser", "weasyprint"])
def test_switch(value: object) -> None:
    assert ReportSettings.model_validate({"pdf": value}).pdf == value
