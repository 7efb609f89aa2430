"""A page as PDF: by headless Chromium or by WeasyPrint, whichever is asked for or there."""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Literal

from outflow_cohort.report.svg import STYLE

Printer = Literal["browser", "weasyprint"]
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip
"""No profile, no sign-in, no update traffic, no name resolved: the page is a local file, nothing else is fetched."""
PRINT_SECONDS = 300
PRINT_ONLY_STYLE = STYLE.replace("svg.fig ", "") + " .halo{stroke:none}"
"""Style within each drawing: WeasyPrint keeps the page's own style out of them, and would paint the white edge of a
text over the text."""


class NoPrinter(RuntimeError):
    """The printer asked for, or any, is not there."""


def browser() -> str | None:
    """Path of a Chromium-like browser, None where there is none."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def weasyprint_problem() -> str:
    """Why WeasyPrint cannot print here; empty where it can."""
    if importlib.util.find_spec("weasyprint") is None:
        return "WeasyPrint is not installed (pip install 'outflow-cohort[pdf]')"
    try:
        import weasyprint  # noqa: F401
    except OSError:  # its C libraries are looked up on import
        return "WeasyPrint finds no Pango library (Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0)"
    return ""


def print_pdf(page: Path, target: Path, printer: Printer | None = None) -> str:
    """Print the HTML file `page` to `target` and return the printer's name; None = the browser, else WeasyPrint.

    Raises NoPrinter where it is not there, RuntimeError where printing fails.
    """
    found = browser()
    if printer == "browser" and found is None:
        raise NoPrinter("report.pdf is browser, but found no Chromium (Debian: apt-get install chromium)")
    problem = weasyprint_problem() if printer == "weasyprint" or found is None else ""
    if problem:
        alone = "" if printer else "found no Chromium (Debian: apt-get install chromium), and "
        raise NoPrinter(f"report.pdf is set, but {alone}{problem}; install one, or set report.pdf to false")
    with tempfile.TemporaryDirectory() as folder:
        fresh = Path(folder) / "page.pdf"
        if printer == "weasyprint" or found is None:
            _by_weasyprint(page, fresh)
        else:
            _by_browser(found, page, fresh, Path(folder) / "profile")
        _move(fresh, target)
    return "weasyprint" if printer == "weasyprint" or found is None else Path(found).name


def print_where_wanted(page: Path, wanted: bool | Printer) -> None:
    """Print `page` beside itself as `report.pdf` says; where it says no, remove the PDF of an earlier run."""
    target = page.with_suffix(".pdf")
    if wanted:
        print_pdf(page, target, None if wanted is True else wanted)
    else:
        target.unlink(missing_ok=True)


def _by_browser(found: str, page: Path, fresh: Path, profile: Path) -> None:
    done = subprocess.run(
        [found, *QUIET, f"--user-data-dir={profile}", f"--print-to-pdf={fresh}", page.resolve().as_uri()],
        capture_output=True, text=True, timeout=PRINT_SECONDS, check=False,
    )  # fmt: skip
    if done.returncode != 0 or not fresh.exists():
        raise RuntimeError(f"{Path(found).name} could not print {page.name}: {done.stderr.strip()[-400:]}")


def _by_weasyprint(page: Path, fresh: Path) -> None:
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    text = page.read_text(encoding="utf-8")
    styled = re.sub(r'(<svg class="fig"[^>]*>)', lambda m: f"{m[1]}<style>{PRINT_ONLY_STYLE}</style>", text)
    # Buttons only sort on screen, and are set wider than their text here.
    styled = re.sub(r'<button type="button">(.*?)</button>', r"\1", styled)
    # Closed details are never printed; a printer without their default style would print them all.
    styled = re.sub(r"<details>.*?</details>", "", styled, flags=re.DOTALL)
    own = URLFetcher(allowed_protocols=["data"])  # a report carries all it needs
    HTML(string=styled, base_url=page.resolve().parent.as_uri() + "/", url_fetcher=own).write_pdf(str(fresh))


def _move(fresh: Path, target: Path) -> None:
    from outflow_cohort.files import write_atomically

    content = fresh.read_bytes()
    write_atomically(target, lambda p: p.write_bytes(content))
