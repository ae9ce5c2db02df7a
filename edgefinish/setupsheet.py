"""The setup sheet of one job with a window: one page for the board at the line, as HTML and as PDF."""

from __future__ import annotations

import hashlib
import io
import json
import re
import unicodedata
from functools import cache
from importlib import resources
from itertools import accumulate, zip_longest
from typing import Any

import jinja2
import segno
import typst

from . import __version__
from .cautions import CAUTIONS, DEFER
from .drawing import burr_said, positions_of, tried_speeds
from .fingerprint import fingerprint
from .job import SpeedWindow
from .results import Results
from .units import System, in_shown, shown
from .wording import (
    POSITION_WORDS,
    SPEED,
    ShownWindow,
    claim,
    count,
    first_off_edges,
    hours,
    job_name,
    limits,
    listed,
    percent,
    settings,
    sheet_age,
    speeds,
)

LONGEST_NAME = 60
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|m/min|ft/min|[mµ]m|in|kPa|psi|h|µin|mil|µg/m³)(?![\w/]))")
BAR_WIDTH, BAR_LEFT, BAR_RIGHT = 640, 20, 620
_OPEN_LETTERS = 640  # of open points, so that the rest of the sheet stays readable


@cache
def environment() -> jinja2.Environment:
    """The templates of the package, every value escaped, every missing one an error."""
    return jinja2.Environment(loader=jinja2.PackageLoader("edgefinish", "templates"), autoescape=True,
                              undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
                              finalize=_unbroken)


def _unbroken(value: object) -> object:
    """Text whose numbers stay on one line with their units; markup as it is."""
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", value) if type(value) is str else value


def _each_unbroken(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _each_unbroken(one) for key, one in value.items()}
    return [_each_unbroken(one) for one in value] if isinstance(value, list) else _unbroken(value)


def sheet_html(results: Results, window: SpeedWindow) -> str:
    """The setup sheet as one self-contained HTML page that prints on one page of the study's paper.

    Raises `ValueError` for a job that got no window: there is nothing to set up.
    """
    return environment().get_template("setupsheet.html.jinja").render(sheet=_content(results, window))


def sheet_pdf(results: Results, window: SpeedWindow) -> bytes:
    """The setup sheet as a PDF of exactly one page, on the paper of the study.

    The same study gives the same bytes. Raises `ValueError` for a job that got no window.
    """
    template = resources.files("edgefinish").joinpath("templates", "setupsheet.typ").read_bytes()
    # Text goes in as data: the typesetter never sees it as markup.
    content = _content(results, window)
    unbroken = {key: value if key == "code" else _each_unbroken(value) for key, value in content.items()}
    return typst.compile(template, format="pdf", sys_inputs={"sheet": json.dumps(unbroken)})


def sheet_name(window: SpeedWindow, system: System) -> str:
    """File name without its ending: the job in plain letters and shown units, then six digits of no other job's.

    >>> from edgefinish.job import Job
    >>> sheet_name(SpeedWindow(job=Job(material="1.4301 / <b>", thickness_mm=10, drum_pressure_kPa=60, grit="P80",
    ...                                removal_um=40), verdict="window"), "metric")
    '1-4301-b-10mm-60kPa-P80-1x-0-15h-b44b56'
    """
    job = window.job
    parts = (job.material[:LONGEST_NAME], job.cut_process, job.burr_severity and job.burr_severity[:LONGEST_NAME],
             *(shown(name, getattr(job, name), system).replace(" ", "") for name in
               ("thickness_mm", "drum_pressure_kPa")), job.grit, f"{job.passes}x",
             hours(job).replace(" to ", "-").replace(" ", ""), hashlib.sha256(repr(job).encode()).hexdigest()[:6])
    return "-".join(filter(None, (_slug(p) for p in parts if p)))


def _slug(text: str) -> str:
    bare = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9]+", "-", bare).strip("-")


def _content(results: Results, window: SpeedWindow) -> dict[str, Any]:
    """Everything that stands on the sheet, as text: one content for both kinds of page."""
    job, system, study, issue = window.job, results.study.units, results.study, results.study.setup_sheet
    at = speeds(window, system)
    first, last = job.sheet_hours
    mark = fingerprint(results, window)
    oldest, youngest = sheet_age(last, "down"), sheet_age(first, "up")
    too_new = f"Not on a sheet younger than {youngest}. " if first else ""
    return {
        "title": job_name(job, system), "paper": issue.paper, "material": job.material, "study": study.name,
        "part": [t for t in (job.cut_process and f"{job.cut_process} cut",
                             shown("thickness_mm", job.thickness_mm, system),
                             burr_said(results, job)) if t],
        "low": at.low, "high": at.high, "unit": at.unit, "set_point": at.set_point, "at_end": _at_end(at),
        "settings": [["Drum pressure", shown("drum_pressure_kPa", job.drum_pressure_kPa, system)], ["Grit", job.grit],
                     ["Passes", str(job.passes)], ["Change sheet at", oldest]],
        "sheet_note": f"{too_new}Sheet age is metal-contact hours: the window holds at {hours(job)}"
                      f"{'' if last else ', a fresh sheet,'} and not past {oldest}.",
        "bar": _bar(results, window), "limits": list(limits(job, system)),
        "promise": [f"Share: at least {percent(job.share)} of edges meet every limit",
                    f"Confidence: {percent(job.confidence)} that the whole window holds"],
        "first_off": _first_off(results, window),
        "binds": [f"{end} than the window: {why}" for end, why in (("Slower", window.binds_low),
                                                                   ("Faster", window.binds_high)) if why],
        "open": _open_points(window), "claim": claim(job), "defer": DEFER,
        "cautions": [[c.about, c.text] for c in CAUTIONS],
        "sign": ["Prepared", "Approved, quality", "Date"],
        "revision": issue.revision or "", "supersedes": issue.supersedes or "",
        "superseded_by": issue.superseded_by or "", "fingerprint": mark, "made_by": f"edgefinish {__version__}",
        "code": _code(results, window, mark),
    }


def _at_end(at: ShownWindow) -> str:
    """What a set point on an end of its window asks of who sets the line, "" for one inside."""
    return {at.low: "The slow end of the window: never slower.",
            at.high: "The fast end of the window: never faster."}.get(at.set_point, "")


def _open_points(window: SpeedWindow) -> list[str]:
    """What the window does not cover or rests on, first what is not promised; remedies stand in the report."""
    said = [reason.removesuffix(remedy).strip()
            for reason, remedy in zip_longest(window.reasons[2:], window.remedies[2:], fillvalue="")]
    found = sorted(filter(None, said), key=lambda text: "not promised" not in text)
    letters = list(accumulate(len(text) for text in found))
    shown_here = max(1, sum(n <= _OPEN_LETTERS for n in letters))
    more = len(found) - shown_here
    return found[:shown_here] + ([f"And {count(more, 'more point')} in the report of the study."] if more > 0 else [])


def _code(results: Results, window: SpeedWindow, mark: str) -> str:
    """What the sheet says, for a camera: a QR code (ISO/IEC 18004) of plain text, as a drawing without any name in it.

    Names are cut to 60 characters each, so that the squares stay large enough for a camera.
    """
    job, system, issue = window.job, results.study.units, results.study.setup_sheet
    at = speeds(window, system)
    words = [f"study {results.study.name[:LONGEST_NAME]}", job_name(job, system)[:LONGEST_NAME],
             settings(job, system), f"feed speed {at}, set point {at.set_point} {at.unit}",
             *([f"revision {issue.revision}"] if issue.revision else []),
             *([f"SUPERSEDED by revision {issue.superseded_by}"] if issue.superseded_by else []),
             f"fingerprint {mark}"]
    drawn = io.BytesIO()
    segno.make_qr("\n".join(words), encoding="utf-8", error="m").save(
        drawn, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=4, dark="#000", light="#fff")
    return drawn.getvalue().decode().strip()


def _first_off(results: Results, window: SpeedWindow) -> list[str]:
    job = window.job
    measured = positions_of(results, job)
    places = ", ".join(POSITION_WORDS[p] for p in measured)
    other = listed([word for name, word in POSITION_WORDS.items() if name not in measured])
    besides = (f" The trials measured no {other} edges and promise nothing of them: if the part has such edges, "
               "measure them too.") if other else ""
    edges = first_off_edges(job.share, job.confidence)
    return [f"First plate: measure every edge position ({places}). All within the limits: go on. Else stop and tell "
            f"quality; as up to {percent(1 - job.share)} of edges may lie outside, a second plate may be measured."
            f"{besides}",
            f"To release the setting by counting alone: {edges} edges, one a plate, none outside, show "
            f"{percent(job.share)} at {percent(job.confidence)} confidence (Wilks 1941)."]


def _bar(results: Results, window: SpeedWindow) -> dict[str, Any]:
    """The window between the speeds that were tried or that the line can run, in drawing units."""
    job, system = window.job, results.study.units
    span = tried_speeds(results, job) or (window.low_m_min, window.high_m_min)
    ends = [min(span[0], window.low_m_min), max(span[1], window.high_m_min)]
    scale = (BAR_RIGHT - BAR_LEFT) / (ends[1] - ends[0])
    point = float(speeds(window, system).set_point) / float(in_shown(SPEED, 1.0, system))  # as printed

    def place(speed: float) -> float:
        return round(BAR_LEFT + (speed - ends[0]) * scale, 1)

    return {"width": BAR_WIDTH, "from": BAR_LEFT, "to": BAR_RIGHT, "low": place(window.low_m_min),
            "high": place(window.high_m_min), "point": place(point),
            "ends": [shown(SPEED, e, system) for e in ends]}
