"""Where a trial log comes from: a csv, xlsx or parquet file, a database table, a DataFrame; each becomes one table."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from decimal import Decimal
from itertools import islice
from numbers import Real
from pathlib import Path

import numpy as np
import pandas as pd

from .databases import gathered_table
from .errors import nearest
from .findings import Column, Findings, NoCell, blank, printable
from .headers import SEARCHED, empty, header_at, is_units_row, meaning_of, recognised
from .workbook import MOST_COLUMNS, MOST_ROWS, WAY_OUT, Grid, grid_of_book

HEADER_FROM = 3  # of the log's columns named in a row above make it a header too
MOST_NAMES = 10_000  # different cells of a column among which the words of another header are looked for
MOST_NUMBER = 1e300
LOOKED_AT = 1_000_000  # first characters in which the separator is looked for
MOST_FILE_BYTES = 1_000_000_000
TEXT_FILES = (".csv", ".tsv", ".txt")
BOOKS = (".xlsx", ".xlsm")
DATABASES = (".db", ".sqlite", ".sqlite3")
# How files of another kind begin that are given the ending of a text file.
_STARTS = {b"PK\x03\x04": "a workbook or other packed file", b"\xd0\xcf\x11\xe0": "an old workbook", b"PAR1": "a "
           "parquet file", b"%PDF": "a PDF file", b"SQLite format 3": "a SQLite database"}
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
    if isinstance(cells.dtype, pd.PeriodDtype):
        cells = cells.astype(str)  # a day as it is written; a month is no date
    if cells.dtype == object and pd.api.types.infer_dtype(cells, skipna=True) != "string":
        cells = _object_array([_cell(c) for c in cells])
    codes, unique = pd.factorize(cells)
    return _column(header, codes, tuple(str(v).upper() if isinstance(v, (bool, np.bool_)) else v for v in list(unique)),
                   row_numbers)


def _column(header: str, codes: np.ndarray, values: tuple[object, ...], row_numbers: np.ndarray) -> Column:
    without = np.array([blank(v) for v in values] + [True])
    return Column(header, np.where(without[codes], -1, codes), values, row_numbers)


def _cell(cell: object) -> object:
    """A cell as a number, word or date; what is none of them is marked so, and True is no 1."""
    if cell is None or isinstance(cell, (str, float, date, time, timedelta)):
        return cell
    if isinstance(cell, (bool, np.bool_)):
        return str(cell).upper()
    if isinstance(cell, Decimal):
        return float(cell) if cell.is_finite() else NoCell(str(cell))
    if isinstance(cell, Real):
        return cell if -MOST_NUMBER < cell < MOST_NUMBER else NoCell(f"a number beyond {MOST_NUMBER:g}")
    return None if cell is pd.NA or cell is pd.NaT else NoCell(type(cell).__name__)


def read_table(source: SourceLike, sheet: str | None, table: str | None, columns: Mapping[str, object] | None,
               found: Findings) -> Table | None:
    """The source as a table, or None where it cannot be read at all: the fault is then in `found`."""
    if not isinstance(source, (str, Path, pd.DataFrame)):
        found.fault(None, None, type(source).__name__, "a file name, a database URL, a DataFrame, or a list of them")
        return None
    path = Path("DataFrame" if isinstance(source, pd.DataFrame) else source)
    database, ending = isinstance(source, str) and "://" in source, path.suffix.lower()
    name = "a database" if database else path.name
    if table is not None and not database:
        found.fault(None, None, f"table={table!r} for {name}", "table= with a database URL only", "leave it out")
        return None
    if sheet is not None and (database or ending not in BOOKS):
        found.fault(None, None, f"sheet={sheet!r} for {name}", "sheet= with a spreadsheet only", "leave it out")
        return None
    if isinstance(source, pd.DataFrame):
        return _of_frame(source, "DataFrame", None, found)
    if database:
        return _of_database(str(source), table, found)
    data = bytes_of(path, found)
    if data is None:
        return None
    digest = hashlib.sha256(data).digest()
    if ending in BOOKS:
        grid = grid_of_book(data, path.name, sheet, columns, found)
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
        elif ending in DATABASES:
            found.fault(None, None, path.name, "a database by its address",
                        f"name its table {found.how('table')}, and the database itself as",
                        f" sqlite:///{printable(path.name)}")
        elif ending not in known:
            found.fault(None, None, path.name, f"a log that ends in {', '.join(known)}", WAY_OUT)
        elif not path.is_file():
            found.fault(None, None, path.name, "a file; this is a pipe or a device", "copy what comes out of it to one")
        elif path.stat().st_size > MOST_FILE_BYTES:
            found.fault(None, None, f"{path.stat().st_size // 1_000_000} MB in {path.name}",
                        f"a log of at most {MOST_FILE_BYTES // 1_000_000} MB", "leave out what is no trial")
        else:
            return path.read_bytes()
    except OSError as error:
        found.fault(None, None, path.name, "a file that can be opened", (error.strerror or "it cannot be read").lower())
    except ValueError:
        found.fault(None, None, str(path), "a file name")
    return None


def _grid_of_text(data: bytes, name: str, columns: Mapping[str, object] | None, found: Findings) -> Grid | None:
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
        found.fault(None, None, next((f"{what} named {name}" for start, what in _STARTS.items()
                                      if data.startswith(start)), f"no text in {name}"),
                    "text in UTF-8 or Windows-1252", WAY_OUT)
        return None
    if encoding == "cp1252":
        found.tell(None, None, "told", "not UTF-8: read as Windows-1252")
    best = max((";", "\t", ","), key=lambda mark: max(
        ((recognised(r, columns), len(r)) for r in _first_rows(text, mark)), default=(0, 0)))
    rows: Grid = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=best, strict=True)
    try:
        for row in reader:
            rows.append(row)
            if len(row) > MOST_COLUMNS or len(rows) > MOST_ROWS:
                found.fault(len(rows), None, f"{len(row)} cells" if len(row) > MOST_COLUMNS else f"row {len(rows)}",
                            f"a log of at most {MOST_ROWS} rows and {MOST_COLUMNS} columns", WAY_OUT)
                return None
    except csv.Error as error:
        if "field larger" in str(error):
            found.fault(len(rows) + 1, None, f"a cell of more than {csv.field_size_limit()} characters",
                        "a trial log", "look for a quotation mark that does not close, or leave out the text")
        else:
            found.fault(len(rows) + 1, None, str(error), "cells whose quotes open and close",
                        "look for a stray quotation mark in this row or below")
        return None
    if len(rows) > 2 and text[-1] not in "\r\n" and 0 < len(rows[-1]) < min(len(r) for r in rows[-3:-1]):
        found.fault(len(rows), None, f"{len(rows[-1])} cells and no line end", "a last row that is whole",
                    "was the file cut off? copy it again")
        return None
    return rows


def _first_rows(text: str, mark: str) -> list[list[str]]:
    rows = []
    try:
        rows.extend(islice(csv.reader(io.StringIO(text[:LOOKED_AT], newline=""), delimiter=mark), SEARCHED))
    except csv.Error:
        pass
    return rows


def _of_grid(grid: list[Sequence[object]], name: str, columns: Mapping[str, object] | None, digest: bytes,
             found: Findings) -> Table | None:
    """Rows of cells as a table: which row is the header, whether units stand under it."""
    at = header_at(grid, columns)
    if at is None:
        found.fault(None, None, f"nothing in {name}", "a header and a row for each measured edge")
        return None
    for i in range(at):
        if recognised(grid[i], columns) >= HEADER_FROM:
            found.fault(i + 1, None, f"a header here and in row {at + 1}", "one table",
                        "save each table as a log of its own, or put the rows under one header")
        elif not empty(grid[i]):
            found.tell(i + 1, None, "set aside", "row above the header")
    header = ["" if c is None else str(c) for c in grid[at]]
    width = len(header)
    body = grid[at + 1:]
    long = [i for i, r in enumerate(body) if len(r) > width and not empty(r[width:])]
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
    keep &= _before_another_header(columns, keep, found)
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


def _before_another_header(columns: Sequence[Column], keep: np.ndarray, found: Findings) -> np.ndarray:
    """Which rows stand above a second header whose columns are others than the first's; it is a fault, and what stands
    under it is not read: its numbers would be taken for other columns'."""
    names = np.zeros(len(keep), int)
    for column in columns:
        if len(column.values) <= MOST_NAMES:
            named = [isinstance(v, str) and meaning_of(v) is not None for v in column.values]
            names += np.array([*named, False])[column.codes]
    at = np.flatnonzero(keep & (names >= HEADER_FROM))
    if not at.size:
        return np.ones(len(keep), bool)
    found.fault(columns[0].row(at[0]), None, "a second header, other than the first", "one table, under one header",
                "put this table into a sheet or file of its own, and name both as the log")
    return np.arange(len(keep)) < at[0]


def _of_parquet(data: bytes, name: str, digest: bytes, found: Findings) -> Table | None:
    """A parquet file; texts come as their different values, so that a small file cannot grow without end."""
    import pyarrow
    import pyarrow.parquet as parquet

    try:
        file = parquet.ParquetFile(io.BytesIO(data), page_checksum_verification=True)
        rows, width = file.metadata.num_rows, file.metadata.num_columns
        if rows > MOST_ROWS or width > MOST_COLUMNS:
            found.fault(None, None, f"{rows} rows of {width} columns",
                        f"a log of at most {MOST_ROWS} rows and {MOST_COLUMNS} columns", "leave out what is no trial")
            return None
        texts = [f.name for f in file.schema_arrow if pyarrow.types.is_string(f.type)
                 or pyarrow.types.is_large_string(f.type)]
        frame = parquet.ParquetFile(io.BytesIO(data), page_checksum_verification=True, read_dictionary=texts) \
            .read().to_pandas(ignore_metadata=True)
    except (pyarrow.ArrowException, OSError, ValueError, OverflowError):
        found.fault(None, None, name, "a parquet file that can be opened", WAY_OUT)
        return None
    return _of_frame(frame[[c for c in frame if not str(c).startswith("__index_level_")]], name, digest, found)


def _of_database(address: str, table: str | None, found: Findings) -> Table | None:
    read = gathered_table(address, table, found)
    if read is None:
        return None
    name, gathered = read
    numbers = np.arange(gathered.rows) + 2
    made = [_column(h, codes, tuple(map(_cell, values)), numbers)
            for h, (codes, values) in zip(gathered.header, gathered.columns(), strict=True)]
    return _finish(name, list(gathered.header), made, None, found)
