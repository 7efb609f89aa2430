"""Case sheets and cohort report against the tables they were made from."""

from __future__ import annotations

import html
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from conftest import EVIL, LONG
from synthetic_results import CURVE_INTERVALS, GROUPS, SITES, Maker

from outflow_cohort.report import charts_case
from outflow_cohort.report.case_data import read_case
from outflow_cohort.report.case_sheet import case_sheet
from outflow_cohort.report.numbers import estimate
from outflow_cohort.report.settings import PRIMARY_MEASURES, ReportSettings
from outflow_cohort.report.wording import CAUTIONS, RESEARCH_ONLY
from outflow_cohort.steps.report import report
from outflow_cohort.steps.sheet import sheet
from outflow_cohort.study.keys import case_key

VOID = {"meta", "link", "br", "input", "img", "hr"}
LARGEST_SHEET = 600_000
LARGEST_INDEX = 2_000_000


class Balance(HTMLParser):
    """Complains about a tag that is not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.ids += [v for k, v in attrs if k == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.ids += [v for k, v in attrs if k == "id"]

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"{tag} at {self.getpos()}")


def pages(results: Path) -> list[Path]:
    return [results / "report" / "index.html", *sorted((results / "report" / "cases").glob("*.html"))]


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def test_every_page_is_well_formed_with_unique_ids(results):
    assert len(pages(results)) == 12
    for path in pages(results):
        parser = Balance()
        parser.feed(read(path))
        assert parser.faults == []
        assert parser.open == []
        assert len(parser.ids) == len(set(parser.ids)), path


def test_every_page_carries_the_cautions(results):
    for path in pages(results):
        text = html.unescape(read(path))
        assert text.count(RESEARCH_ONLY) >= 3
        for caution in CAUTIONS:
            assert caution in text


def test_pages_fetch_nothing_and_name_no_machine(results):
    for path in pages(results):
        text = read(path)
        assert (
            re.findall(
                r'(?:src|href)="(?!data:|#|(?:\.\./)?index\.html|(?:\.\./)?what_to_do\.html#|cases/|figures/)[^"]*"',
                text,
            )
            == []
        )
        assert "url(http" not in text
        assert str(results) not in text
        assert str(Path.cwd()) not in text
        assert not re.search(r"\b20\d\d-[01]\d-[0-3]\d\b", text)


def test_names_are_escaped_and_safe_in_files(results):
    key = case_key(EVIL)
    assert re.fullmatch(r"[A-Za-z0-9_-]+", key)
    for path in (results / "report" / "index.html", results / "report" / "cases" / f"{key}.html"):
        text = read(path)
        assert "<script>alert" not in text
        assert EVIL in html.unescape(text)
    assert LONG in read(results / "report" / "index.html")


def test_sheets_and_report_are_the_same_bytes_again(results):
    before = {p: p.read_bytes() for p in sorted((results / "report").rglob("*")) if p.is_file()}
    for path in sorted((results / "report" / "cases").glob("*.html")):
        sheet(results=results, key=path.stem)
    report(results=results)
    after = {p: p.read_bytes() for p in sorted((results / "report").rglob("*")) if p.is_file()}
    assert before.keys() == after.keys()
    assert [p.name for p in before if before[p] != after[p]] == []


def test_sheet_is_small(results):
    assert (results / "report" / "cases" / "GR-001.html").stat().st_size < LARGEST_SHEET


def test_sheet_leads_with_the_same_value_as_the_table_of_cases(results):
    data = read_case(results, "GR-001", ReportSettings())
    assert data.shown_phase()[0] == 40.0
    value = data.primary[0]
    row = pd.read_csv(results / "tables/cases.csv").set_index("case_id").loc["GR-001"]
    assert round(value.value, 4) == row["neo_lvot_area_mm2"]
    text = html.unescape(read(results / "report" / "cases" / "GR-001.html"))
    block = text.split("<dt>Neo-LVOT area</dt>", 1)[1][:120]
    assert f"<dd>{value.value:.0f} mm²<small>{value.low:.0f} to {value.high:.0f} ·" in block


def test_sheet_prints_every_row_of_the_measurements(results):
    frame = pd.read_parquet(results / "work" / "measured" / "GR-002" / "measurements.parquet")
    text = html.unescape(read(results / "report" / "cases" / "GR-002.html"))
    section = text.split('id="numbers"', 1)[1].split("What they mean", 1)[0]
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", section)
    shown = [c for c in cells if re.search(r" to ", c) and "(" in c]
    assert len(shown) == int(frame["value"].notna().sum())
    wanted = int((frame["status"] == "missing_trigones").sum())
    assert wanted > 0
    assert "missing trigones" not in section
    assert section.count("<b>Missing trigones</b>") == 1
    assert "What needs a look" not in text.split('id="numbers"')[0] or "trigones" not in text.split('id="numbers"')[0]


def test_band_along_the_area_curve_is_its_interval(results):
    data = read_case(results, "GR-001", ReportSettings())
    figure = next(f for f in charts_case.curve_figures(data) if f.drawing.title.startswith("Plan P1, 40"))
    curve = next(
        c for c in data.curves
        if (c.phase_pct, c.reader_id, c.read_no, c.variant) == (40.0, *data.reference, "full_frame")
    )  # fmt: skip
    low, high = charts_case.interval_band(curve, data)
    at = curve.stations == -16.0
    stations, below, above = np.asarray(CURVE_INTERVALS).T
    assert low[at] == pytest.approx(curve.areas[at] - np.interp(-16.0, stations, below))
    assert high[at] == pytest.approx(curve.areas[at] + np.interp(-16.0, stations, above))
    row = next(row for row in figure.table.rows if row[0] == "−16")
    assert row[2] == estimate(curve.areas[at][0], low[at][0], high[at][0], "mm2")
    # the other solid has no interval: neither band nor brackets
    other = next(c for c in data.curves if c.variant != "full_frame")
    assert charts_case.interval_band(other, data) is None
    assert "(" not in row[4]


def test_sheet_of_a_case_set_aside_gives_the_reason(results):
    text = html.unescape(read(results / "report" / "cases" / "GR-003.html"))
    assert "Nothing was measured in this case" in text
    assert "Slice 120 of 288 is missing" in text
    assert "<image" not in text


def test_missing_request_is_an_error(results):
    with pytest.raises(FileNotFoundError):
        read_case(results, "no-such-case", ReportSettings())


def test_other_solid_is_shown_where_the_settings_say_so(results):
    data = read_case(results, "GR-001", ReportSettings(main_solid="skirt"))
    page = html.unescape(case_sheet(data))
    assert page != read(results / "report" / "cases" / "GR-001.html")


def test_sheet_survives_measures_that_could_not_be_had(results):
    """No area anywhere, no section, no level, no views: the sheet still says what there is."""
    data = read_case(results, "GR-002", ReportSettings())
    empty = np.full(5, np.nan)
    bare = replace(
        data,
        values=tuple(replace(v, value=None, ci_low=None, ci_high=None, status="leak") for v in data.values),
        curves=tuple(replace(c, stations=np.arange(5.0), areas=empty, native_areas=empty) for c in data.curves),
        views=(),
        drawings=tuple(
            d.model_copy(update={"drawn": replace(d.drawn, plans={}, paths={}, level=None, edge_on={}, apex=None)})
            for d in data.drawings
        ),
    )
    page = html.unescape(case_sheet(bare))
    parser = Balance()
    parser.feed(case_sheet(bare))
    assert parser.faults == []
    assert "nan" not in re.sub(r"<[^>]*>", " ", page).lower().split()
    assert page.count("<b>Leak</b>") == 1


def figure_csv(results: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(results / "report" / "figures" / f"{name}.csv")


def test_figures_are_well_formed_and_come_with_their_data(results):
    folder = results / "report" / "figures"
    names = sorted(p.stem for p in folder.glob("*.svg"))
    assert names == sorted(p.stem for p in folder.glob("*.csv"))
    assert len(names) > 15
    for name in names:
        root = ElementTree.parse(folder / f"{name}.svg").getroot()
        assert root.attrib["aria-label"]
        assert len(figure_csv(results, name)) > 0


def test_distribution_data_equal_the_tables(results):
    """Against DuckDB on the Parquet files."""
    found = figure_csv(results, "distribution-neo-lvot-area").set_index("case_id")["value"]
    expected = duckdb.sql(
        f"""select case_id, avg(value) as value from '{results}/tables/measurements/*.parquet'
        where measure = 'neo_lvot_area' and variant = 'full_frame' and method = 'reader_path'
        and phase_pct = 40 and read_no = 1 group by case_id"""
    ).df().set_index("case_id")["value"]  # fmt: skip
    assert len(found) == 10
    pd.testing.assert_series_equal(found.sort_index(), expected.sort_index(), rtol=1e-12)


def test_plan_free_measure_is_taken_at_the_smallest_ventricle(results):
    found = figure_csv(results, "distribution-aorto-mitral-angle-opening").set_index("case_id")["value"]
    expected = duckdb.sql(
        f"""select case_id, avg(value) as value from '{results}/tables/measurements/*.parquet'
        where measure = 'aorto_mitral_angle' and variant = 'opening' and phase_pct = 40 and read_no = 1 group by case_id"""
    ).df().set_index("case_id")["value"]  # fmt: skip
    pd.testing.assert_series_equal(found.sort_index(), expected.sort_index(), rtol=1e-12)


def test_bland_altman_data_equal_the_tables(results):
    pair = figure_csv(results, "bland-altman-mitral-area-spline-r2-r1")
    expected = duckdb.sql(
        f"""select a.case_id, a.phase_pct, a.read_no, b.value - a.value as difference
        from '{results}/tables/measurements/*.parquet' a join '{results}/tables/measurements/*.parquet' b
        using (case_id, phase_pct, read_no, measure, variant)
        where measure = 'mitral_area' and variant = 'spline' and a.reader_id = 'R1' and b.reader_id = 'R2'"""
    ).df()  # fmt: skip
    assert len(pair) == 10 * 2
    assert set(pair["phase_pct"]) == {20.0}
    keys = ["case_id", "phase_pct", "read_no"]
    both = pair.merge(expected, on=keys, suffixes=("", "_expected"))
    assert len(both) == len(pair)
    assert (both["difference"] - both["difference_expected"]).abs().max() < 1e-9


def test_bland_altman_lines_are_those_of_the_agreement_table(results):
    table = pd.read_parquet(results / "tables" / "agreement.parquet")
    mine = table[
        (table["measure"] == "aortic_area")
        & (table["phase_rule"] == "one_per_case")
        & (table["comparison"] == "R3 - R2")
    ].set_index("statistic")
    text = html.unescape(read(results / "report" / "index.html"))
    caption = text.split("<b>Aortic area: R3 − R2.</b>", 1)[1][:200].replace("−", "-")
    for name, statistic in (("Bias", "bias"), ("lower limit", "loa_lower"), ("upper limit", "loa_upper")):
        row = mine.loc[statistic]
        assert f"{name} {row['estimate']:.1f} ({row['ci_low']:.1f} to {row['ci_high']:.1f})" in caption


def test_icc_figure_equals_the_agreement_table(results):
    table = pd.read_parquet(results / "tables" / "agreement.parquet")
    mine = table[
        (table["statistic"] == "icc_a_1") & (table["phase_rule"] == "one_per_case") & table["estimate"].notna()
    ]
    asked = {tuple(spec.split("/")) if "/" in spec else (spec, "") for spec in PRIMARY_MEASURES}
    pairs = zip(mine["measure"], mine["variant"].replace("full_frame", ""), strict=True)
    mine = mine[[pair in asked for pair in pairs]]
    assert len(mine) > 8
    found = figure_csv(results, "icc")
    assert len(found) == len(mine)
    assert sorted(found["estimate"]) == pytest.approx(sorted(mine["estimate"]), rel=1e-12)


def test_the_report_opens_with_what_the_study_asked(results):
    text = html.unescape(read(results / "report" / "index.html"))
    top = text.split('id="flow"', 1)[0]
    cases = pd.read_csv(results / "tables" / "cases.csv")
    areas = cases["neo_lvot_area_mm2"].dropna()
    q1, median, q3 = np.percentile(areas, [25, 50, 75])
    assert f"<td>{median:.0f} ({q1:.0f} to {q3:.0f})</td>" in re.sub(r' class="[^"]*"', "", top)
    below = int((areas < 170).sum())
    assert f"<li>{below} of {len(areas)} cases at or below 170 mm²: {100 * below / len(areas):.0f} % (" in top
    assert "Limits of agreement" in top
    row = pd.read_parquet(results / "tables" / "agreement.parquet").query(
        "measure == 'neo_lvot_area' and variant == 'full_frame' and statistic == 'icc_a_1' and phase_rule == 'one_per_case'"
    )
    assert f"{row['estimate'].iloc[0]:.2f} (" in top
    assert "Missing slices" in top or "missing slices" in top
    assert " rows" not in top.split('id="attention"', 1)[1]


def test_links_to_what_to_do_lead_somewhere(results):
    targets = set(re.findall(r'<dt id="([^"]+)"', read(results / "report" / "what_to_do.html")))
    links = {link for path in pages(results) for link in re.findall(r'what_to_do\.html#([^"]+)"', read(path))}
    assert {"missing_slices", "missing_structure"} <= links
    assert links <= targets


def test_flow_counts_balance(results):
    flow = figure_csv(results, "flow").fillna("")
    counted = {(r.what, r.state, r.reason): r.count_ for r in flow.rename(columns={"count": "count_"}).itertuples()}
    series = pd.read_parquet(results / "tables" / "series.parquet")
    assert counted[("series", "in", "")] == len(series)
    assert counted[("series", "accepted", "")] + counted[("series", "set_aside", "")] == len(series)
    assert counted[("cases", "in", "")] == 11
    assert counted[("cases", "measured", "")] == 10
    assert counted[("cases", "set_aside", "missing_slices")] == 1
    assert counted[("readings", "measured", "")] == counted[("readings", "in", "")] == 10 * 18


def test_privacy_shows_counts_and_no_element(results):
    text = html.unescape(read(results / "report" / "index.html"))
    section = text.split('id="privacy"', 1)[1].split("</section>", 1)[0]
    assert "name present" in section
    assert "PatientName" not in section
    assert "0010" not in section


def test_report_of_an_empty_run_says_why_it_is_empty(tmp_path):
    (tmp_path / "work").mkdir()
    (tmp_path / "work" / "study.json").write_text('{"study_id": "Empty"}')
    report(results=tmp_path)
    text = read(tmp_path / "report" / "index.html")
    for reason in (
        "The study has no cases",
        "No primary measure has a value",
        "No finding",
    ):
        assert reason in text
    # a small study shows fewer sections, not empty ones
    assert not re.search(r'id="(agreement|cutoffs|sizes|phases|aside|quality|baseline|attention)"', text)
    assert 'href="#agreement"' not in text
    parser = Balance()
    parser.feed(text)
    assert parser.faults == []


@pytest.mark.scale
def test_report_of_a_thousand_cases_stays_small(tmp_path):
    maker = Maker(tmp_path)
    for i in range(1000):
        maker.add_case(f"GR-{i:04d}", f"GR-{i:04d}", GROUPS[i % 4], SITES[i % 3], files=False)
        request = tmp_path / "work" / "requests" / f"GR-{i:04d}.json"
        request.parent.mkdir(parents=True, exist_ok=True)
        request.write_text("{}")
    maker.write_tables()
    report(results=tmp_path)
    page = tmp_path / "report" / "index.html"
    assert page.stat().st_size < LARGEST_INDEX
    assert read(page).count('<tr data-state="m">') == 1000
