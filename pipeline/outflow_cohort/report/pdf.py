"""The cohort report as PDF: headless Chromium where there is one, else WeasyPrint, else a clear refusal."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import tempfile
from pathlib import Path

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip
"""No profile, no sign-in, no update traffic, no name resolved: the page is a local file, nothing else is fetched."""
PRINT_SECONDS = 300


class NoPrinter(RuntimeError):
    """Neither a browser nor WeasyPrint is there to print with."""


def browser() -> str | None:
    """Path of a Chromium-like browser, None where there is none."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def print_pdf(page: Path, target: Path) -> str:
    """Print the HTML file `page` to `target` and return the printer's name.

    Raises NoPrinter where there is none, RuntimeError where printing fails.
    """
    found = browser()
    if found is not None:
        with tempfile.TemporaryDirectory() as profile:
            fresh = Path(profile) / "page.pdf"
            done = subprocess.run(
                [found, *QUIET, f"--user-data-dir={profile}/profile", f"--print-to-pdf={fresh}",
                 page.resolve().as_uri()],
                capture_output=True, text=True, timeout=PRINT_SECONDS, check=False,
            )  # fmt: skip
            if done.returncode != 0 or not fresh.exists():
                raise RuntimeError(f"{Path(found).name} could not print {page.name}: {done.stderr.strip()[-400:]}")
            _move(fresh, target)
        return Path(found).name
    if importlib.util.find_spec("weasyprint") is not None:
        from weasyprint import HTML

        with tempfile.TemporaryDirectory() as folder:
            fresh = Path(folder) / "page.pdf"
            HTML(filename=str(page)).write_pdf(str(fresh))
            _move(fresh, target)
        return "weasyprint"
    raise NoPrinter(
        "report.pdf is true, but found neither a Chromium browser nor WeasyPrint; install one of them "
        "(Debian: apt-get install chromium; or pip install weasyprint), or set report.pdf to false"
    )


def _move(fresh: Path, target: Path) -> None:
    from outflow_cohort.files import write_atomically

    content = fresh.read_bytes()
    write_atomically(target, lambda p: p.write_bytes(content))
