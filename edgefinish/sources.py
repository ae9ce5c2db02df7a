"""Where a trial log comes from: a csv, xlsx or parquet file, a database table, a DataFrame; each becomes one table."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from .cells import blank
from .errors import nearest
from .findings import Column, Findings
from .headers import is_units_row, recognised

SEARCHED = 20  # first rows among which the header may stand
TEXT_FILES = (".csv", ".tsv", ".txt")
BOOKS = (".xlsx", ".xlsm")
WAY_OUT = "save it as .xlsx or .csv from the program that wrote it"
SourceLike = str | Path | pd.DataFrame


@dataclass(frozen=True)
class Table:
    """One source as a table: header, columns of equal length without empty rows, the units row where there is one.

    `name` says where it came from, without folders and without credentials; `digest` is the sha256 of a file's bytes.
    """

    name: str
    header: tuple[str, ...]
    columns: tuple[Column, ...]
    units_row: tuple[object, ...] | None
    digest: bytes | None

    @property
    def row_numbers(self) -> np.ndarray:
        """The row in the spreadsheet of each row."""
        return self.columns[0].row_numbers


def column_of(header: str, cells: pd.Series | np.ndarray, row_numbers: np.ndarray) -> Column:
    """A column by its different values; blank cells get the code −1."""
    try:
        codes, unique = pd.factorize(cells)
    except TypeError:  # lists and the like in cells
        codes, unique = pd.factorize(np.array([str(c) for c in cells], dtype=object))
    values = [str(v).upper() if isinstance(v, (bool, np.bool_)) else float(v) if isinstance(v, Decimal) else v
              for v in list(unique)]
    empty = np.array([blank(v) for v in values] + [True])
    codes = np.where(empty[codes], -1, codes)
    return Column(header, codes, tuple(values), row_numbers)


def read_table(source: SourceLike, sheet: str | None, table: str | None, columns: Mapping[str, object] | None,
               found: Findings) -> Table | None:
    """The source as a table, or None where it cannot be read at all: the fault is then in `found`."""
    if isinstance(source, pd.DataFrame):
        return _of_frame(source, "DataFrame", None, found)
    if not isinstance(source, (str, Path)):
        found.fault(None, None, type(source).__name__, "a file name, a database URL, a DataFrame, or a list of them")
        return None
    if "://" in str(source):
        read = database_frame(str(source), table, found)
        return None if read is None else _of_frame(read[1], read[0], None, found)
    path = Path(source)
    if table is not None:
        found.fault(None, None, f"table={table!r} for {path.name}", "table= with a database URL only", "leave it out")
        return None
    data = bytes_of(path, found)
    if data is None:
        return None
    digest, ending = hashlib.sha256(data).digest(), path.suffix.lower()
    if sheet is not None and ending not in BOOKS:
        found.fault(None, None, f"sheet={sheet!r} for {path.name}", "sheet= with a spreadsheet only", "leave it out")
        return None
    if ending in BOOKS:
        grid = _grid_of_book(data, path.name, sheet, columns, found)
    elif ending == ".parquet":
        return _of_parquet(data, path.name, digest, found)
    else:
        grid = _grid_of_text(data, path.name, columns, found)
    return None if grid is None else _of_grid(grid, path.name, columns, digest, found)


def bytes_of(path: Path, found: Findings) -> bytes | None:
    """The bytes of a file, or None where it cannot be read: the fault is then in `found`."""
    ending = path.suffix.lower()
    known = (*TEXT_FILES, *BOOKS, ".parquet")
    try:
        if path.is_dir():
            found.fault(None, None, path.name, "a file; this is a folder", "name the log in it")
        elif not path.exists():
            beside = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
            found.fault(None, None, path.name, "a file that is there",
                        nearest(path.name, beside) or f"looked in {path.parent.name or 'the present folder'}")
        elif ending not in known:
            found.fault(None, None, path.name, f"a log that ends in {', '.join(known)}", WAY_OUT)
        else:
            return path.read_bytes()
    except OSError as error:
        found.fault(None, None, path.name, "a file that can be opened", (error.strerror or "it cannot be read").lower())
    except ValueError:
        found.fault(None, None, str(path), "a file name")
    return None


def _grid_of_text(data: bytes, name: str, columns: Mapping[str, object] | None,
                  found: Findings) -> list[Sequence[object]] | None:
    """A text file as rows of cells, whatever its encoding and its separator."""
    text = None
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    if text is None or "\0" in text:
        found.fault(None, None, name, "text in UTF-8 or Windows-1252", WAY_OUT)
        return None
    if encoding == "cp1252":
        found.tell(None, None, "told", "not UTF-8: read as Windows-1252")
    best = max((";", "\t", ","), key=lambda mark: max(
        ((recognised(r, columns), len(r)) for r in _first_rows(text, mark)), default=(0, 0)))
    rows: list[Sequence[object]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=best, strict=True)
    try:
        rows.extend(reader)
    except csv.Error as error:
        found.fault(len(rows) + 1, None, str(error), "cells whose quotes open and close",
                    "look for a stray quotation mark in this row or below")
        return None
    return rows


def _first_rows(text: str, mark: str) -> list[list[str]]:
    rows = []
    try:
        rows.extend(islice(csv.reader(io.StringIO(text, newline=""), delimiter=mark), SEARCHED))
    except csv.Error:
        pass
    return rows


def _grid_of_book(data: bytes, name: str, sheet: str | None, columns: Mapping[str, object] | None,
                  found: Findings) -> list[Sequence[object]] | None:
    """A sheet as rows of cells; a cell merged over rows counts for each of them, a formula has to have its value."""
    import openpyxl

    def book(plain: bool, values: bool) -> openpyxl.Workbook:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of parts that a log does not need, such as its drop-down lists
            return openpyxl.load_workbook(io.BytesIO(data), read_only=plain, data_only=values)

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            xml = [parts.read(n) for n in parts.namelist() if n.startswith("xl/worksheets/")]
        simple = not any(re.search(rb"<mergeCell |<f[ >/]", x) for x in xml)
        workbook = book(simple, True)
        visible = [s.title for s in workbook.worksheets if s.sheet_state == "visible"] or workbook.sheetnames
        if sheet is not None and sheet not in workbook.sheetnames:
            found.fault(None, None, f"no sheet {sheet!r} in {name}", f"one of {', '.join(workbook.sheetnames)}",
                        nearest(sheet, workbook.sheetnames))
            return None
        chosen = workbook[sheet or visible[0]]
        if simple:
            chosen.reset_dimensions()  # some programs write a wrong extent, and cells beyond it would be lost
        rows: list[Sequence[object]] = [list(r) for r in chosen.iter_rows(values_only=True)]
        if not simple:
            _fill_merged(chosen, rows, found)
            _refuse_unworked(book(False, False)[chosen.title], rows, _header_at(rows, columns), found)
    except Exception:  # the library has no base class of its own for what a damaged file can raise
        found.fault(None, None, name, "a workbook that can be opened",
                    "is it protected, damaged or an old .xls? " + WAY_OUT)
        return None
    others = [t for t in visible if t != chosen.title]
    if sheet is None and others and not any(recognised(r, columns) for r in rows[:SEARCHED]):
        found.fault(None, None, f"sheet {chosen.title!r} of {name}", "a sheet with a trial log",
                    f"name another with sheet=: {', '.join(others)}")
        return None
    if sheet is None and others:
        found.tell(None, None, "told", f"sheet {chosen.title!r} was read; not read: {', '.join(others)}")
    return rows


def _fill_merged(sheet: object, rows: list[Sequence[object]], found: Findings) -> None:
    for area in sheet.merged_cells.ranges:  # type: ignore[attr-defined]
        top = rows[area.min_row - 1]
        if area.min_col == area.max_col and not blank(top[area.min_col - 1] or ""):
            for i in range(area.min_row, area.max_row):
                rows[i][area.min_col - 1] = top[area.min_col - 1]  # type: ignore[index]
            found.tell(area.min_row, None, "converted", f"merged cell {area.coord}: its value read for all its rows")


def _refuse_unworked(formulas: object, rows: list[Sequence[object]], header_at: int | None, found: Findings) -> None:
    for i, row in enumerate(formulas.iter_rows()):  # type: ignore[attr-defined]
        for j, cell in enumerate(row):
            if cell.data_type == "f" and rows[i][j] is None:
                header = rows[header_at][j] if header_at is not None else None
                found.fault(i + 1, str(header or cell.column_letter), str(cell.value), "the value of this formula",
                            "open the file in the spreadsheet program and save it, so that values are stored")


def _empty(row: Sequence[object]) -> bool:
    return all(c is None or blank(c) for c in row)


def _header_at(grid: list[Sequence[object]], columns: Mapping[str, object] | None) -> int | None:
    """Which of the first rows with something in them names most of the log's columns; None where there is nothing."""
    first = list(islice((i for i, r in enumerate(grid) if not _empty(r)), SEARCHED))
    return max(first, key=lambda i: (recognised(grid[i], columns), -i), default=None)


def _of_grid(grid: list[Sequence[object]], name: str, columns: Mapping[str, object] | None, digest: bytes,
             found: Findings) -> Table | None:
    """Rows of cells as a table: which row is the header, whether units stand under it."""
    at = _header_at(grid, columns)
    if at is None:
        found.fault(None, None, f"nothing in {name}", "a header and a row for each measured edge")
        return None
    for i in range(at):
        if not _empty(grid[i]):
            found.tell(i + 1, None, "set aside", "row above the header")
    header = ["" if c is None else str(c) for c in grid[at]]
    width = len(header)
    body = grid[at + 1:]
    long = [i for i, r in enumerate(body) if len(r) > width and not _empty(r[width:])]
    for i in long[:100]:
        found.fault(at + 2 + i, None, f"{len(body[i])} cells", f"{width} cells, as in the header",
                    "a decimal comma in a comma-separated file stands in quotes; or save with semicolons")
    if len(long) > 100:
        found.fault(at + 2 + long[100], None, f"{len(long) - 100} more such rows from here on", "the same as above")
    if set(map(len, body)) - {width}:
        body = [r if len(r) == width else [*r[:width], *[None] * (width - len(r))] for r in body]
    numbers = np.arange(len(body)) + at + 2
    found.header_row = at + 1
    columns_of_cells = zip(*body, strict=True) if body else [()] * width
    made = [column_of(h, _object_array(cells), numbers) for h, cells in zip(header, columns_of_cells, strict=True)]
    return _finish(name, header, made, digest, found)


def _object_array(cells: Sequence[object]) -> np.ndarray:
    array = np.empty(len(cells), dtype=object)
    array[:] = cells
    return array


def _of_frame(frame: pd.DataFrame, name: str, digest: bytes | None, found: Findings) -> Table | None:
    numbers = np.arange(len(frame)) + 2
    header = [str(c) for c in frame.columns]
    made = [column_of(h, frame.iloc[:, j], numbers) for j, h in enumerate(header)]
    return _finish(name, header, made, digest, found)


def _finish(name: str, header: list[str], columns: list[Column], digest: bytes | None,
            found: Findings) -> Table | None:
    """Empty rows and columns and repeated headers out, the units row apart."""
    for j, column in enumerate(columns):
        if not header[j].strip() and (column.codes >= 0).any():
            header[j] = f"column {j + 1}"
            found.tell(found.header_row, header[j], "told", "this column has no name")
    live = [j for j in range(len(header)) if header[j].strip()]
    header, columns = [header[j].strip() for j in live], [columns[j] for j in live]
    if not columns:
        found.fault(None, None, f"nothing in {name}", "a header and a row for each measured edge")
        return None
    keep = np.any([c.codes >= 0 for c in columns], axis=0)
    again = np.all([c.codes == next((i for i, v in enumerate(c.values) if isinstance(v, str) and v.strip() == h), -2)
                    for c, h in zip(columns, header, strict=True)], axis=0)
    for i in np.flatnonzero(again):
        found.tell(columns[0].row(i), None, "set aside", "the header again")
    keep &= ~again
    rows = np.flatnonzero(keep)
    units_row = None
    if rows.size:
        first = tuple(c.values[c.codes[rows[0]]] if c.codes[rows[0]] >= 0 else "" for c in columns)
        if is_units_row(first, header):
            units_row, keep[rows[0]] = first, False
    if not keep.any():
        found.fault(None, None, f"no rows in {name}", "a row for each measured edge under the header")
        return None
    columns = [Column(h, c.codes, c.values, c.row_numbers).where(keep) for h, c in zip(header, columns, strict=True)]
    return Table(name, tuple(header), tuple(columns), units_row, digest)


def _of_parquet(data: bytes, name: str, digest: bytes, found: Findings) -> Table | None:
    import pyarrow
    import pyarrow.parquet as parquet

    try:
        frame = parquet.read_table(io.BytesIO(data)).to_pandas(ignore_metadata=True)
    except (pyarrow.ArrowException, OSError, ValueError):
        found.fault(None, None, name, "a parquet file that can be opened", WAY_OUT)
        return None
    return _of_frame(frame[[c for c in frame if not str(c).startswith("__index_level_")]], name, digest, found)


def database_frame(address: str, table: str | None, found: Findings) -> tuple[str, pd.DataFrame] | None:
    """Name and rows of a table of a database, or None where it cannot be read: the fault is then in `found`.

    No message and no name repeats the address: it may hold a password.
    """
    import sqlalchemy
    from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError

    kind = re.split(r"[:+]", address, maxsplit=1)[0]
    what = f"a {kind} database"
    try:
        url = sqlalchemy.make_url(address)
        if kind == "sqlite" and url.database and url.database != ":memory:" and not Path(url.database).is_file():
            found.fault(None, None, Path(url.database).name, "a database file that is there")
            return None
        engine = sqlalchemy.create_engine(url)
    except ImportError as error:
        found.fault(None, None, what, f"its driver, the Python package {error.name}", "install it, or export the table")
        return None
    except (ArgumentError, NoSuchModuleError, ValueError):
        found.fault(None, None, what, "a database URL such as sqlite:///trials.db", "check how the URL begins")
        return None
    try:
        with engine.connect() as connection:
            inspector = sqlalchemy.inspect(connection)
            tables = [*inspector.get_table_names(), *inspector.get_view_names()]
            if table is None or table not in tables:
                found.fault(None, None, f"table={table!r}", f"one of {', '.join(tables) or 'no tables at all'}",
                            nearest(str(table), tables))
                return None
            frame = pd.read_sql_table(table, connection)
    except (SQLAlchemyError, OSError, ValueError):
        found.fault(None, None, what, "a database that answers", "check address, name and password with its keeper")
        return None
    finally:
        engine.dispose()
    base = Path(url.database).name if url.database else ""
    return f"table {table} of {kind} {base}".strip(), frame
