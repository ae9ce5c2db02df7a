"""Pages in a real browser: every figure drawn, nothing asked of any network, no error."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess

import pages
import pytest

from edgefinish.setupsheet import sheet_html

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium here: pages are not opened in a browser")
# What a page counts about itself once it has drawn; a page of ours has no such script.
COUNTER = """<script>
const seen = {errors: [], blocked: []};
addEventListener("error", e => seen.errors.push(String(e.message)), true);
addEventListener("unhandledrejection", e => seen.errors.push(String(e.reason)));
addEventListener("securitypolicyviolation", e => seen.blocked.push(e.blockedURI));
addEventListener("load", () => setTimeout(() => {
  seen.pictures = document.querySelectorAll(".picture").length;
  seen.drawn = document.querySelectorAll(".picture .main-svg .cartesianlayer").length;
  seen.wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  seen.asked = performance.getEntriesByType("resource").map(e => e.name).filter(n => !n.startsWith("data:"));
  document.documentElement.setAttribute("data-seen", JSON.stringify(seen));
}, 20000));
</script>"""


def _seen(path, text, width=1280):
    path.write_text(text.replace("<title>", COUNTER + "<title>", 1), encoding="utf-8")
    found = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         f"--window-size={width},1200", f"--user-data-dir={path.parent / 'profile'}", "--virtual-time-budget=40000",
         "--dump-dom", path.as_uri()],
        capture_output=True, text=True, encoding="utf-8", timeout=180, check=True,
        env={**os.environ, "HOME": str(path.parent)})
    kept = re.search(r'data-seen="([^"]*)"', found.stdout)
    assert kept, found.stderr[-2000:]
    return json.loads(kept.group(1).replace("&quot;", '"').replace("&amp;", "&"))


@pytest.mark.parametrize("width", [1280, 500])
def test_report_draws_every_figure_and_asks_for_nothing(tmp_path, width):
    seen = _seen(tmp_path / "report.html", pages.report("hostile"), width)
    assert seen["pictures"] > 5
    assert seen["drawn"] == seen["pictures"]
    assert (seen["errors"], seen["blocked"], seen["asked"]) == ([], [], [])
    assert seen["wide"] <= 0


def test_sheet_opens_and_asks_for_nothing(tmp_path):
    told = pages.hostile()
    text = sheet_html(told, pages.issued(told)[0]).replace("style-src", "script-src 'unsafe-inline'; style-src", 1)
    seen = _seen(tmp_path / "sheet.html", text)
    assert (seen["errors"], seen["blocked"], seen["asked"]) == ([], [], [])
    assert seen["wide"] <= 0
