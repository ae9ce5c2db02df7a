"""The notebooks as an engineer opens them: a fresh JupyterLab in a real browser, Run All, no network."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import browser
import nbformat
import pytest
import smallstudy

from edgefinish.runner import FORMS

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
WAIT_S = 120
pytestmark = browser.needed
# Figures that have no height or not the width of their place, and words in them that are cut off or under a button.
SPOILT = """() => [...document.querySelectorAll(".jp-RenderedPlotly")].flatMap(figure => {
    const all = figure.getBoundingClientRect(), drawn = figure.querySelector("svg.main-svg").getBoundingClientRect();
    if (all.height < 100 || all.width < 200 || Math.abs(drawn.width - all.width) > 2) return ["size"];
    const buttons = [...figure.querySelectorAll(".modebar-btn")].map(e => e.getBoundingClientRect());
    return [...figure.querySelectorAll("svg.main-svg text")].filter(e => {
        const r = e.getBoundingClientRect();
        return r.width && (r.left < all.left - 1 || r.right > all.right + 1 || r.top < all.top - 1
            || r.bottom > all.bottom + 1 || buttons.some(b => r.right > b.left && r.left < b.right
            && r.top < b.bottom - 3 && r.bottom > b.top));
    }).map(e => e.textContent);
})"""


@contextmanager
def lab(folder):
    """JupyterLab of this interpreter on a free port of this machine, with nothing of the user's own; its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    home = folder / "home"
    home.mkdir()
    own = {name: str(home) for name in ("HOME", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR",
                                        "IPYTHONDIR", "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR")}
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--port-retries=0",
         "--ip=127.0.0.1", "--IdentityProvider.token=", f"--ServerApp.root_dir={folder / 'work'}",
         "--expose-app-in-browser",
         "--LabApp.news_url=None", "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"],
        env={**os.environ, **own}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + WAIT_S
        while True:
            try:
                urlopen(f"{address}/api", timeout=5).close()
                break
            except OSError:
                assert server.poll() is None and time.monotonic() < until, "JupyterLab does not start"
                time.sleep(0.3)
        yield address
    finally:
        server.terminate()
        server.wait(30)


def until(driver, script, seconds=WAIT_S):
    """What the page's script answers as soon as that is something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        got = driver.execute_script(script)
        if got:
            return got
        time.sleep(0.3)
    pytest.fail(f"waited {seconds} s in vain for: {script}")


def run_all(driver, address, name):
    """Open a notebook, and run all its cells once its kernel is there."""
    browser.visit(driver, f"{address}/lab/tree/{name}?reset")
    until(driver, "return !!document.querySelector('.jp-Notebook .jp-CodeCell')")
    until(driver, "const c = window.jupyterapp?.shell.currentWidget?.sessionContext; "
                  "return !!c?.isReady && c.session?.kernel?.connectionStatus === 'connected' "
                  "&& c.session.kernel.status === 'idle'")
    driver.execute_script("window.jupyterapp.commands.execute('notebook:run-all-cells')")


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """A browser beside a JupyterLab whose folder holds the notebooks as shipped, with a small study to open."""
    folder = tmp_path_factory.mktemp("lab")
    (folder / "work").mkdir()
    study = smallstudy.write(folder / "work")
    for form in FORMS:
        notebook = nbformat.read(NOTEBOOKS / f"{form}.ipynb", as_version=4)
        cell = next(c for c in notebook.cells if "parameters" in c.metadata.get("tags", []))
        assert 'study: str = ""' in cell.source
        cell.source = cell.source.replace('""', repr(str(study)), 1)
        nbformat.write(notebook, folder / "work" / f"{form}.ipynb")
    with lab(folder) as address, browser.chromium(height=3000) as driver:
        yield driver, address, folder / "work"
    shutil.rmtree(folder / "home", ignore_errors=True)


@pytest.mark.parametrize("form", FORMS)
def test_run_all_draws_and_answers_in_a_fresh_lab(studio, form):
    driver, address, work = studio
    run_all(driver, address, f"{form}.ipynb")
    source = nbformat.read(work / f"{form}.ipynb", as_version=4)
    cells = sum(c.cell_type == "code" for c in source.cells)
    # Cells are run in their order: the last one with its number is the end, as is an error before it.
    until(driver, f"const p = [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].map(e => e.textContent); "
                  f"return p.some(t => t === '[{cells}]:') || "
                  "document.querySelector('[data-mime-type=\"application/vnd.jupyter.error\"]')")
    # Every figure has an output of its own; those far down are drawn once they are seen.
    browser.resize(driver, 1280, 16000)
    wanted = sum("show" in c.source and "import" not in c.source for c in source.cells if c.cell_type == "code")
    until(driver, "const all = [...document.querySelectorAll('.jp-RenderedPlotly')]; return "
                  f"all.length >= {wanted} && all.every(e => [...e.querySelectorAll('svg.main-svg')].some("
                  "s => s.getBoundingClientRect().height > 100 && s.querySelector('.cartesianlayer path')))", 60)
    seen = driver.execute_script("""
        const errors = ["error", "stderr"].map(t => `[data-mime-type="application/vnd.jupyter.${t}"]`).join(", ");
        const outputs = [...document.querySelectorAll(".jp-OutputArea .jp-RenderedHTMLCommon")];
        return {errors: document.querySelectorAll(errors).length,
                said: outputs.filter(e => e.querySelector(":scope > p")).map(e => e.textContent),
                tables: outputs.flatMap(e => [...e.querySelectorAll("table.sorts")]).map(
                    t => [t.tBodies[0].rows.length, t.querySelectorAll("th button").length])};""")
    assert seen["errors"] == 0
    answers, tables = (sum(word in c.source.lower() for c in source.cells if c.cell_type == "code")
                       for word in ("say(", "table("))
    assert len(seen["said"]) >= answers > 0 and all(s.strip() for s in seen["said"])
    assert len(seen["tables"]) == tables and all(buttons > 0 for rows, buttons in seen["tables"] if rows > 2)
    outside = [u for u in browser.asked(driver) if not u.startswith((address, address.replace("http", "ws")))]
    assert outside == []
    driver.execute_script("window.jupyterapp.shell.collapseLeft()")
    for width, height in ((1280, 2900), (390, 2900), (1280, 3000)):
        browser.resize(driver, width, height)
        until(driver, f"return ({SPOILT})().length === 0", 20)
