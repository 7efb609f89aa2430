"""What a paper takes from a run: the numbers of the tables, rounded by their intervals, in files that open."""

from __future__ import annotations

import re
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

from outflow_cohort.cli import EXIT_OK, EXIT_USAGE, main
from outflow_cohort.paper.rounding import decimals_for, rounded
from outflow_cohort.paper.tables import PaperTable, cutoffs, measures
from outflow_cohort.paper.writers import LATEX_SIGNS, LINE, column_shares, latex_table, latex_text
from outflow_cohort.report.cohort_data import read_cohort
from outflow_cohort.report.settings import ReportSettings

docx = pytest.importorskip("docx", reason="python-docx is not installed (pip install '.[paper]')")
pytest.importorskip("matplotlib", reason="matplotlib is not installed (pip install '.[paper]')")


@pytest.fixture(scope="module")
def paper(results: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("paper")
    assert main(["paper", str(results), "--output", str(folder)]) == EXIT_OK
    return folder


@pytest.mark.parametrize(
    ("low", "high", "digits"),
    [(209, 386, 0), (0.967, 0.997, 3), (0.25, 0.61, 2), (5.4, 10.2, 1), (100, 9000, 0), (3.0, 3.0, 2), (0.0, 1e-9, 4),
     (1.0, 7.0, 0), (1.0, 6.8, 1)],
)  # fmt: skip
def test_digits_follow_the_interval(low: float, high: float, digits: int):
    assert decimals_for(low, high) == digits


def test_a_number_with_its_interval():
    assert rounded(297.62, 209.11, 386.14) == "298 (209 to 386)"
    assert rounded(-0.5, -0.91, -0.12) == "−0.5 (−0.9 to −0.1)"
    assert rounded(None, 1.0, 2.0) == "–"
    assert rounded(2.0, float("nan"), 3.0) == "2.00"
    # a reproducibility coefficient is never 0, a bias may be
    assert rounded(0.46, 0.33, 6.9) == "0.5 (0.3 to 6.9)"
    assert rounded(0.003, -20.1, 20.1) == "0 (−20 to 20)"


def test_columns_of_a_document_have_room_for_their_longest_word():
    lines = [("Item", "What", "Answer"), ("1", "statistical methods", "in words " * 200)]
    shares = column_shares(lines)
    assert sum(shares) == pytest.approx(1.0)
    assert shares[0] * LINE >= len("Item")
    assert shares[1] * LINE >= len("statistical")
    assert shares[2] > 0.6


def test_tables_have_the_numbers_of_the_run(paper: Path, results: Path):
    table = pd.read_csv(paper / "tables/table_2_measures.csv", index_col="Measure")
    summary = pd.read_parquet(results / "tables/cohort_summary.parquet").query(
        "measure == 'neo_lvot_area' and variant == 'full_frame' and method == 'reader_path' and group == 'all'"
    )
    row = summary[summary["phase_pct"].isna()].iloc[0]
    wanted = f"{rounded(row['mean'], row['ci_low'], row['ci_high'])} [{row['n']:.0f}]"
    assert table.loc["Neo-LVOT area, full frame, mm²", "All"] == wanted
    cutoffs = pd.read_csv(paper / "tables/table_4_cutoffs.csv")
    cases = pd.read_csv(results / "tables/cases.csv")
    areas = cases["neo_lvot_area_mm2"].dropna()
    counted = cutoffs[(cutoffs["Cut-off"] == "170 mm²") & (cutoffs["Group"] == "All")]["Below / cases"].item()
    assert counted == f"{(areas < 170).sum()} / {len(areas)}"


def test_cases_in_doubt_are_named_in_footnotes(results: Path, tmp_path: Path):
    shutil.copytree(results / "tables", tmp_path / "tables")
    shutil.copytree(results / "work", tmp_path / "work", ignore=shutil.ignore_patterns("measured"))
    for part in (tmp_path / "tables/measurements").rglob("*.parquet"):
        rows = pd.read_parquet(part)
        mine = (rows["case_id"] == "GR-002") & (rows["measure"] == "neo_lvot_area")
        rows.assign(status=rows["status"].where(~mine, "landmark_suspect")).to_parquet(part)
    cohort = read_cohort(tmp_path, ReportSettings())
    (value,) = (v for v in cohort.primary["GR-002"] if v.measure == "neo_lvot_area")
    note = f"Not counted, as the Neo-LVOT area may be wrong (mm²): GR-002 ({value.doubted:.0f}, landmark suspect)."
    assert note in measures(cohort).notes
    assert note in cutoffs(cohort).notes


def test_the_document_opens_with_every_table_and_its_notes(paper: Path):
    document = docx.Document(str(paper / "tables/tables.docx"))
    names = sorted(p.stem for p in (paper / "tables").glob("*.csv"))
    assert len(document.tables) == len(names) >= 4
    for name, table in zip(names, document.tables, strict=True):
        frame = pd.read_csv(paper / f"tables/{name}.csv", keep_default_na=False, dtype=str)
        cells = [[c.text for c in row.cells] for row in table.rows]
        assert [h.removeprefix("Unnamed: 0") for h in frame.columns] == cells[0]
        assert frame.to_numpy().tolist() == cells[1:]
    text = "\n".join(p.text for p in document.paragraphs)
    assert text.count("For research only") == len(names)
    assert "Table 1. Case facts by group" in text
    assert re.search(r"Abbreviations: .*ICC, intraclass correlation coefficient", text)
    methods = docx.Document(str(paper / "methods.docx"))
    assert len(methods.paragraphs) > 4


def test_latex_is_balanced_and_escaped(paper: Path):
    for path in sorted((paper / "tables").glob("*.tex")):
        text = path.read_text(encoding="utf-8")
        assert [*re.findall(r"\\begin{(\w+)}", text)] == [*reversed(re.findall(r"\\end{(\w+)}", text))] or (
            sorted(re.findall(r"\\begin{(\w+)}", text)) == sorted(re.findall(r"\\end{(\w+)}", text))
        )
        assert "\\toprule" in text
        body = text.split("\n", 1)[1]
        assert not re.search(r"(?<!\\)[%#]", body)
        assert not set(body) & set(LATEX_SIGNS)
    evil = PaperTable("t", "50 % & more", ("a_b",), (("{x}\\y",),), ())
    assert "50 \\% \\& more" in latex_table(evil)
    assert latex_text("−1 mm²") == "$-$1 mm$^2$"


def test_figures_have_the_width_of_a_column(paper: Path):
    for column, width in (("one_column", 89.0), ("two_columns", 183.0)):
        pictures = sorted((paper / "figures").glob(f"*_{column}.png"))
        assert len(pictures) == 3
        for path in pictures:
            with Image.open(path) as picture:
                assert picture.width / 600 * 25.4 == pytest.approx(width, abs=0.1)
                assert picture.info["dpi"][0] == pytest.approx(600, abs=0.1)
            root = ElementTree.parse(path.with_suffix(".svg")).getroot()
            assert float(root.get("width", "0").removesuffix("pt")) / 72 * 25.4 == pytest.approx(width, abs=0.1)
            assert path.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")
    assert (paper / "figures/captions.txt").read_text().count("Figure ") == 3


def test_a_paper_needs_a_finished_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["paper", str(tmp_path), "--output", str(tmp_path / "p")]) == EXIT_USAGE
    assert "finish the run first" in capsys.readouterr().err
