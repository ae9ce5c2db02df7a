"""A sheet of a workbook as rows of cells: merged cells, hidden rows, formulas, and files that claim too much."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from .errors import nearest
from .findings import Findings, blank
from .headers import SEARCHED, header_at, meaning_of, recognised
from .units import QUANTITIES, find_unit

WAY_OUT = "save it as .xlsx or .csv from the program that wrote it"
Grid = list[Sequence[object]]
# What spreadsheet programs hold in a sheet; and what is read without filling the memory of a shop's computer.
MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
MOST_BYTES, MOST_BYTES_SHAPED, MOST_CELLS = 600_000_000, 100_000_000, 50_000_000
_ODD_ROW = re.compile(rb"""<(?:\w+:)?row\b[^>]*\br\s*=\s*["'](?!\d{1,7}["'])""")
_ODD_CELL = re.compile(rb"""<(?:\w+:)?c\b[^>]*\br\s*=\s*["'](?![A-Za-z]{1,3}\d{1,7}["'])""")
_ROW = re.compile(rb"""<(?:\w+:)?row\b[^>]*?\br\s*=\s*["'](\d+)""")
_MERGED = re.compile(rb"""<(?:\w+:)?mergeCell\b[^>]*\bref\s*=\s*["']([^"']*)""")
_SHAPED = re.compile(rb"""<(?:\w+:)?(?:mergeCell|f)[ >/]|<(?:\w+:)?(?:row|col)\b[^>]*\bhidden\s*=\s*["'](?:1|true)""")
_STALE = re.compile(rb"""<(?:\w+:)?calcPr\b[^>]*\bfullCalcOnLoad\s*=\s*["'](?:1|true)""")
_FORMAT = re.compile(rb"""\bformatCode\s*=\s*"([^"]*)""")
_ZEROS = re.compile("00+")
_LITERAL = re.compile(r"&quot;([^&]*)&quot;|\"([^\"]*)\"")
_KINDS = tuple(dict.fromkeys(q.kind for q in QUANTITIES.values() if q.metric))


class _Refused(Exception):
    """A workbook that cannot be read: what was found, what was wanted, what to do."""


def grid_of_book(data: bytes, name: str, sheet: str | None, columns: Mapping[str, object] | None,
                 found: Findings) -> Grid | None:
    """A sheet as rows of cells; None, and a fault, where it cannot be read.

    A cell merged over rows counts for each of them, a formula has to have its value, what is hidden is read and told.
    A number whose format adds a unit, such as `0.5" in"`, or zeros, such as `007`, becomes the text that is shown.
    """
    try:
        parts = _parts(data)
        shaped = any(_SHAPED.search(x) for x in parts.values()) or _formats_tell(parts)
        if shaped and sum(map(len, parts.values())) > MOST_BYTES_SHAPED:
            raise _Refused(f"{sum(map(len, parts.values())) // 1_000_000} MB of merged or hidden cells and formulas",
                           f"at most {MOST_BYTES_SHAPED // 1_000_000} MB", "paste the values alone into a new workbook")
        stale = any(_STALE.search(x) for x in parts.values())
        workbook = _open(data, plain=not shaped, values=True)
        visible = [s.title for s in workbook.worksheets if s.sheet_state == "visible"] or workbook.sheetnames
        if sheet is not None and sheet not in workbook.sheetnames:
            raise _Refused(f"no sheet {sheet!r} in {name}", f"one of {', '.join(workbook.sheetnames)}",
                           nearest(sheet, workbook.sheetnames))
        chosen = workbook[sheet or visible[0]]
        if shaped:
            grid = _shaped_rows(chosen, columns, found)
            _refuse_unworked(_open(data, plain=False, values=False)[chosen.title], chosen, grid, stale,
                             header_at(grid, columns), found)
        else:
            chosen.reset_dimensions()  # some programs write a wrong extent, and cells beyond it would be lost
            grid = _plain_rows(chosen)
    except _Refused as refused:
        found.fault(None, None, *refused.args)
        return None
    except Exception:  # the library has no base class of its own for what a damaged file can raise
        found.fault(None, None, name, "a workbook that can be opened",
                    "is it protected, damaged or an old .xls? " + WAY_OUT)
        return None
    others = [t for t in visible if t != chosen.title]
    if sheet is None and others and not any(recognised(r, columns) for r in grid[:SEARCHED]):
        found.fault(None, None, f"sheet {chosen.title!r} of {name}", "a sheet with a trial log",
                    f"name another {found.how('sheet')}: {', '.join(others)}")
        return None
    if sheet is None and others:
        found.tell(None, None, "told", f"sheet {chosen.title!r} was read; not read: {', '.join(others)}")
    return grid


def _open(data: bytes, plain: bool, values: bool) -> Any:
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of parts that a log does not need, such as its drop-down lists
        return openpyxl.load_workbook(io.BytesIO(data), read_only=plain, data_only=values)


def _parts(data: bytes) -> dict[str, bytes]:
    """The parts of the file that are XML, once it is sure that none claims more than a spreadsheet can hold."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        claimed = sum(i.file_size for i in archive.infolist())
        if claimed > MOST_BYTES:
            raise _Refused(f"{claimed // 1_000_000} MB once unpacked",
                           f"a workbook of at most {MOST_BYTES // 1_000_000} MB unpacked",
                           "leave out pictures and other sheets, or " + WAY_OUT)
        parts = {n: archive.read(n) for n in archive.namelist() if n.endswith(".xml")}
    for name, xml in parts.items():
        if b"\0" in xml or b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
            raise _Refused(f"a part {name} as no spreadsheet program writes it", "a plain workbook", WAY_OUT)
        numbers = [int(n) for n in _ROW.findall(xml)]
        if _ODD_ROW.search(xml) or _ODD_CELL.search(xml) or any(b <= a for a, b in pairwise(numbers)):
            raise _Refused("rows or cells numbered beyond a sheet, twice or back", "rows in order",
                           "open it in a spreadsheet program and save it again")
        _refuse_merged_everywhere(xml)
    return parts


def _refuse_merged_everywhere(xml: bytes) -> None:
    """Refuse merged cells that cover more than a log: each cell under them costs memory."""
    from openpyxl.utils import range_boundaries

    covered = 0
    for area in _MERGED.findall(xml):
        left, top, right, bottom = range_boundaries(area.decode())
        covered += (right - left + 1) * (bottom - top + 1)
        if covered > MOST_ROWS:
            raise _Refused(f"merged cells {area.decode()}", "merged cells within the log", "unmerge them")


def _plain_rows(sheet: Any) -> Grid:
    """Rows without the empty cells at their end."""
    rows: Grid = []
    seen = 0
    for row in sheet.iter_rows(values_only=True):
        end = len(row)
        seen += end
        while end and row[end - 1] is None:
            end -= 1
        rows.append(list(row[:end]))
        _refuse_too_many(len(rows), seen)
    return rows


def _refuse_too_many(rows: int, cells: int) -> None:
    if rows > MOST_ROWS or cells > MOST_CELLS:
        raise _Refused(f"more than {MOST_ROWS} rows or {MOST_CELLS} cells", "a log that a spreadsheet can hold",
                       "delete empty rows and columns beyond the log")


def _shaped_rows(sheet: Any, columns: Mapping[str, object] | None, found: Findings) -> Grid:
    """Rows of a sheet with merged or hidden cells, formulas, or formats that add a unit."""
    _refuse_too_many(sheet.max_row, sheet.max_row * sheet.max_column)
    rows: Grid = [[_as_shown(cell) for cell in row] for row in sheet.iter_rows()]
    at = header_at(rows, columns)
    filled: dict[int, list[Any]] = {}
    for area in sorted(sheet.merged_cells.ranges, key=lambda a: (a.min_row, a.min_col)):
        if _fill_merged(area, rows, at, found):
            filled.setdefault(area.min_col, []).append(area)
    for first, *others in filled.values():
        more = f" and {len(others)} more of its column" if others else ""
        found.tell(first.min_row, None, "converted", f"merged cell {first.coord}{more}: {'each' if others else 'its'} "
                   "value read for all its rows")
    hidden = [i for i, d in sorted(sheet.row_dimensions.items()) if d.hidden and i <= len(rows)
              and any(c is not None for c in rows[i - 1])]
    if hidden:
        first = ", ".join(map(str, hidden[:10])) + (" and others" if len(hidden) > 10 else "")
        found.tell(hidden[0], None, "told", f"hidden in the spreadsheet, read like the others: row {first}")
    letters = [k for k, d in sorted(sheet.column_dimensions.items()) if d.hidden]
    if letters:
        found.tell(None, None, "told", f"hidden in the spreadsheet, read like the others: column {', '.join(letters)}")
    return rows


def _fill_merged(area: Any, rows: Grid, at: int | None, found: Findings) -> bool:
    """A cell merged down counts for each of its rows; one merged across columns of the log has no reading. Whether any
    row was filled."""
    top = rows[area.min_row - 1]
    value = top[area.min_col - 1]
    if at is None or area.max_row <= at or value is None or blank(value):
        return False
    across = range(area.min_col - 1, area.max_col)
    named = [str(h) for h in (rows[at][j] for j in across) if h is not None and not blank(h)]
    filled = [j for j in across if any(r[j] is not None for r in rows[at + 1:])]
    of_header = area.min_row - 1 <= at and meaning_of(str(value)) is not None and len(filled) > 1
    if of_header or (area.min_row - 1 > at and len(named) > 1):
        found.fault(area.min_row, named[0], f"{value} merged over {area.coord}", "a cell for each column",
                    "unmerge it and write each value in its own cell")
    elif area.min_row < area.max_row and area.min_row - 1 > at:
        for i in range(area.min_row, area.max_row):
            rows[i][area.min_col - 1] = value  # type: ignore[index]
        return True
    return False


def _formats_tell(parts: Mapping[str, bytes]) -> bool:
    """Whether some number format shows more than the number: a unit, or zeros before it."""
    formats = (f.decode("utf-8", "replace") for x in parts.values() for f in _FORMAT.findall(x))
    return any(_ZEROS.fullmatch(f) or _unit_of(f) for f in formats)


def _unit_of(number_format: str) -> str | None:
    """The unit that a number format writes behind the number."""
    words = (a or b for a, b in _LITERAL.findall(number_format))
    return next((w.strip() for w in words if any(find_unit(w, k) for k in _KINDS)), None)


def _as_shown(cell: Any) -> object:
    number = isinstance(cell.value, (int, float)) and not isinstance(cell.value, bool)
    if number and float(cell.value).is_integer() and cell.value >= 0 and _ZEROS.fullmatch(cell.number_format):
        return f"{int(cell.value):0{len(cell.number_format)}d}"
    unit = _unit_of(cell.number_format) if number else None
    return cell.value if unit is None else f"{cell.value!r} {unit}"


def _refuse_unworked(formulas: Any, values: Any, rows: Grid, stale: bool, at: int | None, found: Findings) -> None:
    """A fault for each formula without its value; one that came to an empty text has one."""
    for i, row in enumerate(formulas.iter_rows()):
        for j, cell in enumerate(row):
            if cell.data_type != "f" or not (stale or rows[i][j] is None):
                continue
            if not stale and values.cell(i + 1, j + 1).data_type in ("s", "str"):
                continue
            header = rows[at][j] if at is not None else None
            text = getattr(cell.value, "text", None) or cell.value
            found.fault(i + 1, str(header or cell.column_letter), str(text), "the value of this formula",
                        "open the file in the spreadsheet program and save it, so that values are stored")
