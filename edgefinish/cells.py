"""Cells of a log into numbers, readings, words and dates: one reading is converted and told, two are refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from numbers import Real
from typing import Literal

import numpy as np
import pandas as pd

from .findings import Column, Findings, NoCell, as_written, blank
from .headers import DAY_FIRST, MONTH_FIRST
from .units import QUANTITIES, Quantity, convert, find_unit, fraction, nine_digits, tidy, units_of_kind

Marks = Literal["point", "comma", "mixed"]
_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_POINT_OR_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}\.\d{3}")
_COMMA_OR_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_CELL = re.compile(r"(?P<sign><=|>=|[<>≤≥])?\s*(?P<number>[+-]?(?:(?:\d+[ -])?\d+/\d+|[\d.,](?:[\d.,'’ ]*[\d.,])?"
                   r"(?:[eE][+-]?\d+)?))\s*(?P<unit>[^\d\s<>+-].*)?")
LONGEST_NUMBER = 60  # characters; a cell that is longer is a text
_NOT_MEASURED = frozenset({"", "-", "–", "—", "na", "n/a", "#n/a", "nan", "null", "not measured"})
_SIDE = {"<": -1, "<=": -1, "≤": -1, ">": 1, ">=": 1, "≥": 1}
# Thicknesses that such lines handle, mm: common practice, no published source. They decide whether a bare number in a
# column that mixes inches and millimetres can be meant in only one of them.
_HANDLED_MM = (1.0, 80.0)


def _evidence(column: Column) -> tuple[int, int]:
    """How many cells have a decimal point, and how many a decimal comma, that can be read in one way only."""
    words = [(i, v) for i, v in enumerate(column.values)
             if isinstance(v, str) and len(v) <= LONGEST_NUMBER and ("," in v or "." in v)]
    if not words:
        return 0, 0
    counts = np.bincount(column.codes[column.codes >= 0], minlength=len(column.values))
    points = commas = 0
    for i, word in words:
        match = _CELL.fullmatch(tidy(word))
        number = match["number"] if match else ""
        if _COMMA.fullmatch(number) and not _COMMA_OR_THOUSANDS.fullmatch(number):
            commas += int(counts[i])
        elif "." in number and _POINT.fullmatch(number) and not _POINT_OR_THOUSANDS.fullmatch(number):
            points += int(counts[i])
    return points, commas


def decimal_marks(columns: Mapping[str, Column]) -> dict[str, Marks]:
    """Which decimal mark each column of a log uses: what its own cells show, else what the whole log shows.

    "mixed" where neither is ten times as frequent as the other: then `1.200` and `1,200` have two readings each.

    >>> rows = np.arange(2)
    >>> decimal_marks({"feed": Column("feed", np.array([0, 1]), ("1,5", "1,200"), rows)})
    {'feed': 'comma'}
    """

    def mark(points: int, commas: int) -> Marks:
        if commas and commas >= 10 * points:
            return "comma"
        return "mixed" if points < 10 * commas else "point"

    shown = {name: _evidence(column) for name, column in columns.items()}
    whole = mark(sum(p for p, _ in shown.values()), sum(c for _, c in shown.values()))
    return {name: mark(*seen) if any(seen) else whole for name, seen in shown.items()}


@dataclass(frozen=True)
class Reading:
    """Measured values of one column, one for each row: `side` is −1 where the true size is below `value` (`<0.10`),
    +1 where it is above (`>2.0`), 0 where it was measured; NaN where it was not.
    """

    value: np.ndarray
    side: np.ndarray


def as_reading(cells: pd.Series) -> Reading:
    """A measured column of a log that was read, in which `<0.1` stands for what lies below, as numbers and sides.

    >>> as_reading(pd.Series(["<0.1", 0.3]))
    Reading(value=array([0.1, 0.3]), side=array([-1,  0], dtype=int8))
    """
    if cells.dtype != object:
        return Reading(cells.to_numpy(dtype=float), np.zeros(len(cells), dtype=np.int8))
    side = np.array([(-1 if c[0] == "<" else 1) if isinstance(c, str) else 0 for c in cells], dtype=np.int8)
    return Reading(np.array([float(c[1:]) if isinstance(c, str) else float(c) for c in cells]), side)


class _Refused(Exception):
    """A cell without one reading: what was wanted, what to do."""

    def __init__(self, wanted: str, remedy: str) -> None:
        super().__init__(wanted, remedy)
        self.wanted, self.remedy = wanted, remedy


def _number(text: str, marks: Marks) -> tuple[float, bool]:
    """The number in a cell's text, and whether its decimal mark was turned; `_Refused` where it has two readings."""
    if _POINT.fullmatch(text):
        if marks != "point" and _POINT_OR_THOUSANDS.fullmatch(text):
            raise _Refused("a number with one reading", "this log has decimal commas: write "
                           f"{text.replace('.', ',')} or {text.replace('.', '')}, whichever is meant")
        return float(text), False
    if _COMMA.fullmatch(text):
        if marks != "comma" and _COMMA_OR_THOUSANDS.fullmatch(text):
            raise _Refused("a number with one reading",
                           f"write {text.replace(',', '.')} or {text.replace(',', '')}, whichever is meant")
        return float(text.replace(",", ".")), True
    if (number := fraction(text)) is not None:
        return number, False
    raise _Refused("a number with one reading", "write it without spaces or marks between thousands")


@dataclass(frozen=True)
class _Cell:
    """One cell as read: the number as written, its side, its own unit, and what of its spelling is worth telling."""

    value: float
    side: int = 0
    unit: str | None = None
    comma: bool = False
    fraction: bool = False
    or_equal: bool = False


def _read(cell: object, quantity: Quantity, marks: Marks, unit: str | None) -> _Cell | None:
    """One cell of a quantity; None where it is blank; `_Refused` where it has no reading or two."""
    wanted = f"a number in {unit or quantity.metric}" if quantity.metric else "a whole number"
    nothing = "leave the cell blank where nothing was measured"
    if quantity is QUANTITIES["residual_burr_mm"]:
        nothing = f"write 0 where no burr was found, and {nothing}"
    if isinstance(cell, Real) and not isinstance(cell, bool):
        return _Cell(float(cell))
    if isinstance(cell, (date, time, timedelta)):
        raise _Refused(wanted, "the spreadsheet has made a date or time of it: set the cell to number, type it again")
    if not isinstance(cell, str) or isinstance(cell, NoCell):
        raise _Refused(wanted, "set the type of this column to number or text where the log is made")
    if len(cell) > LONGEST_NUMBER:
        raise _Refused(wanted, nothing)
    if _POINT.fullmatch(cell) and not (marks != "point" and _POINT_OR_THOUSANDS.fullmatch(cell)):
        return _Cell(float(cell))
    text = tidy(cell)
    if text.casefold() in _NOT_MEASURED:
        return None
    match = _CELL.fullmatch(text)
    if match is None:
        raise _Refused(wanted, nothing)
    value, comma = _number(match["number"], marks)
    own = None
    if match["unit"]:
        own = find_unit(match["unit"], quantity.kind)
        if own is None:
            raise _Refused(wanted, f"units known here: {', '.join(units_of_kind(quantity.kind)) or 'none'}")
    sign = match["sign"] or ""
    return _Cell(value, _SIDE.get(sign, 0), own, comma, "/" in match["number"], sign in ("<=", ">=", "≤", "≥"))


def read_quantity(column: Column, name: str, unit: str | None, marks: Marks, censored: bool,
                  found: Findings) -> Reading:
    """A column of a quantity in its metric unit, row by row.

    `unit` is the column's own; None where each cell has to carry it. `censored` columns may hold `<0.10` and `>2.0`
    and blank cells. What cannot be read goes to `found`; such rows come back as NaN.

    >>> column = Column("radius", np.array([0, 1]), ("<0,10", "0,35 mm"), np.array([2, 3]))
    >>> read_quantity(column, "edge_radius_mm", "mm", "comma", True, Findings()).side
    array([-1,  0], dtype=int8)
    """
    quantity = QUANTITIES[name]
    cells: dict[int, _Cell] = {}
    bad: dict[int, tuple[str, str]] = {}
    told: dict[int, str] = {}
    for i, raw in enumerate(column.values):
        try:
            cell = _read(raw, quantity, marks, unit)
        except _Refused as refused:
            bad[i] = (refused.wanted, refused.remedy)
            continue
        if cell is not None:
            cells[i] = cell
        elif censored and not blank(raw):
            told[i] = f"{as_written(raw)!r} read as not measured"
    if quantity.metric and unit is None and cells and not any(c.unit for c in cells.values()):
        if not found.faulty(column.header):
            found.fault(found.header_row, column.header, column.header, "a unit in the header",
                        f"write {quantity.label} [{quantity.metric}] or {quantity.label} [{quantity.imperial}]")
        found.faults(column, bad)
        return Reading(np.full(len(column.codes), np.nan), np.zeros(len(column.codes), dtype=np.int8))
    bad |= _doubtful(column, quantity, unit, cells)
    value, side = _in_metric(quantity, unit, cells, len(column.values))
    bad |= {i: _wanted_range(quantity, unit, cells[i], censored) for i in cells
            if i not in bad and not _sound(quantity, float(value[i]), int(side[i]), censored)}
    if not censored and name != "passes":
        nothing = ("a value", "fill it in")
        bad |= {i: nothing for i in range(len(column.values)) if i not in cells and i not in bad}
        if (column.codes < 0).any():
            bad[-1] = nothing
    told |= {i: f"{as_written(column.values[i])!r} read as {'<' if c.side < 0 else '>' if c.side else ''}"
                f"{value[i]:.9g} {quantity.metric}"
             for i, c in cells.items() if i not in bad and _worth_telling(c, unit)}
    _tell_commas(column, [i for i, c in cells.items() if c.comma and i not in bad and i not in told], found)
    found.faults(column, bad)
    found.tell_values(column, told)
    value[list(bad)], side[list(bad)] = np.nan, 0
    return Reading(value[column.codes], side[column.codes])


def _worth_telling(cell: _Cell, unit: str | None) -> bool:
    return bool(cell.unit and cell.unit != unit) or cell.fraction or cell.or_equal


def _tell_commas(column: Column, commas: list[int], found: Findings) -> None:
    if commas:
        where = column.rows_of(commas)
        more = f" ({len(where)} rows)" if len(where) > 1 else ""
        found.tell(column.row(where[0]), column.header, "converted",
                   f"{as_written(column.values[column.codes[where[0]]])!r}: decimal comma read as point{more}")


def _in_metric(quantity: Quantity, unit: str | None, cells: dict[int, _Cell], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Values and sides of the different cells in the metric unit, with one more place, the last, for blank rows."""
    value, side = np.full(n + 1, np.nan), np.zeros(n + 1, dtype=np.int8)
    for own in {c.unit for c in cells.values()}:
        at = [i for i, c in cells.items() if c.unit == own]
        numbers = np.array([cells[i].value for i in at])
        written = own or unit or quantity.metric
        value[at] = numbers if written == quantity.metric else nine_digits(convert(numbers, written, quantity.metric))
        side[at] = [cells[i].side for i in at]
    return value, side


def _doubtful(column: Column, quantity: Quantity, unit: str | None,
              cells: dict[int, _Cell]) -> dict[int, tuple[str, str]]:
    """Bare numbers whose unit nobody says, or that other units beside them make doubtful."""
    bare = [i for i, c in cells.items() if c.unit is None]
    if not quantity.metric:
        return {}
    if unit is None:
        return {i: ("a number with its unit", "other cells of this column carry theirs") for i in bare}
    bad = {i: ("a number", f"a fraction is read in inches only: write '{as_written(column.values[i])} in' if so meant")
           for i in bare if cells[i].fraction and unit != "in"}
    inches, metric = {"in", "mil"}, {"mm", "cm", "µm"}
    own = {c.unit for c in cells.values() if c.unit}
    if quantity.name != "thickness_mm" or not (own & (metric if unit in inches else inches)):
        return bad
    for i in bare:
        fits = [u for u in ("mm", "in", "mil")
                if _HANDLED_MM[0] <= float(convert(cells[i].value, u, "mm")) <= _HANDLED_MM[1]]
        if fits != [unit]:
            choices = " or ".join(f"'{as_written(column.values[i])} {u}'" for u in dict.fromkeys([unit, *fits, "in"]))
            bad[i] = ("a thickness with one reading", f"this column mixes inches and millimetres: write {choices}")
    return bad


def _sound(quantity: Quantity, value: float, side: int, censored: bool) -> bool:
    """Whether a number is one that a shop can mean."""
    if side and (not censored or value <= 0):
        return False
    if quantity.name == "passes" and value != int(value if np.isfinite(value) else 0):
        return False
    return quantity.low <= value <= quantity.high


def _wanted_range(quantity: Quantity, unit: str | None, cell: _Cell, censored: bool) -> tuple[str, str]:
    """What was wanted instead of a number beyond reason, in the unit that it was written in."""
    written = cell.unit or unit or quantity.metric
    if quantity.metric:
        low, high = (float(convert(v, quantity.metric, written)) for v in (quantity.low, quantity.high))
        wanted = f"a number from {float(f'{low:.3g}'):g} to {float(f'{high:.3g}'):g} {written}"
    else:
        wanted = f"a whole number from {quantity.low:g} to {quantity.high:g}"
    if cell.side and not censored:
        return wanted, "only measured columns can hold < or >"
    if censored and cell.value == 0:
        return wanted, ("write '<' and the least that the gauge resolves, such as '<0.05'; if it was not measured, "
                        "leave it blank")
    return wanted, "check the number and its unit"


_CLOCK = r"(?:[T ]+(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)\s*(?:Z|[+-]\d{2}:?\d{2})?)?"
_ISO_DATE = re.compile(r"(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})" + _CLOCK)
_SHORT_DATE = re.compile(r"(?P<first>\d{1,2})(?P<mark>[-/.])(?P<second>\d{1,2})(?P=mark)(?P<year>\d{4}|\d{2})"
                         + _CLOCK)
_NAMED_DATE = re.compile(r"(?:(?P<day>\d{1,2})[. -]+(?P<name>[a-z]{3,9})|(?P<name2>[a-z]{3,9})\.? (?P<day2>\d{1,2}))"
                         r"[., -]+(?P<year>\d{4})" + _CLOCK, re.IGNORECASE)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def read_dates(column: Column, order: str | None, found: Findings) -> np.ndarray:
    """A column of dates, row by row; NaT where blank. The clock is kept as written, its zone is not.

    Day first or month first is settled by `order`, as the header says it, or by the whole column: by one number above
    12, or by points between (`3.4.2026` is day first: common practice). Where nothing settles it, the dates have two
    readings and are refused. So are years of two digits, 20yy, but where the header says the order.

    >>> read_dates(Column("date", np.array([0]), ("13/04/2026",), np.array([2])), None, Findings())
    array(['2026-04-13T00:00:00.000000'], dtype='datetime64[us]')
    """
    texts = {i: tidy(v) for i, v in enumerate(column.values) if isinstance(v, str) and len(v) <= LONGEST_NUMBER}
    short = {i: m for i, t in texts.items() if (m := _SHORT_DATE.fullmatch(t))}
    brief = {i for i, m in short.items() if len(m["year"]) == 2 and order is None}
    short = {i: m for i, m in short.items() if i not in brief}
    slashed = [m for m in short.values() if m["mark"] != "."]
    day_first = order == DAY_FIRST or any(int(m["first"]) > 12 for m in slashed)
    month_first = order == MONTH_FIRST or any(int(m["second"]) > 12 for m in slashed)
    settled = day_first != month_first
    value = np.full(len(column.values) + 1, np.datetime64("NaT", "us"))
    bad: dict[int, tuple[str, str]] = {}
    wanted = "a date"
    for i, raw in enumerate(column.values):
        moment: datetime | None = None
        if isinstance(raw, datetime):
            moment = raw.replace(tzinfo=None)
        elif isinstance(raw, date):
            moment = datetime(raw.year, raw.month, raw.day)
        elif i in texts and texts[i].casefold() in _NOT_MEASURED:
            continue
        elif i in short:
            match = short[i]
            a, b = int(match["first"]), int(match["second"])
            if match["mark"] != "." and not settled and a != b:
                bad[i] = ("a date with one reading", "write it as 2026-04-13, or say the order in the header: "
                          "date [dd/mm/yyyy] or date [mm/dd/yyyy]")
                continue
            day, month = (b, a) if match["mark"] != "." and month_first else (a, b)
            moment = _moment(match, day, month)
        elif i in texts and (match := _ISO_DATE.fullmatch(texts[i])):
            moment = _moment(match, int(match["day"]), int(match["month"]))
        elif i in texts and (match := _NAMED_DATE.fullmatch(texts[i])):
            name = (match["name"] or match["name2"]).casefold()[:3]
            if name in _MONTHS:
                moment = _moment(match, int(match["day"] or match["day2"]), _MONTHS.index(name) + 1)
        if moment is None or not 1950 <= moment.year <= 2100:
            bad[i] = (wanted, "write it as 2026-04-13" + (", or say the order in the header: date [dd/mm/yy] or date "
                                                          "[mm/dd/yy]" if i in brief else ""))
        else:
            value[i] = np.datetime64(moment, "us")
    found.faults(column, bad)
    return value[column.codes]


def _moment(match: re.Match[str], day: int, month: int) -> datetime | None:
    try:
        clock = time.fromisoformat(match["clock"] if match["clock"][2] == ":" else "0" + match["clock"]) \
            if match["clock"] else time()
        return datetime.combine(date(int(match["year"]) + 2000 * (len(match["year"]) == 2), month, day), clock)
    except ValueError:
        return None
