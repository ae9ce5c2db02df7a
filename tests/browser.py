"""A real browser for the tests: Debian's chromium by its driver, with what a page asked for and complained of.

Where browser or driver are missing, tests skip with a word. The browser reaches no network but this machine.
"""

from __future__ import annotations

import base64
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.remote.webdriver import WebDriver

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
DRIVER = shutil.which("chromedriver")
needed = pytest.mark.skipif(CHROMIUM is None or DRIVER is None,
                            reason="no chromium with its driver here: pages are not opened in a browser")
# Paper in inches: A4 of ISO 216, Letter of ANSI/ASME Y14.1.
PAPER = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11.0)}


@contextmanager
def chromium(width: int = 1280, height: int = 1000) -> Iterator[WebDriver]:
    """A browser with a window of this size in CSS pixels, closed at the end."""
    options = Options()
    options.binary_location = CHROMIUM
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
                 "--disable-background-networking", "--disable-component-update", "--disable-sync",
                 "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE localhost , EXCLUDE 127.0.0.1"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        resize(driver, width, height)
        yield driver
    finally:
        driver.quit()


def resize(driver: WebDriver, width: int, height: int = 1000) -> None:
    """Another size of the page's view in CSS pixels, down to a phone's, which no window is narrow enough for."""
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})


def visit(driver: WebDriver, page: Path | str) -> None:
    """Open a file or an address; what was asked for and complained of before is forgotten."""
    driver.get_log("performance")
    driver.get_log("browser")
    driver.get(page.absolute().as_uri() if isinstance(page, Path) else page)


def asked(driver: WebDriver) -> list[str]:
    """Every address that was asked for since the last call, the page's own first; nothing that the page holds itself.

    Also the addresses that the page's own policy stopped.
    """
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    urls = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    return [u for u in urls if not u.startswith(("data:", "blob:"))]


def complaints(driver: WebDriver) -> list[str]:
    """What the console holds of errors and warnings since the last call."""
    return [e["message"] for e in driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]


def printed(driver: WebDriver, paper: str) -> bytes:
    """The open page as it prints on "A4" or "Letter", a PDF, with the page's own margins."""
    width, height = PAPER[paper]
    got = driver.execute_cdp_cmd("Page.printToPDF", {
        "paperWidth": width, "paperHeight": height, "printBackground": True, "preferCSSPageSize": False})
    return base64.b64decode(got["data"])
