"""Opens a page in headless Chromium at a given width, runs a probe in it, and hands back what the probe found.

The page goes into a frame of the wanted width: a headless window has a least width of its own, a frame has none,
and style rules on width follow the frame.
"""

from __future__ import annotations

import html
import json
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from outflow_cohort.report.pdf import QUIET, browser

BUDGET_MS = 20000
"""Virtual time the page may take; it ends as soon as nothing is left to do."""

LEAST_WINDOW = 500
"""Width below which a headless window does not go; the rest of a narrower page's picture stays white."""

PROBE = r"""
(function () {
  var found = {errors: window.__errors, overflow: [], clipped: [], width: document.documentElement.scrollWidth,
    frame: window.innerWidth, links: [], images: 0, broken: [], unnamed: 0, resources: []};
  var title = function (e) { return (e.tagName + ' ' + (e.className.baseVal || e.className || '') + ' ' + e.textContent).slice(0, 90); };
  var scrolls = function (e) {
    for (var p = e; p && p !== document.body; p = p.parentElement) {
      var o = getComputedStyle(p).overflowX; if (o === 'auto' || o === 'scroll') { return true; }
    } return false;
  };
  OPEN
  document.querySelectorAll('body *').forEach(function (e) {
    if (e.closest('svg') || e.tagName === 'SCRIPT' || e.tagName === 'OPTION' || e.classList.contains('skip')) { return; }
    var r = e.getBoundingClientRect();
    if (r.width && !scrolls(e) && r.right > window.innerWidth + 1) { found.overflow.push(title(e)); }
    if (e.children.length === 0 && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 &&
        !/^(INPUT|SELECT)$/.test(e.tagName) && getComputedStyle(e).display !== 'inline') { found.overflow.push('inner ' + title(e)); }
  });
  document.querySelectorAll('svg.fig').forEach(function (svg) {
    var v = svg.viewBox.baseVal;
    if (!svg.getAttribute('aria-label')) { found.unnamed += 1; }
    svg.querySelectorAll('text').forEach(function (t) {
      var b = t.getBBox();
      if (b.x < v.x - 1 || b.x + b.width > v.x + v.width + 1 || b.y < v.y - 1 || b.y + b.height > v.y + v.height + 1) {
        found.clipped.push(svg.getAttribute('aria-label').slice(0, 40) + ' / ' + t.textContent);
      }
    });
  });
  document.querySelectorAll('a[href]').forEach(function (a) { found.links.push(a.getAttribute('href')); });
  found.resources = performance.getEntriesByType('resource').map(function (r) { return r.name.slice(0, 80); })
    .filter(function (name) { return name.indexOf('data:') !== 0; });
  var images = Array.prototype.slice.call(document.querySelectorAll('image'));
  found.images = images.length;
  Promise.all(images.map(function (im) {
    var test = new Image(); test.src = im.getAttribute('href');
    return test.decode().catch(function (e) { found.broken.push(String(e)); });
  })).then(function () { EXTRA
    parent.document.getElementById('out').textContent = JSON.stringify(found); });
}());
"""
OPEN_ALL = "document.querySelectorAll('details').forEach(function (d) { d.open = true; });"
"""On screen a reader may open everything; print leaves out what is closed."""
FIRST = (
    "<script>window.__errors=[];addEventListener('error',function(e){__errors.push(String(e.message))});"
    "addEventListener('securitypolicyviolation',function(e){__errors.push('policy '+e.blockedURI)});</script>"
)


@dataclass(frozen=True)
class Visit:
    """What a probe found, and what the browser wrote to its console."""

    found: dict[str, Any]
    console: list[str]


def visit(page: Path, folder: Path, width: int, extra: str = "", as_print: bool = False) -> Visit:
    """Open `page` in a frame `width` px wide; `extra` is script that may add to `found`."""
    text = page.read_text(encoding="utf-8")
    if as_print:
        text = text.replace("@media print{", "@media all{")
    text = text.replace("<head>", "<head>" + FIRST, 1)
    text = text.replace(
        "</body>",
        "<script>" + PROBE.replace("EXTRA", extra).replace("OPEN", "" if as_print else OPEN_ALL) + "</script></body>",
    )
    wrapper = folder / "wrapper.html"
    wrapper.write_text(
        f'<!doctype html><meta charset="utf-8"><body style="margin:0"><pre id="out"></pre>'
        f'<iframe style="border:0" width="{width}" height="2000" srcdoc="{html.escape(text)}"></iframe>',
        encoding="utf-8",
    )
    done = run(folder, "--dump-dom", f"--virtual-time-budget={BUDGET_MS}", wrapper)
    body = done.stdout.split('<pre id="out">', 1)[1].split("</pre>", 1)[0]
    console = [line for line in done.stderr.splitlines() if ":CONSOLE:" in line]
    return Visit(json.loads(html.unescape(body)), console)


def run(folder: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the browser with a profile of its own; the last argument is the page."""
    *options, page = arguments
    assert isinstance(page, Path)
    return subprocess.run(
        [str(browser()), *QUIET, "--enable-logging=stderr", "--hide-scrollbars", f"--user-data-dir={folder / 'profile'}",
         *map(str, options), page.resolve().as_uri()],
        capture_output=True, text=True, timeout=240, check=True,
    )  # fmt: skip


def screenshot(page: Path, target: Path, folder: Path, width: int, height: int) -> None:
    """A picture of the top of `page`, `width` px wide."""
    wrapper = folder / "frame.html"
    text = html.escape(page.read_text(encoding="utf-8"))
    frame = f'<iframe style="border:0" width="{width}" height="{height}" srcdoc="{text}"></iframe>'
    wrapper.write_text(f'<!doctype html><meta charset="utf-8"><body style="margin:0">{frame}', encoding="utf-8")
    run(folder, f"--window-size={max(width, LEAST_WINDOW)},{height}", f"--screenshot={target}", wrapper)
