"""The form for the floor: one row for each edge to measure, as a workbook that comes back as a log, and as a page."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

import pandas as pd
import xlsxwriter

from .cautions import CAUTIONS, DEFER
from .job import Job
from .planner import Plan
from .setupsheet import environment
from .units import QUANTITIES, in_shown, unit_of
from .wording import POSITION_WORDS, limit

SHEET = "trial log"
_READINGS = ("edge_radius_mm", "burr_height_mm", "residual_burr_mm", "removal_um")
_WIDTHS = {"run": 6, "material": 12, "abrasive_sheet": 9, "edge_position": 10, "operator": 12, "note": 28, "date": 12}
_COARSE = {"edge_radius_mm": 0.1, "burr_height_mm": 0.1, "residual_burr_mm": 0.02, "removal_um": 5.0}
"""What a plain gauge resolves; common practice, no source."""
_LAST_DAY = datetime(2199, 12, 31)
# A workbook holds the time it was made: a fixed one keeps the same plan the same, byte for byte.
_MADE = datetime(2000, 1, 1)
_TEXT, _PLAIN = "@", "General"


@dataclass(frozen=True)
class Field:
    """One column of the form: its name in the log, the header that `read_log` knows, and whether the floor fills it."""

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
    open_cells = {"contact_hours", "burr_severity", *_READINGS, "date", "operator", "note"}
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
    """The form as a workbook: settings locked (no password), readings checked as they are typed.

    Filled in, wholly or in part, it is read by `read_log` as it is: an edge left blank was not measured. The same plan
    gives the same bytes.
    """
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties({"title": f"Trial form: {plan.name}", "created": _MADE})
        sheet = book.add_worksheet(SHEET)
        _fill(book, sheet, plan)
        sheet.protect("", {"format_columns": True, "format_rows": True, "sort": True, "autofilter": True})
        sheet.freeze_panes(1, 1)
        sheet.set_landscape()
        sheet.set_paper(9 if plan.units == "metric" else 1)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.set_footer(f"&L{plan.name}&RPage &P of &N")
    return out.getvalue()


def _fill(book: xlsxwriter.Workbook, sheet: Any, plan: Plan) -> None:
    fields, rows = fields_of(plan), cells(plan)
    edge = {"border": 1, "border_color": "#999999", "valign": "vcenter"}
    head = book.add_format(edge | {"bold": True, "text_wrap": True, "bg_color": "#dddddd", "valign": "top"})
    formats = {(text, locked, first): book.add_format(
        edge | {"num_format": text, "locked": locked} | ({"bg_color": "#eeeeee"} if locked else {})
        | ({"align": "right", "indent": 1} if text == _PLAIN else {})
        | ({"top": 2, "top_color": "#000000"} if first else {}))
        for text in (_TEXT, _PLAIN, "yyyy-mm-dd") for locked in (True, False) for first in (True, False)}
    sheet.set_row(0, 46)  # three lines
    for column, field in enumerate(fields):
        sheet.set_column(column, column, _WIDTHS.get(field.name, 10))
        sheet.write_string(0, column, field.header, head)
        rule = _rule(plan, field, column)
        if rule and rows:
            sheet.data_validation(1, column, len(rows), column, rule)
    for number, row in enumerate(rows, 1):
        first = number == 1 or rows[number - 2][0] != row[0]
        for column, (field, value) in enumerate(zip(fields, row, strict=True)):
            # Text stays text: a sheet named 2E5 or a grade 304 is no number. Readings take either: 0.31 or <0.10.
            kind = ("yyyy-mm-dd" if field.name == "date" else
                    _PLAIN if field.name in QUANTITIES else _TEXT)
            style = formats[kind, not field.filled_on_floor, first]
            if value == "":
                sheet.write_blank(number, column, None, style)
            elif isinstance(value, str):
                sheet.write_string(number, column, value, style)
            else:
                sheet.write_number(number, column, value, style)


def _rule(plan: Plan, field: Field, column: int) -> dict[str, Any] | None:
    """How a cell of a column is checked as it is typed, with the unit and the limits shown beside it."""
    name = field.name
    if name in _READINGS:
        quantity, unit = QUANTITIES[name], unit_of(name, plan.units)
        low, high = (float(f"{v:.3g}") for v in in_shown(name, [quantity.low, quantity.high], plan.units))
        cell = f"{xlsxwriter.utility.xl_col_to_name(column)}2"
        number = f"AND(ISNUMBER({cell}),{cell}>={low:g},{cell}<={high:g})"
        bound = f'IFERROR(AND(OR(LEFT({cell})="<",LEFT({cell})=">"),VALUE(MID({cell},2,9))>0),FALSE)'
        return {"validate": "custom", "value": f"=OR({number},{bound})",
                "input_title": f"{quantity.label}, {unit}"[:32],
                "input_message": f"In {unit}. Below what the gauge resolves, as {_below(name, plan)}. "
                                 "Not measured: leave blank. "
                                 f"{'To be promised: ' + said + '.' if (said := _limits(plan, name)) else ''}"[:255],
                "error_title": "No such reading",
                "error_message": f"Wanted: {low:g} to {high:g} {unit}, or < or > and a number."}
    if name == "contact_hours":
        return {"validate": "decimal", "criteria": "between", "minimum": 0,
                "maximum": QUANTITIES[name].high, "input_title": "contact hours, h",
                "input_message": "Planned age of the sheet. Write what its counter showed when this plate was run.",
                "error_title": "No such age", "error_message": "Hours of metal contact, a number from 0."}
    if name == "burr_severity":
        words = sorted({w for w in plan.runs["burr_severity"] if w} | set(plan.severities) | {"light", "moderate"})
        return {"validate": "list", "source": words, "input_title": "burr severity",
                "input_message": "As graded before the run; correct it where the plate carries another.",
                "error_title": "No such word", "error_message": f"One of: {', '.join(words)}."[:255]}
    if name == "date":
        return {"validate": "date", "criteria": "between", "minimum": _MADE, "maximum": _LAST_DAY,
                "input_title": "date", "input_message": "The day, with the time where you have it: it gives the order.",
                "error_title": "No date", "error_message": "A date, such as 2031-03-28."}
    return None


def _below(name: str, plan: Plan) -> str:
    """How a reading below what a gauge resolves is written, in the unit of its column."""
    return f"<{float(in_shown(name, _COARSE[name], plan.units)):.1g}"


def _limits(plan: Plan, name: str) -> str:
    """The limits that are to be promised on a reading, where the jobs have one in common."""
    said = {_one_limit(job, name, plan) for job in plan.jobs} - {""}
    return said.pop() if len(said) == 1 else ""


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
        promised=[f"{QUANTITIES[n].label} {said}" for n in _READINGS if (said := _limits(plan, n))])


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
