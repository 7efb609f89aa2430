"""The pages in a real browser: no error, no request, nothing missing, nothing cut off; sorting and filtering."""

from __future__ import annotations

import os
import re
from pathlib import Path
from urllib.parse import unquote

import pytest
from browsing import run, screenshot, visit
from conftest import EVIL

from outflow_cohort.report.case_data import read_case
from outflow_cohort.report.pdf import browser, print_pdf
from outflow_cohort.report.settings import ReportSettings
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


FIGURES = r"""
  var svg = Array.prototype.find.call(document.querySelectorAll('#curves svg.fig'), function (s) {
    return s.getAttribute('aria-label').indexOf('Plan P1, 40 %.') === 0; });
  svg.scrollIntoView();
  var home = svg.getAttribute('viewBox'), tip = document.querySelector('.tip');
  var key = svg.querySelectorAll('.key')[1], colour = key.getAttribute('data-colour');
  var fire = function (name, x, y, more) {
    var m = svg.getScreenCTM();
    svg.dispatchEvent(new PointerEvent(name, Object.assign({bubbles: true, pointerId: 1,
      clientX: m.a * x + m.e, clientY: m.d * y + m.f}, more || {}))); };
  var axis = function (name) { return svg.querySelector('[' + name + ']').getAttribute(name).split(' ').map(Number); };
  var at = function (n, v) { return n[0] + (v - n[2]) / (n[3] - n[2]) * (n[1] - n[0]); };
  var own = function () { return Array.prototype.filter.call(svg.querySelectorAll('path,rect,circle'), function (e) {
    return !e.closest('.key') && (e.getAttribute('stroke') === colour || e.getAttribute('fill') === colour); }); };
  found.hidden_first = tip.hidden;
  fire('pointermove', at(axis('data-x'), STATION), at(axis('data-y'), AREA));
  found.tip = tip.hidden ? '' : tip.textContent;
  fire('pointermove', -400, -400); found.left = tip.hidden;
  key.dispatchEvent(new MouseEvent('click', {bubbles: true}));
  found.pressed = key.getAttribute('aria-pressed'); found.series = own().length;
  found.still_seen = own().filter(function (e) { return e.style.display !== 'none'; }).length;
  found.others_seen = Array.prototype.filter.call(svg.querySelectorAll('path'), function (e) {
    return e.style.display !== 'none'; }).length;
  svg.setPointerCapture = function () {};
  svg.parentNode.querySelector('.tools button').click();
  found.zoomed = svg.getAttribute('viewBox').split(' ').map(Number);
  var b = found.zoomed;
  fire('pointerdown', b[0] + 100, b[1] + 100); fire('pointermove', b[0] + 90, b[1] + 95); fire('pointerup', 0, 0);
  found.panned = svg.getAttribute('viewBox').split(' ').map(Number);
  dispatchEvent(new Event('beforeprint'));
  found.printed = [svg.getAttribute('viewBox') === home, own().every(function (e) { return e.style.display !== 'none'; })];
  found.still = document.querySelectorAll('svg.fig .key').length;
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
        # three plates, then ring and section of each of three phases
        assert seen.found["images"] == 3 + 2 * 3


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


def test_figures_show_values_filter_zoom_and_pan(results: Path, folder: Path) -> None:
    data = read_case(results, "GR-001", ReportSettings())
    curve = next(
        c for c in data.curves
        if (c.plan_id, c.phase_pct, c.reader_id, c.read_no, c.variant) == ("P1", 40.0, *data.reference, "full_frame")
    )  # fmt: skip
    place = len(curve.stations) // 3
    station, area = float(curve.stations[place]), float(curve.areas[place])
    script = FIGURES.replace("STATION", f"{station}").replace("AREA", f"{area}")
    found = visit(results / "report" / "cases/GR-001.html", folder, 1280, script).found
    assert found["errors"] == []
    assert found["hidden_first"] is True
    name, *numbers = re.split(r": |, | \(", found["tip"].replace("−", "-"))
    assert name == "full frame"
    assert float(numbers[0]) == pytest.approx(station, abs=0.02)
    assert float(numbers[1]) == pytest.approx(area, abs=1.0)
    assert found["left"] is True
    assert found["pressed"] == "false"
    assert found["series"] > 1
    assert found["still_seen"] == 0
    assert found["others_seen"] > 5
    x, y, width, height = found["zoomed"]
    assert (width, height) == pytest.approx((0.6 * 350, 0.6 * 318), rel=1e-3)
    assert found["panned"] == pytest.approx([x + 10, y + 5, width, height], abs=0.1)
    assert found["printed"] == [True, True]


def test_the_script_takes_nothing_from_the_still_figure(results: Path) -> None:
    """What the script works on is in the page without it: every value of a legend's series, every label of a mark."""
    text = (results / "report" / "cases/GR-001.html").read_text(encoding="utf-8")
    figures = re.findall(r'<svg class="fig".*?</svg>', text, re.S)
    keyed = [f for f in figures if 'class="key"' in f]
    assert len(keyed) > 4
    for figure in keyed:
        for colour in re.findall(r'class="key" data-colour="([^"]+)"', figure):
            assert figure.count(f'"{colour}"') > 2, figure[:200]  # entry, its line, and what it stands for


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
