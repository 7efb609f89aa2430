"""The handbook explains every measure in full, and its site is whole: no dead link, nothing asked of the network."""

from __future__ import annotations

import doctest
import inspect
import math
import re
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import yaml

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, build_parser, main
from outflow_cohort.demo.truth import case_truth
from outflow_cohort.handbook import pages
from outflow_cohort.handbook.build import NAVIGATION, write_handbook
from outflow_cohort.handbook.figures import figure
from outflow_cohort.handbook.notes import notes
from outflow_cohort.handbook.setting_rows import setting_rows
from outflow_cohort.handbook.specimen import GRID_MM, specimen
from outflow_cohort.steps.guard import CRASH_CODE
from outflow_cohort.steps.limits import OUT_OF_MEMORY, OUT_OF_TIME
from outflow_cohort.study import checks
from outflow_cohort.study.config import Study
from outflow_cohort.study.measuring_settings import SOLIDS
from outflow_cohort.study.status_codes import status_codes
from outflow_geometry.base.inputs import Cutoff, Definitions
from outflow_geometry.measures.registry import REGISTRY

IDS = [measure.id for measure in REGISTRY]
CAUTION = "For research only, not for treating a patient."


@pytest.fixture(scope="module")
def handbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    output = tmp_path_factory.mktemp("handbook")
    write_handbook(output=output, parser=build_parser())
    return output


@pytest.fixture(scope="module")
def site(handbook: Path) -> Path:
    pytest.importorskip("mkdocs", reason="mkdocs is not installed (pip install '.[docs]')")
    assert main(["handbook", "--output", str(handbook), "--site"]) == EXIT_OK
    return handbook / "site"


def test_notes_and_registry_name_the_same_measures():
    assert list(notes()) == sorted(IDS, key=list(notes()).index)
    assert set(notes()) == set(IDS)
    for note in notes().values():
        assert note.formula
        assert note.pitfalls


@pytest.mark.parametrize("measure", REGISTRY, ids=IDS)
def test_a_page_has_title_purpose_definition_formula_figure_example_source_and_pitfalls(measure, handbook: Path):
    text = (handbook / f"pages/measures/{measure.id}.md").read_text(encoding="utf-8")
    parts = dict(re.findall(r"^## (\w+)\n\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL))
    assert list(parts) == ["Definition", "Formula", "Figure", "Example", "Source", "Pitfalls"]
    note = notes()[measure.id]
    assert text.startswith(f"# {note.title} (`{measure.id}`)\n\n{note.in_short}\n\n")
    assert note.title not in IDS
    assert measure.definition in parts["Definition"]
    assert all(line in parts["Formula"] for line in note.formula)
    assert f'column = "{note.column}"' in parts["Example"]
    assert measure.source in parts["Source"]
    assert parts["Pitfalls"].count("\n- ") + 1 == len(note.pitfalls)
    assert CAUTION in text
    picture = re.search(r"!\[.+\]\(\.\./(figures/.+\.svg)\)", parts["Figure"])
    assert picture is not None
    assert (handbook / "pages" / picture[1]).is_file()


def test_the_examples_name_columns_of_the_readings_tables():
    cutoffs = (Cutoff(cutoff_id="mean_rise_170", area=170.0),)
    definitions = Definitions(solids=tuple(SOLIDS), cutoffs=cutoffs)
    for measure in REGISTRY:
        columns = {".".join(filter(None, pair)) for pair in measure.combinations(definitions)}
        assert notes()[measure.id].column in columns


@pytest.mark.parametrize("name", IDS)
def test_a_figure_is_a_whole_drawing_within_its_frame(name: str):
    drawing = figure(name)
    root = ElementTree.fromstring(drawing.standalone().encode())
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("aria-label", "").startswith(drawing.title)
    assert len(list(root)) > 4
    assert "nan" not in drawing.standalone()
    assert not re.search(r"(href|src)=|url\((?!#)", drawing.standalone())
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        assert 0 <= float(text.get("x", "-1")) <= drawing.width
        assert 0 <= float(text.get("y", "-1")) <= drawing.height


def test_the_figures_heart_is_the_one_whose_truth_is_known():
    """Oracle: the demonstration's own truth of this heart, worked out without the core; only sections are coarse here."""
    from outflow_cohort.demo.settings import DemoSettings
    from outflow_cohort.demo.true_sections import SKETCH
    from outflow_cohort.handbook.specimen import CASE, PHASE_PCT

    demo = DemoSettings(
        study_id="h", title="h", seed=1, phases_pct=[PHASE_PCT], readers=["a"], sites=["S"], cases=[CASE]
    )
    truth = {(row[2], row[3], row[4]): row[5] for row in case_truth(demo, CASE, SKETCH)}
    heart = specimen()
    assert heart.anatomy.ring_contour.area == pytest.approx(truth["", "mitral_area", "spline"], rel=1e-3)
    native, left = heart.areas()
    # stations 1 mm apart and samples of GRID_MM along some 60 mm of outline
    assert left.min() == pytest.approx(truth["P1", "neo_lvot_area", "full_frame"], rel=0.05)
    assert math.isclose(heart.smallest(), truth["P1", "neo_lvot_station", "full_frame"], abs_tol=2.0)
    assert np.all(left <= native + GRID_MM)


def test_the_library_page_gives_what_it_says():
    text = resources.files("outflow_cohort.handbook").joinpath("texts", "library.md").read_text(encoding="utf-8")
    blocks = "\n".join(re.findall(r"```python\n(.*?)```", text, re.DOTALL))
    examples = doctest.DocTestParser().get_doctest(blocks, {}, "library.md", None, 0)
    assert len(examples.examples) >= 12
    assert doctest.DocTestRunner().run(examples).failed == 0


def test_the_library_page_names_every_public_function(handbook: Path):
    import outflow_cohort.stats as statistics
    import outflow_geometry
    from outflow_cohort.handbook.api import public_functions

    page = (handbook / "pages/library.md").read_text(encoding="utf-8")
    for function in [*public_functions(outflow_geometry), *public_functions(statistics)]:
        (row,) = [line for line in page.splitlines() if line.startswith(f"| `{function.__name__}(")]
        assert len(row.split("|")[2].strip()) > 15, row


class _Links(HTMLParser):
    """What a page loads by itself, and where it leads."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.leads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag in ("img", "script", "iframe", "source") and given.get("src"):
            self.loaded.append(str(given["src"]))
        if tag == "link" and given.get("href"):
            self.loaded.append(str(given["href"]))
        if tag == "a" and given.get("href"):
            self.leads.append(str(given["href"]))


def test_the_site_is_whole_and_asks_the_network_for_nothing(site: Path):
    pages = sorted(site.rglob("*.html"))
    assert len(pages) >= sum(map(len, NAVIGATION.values())) + len(IDS)
    for page in pages:
        links = _Links()
        links.feed(page.read_text(encoding="utf-8"))
        assert links.loaded
        for name in links.loaded:
            assert not re.match(r"(https?:)?//", name), (page.name, name)
            if page.name != "404.html":  # it is served from anywhere, so its paths begin at the root
                assert (page.parent / name.split("?")[0].split("#")[0]).resolve().is_file(), (page.name, name)
    for sheet in site.rglob("*.css"):
        assert not re.search(r"@import|url\(['\"]?(https?:)?//", sheet.read_text(encoding="utf-8")), sheet.name
    for name in IDS:
        assert (site / f"measures/{name}.html").is_file()


def test_the_same_program_builds_the_same_site(site: Path, tmp_path: Path):
    assert main(["handbook", "--output", str(tmp_path / "again"), "--site"]) == EXIT_OK
    first = {p.relative_to(site): p.read_bytes() for p in site.rglob("*.html")}
    again = {p.relative_to(tmp_path / "again/site"): p.read_bytes() for p in (tmp_path / "again/site").rglob("*.html")}
    assert first == again


def test_without_the_generator_pages_are_written_and_the_way_is_told(tmp_path: Path, monkeypatch, capsys):
    monkeypatch.setitem(__import__("sys").modules, "mkdocs.config", None)
    monkeypatch.setitem(__import__("sys").modules, "mkdocs.commands.build", None)
    assert main(["handbook", "--output", str(tmp_path), "--site"]) == EXIT_FAILED
    assert "pip install" in capsys.readouterr().err
    assert (tmp_path / "pages/index.md").is_file()


def test_codes_of_plan_and_steps_are_explained():
    of_plan = set(re.findall(r'\("(\w+)",\s+f"', inspect.getsource(checks)))
    assert {"excluded", "duplicate_point"} <= of_plan
    page = pages.codes_page()
    for code in of_plan | {CRASH_CODE, OUT_OF_MEMORY, OUT_OF_TIME, "no_readings", "folder_missing"}:
        assert f"| `{code}` |" in page


def test_every_setting_has_allowed_values_and_an_example_that_is_accepted():
    rows = [row for row in setting_rows(Study, "") if "[]" not in row.key]
    assert len(rows) > 90
    page = pages.settings_page()
    needed = {"implants": {"depths_mm": [10]}}
    for row in rows:
        assert f"| `{row.key}` |" in page
        assert row.allowed
        assert row.meaning
        settings: dict = {"study_id": "x"}
        *path, last = row.key.split(".")
        at = settings
        for part in path:
            at = at.setdefault(part, dict(needed.get(part, {})) if len(path) == 1 else {})
        if row.key.startswith("implants.depths_mm."):
            at |= {"start": 8, "to": 20, "step": 2}
        elif row.key.startswith("implants."):
            settings["implants"].setdefault("depths_mm", [10])
        at[last] = yaml.safe_load(row.example)
        if row.key == "statistics.adjusted_models":
            at["outcomes"] = [{"column": "obstruction"}]
        Study.model_validate(settings)
    assert "Predictor(" not in page
    assert "`exclude[].reader_id`" in page
    assert "`statistics.outcomes[].event`" in page


def test_every_text_and_every_setting_without_a_default_shows_an_example():
    shown = [(row.key, row.values()) for row in setting_rows(Study, "")]
    unsaid = [
        key for key, text in shown
        if "; example `" not in text and ("default none" in text or "required" in text or text.startswith("text"))
    ]  # fmt: skip
    assert unsaid == []


def test_every_status_has_its_remedy_on_a_page():
    page = pages.statuses_page()
    for code, status in status_codes().items():
        assert f"| `{code}` | {status.meaning} | {status.remedy} |" in page


def test_guidance_pages_name_only_what_there_is(handbook: Path):
    """Measures, statuses and settings in back quotes on the pages that people wrote."""
    names = set(IDS) | set(status_codes()) | {row.key for row in setting_rows(Study, "")}
    names |= (
        {v for m in REGISTRY for v in m.variants}
        | set(SOLIDS)
        | {"reader_path", "automatic_path", "at_path", "aortic_side"}
    )
    for name in ("choose", "intervals"):
        text = (handbook / f"pages/{name}.md").read_text(encoding="utf-8")
        assert CAUTION in text
        for word in re.findall(r"`([a-z_.]+(?:/[a-z_]+)?)`", text):
            measure, _, variant = word.partition("/")
            if "/" in word and measure in IDS:
                assert variant in next(m for m in REGISTRY if m.id == measure).variants
            elif word.startswith(("tables/", "report/")) or "results_demo" in word:
                continue
            elif "." not in word or word.split(".")[0] in Study.model_fields:
                assert word in names | {"study", "agreement", "cohort_summary", "spatial"}, word
