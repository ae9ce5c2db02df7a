"""What a study leaves to read: the trial report, and the windows as a table and as a record."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, fields
from importlib import resources
from itertools import count, groupby
from typing import Any

from markupsafe import Markup

from .cautions import CAUTIONS, DEFER
from .checkwords import trade_table
from .drawing import burr_said
from .explorer import page_data, surfaces
from .figures import (
    alike_figure,
    burr_figure,
    overview_figure,
    radius_by_position,
    removal_figure,
    residual_figure,
    window_figure,
)
from .forms import (
    claims,
    coefficients_said,
    earlier_said,
    first_of_each_material,
    log_said,
    more_plates,
    more_plates_said,
    residuals_said,
    taught,
    tried,
)
from .job import Job, SpeedWindow
from .nextsaid import asked_besides
from .origins import origins_figure
from .pressures import one_a_grit, pressure_figure
from .results import Results
from .scrutiny import scrutinise
from .setupsheet import environment
from .svg import svg
from .tables import Table, script
from .triallog import messages_of
from .wear import wear_by_sheet
from .wording import answer, job_name, limits, percent, settings, speeds

ANSWERS = ("verdict", "low_m_min", "high_m_min", "recommended_m_min", "reasons")
MOST_MESSAGES = 200
# Rows beyond which a table is folded, on paper too: the sentence over it says what it shows.
LONG = 12
LAWS = ("edge radius", "removal")
# Also as wide letters, and after what some spreadsheets take for the end of a cell.
_FORMULA = re.compile(r"(^|[;\t\r\n])(?=[=+\-@\uff1d\uff0b\uff0d\uff20\t\r\n])")


def windows_csv(results: Results) -> str:
    """One row a job: every field of `Job`, verdict, the speeds in m/min, the reasons.

    Spans and pairs of limits are written `0.2..0.6`, an open end left out (`0.2..`); several reasons are parted by
    " | ". A text that a spreadsheet would take for a formula gets an apostrophe in front; numbers have six digits.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([f.name for f in fields(Job)] + list(ANSWERS))
    for window in results.windows:
        values = [getattr(window.job, f.name) for f in fields(Job)] + [getattr(window, name) for name in ANSWERS]
        writer.writerow([_cell(v) for v in values])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple) and any(isinstance(v, str) for v in value):
        value = " | ".join(value)
    if isinstance(value, tuple):
        return "..".join(_cell(v) for v in value)
    if isinstance(value, str):
        return _FORMULA.sub(r"\1'", value)
    return f"{value:.6g}"


def windows_json(results: Results) -> str:
    """The windows and the record that makes them repeatable: sorted keys, six significant digits, no time of day."""
    windows = [asdict(w.job) | {name: getattr(w, name) for name in ANSWERS} for w in results.windows]
    return json.dumps(_six({"record": dict(results.record), "windows": windows}), ensure_ascii=False, sort_keys=True,
                      indent=1, allow_nan=False) + "\n"


def _six(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _six(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_six(v) for v in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value


def report_html(results: Results) -> str:
    """The trial report as one page that asks nothing of any network and prints on A4 and Letter."""
    system = results.study.units
    drawn = count(1)

    def draw(fig: Any) -> dict[str, Any]:
        """A figure for the page: its question, the smaller lines under it, the picture."""
        return {"question": fig.layout.meta["question"], "lines": fig.layout.meta["lines"],
                "svg": Markup(svg(fig, f"figure-{next(drawn)}"))}

    about = surfaces(results)
    told, plates = messages_of(results.log, results.model.history), more_plates(results)
    return environment().get_template("report.html.jinja").render(
        explorer=_script_data(page_data(results, about)) if about else "",
        explorer_script=resources.files("edgefinish").joinpath("templates", "explorer.js").read_text(encoding="utf-8"),
        study=results.study, summary=_summary(results),
        more_plates=more_plates_said(results) if results.study.next_plates else "",
        plates=Markup(plates.markup()) if plates else "", asked_besides=asked_besides(results.windows),
        overview=draw(overview_figure(results)),
        materials=[_material(results, name, list(own), draw) for name, own in _by_material(results.windows)],
        claims=_claims(results), checks=_checks(results, draw),
        tried=Markup(Table(tried(results.log, system), (
            "Plates and sheets of each material and burr, and from where to where each setting was run. Nothing is "
            "promised beyond the speeds, pressures and thicknesses run on a material, whatever the burr, nor on sheets "
            "older than the oldest of the whole log.")).markup()),
        table_script=Markup(script()),
        messages=told[:MOST_MESSAGES], unsaid=max(0, len(told) - MOST_MESSAGES),
        earlier=[earlier_said(past) for past in results.model.history],
        log=results.log, what_was_read=log_said(results.log), cautions=CAUTIONS, defer=DEFER, system=system,
        record=json.dumps(_six(dict(results.record)), ensure_ascii=False, sort_keys=True, indent=1, default=str))


def _script_data(value: Any) -> str:
    """A value for a page's script; "<" never stands in it, so that no name can end the script."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _by_material(windows: Sequence[SpeedWindow]) -> Iterable[tuple[str, Iterable[SpeedWindow]]]:
    order = {name: k for k, name in reversed(list(enumerate(w.job.material for w in windows)))}
    return groupby(sorted(windows, key=lambda w: order[w.job.material]), key=lambda w: w.job.material)


def _row(results: Results, window: SpeedWindow) -> dict[str, Any]:
    system = results.study.units
    issued = window.verdict == "window"
    at = speeds(window, system) if issued else None
    return {"name": job_name(window.job, system), "burr": burr_said(results, window.job),
            "settings": settings(window.job, system), "verdict": window.verdict,
            "limits": limits(window.job, system), "speeds": str(at) if at else "",
            "point": f"{at.set_point} {at.unit}" if at else "", "reasons": window.reasons,
            "answer": answer(window, system)}


def _summary(results: Results) -> dict[str, list[dict[str, Any]]]:
    """What may be run, what may not, what the trials cannot tell; with what each job promises where they differ."""
    asked = [(w.job.share, w.job.confidence) for w in results.windows]
    rows = [_row(results, w) for w in results.windows]
    if len(set(asked)) > 1:
        rows = [row | {"settings": f"{row['settings']}; {percent(share)} of edges at {percent(confidence)} confidence"}
                for row, (share, confidence) in zip(rows, asked, strict=True)]
    return {key: [r for r in rows if r["verdict"] == verdict] for key, verdict in
            (("may", "window"), ("may_not", "no window"), ("cannot_tell", "not enough evidence"))}


def _material(results: Results, name: str, windows: list[SpeedWindow], draw: Any) -> dict[str, Any]:
    """One material: each job with its window, then for each group of settings how radius, sheet and face behave."""
    jobs, shared = [], _said_of_all(windows)
    for window in windows:
        drawn = [draw(window_figure(results, window))]
        if window.job.residual_burr_mm is not None:
            drawn.append(draw(burr_figure(results, window)))
        own = [text for text in window.reasons if text not in shared or window.verdict != "window"]
        jobs.append(_row(results, window) | {"figures": drawn, "reasons": own})
    behaviour = [draw(pressure_figure(results, window)) for window in one_a_grit(results, windows)]
    behaviour += [draw(origins_figure(results, window)) for window in first_of_each_material(windows)]
    behaviour += [draw(picture(results, window)) for window in _one_a_setting(windows)
                  for picture in (radius_by_position, wear_by_sheet, *_removal(results))]
    return {"name": name, "jobs": jobs, "figures": behaviour, "shared": shared}


def _said_of_all(windows: Sequence[SpeedWindow]) -> list[str]:
    """Sentences that stand with every window of several, to be read once."""
    said = [window.reasons for window in windows if window.verdict == "window"]
    return [text for text in said[0] if all(text in each for each in said)] if len(said) > 1 else []


def _removal(results: Results) -> tuple[Any, ...]:
    rows = results.log.rows
    return (removal_figure,) if "removal_um" in rows and bool(rows["removal_um"].notna().any()) else ()


def _one_a_setting(windows: Sequence[SpeedWindow]) -> list[SpeedWindow]:
    """For each group of equal settings the job to picture: one with a window before one without."""
    chosen: dict[tuple[Any, ...], SpeedWindow] = {}
    for window in sorted(windows, key=lambda w: w.verdict != "window"):
        job = window.job
        if window.verdict != "not enough evidence":
            chosen.setdefault((job.cut_process, job.thickness_mm, job.drum_pressure_kPa, job.grit, job.passes,
                               job.sheet_hours), window)
    return list(chosen.values())


def _claims(results: Results) -> list[str]:
    """What a window claims and what it does not, with this study's own numbers."""
    return claims(results) + [
        "A future edge is one on a future sheet, a future plate, a future spot: sheet, plate and edge all vary.",
        "Nothing is claimed outside the speeds, pressures, grits, thicknesses, materials, burr severities, edge "
        "positions and sheet ages that were run, nor for a line that has changed since.",
        "A window says nothing about edges that were not measured, nor about a single edge: some edges inside the "
        "window will miss a limit, as the share says."]


def _checks(results: Results, draw: Any) -> dict[str, Any]:
    model = results.model
    there = set(model.residuals()["law"])
    tests = scrutinise(results)
    return {"figures": [draw(residual_figure(results, law)) for law in LAWS if law in there],
            "far_off": residuals_said(results),
            "tests": [{"question": question, "sentence": check.sentence,
                       "table": _table(trade_table(name, check.table)) if len(check.table) else None}
                      for name, question, check in tests.questions()],
            "curve": tests.curve, "alike": draw(alike_figure(tests.alike.table)),
            "alike_said": tests.alike.sentence,
            "taught": coefficients_said(results),
            "coefficients": _table(trade_table("coefficients", taught(results))),
            "spreads": _table(trade_table("spreads", model.spreads())),
            "sheets": _table(trade_table("model_sheets", model.sheets()))}


def _table(told: Table) -> dict[str, Any]:
    """A table of the page, and what a long one is folded under."""
    long = f"The whole table, {len(told.frame)} rows" if len(told.frame) > LONG else ""
    return {"markup": Markup(told.markup()), "long": long}
