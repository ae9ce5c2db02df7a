"""Pages in a real browser: every figure drawn, nothing asked of any network, no error, paper without cut figures."""

from __future__ import annotations

import shutil
import subprocess

import browser
import pages
import pypdf
import pytest

from edgefinish.setupsheet import sheet_html

pytestmark = browser.needed
# Letters on a phone: at least 8 CSS px, a common floor for print of this kind; common practice, no source.
LEAST_LETTER_PX = 8.0
DRAWN = """return [...document.querySelectorAll("figure svg")].map(svg => {
  const whole = svg.getBoundingClientRect(), marks = [...svg.querySelectorAll("path, rect")];
  const inks = marks.filter(m => m.getBoundingClientRect().width + m.getBoundingClientRect().height > 20);
  const letters = [...svg.querySelectorAll("text")];
  return {width: whole.width, left: whole.left, height: whole.height, inks: inks.length, letters: letters.length,
          out: letters.filter(t => { const r = t.getBoundingClientRect();
            return r.left < whole.left - 1 || r.right > whole.right + 1; }).map(t => t.textContent),
          small: Math.min(...letters.map(t => t.getBoundingClientRect().height))};
});"""


@pytest.fixture(scope="module")
def driver():
    with browser.chromium() as started:
        yield started


def _open(driver, folder, text):
    path = folder / "page.html"
    path.write_text(text, encoding="utf-8")
    browser.visit(driver, path)
    return path.absolute().as_uri()


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", ["demo", "hostile"])
def test_report_draws_every_figure_and_asks_for_nothing(driver, tmp_path, name, width):
    browser.resize(driver, width)
    address = _open(driver, tmp_path, pages.report(name))
    drawn = driver.execute_script(DRAWN)
    assert len(drawn) > 5
    for figure in drawn:
        assert figure["width"] > 300 and figure["height"] > 100 and figure["inks"] > 2 and figure["letters"] > 3
        assert figure["left"] >= 0 and figure["left"] + figure["width"] <= width
        assert figure["out"] == [] and figure["small"] >= LEAST_LETTER_PX
    wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert driver.execute_script(wide) <= 0
    assert (browser.asked(driver), browser.complaints(driver)) == ([address], [])


def test_report_opens_within_a_second(driver, tmp_path):
    times = []
    for _ in range(3):
        _open(driver, tmp_path, pages.report("demo"))
        times.append(driver.execute_script("const t = performance.timing; return t.loadEventEnd - t.navigationStart"))
    assert min(times) < 1000


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext here: printed pages are not read")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_report_prints_with_no_figure_cut(driver, tmp_path, paper):
    _open(driver, tmp_path, pages.report("demo"))
    pdf = tmp_path / "page.pdf"
    pdf.write_bytes(browser.printed(driver, paper))
    told = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True).stdout
    texts = [" ".join(page.split()) for page in told.split("\f")]
    for page in pypdf.PdfReader(pdf).pages:
        size = [float(v) / 72 for v in page.mediabox[2:]]
        assert size == pytest.approx(browser.PAPER[paper], abs=0.02)
    # A figure's question and the title of its foot stand on one page.
    for question in ("How does the radius follow the speed at each edge position?", "At which speeds do at least"):
        assert any(question in t for t in texts)
        assert all("feed speed, m/min" in t for t in texts if question in t)


def test_sheet_opens_and_asks_for_nothing(driver, tmp_path):
    told = pages.hostile()
    browser.resize(driver, 1280)
    address = _open(driver, tmp_path, sheet_html(told, pages.issued(told)[0]))
    wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert driver.execute_script(wide) <= 0
    assert (browser.asked(driver), browser.complaints(driver)) == ([address], [])
