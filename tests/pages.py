"""Studies whose pages the tests read: the demo as it is, and the demo with names that try to break out of a page."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from unittest.mock import patch

import edgefinish as ef
from edgefinish import explorer
from edgefinish import report as trial_report
from edgefinish.explorer import Surface, surfaces
from edgefinish.findings import Message
from edgefinish.linemodel import fit
from edgefinish.report import report_html
from edgefinish.results import Results, open_study
from edgefinish.scrutiny import Scrutiny, scrutinise
from edgefinish.triallog import read_log

TAG, FORMULA, UMLAUT = "<img src=x onerror=alert(1)>", "=1+1", "Stähl %{x} $1$ {{7*7}} #strong[x] </script>"
HOSTILE = (TAG, FORMULA, UMLAUT)


@cache
def demo() -> Results:
    """The shipped study, answered; of its jobs the first of each material and of each verdict."""
    told = open_study()
    seen: set[str] = set()
    few = []
    for window in told.windows:
        if not {window.verdict, window.job.material} <= seen:
            few.append(window)
        seen |= {window.verdict, window.job.material}
    return replace(told, windows=tuple(few))


@cache
def hostile() -> Results:
    """The shipped study with its materials, a sheet and a note renamed; the same numbers, so the same windows.

    The first of each material: what names do to a page they do to one of its jobs.
    """
    told = demo()
    first = {w.job.material: w for w in reversed(told.windows)}
    told = replace(told, windows=tuple(w for w in told.windows if w is first[w.job.material]))
    rows = told.log.rows.copy()
    names = dict(zip(sorted(rows["material"].unique()), HOSTILE, strict=False))
    rows["material"] = rows["material"].map(names)
    rows["abrasive_sheet"] = rows["abrasive_sheet"].replace({rows["abrasive_sheet"].iloc[0]: TAG})
    log = read_log(rows)
    log = replace(log, messages=(Message(7, TAG, "told", f"{TAG} and {UMLAUT}"), Message(None, None, "told", "again")))
    windows = tuple(replace(w, job=replace(w.job, material=names[w.job.material]), reasons=(*w.reasons, TAG))
                    for w in told.windows)
    model = fit(log, line=told.study.line, severities=told.study.severities)
    return replace(told, study=replace(told.study, name=TAG), log=log, model=model, windows=windows)


@cache
def report(name: str) -> str:
    """The report of "demo" or "hostile", the latter with a coarse grid in its explorer."""
    if name == "demo":
        return report_of(demo())
    with patch.object(explorer, "MOST_JOINT", 24):
        return report_html(hostile())


def report_of(results: Results) -> str:
    """The report of the demo with answers of its own: checks and explorer are the demo's, worked out once."""
    with patch.object(trial_report, "scrutinise", lambda _: scrutinised()), \
            patch.object(trial_report, "surfaces", lambda _: explored()):
        return report_html(results)


@cache
def scrutinised() -> Scrutiny:
    """The checks of the demo's fit."""
    return scrutinise(demo())


@cache
def explored() -> tuple[Surface, ...]:
    """The grid of the demo's what-if explorer."""
    return surfaces(demo())


def issued(results: Results) -> tuple[ef.SpeedWindow, ...]:
    """The windows that there are."""
    return tuple(w for w in results.windows if w.verdict == "window")


class Page(HTMLParser):
    """A page taken apart: tags with their attributes, and all text outside scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.words: list[str] = []
        self._in = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the tag."""
        self.tags.append((tag, dict(attrs)))
        self._in = tag if tag in ("script", "style") else ""

    def handle_endtag(self, tag: str) -> None:
        """Leave a script or style."""
        self._in = ""

    def handle_data(self, data: str) -> None:
        """Keep text where a reader sees it, scripts by themselves."""
        if self._in == "script":
            self.scripts.append(data)
        elif not self._in:
            self.words.append(data)

    @property
    def text(self) -> str:
        """What a reader reads, single spaces."""
        return " ".join(" ".join(self.words).split())
