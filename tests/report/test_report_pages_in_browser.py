"""The pages in a real browser: no error, no request, nothing missing, nothing cut off; sorting and filtering."""

from __future__ import annotations

import os
from pathlib import Path
from urllib.parse import unquote

import pytest
from browsing import run, screenshot, visit
from conftest import EVIL

from outflow_cohort.report.pdf import browser, print_pdf
from outflow_cohort.study.keys import case_key

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser() is None, reason="no Chromium on this machine (Debian: apt-get install chromium)"),
]
PAGES = ("index.html", "what_to_do.html", "cases/GR-001.html", "cases/GR-003.html", f"cases/{case_key(EVIL)}.html")
A4_PRINTABLE_PX = 688
"""182 mm between the margins of the print style, at 96 px an inch (CSS Values and Units, absolute lengths)."""

SORT_AND_FILTER = r"""
  var table = document.getElementById('case-table');
  var column = function (n) { return Array.prototype.map.call(table.tBodies[0].rows, function (r) { return r.cells[n].textContent; }); };
  var button = function (n) { return table.tHead.rows[0].cells[n].querySelector('button'); };
  var visible = function () { return Array.prototype.filter.call(table.tBodies[0].rows, function (r) { return !r.hidden; }).length; };
  var set = function (id, value) { var e = document.getElementById(id); e.value = value; e.dispatchEvent(new Event('input')); };
  button(6).click(); found.ascending = column(6); found.aria = table.tHead.rows[0].cells[6].getAttribute('aria-sort');
  button(6).click(); found.descending = column(6);
  button(0).click(); found.names = column(0);
  set('group', 'native'); found.native = visible(); found.said = document.getElementById('shown').textContent;
  set('state', 'a'); found.native_aside = visible();
  set('group', ''); set('state', ''); set('search', 'gr-00'); found.searched = visible();
  set('search', 'no such case'); found.none = visible();
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("browser")


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("page", PAGES)
def test_page_is_whole(results: Path, folder: Path, page: str, width: int) -> None:
    seen = visit(results / "report" / page, folder, width)
    assert seen.console == []
    assert seen.found["errors"] == []
    assert seen.found["resources"] == []
    assert seen.found["broken"] == []
    assert seen.found["frame"] == width
    assert seen.found["width"] <= width
    assert seen.found["overflow"] == []
    assert seen.found["clipped"] == []
    assert seen.found["unnamed"] == 0
    if page == "cases/GR-001.html":
        assert seen.found["images"] == 6


@pytest.mark.parametrize("page", PAGES)
def test_every_link_leads_somewhere(results: Path, folder: Path, page: str) -> None:
    path = results / "report" / page
    text = path.read_text(encoding="utf-8")
    links = visit(path, folder, 1280).found["links"]
    assert links
    for link in links:
        if link.startswith("#"):
            assert f'id="{link[1:]}"' in text
        else:
            name, _, anchor = unquote(link).partition("#")
            target = (path.parent / name).resolve()
            assert target.is_file(), link
            assert not anchor or f'id="{anchor}"' in target.read_text(encoding="utf-8"), link
            assert target.is_relative_to(results.resolve()), link


def test_list_of_cases_sorts_and_filters(results: Path, folder: Path) -> None:
    found = visit(results / "report" / "index.html", folder, 1280, SORT_AND_FILTER).found
    assert found["errors"] == []
    numbers = [float(v) for v in found["ascending"] if v != "–"]
    assert len(numbers) == 10
    assert numbers == sorted(numbers)
    assert found["ascending"][-1] == "–"
    assert found["descending"] == [*[f"{v:.0f}" for v in sorted(numbers, reverse=True)], "–"]
    assert found["aria"] == "ascending"
    assert [n for n in found["names"] if n.startswith("GR-")] == sorted(
        n for n in found["names"] if n.startswith("GR-")
    )
    assert (found["native"], found["native_aside"], found["searched"], found["none"]) == (5, 1, 7, 0)
    assert found["said"] == "5 of 11 cases"


@pytest.mark.parametrize("page", PAGES)
def test_print_style_cuts_nothing_off(results: Path, folder: Path, page: str) -> None:
    found = visit(results / "report" / page, folder, A4_PRINTABLE_PX, as_print=True).found
    assert found["width"] <= A4_PRINTABLE_PX
    assert found["overflow"] == []
    assert found["clipped"] == []


def test_pictures_of_the_pages(results: Path, tmp_path: Path) -> None:
    """Pictures at both widths, and the printed page; kept where REPORT_PICTURES says, otherwise only taken."""
    kept = Path(os.environ.get("REPORT_PICTURES") or tmp_path)
    kept.mkdir(parents=True, exist_ok=True)
    for page in (PAGES[0], PAGES[2]):
        source = results / "report" / page
        for width, height in ((1280, 9000), (390, 9000)):
            target = kept / f"{source.stem}-{width}.png"
            screenshot(source, target, tmp_path, width, height)
            assert target.read_bytes().startswith(b"\x89PNG")
        print_pdf(source, kept / f"{source.stem}.pdf", "browser")
        assert (kept / f"{source.stem}.pdf").read_bytes().startswith(b"%PDF-")


def test_browser_resolves_no_name(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<p id=a></p><script>fetch('http://localhost.example/').catch(e=>a.textContent='no')</script>")
    assert ">no<" in run(tmp_path, "--dump-dom", "--virtual-time-budget=3000", page).stdout
