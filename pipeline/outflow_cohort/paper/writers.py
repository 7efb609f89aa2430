"""A paper's tables as CSV, LaTeX and DOCX; its methods text as DOCX and plain text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from outflow_cohort.files import write_atomically, write_csv, write_text
from outflow_cohort.paper.tables import RESEARCH, PaperTable

LATEX_SIGNS = {
    "−": "$-$", "–": "--", "²": "$^2$", "³": "$^3$", "°": "$^\\circ$", "≥": "$\\ge$", "≤": "$\\le$", "×": "$\\times$",
    "…": "\\dots{}", "\u00a0": "~", "±": "$\\pm$", "’": "'",
}  # fmt: skip
"""Signs that LaTeX sets only as commands."""
LATEX_SPECIAL = {
    "\\": "\\textbackslash{}", "&": "\\&", "%": "\\%", "$": "\\$", "#": "\\#", "_": "\\_", "{": "\\{", "}": "\\}",
    "~": "\\textasciitilde{}", "^": "\\textasciicircum{}",
}  # fmt: skip


def latex_text(text: str) -> str:
    """`text` with every sign that LaTeX would read as a command made safe."""
    return "".join(LATEX_SIGNS.get(c) or LATEX_SPECIAL.get(c, c) for c in text)


def latex_table(table: PaperTable) -> str:
    """A `table` environment for the packages booktabs and threeparttable."""
    frame = pd.DataFrame(
        [[latex_text(c) for c in row] for row in table.rows], columns=[latex_text(h) for h in table.header]
    )
    body = frame.style.hide(axis="index").to_latex(hrules=True, column_format="l" * len(table.header))
    notes = "".join(f"\\item {latex_text(n)}\n" for n in (*table.footnotes, RESEARCH))
    return (
        f"% needs \\usepackage{{booktabs}} and \\usepackage{{threeparttable}}\n\\begin{{table}}\n\\centering\n"
        f"\\begin{{threeparttable}}\n\\caption{{{latex_text(table.title)}}}\n\\label{{tab:{table.name}}}\n{body}"
        f"\\begin{{tablenotes}}\\footnotesize\n{notes}\\end{{tablenotes}}\n\\end{{threeparttable}}\n\\end{{table}}\n"
    )


LINE = 150.0
"""Letters of 8 points across the page of the tables."""


def write_tables(tables: Sequence[PaperTable], folder: Path, remark: str = "") -> None:
    """NAME.csv and NAME.tex of each table, and tables.docx with all; `remark` opens it, and is not_shown.txt too."""
    for table in tables:
        write_csv(folder / f"{table.name}.csv", pd.DataFrame(table.rows, columns=list(table.header)))
        write_text(folder / f"{table.name}.tex", latex_table(table))
    write_atomically(folder / "tables.docx", lambda path: _tables_document(tables, path, remark))
    if remark:
        write_text(folder / "not_shown.txt", f"{remark}\n")


def write_methods(paragraphs: Sequence[str], references: Sequence[str], folder: Path) -> None:
    """methods.txt and methods.docx."""
    listed = [f"{number}. {text}" for number, text in enumerate(references, start=1)]
    write_text(folder / "methods.txt", "\n\n".join([*paragraphs, *listed, RESEARCH]) + "\n")

    def write(path: Path) -> None:
        document = _document("Methods")
        for text in paragraphs:
            document.add_paragraph(text)
        if listed:
            document.add_heading("References", level=2)
        for text in (*listed, RESEARCH):
            document.add_paragraph(text)
        _save(document, path)

    write_atomically(folder / "methods.docx", write)


def _tables_document(tables: Sequence[PaperTable], path: Path, remark: str) -> None:
    from docx.enum.section import WD_ORIENT
    from docx.shared import Pt

    document = _document("Tables")
    section = document.sections[0]
    section.orientation = WD_ORIENT.LANDSCAPE
    section.page_width, section.page_height = section.page_height, section.page_width
    if remark:
        document.add_paragraph().add_run(remark).font.size = Pt(9)
    for number, table in enumerate(tables, start=1):
        caption = document.add_paragraph()
        caption.paragraph_format.keep_with_next = True
        caption.paragraph_format.page_break_before = number > 1
        caption.add_run(f"Table {number}. ").bold = True
        caption.add_run(table.title)
        grid = document.add_table(rows=1 + len(table.rows), cols=len(table.header))
        grid.style = "Normal Table"
        _rule(grid)
        for line, cells in enumerate((table.header, *table.rows)):
            for cell, text in zip(grid.rows[line].cells, cells, strict=True):
                cell.text = ""
                spacing = cell.paragraphs[0].paragraph_format
                spacing.space_before, spacing.space_after = Pt(1), Pt(1)
                run = cell.paragraphs[0].add_run(text)
                run.font.size = Pt(8)
                run.bold = line == 0
        for row in grid.rows:
            _mark(row, "cantSplit")
        _mark(grid.rows[0], "tblHeader")
        _set_widths(grid, (table.header, *table.rows), section)
        for text in (*table.footnotes, RESEARCH):
            paragraph = document.add_paragraph()
            paragraph.paragraph_format.space_before, paragraph.paragraph_format.space_after = Pt(4), Pt(0)
            paragraph.add_run(text).font.size = Pt(8)
    _save(document, path)


def column_shares(lines: Sequence[Sequence[str]]) -> list[float]:
    """Shares of a table's width by column: room for the longest word of each, the rest by the amount of text."""
    columns = list(zip(*lines, strict=True))
    words = [max(len(word) for cell in column for word in (cell.split() or [""])) + 3.0 for column in columns]
    # a text that wraps asks for a block as wide as high: the root of its length
    texts = [max(len(cell) for cell in column) ** 0.5 for column in columns]
    spare = max(LINE - sum(words), 0.0)
    room = [word + spare * text / sum(texts) for word, text in zip(words, texts, strict=True)]
    return [one / sum(room) for one in room]


def _set_widths(grid: Any, lines: Sequence[Sequence[str]], section: Any) -> None:
    """Widths of the columns by their content; word processors heed the cells', not the columns'."""
    room = section.page_width - section.left_margin - section.right_margin
    grid.autofit = False
    for column, share in zip(grid.columns, column_shares(lines), strict=True):
        column.width = int(room * share)
        for cell in column.cells:
            cell.width = column.width


def _mark(row: Any, name: str) -> None:
    """A property of a row: cantSplit keeps it on one page, tblHeader repeats it on each (ECMA-376, w:trPr)."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    mark = OxmlElement(f"w:{name}")
    mark.set(qn("w:val"), "true")
    row._tr.get_or_add_trPr().append(mark)


def _rule(grid: Any) -> None:
    """Lines as journals set them: above and below the table and below its header, none upright."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    def line(parent: Any, *sides: str) -> None:
        for side in sides:
            edge = OxmlElement(f"w:{side}")
            for key, value in (("val", "single"), ("sz", "6"), ("space", "0"), ("color", "000000")):
                edge.set(qn(f"w:{key}"), value)
            parent.append(edge)

    around = OxmlElement("w:tblBorders")
    line(around, "top", "bottom")
    grid._tbl.tblPr.append(around)
    for cell in grid.rows[0].cells:
        below = OxmlElement("w:tcBorders")
        line(below, "bottom")
        cell._tc.get_or_add_tcPr().append(below)


def _document(title: str):  # type: ignore[no-untyped-def]
    from datetime import datetime

    from docx import Document
    from docx.shared import Pt

    document = Document()
    document.styles["Normal"].font.name = "Times New Roman"
    document.styles["Normal"].font.size = Pt(11)
    document.core_properties.title = title
    document.core_properties.author = ""
    document.core_properties.created = document.core_properties.modified = datetime(2000, 1, 1)
    document.add_heading(title, level=1)
    return document


def _save(document: object, path: Path) -> None:
    with path.open("wb") as handle:
        document.save(handle)  # type: ignore[attr-defined]
