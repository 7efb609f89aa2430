"""Writes the handbook: Markdown pages, figures and mkdocs.yml; and builds the site where mkdocs is installed.

The site asks the network for nothing: no fonts, scripts or figures from elsewhere, and it opens from a file too.
"""

from __future__ import annotations

from argparse import ArgumentParser
from importlib import resources
from pathlib import Path

from outflow_cohort.files import write_text
from outflow_cohort.study.dictionary import CAUTION, data_dictionary

SITE = """\
site_name: Outflow cohort handbook
docs_dir: pages
site_dir: site
strict: true
use_directory_urls: false
theme:
  name: mkdocs
  highlightjs: false
plugins:
  - search
extra_css:
  - style.css
markdown_extensions:
  - toc:
      permalink: false
nav:
"""
STYLE = """\
img[src*="figures/"] {display: block; max-width: 100%; border: 1px solid #dde1e5}
table {font-size: .9em; margin-bottom: 1.2em}
td, th {padding: .35em .7em; vertical-align: top}
td code, th code {white-space: normal; overflow-wrap: anywhere}
td:first-child code {overflow-wrap: break-word}
pre code {white-space: pre-wrap; overflow-wrap: anywhere}
@media (max-width: 700px) {
table, tbody, tr, td {display: block; width: auto !important}
thead {display: none}
tr {padding: .5em 0; border-bottom: 1px solid #dde1e5}
td {border: 0 !important; padding: .15em .4em !important}
td:first-child {font-weight: bold}
h1 {font-size: 1.9rem}
h2 {font-size: 1.5rem}
}
"""
NAVIGATION = {
    "Start": (
        ("Begin here", "index"),
        ("From zero to a table", "story"),
        ("Own study", "own_study"),
        ("Landmarks of other programs", "viewers"),
        ("Privacy", "privacy"),
    ),
    "Understand": (
        ("Which definition", "choose"),
        ("Intervals", "intervals"),
        ("Statuses", "statuses"),
        ("Any size and depth", "implants"),
        ("Ten questions", "questions"),
    ),
    "Measures": (("All measures", "measures/index"),),
    "Look up": (
        ("Study tables", "study"),
        ("Settings", "settings"),
        ("Output tables", "outputs"),
        ("Reason codes", "codes"),
        ("Files in and out", "files"),
        ("Commands", "commands"),
        ("Library", "library"),
    ),
}
"""Menus with titles and pages; a page per measure is added to `Measures`."""


class MissingGenerator(Exception):
    """The static generator is not installed; the text says how it is."""


def write_handbook(*, output: Path, parser: ArgumentParser) -> int:
    """Write mkdocs.yml, pages/*.md, pages/measures/*.md and pages/figures/*.svg; returns the number of pages.

    parser : that of the command line, for the page of commands.
    """
    from outflow_cohort.handbook import pages
    from outflow_cohort.handbook.api import api_section
    from outflow_cohort.handbook.figures import figure
    from outflow_cohort.handbook.measure_pages import measure_index_page, measure_page, title
    from outflow_cohort.handbook.questions import questions_page
    from outflow_geometry.measures.registry import REGISTRY

    texts = {
        "index": pages.index_page(),
        "story": text_page("story"),
        "own_study": text_page("own_study"),
        "viewers": text_page("viewers"),
        "implants": text_page("implants"),
        "measures/index": measure_index_page(),
        "study": pages.study_tables_page(),
        "settings": pages.settings_page(),
        "outputs": data_dictionary(),
        "codes": pages.codes_page(),
        "files": pages.files_page(),
        "privacy": text_page("privacy"),
        "choose": text_page("choose"),
        "intervals": text_page("intervals"),
        "statuses": pages.statuses_page(),
        "questions": questions_page(),
        "library": f"{text_page('library').rstrip()}\n\n{api_section()}",
        "commands": pages.commands_page(parser),
    }
    for measure in REGISTRY:
        texts[f"measures/{measure.id}"] = measure_page(measure)
        drawing = figure(measure.id)
        if drawing is not None:
            write_text(output / "pages" / "figures" / f"{measure.id}.svg", drawing.standalone())
    for name, text in texts.items():
        write_text(output / "pages" / f"{name}.md", text)
    write_text(output / "pages" / "style.css", STYLE)
    write_text(output / "mkdocs.yml", SITE + _navigation([(title(m), f"measures/{m.id}") for m in REGISTRY]))
    return len(texts)


def _navigation(measures: list[tuple[str, str]]) -> str:
    """Menus; `measures` are titles and pages."""
    lines = []
    for menu, found in NAVIGATION.items():
        own = measures if menu == "Measures" else []
        lines += [f"  - {menu}:", *(f"      - {title}: {page}.md" for title, page in (*found, *own))]
    return "\n".join(lines) + "\n"


def text_page(name: str) -> str:
    """A page that people wrote (texts/NAME.md), with the caution."""
    text = resources.files("outflow_cohort.handbook").joinpath("texts", f"{name}.md").read_text(encoding="utf-8")
    return text.replace("{CAUTION}", CAUTION)


def build_site(*, output: Path) -> Path:
    """Build the site of a handbook that `write_handbook` wrote; returns its first page.

    Any warning (a dead link, a page that no menu names) is an error. Raises MissingGenerator without mkdocs.
    """
    try:
        from mkdocs.commands.build import build
        from mkdocs.config import load_config
    except ImportError:
        raise MissingGenerator("found no mkdocs; needed for --site: pip install 'outflow-cohort[docs]'") from None
    import os

    # repeatable: the generator would write the time of the build into the site map
    os.environ.setdefault("SOURCE_DATE_EPOCH", "0")
    build(load_config(str(output / "mkdocs.yml")))
    return output / "site" / "index.html"
