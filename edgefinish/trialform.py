"""The form for the floor: one row for each edge to measure, as a workbook that comes back as a log, and as a page."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

import pandas as pd
import xlsxwriter

from .abrasive import GRAIN_UM
from .cautions import CAUTIONS, DEFER
from .job import BURR_SEVERITIES, CUT_PROCESSES, Job
from .planner import Plan, material_of
from .setupsheet import environment
from .units import QUANTITIES, in_shown, unit_of
from .wording import POSITION_WORDS, job_names, limit, limits
from .words import EDGE_POSITIONS

SHEET = "trial log"
_READINGS = ("edge_radius_mm", "burr_height_mm", "residual_burr_mm", "removal_um")
_WIDTHS = {"run": 6, "material": 12, "abrasive_sheet": 9, "edge_position": 10, "operator": 12, "note": 28, "date": 12}
_FIXED = ("run", "edge_position")
"""What says which row is which: locked in planned rows. All else may be corrected."""
SPARE_PLATES = 3
_MOST_TOLD = 255  # characters that a spreadsheet takes
AS_PLANNED = "As planned; correct it if run otherwise, in every row of the plate."
EXTRA = ("An extra plate: a run name not used above, its settings in every row, one row for each edge. Another edge of "
         "a planned plate: its run name and its settings.")
ON_PRINT = ("Settings are as planned; correct them where run otherwise, in every row of the plate. Extra plates: blank "
            "rows at the end.")
_COARSE = {"edge_radius_mm": 0.1, "burr_height_mm": 0.1, "residual_burr_mm": 0.02, "removal_um": 5.0}
"""What a plain gauge resolves; common practice, no source."""
_LAST_DAY = datetime(2199, 12, 31)
# A workbook holds the time it was made: a fixed one keeps the same plan the same, byte for byte.
_MADE = datetime(2000, 1, 1)
_TEXT, _PLAIN = "@", "General"


@dataclass(frozen=True)
class Field:
    """One column of the form: its name in the log, the header that `read_log` knows, and whether the floor fills it
    in (else it stands there as planned)."""

    name: str
    header: str
    filled_on_floor: bool


def fields_of(plan: Plan) -> tuple[Field, ...]:
    """The columns of the form, settings first, then what is read at the line; readings that no job limits are left out.

    >>> import edgefinish as ef
    >>> job = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.6))
    >>> small = ef.plan([job], feed_speed_m_min=(1, 6), trial=ef.Trial(plates=6, sheets=3))
    >>> [f.header for f in fields_of(small)][-5:]
    ['edge position', 'edge radius [mm]', 'date', 'operator', 'note']
    """
    runs, jobs = plan.runs, plan.jobs
    burr = any(j.residual_burr_mm is not None for j in jobs)
    names = ["run", "abrasive_sheet", "grit", "contact_hours", "material",
             *[n for n in ("cut_process",) if n in runs], "thickness_mm",
             *[n for n in ("burr_severity",) if n in runs], "feed_speed_m_min", "drum_pressure_kPa",
             *(["passes"] if (runs["passes"] != 1).any() else []), "edge_position", "edge_radius_mm",
             *(["burr_height_mm", "residual_burr_mm"] if burr else []),
             *(["removal_um"] if any(j.removal_um is not None for j in jobs) else []), "date", "operator", "note"]
    open_cells = {"contact_hours", "burr_severity", *_READINGS, "date", "operator", "note"}  # white, others grey
    return tuple(Field(n, _header(n, plan), n in open_cells) for n in names)


def _header(name: str, plan: Plan) -> str:
    if name not in QUANTITIES:
        return name.replace("_", " ")
    unit = unit_of(name, plan.units)
    return f"{QUANTITIES[name].label} [{unit}]" if unit else QUANTITIES[name].label


def cells(plan: Plan) -> list[list[Any]]:
    """What stands in the form before it is filled: a row an edge, blank where the floor reads and writes."""
    rows, out = plan.rows, []
    for name in (f.name for f in fields_of(plan)):
        if name in _READINGS or name not in rows:
            out.append([""] * len(rows))
        elif name in QUANTITIES and name != "passes":
            out.append([float(f"{v:.9g}") for v in in_shown(name, rows[name], plan.units)])
        else:
            out.append(["" if pd.isna(v) else v for v in rows[name].tolist()])
    return [list(row) for row in zip(*out, strict=True)]


def form_xlsx(plan: Plan) -> bytes:
    """The form as a workbook: settings as planned, to be corrected where the line ran otherwise; blank rows for extra
    plates; entries checked as they are typed. Headers, runs and edges of planned rows are locked (no password).

    Filled in, wholly or in part, it is read by `read_log` as it is: an edge left blank was not measured, and blank rows
    are none. The same plan gives the same bytes.
    """
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties({"title": f"Trial form: {plan.name}", "created": _MADE})
        sheet = book.add_worksheet(SHEET)
        _fill(book, sheet, plan)
        sheet.protect("", {"format_columns": True, "format_rows": True, "insert_rows": True, "sort": True,
                           "autofilter": True})
        sheet.freeze_panes(1, 1)
        sheet.set_landscape()
        sheet.set_paper(9 if plan.units == "metric" else 1)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.set_header(f"&L{ON_PRINT}")
        sheet.set_footer(f"&L{plan.name}&RPage &P of &N")
    return out.getvalue()


def _fill(book: xlsxwriter.Workbook, sheet: Any, plan: Plan) -> None:
    fields, rows = fields_of(plan), cells(plan)
    edge = {"border": 1, "border_color": "#999999", "valign": "vcenter"}
    head = book.add_format(edge | {"bold": True, "text_wrap": True, "bg_color": "#dddddd", "valign": "top"})
    formats = {(text, grey, locked, first): book.add_format(
        edge | {"num_format": text, "locked": locked} | ({"bg_color": "#eeeeee"} if grey else {})
        | ({"align": "right", "indent": 1} if text == _PLAIN else {})
        | ({"top": 2, "top_color": "#000000"} if first else {}))
        for text in (_TEXT, _PLAIN, "yyyy-mm-dd") for grey in (True, False) for locked in (True, False)
        for first in (True, False)}
    planned, each = len(rows), len(plan.trial.edges)
    rows += [[""] * len(fields)] * (SPARE_PLATES * each)
    sheet.set_row(0, 46)  # three lines
    for column, field in enumerate(fields):
        sheet.set_column(column, column, _WIDTHS.get(field.name, 10))
        sheet.write_string(0, column, field.header, head)
        for start, end, rule in _rules(plan, field, column, planned, len(rows)):
            sheet.data_validation(start, column, end, column, rule)
    for number, row in enumerate(rows, 1):
        spare = number > planned
        first = (number - 1) % each == 0
        for column, (field, value) in enumerate(zip(fields, row, strict=True)):
            # Text stays text: a sheet named 2E5 or a grade 304 is no number. Readings take either: 0.31 or <0.10.
            kind = ("yyyy-mm-dd" if field.name == "date" else
                    _PLAIN if field.name in QUANTITIES else _TEXT)
            style = formats[kind, not (field.filled_on_floor or spare), field.name in _FIXED and not spare, first]
            if value == "":
                sheet.write_blank(number, column, None, style)
            elif isinstance(value, str):
                sheet.write_string(number, column, value, style)
            else:
                sheet.write_number(number, column, value, style)


def _rules(plan: Plan, field: Field, column: int, planned: int, last: int) -> Iterator[tuple[int, int, dict[str, Any]]]:
    """How cells of a column are checked as they are typed: first row, last row, rule."""
    name = field.name
    if name in _FIXED:
        yield planned + 1, last, _one_of("extra plate", () if name == "run" else EDGE_POSITIONS, EXTRA)
    elif name not in (*_READINGS, "operator", "note"):
        yield 1, last, _setting(plan, name)
    elif name in _READINGS:
        # Limits are those of the row's own material and thickness; a blank row may be of any.
        of_part = {part: _promised(plan, name, [j for j in plan.jobs if _part(j) == part])
                   for part in dict.fromkeys(map(_part, plan.jobs))}
        keys = zip(*(plan.rows[n] if n in plan.rows else [None] * planned
                     for n in ("material", "cut_process", "thickness_mm")), strict=True)
        said = [of_part[m, None if pd.isna(c) else c, t] for m, c, t in keys]
        said += [_promised(plan, name, plan.jobs)] * (last - planned)
        start = 1
        for text, rows in groupby(said):
            end = start + len(list(rows)) - 1
            yield start, end, _reading(plan, name, column, start, text)
            start = end + 1


def _part(job: Job) -> tuple[str, str | None, float]:
    return *material_of(job), job.thickness_mm


def _reading(plan: Plan, name: str, column: int, row: int, promised: str) -> dict[str, Any]:
    """The rule for a reading from a row on, with its unit and what is to be promised."""
    quantity, unit = QUANTITIES[name], unit_of(name, plan.units)
    low, high = _span(plan, name)
    cell = xlsxwriter.utility.xl_rowcol_to_cell(row, column)
    number = f"AND(ISNUMBER({cell}),{cell}>={low:g},{cell}<={high:g})"
    bound = f'IFERROR(AND(OR(LEFT({cell})="<",LEFT({cell})=">"),VALUE(MID({cell},2,9))>0),FALSE)'
    said = f"In {unit}. Below what the gauge resolves, as {_below(name, plan)}. Not measured: leave blank. "
    more = f"To be promised: {promised}." if promised else ""
    if len(said + more) > _MOST_TOLD:
        more = "Limits differ by job; they stand in form.html."
    return {"validate": "custom", "value": f"=OR({number},{bound})", "input_title": f"{quantity.label}, {unit}"[:32],
            "input_message": said + more, "error_title": "No such reading",
            "error_message": f"Wanted: {low:g} to {high:g} {unit}, or < or > and a number."}


def _setting(plan: Plan, name: str) -> dict[str, Any]:
    """The rule for what is no reading: settings, the plate's burr, the day."""
    if name == "contact_hours":
        return {"validate": "decimal", "criteria": "between", "minimum": 0,
                "maximum": QUANTITIES[name].high, "input_title": "contact hours, h",
                "input_message": "Planned age of the sheet. Write what its counter showed when this plate was run.",
                "error_title": "No such age", "error_message": "Hours of metal contact, a number from 0."}
    if name == "burr_severity":
        words = sorted({w for w in plan.runs[name] if w} | set(plan.severities) | set(BURR_SEVERITIES))
        return _one_of("burr severity", words, "As graded before the run; correct it where the plate carries another.")
    if name == "date":
        return {"validate": "date", "criteria": "between", "minimum": _MADE, "maximum": _LAST_DAY,
                "input_title": "date", "input_message": "The day, with the time where you have it: it gives the order.",
                "error_title": "No date", "error_message": "A date, such as 2031-03-28."}
    if name not in QUANTITIES:
        known = {"grit": tuple(GRAIN_UM), "cut_process": CUT_PROCESSES}.get(name, ())
        return _one_of(_header(name, plan), known, AS_PLANNED)
    low, high = _span(plan, name)
    return {"validate": "integer" if name == "passes" else "decimal", "criteria": "between", "minimum": low,
            "maximum": high, "input_title": _header(name, plan)[:32], "input_message": AS_PLANNED,
            "error_title": "No such setting",
            "error_message": f"Wanted: {low:g} to {high:g} {unit_of(name, plan.units)}".rstrip() + "."}


def _one_of(title: str, words: Sequence[str], told: str) -> dict[str, Any]:
    """One of some words; any, where none are given or more than a spreadsheet can list."""
    if not words or len(",".join(words)) > _MOST_TOLD:
        return {"validate": "any", "input_title": title, "input_message": told}
    return {"validate": "list", "source": list(words), "input_title": title, "input_message": told,
            "error_title": "No such word", "error_message": f"One of: {', '.join(words)}."[:_MOST_TOLD]}


def _span(plan: Plan, name: str) -> tuple[float, float]:
    """The least and the greatest that a log may hold, in the form's unit."""
    quantity = QUANTITIES[name]
    low, high = (float(f"{v:.3g}") for v in in_shown(name, [quantity.low, quantity.high], plan.units))
    return low, high


def _below(name: str, plan: Plan) -> str:
    """How a reading below what a gauge resolves is written, in the unit of its column."""
    return f"<{float(in_shown(name, _COARSE[name], plan.units)):.1g}"


def _promised(plan: Plan, name: str, jobs: Sequence[Job]) -> str:
    """The limits that jobs have on a reading; named where they differ, nothing where none has any."""
    named = dict(zip(plan.jobs, job_names(plan.jobs, plan.units), strict=True))
    said: dict[str, list[str]] = {}
    for job in jobs:
        said.setdefault(_one_limit(job, name, plan) or "no limit", []).append(named[job])
    if len(said) == 1:
        return "".join(said).replace("no limit", "")
    return "; ".join(f"{' and '.join(names)}: {text}" for text, names in said.items())


def _limits_by_job(plan: Plan) -> list[tuple[str, str]]:
    """Jobs that ask for the same, by name, and what they ask for; no name where all do."""
    said: dict[str, list[str]] = {}
    for job, name in zip(plan.jobs, job_names(plan.jobs, plan.units), strict=True):
        said.setdefault("; ".join(limits(job, plan.units)), []).append(name)
    return [("" if len(said) == 1 else "; ".join(names), text) for text, names in said.items()]


def _one_limit(job: Job, name: str, plan: Plan) -> str:
    if name == "edge_radius_mm" and job.edge_radius_mm:
        low, high = job.edge_radius_mm
        parts = [f"at least {limit(name, low, plan.units, 'up')}" if low else "",
                 f"at most {limit(name, high, plan.units, 'down')}" if high else ""]
        return ", ".join(p for p in parts if p)
    value = {"residual_burr_mm": job.residual_burr_mm, "removal_um": job.removal_um}.get(name)
    return "" if value is None else f"at most {limit(name, value, plan.units, 'down')}"


def form_html(plan: Plan) -> str:
    """The form as a page to print: a heading for each visit to a sheet, a row for each edge, boxes for the readings."""
    fields, rows = fields_of(plan), cells(plan)
    at = {f.name: i for i, f in enumerate(fields)}
    shown = [f for f in fields if f.name not in ("abrasive_sheet", "grit", "contact_hours", "date", "operator")]
    visits = []
    for (name, grit, hours), part in groupby(rows, key=lambda r: (
            r[at["abrasive_sheet"]], r[at["grit"]], r[at["contact_hours"]])):
        plates = [list(edges) for _, edges in groupby(part, key=lambda r: r[at["run"]])]
        visits.append({"sheet": name, "grit": grit, "hours": f"{hours:g}",
                       "plates": [_printed(edges, shown, at) for edges in plates]})
    return environment().get_template("trialform.html.jinja").render(
        name=plan.name, heads=[f.header for f in shown], visits=visits, defer=DEFER, paper=plan.units,
        cautions=CAUTIONS, told=plan.told, below=_below("edge_radius_mm", plan),
        promised=_limits_by_job(plan))


def _printed(edges: Sequence[list[Any]], shown: Sequence[Field], at: dict[str, int]) -> list[list[dict[str, Any]]]:
    """The rows of one plate; what holds for all its edges stands once."""
    out = []
    for k, row in enumerate(edges):
        line = []
        for field in shown:
            value = row[at[field.name]]
            own = field.name in ("edge_position", "note", *_READINGS)
            if own or k == 0:
                text = POSITION_WORDS.get(value, value) if isinstance(value, str) else f"{value:g}"
                line.append({"text": text, "rows": 1 if own else len(edges), "box": own and value == ""})
        out.append(line)
    return out
