"""Accessibility rules of axe-core on the report's pages, without network; skipped where the npm package is missing.

Source of the rules: WCAG 2.2 A and AA as axe-core implements them.
"""

from __future__ import annotations

import html
import json
import os
from pathlib import Path

import pytest
from browsing import run

from outflow_cohort.report.pdf import browser

pytestmark = pytest.mark.skipif(browser() is None, reason="needs Chromium")
PLACES = (Path("node_modules"), Path.home() / "node_modules", Path("/usr/lib/node_modules"),
          Path("/usr/local/lib/node_modules"))  # fmt: skip
PAGES = ("index.html", "what_to_do.html", "cases/GR-001.html")
SCHEMES = {"light": "@media not all{", "dark": "@media all{"}
RUN = """
document.querySelectorAll('details').forEach(function (d) { d.open = true; });
axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}).then(function (found) {
  var bad = found.violations.filter(function (v) { return v.impact === 'serious' || v.impact === 'critical'; });
  parent.document.getElementById('out').textContent = JSON.stringify({passed: found.passes.length,
    bad: bad.map(function (v) { return v.id + ': ' + v.nodes.length + ' x ' + v.nodes[0].html.slice(0, 160)
      + ' ' + (v.nodes[0].any[0] || {}).message; })});
});
"""


def axe() -> Path | None:
    """The script of axe-core: from the variable AXE_CORE, or where npm installs it."""
    named = os.environ.get("AXE_CORE")
    candidates = ([Path(named)] if named else []) + [place / "axe-core/axe.min.js" for place in PLACES]
    return next((path for path in candidates if path.is_file()), None)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("page", PAGES)
def test_no_serious_finding(results: Path, tmp_path: Path, page: str, scheme: str) -> None:
    script = axe()
    if script is None:
        pytest.skip("needs axe-core: npm install axe-core, or name axe.min.js in AXE_CORE")
    text = (results / "report" / page).read_text(encoding="utf-8")
    assert "@media(prefers-color-scheme:dark){" in text
    text = text.replace("@media(prefers-color-scheme:dark){", SCHEMES[scheme])
    text = text.replace("</body>", f"<script>{script.read_text(encoding='utf-8')}{RUN}</script></body>")
    wrapper = tmp_path / "wrapper.html"
    wrapper.write_text(
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>t</title><body><pre id="out"></pre>'
        f'<iframe title="page" width="1280" height="2000" srcdoc="{html.escape(text)}"></iframe>',
        encoding="utf-8",
    )
    done = run(tmp_path, "--dump-dom", "--virtual-time-budget=60000", wrapper)
    found = json.loads(html.unescape(done.stdout.split('<pre id="out">', 1)[1].split("</pre>", 1)[0]))
    assert found["passed"] > 10
    assert found["bad"] == []
