"""Files that a shop, a broken program or somebody with ill will may hand over; each is built here, none is stored."""

from __future__ import annotations

import io
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet
import xlsxwriter
from logs import clean

CLEAN = clean()
NUMBERS = tuple(c for c in CLEAN if c.endswith(("_mm", "_min", "_kPa", "_hours", "passes")))


def csv_of(frame: pd.DataFrame = CLEAN, separator: str = ",") -> str:
    return frame.to_csv(index=False, sep=separator, lineterminator="\r\n")


def typed(frame: pd.DataFrame = CLEAN) -> list[list[object]]:
    """Rows as they are typed into a spreadsheet: numbers as numbers."""
    return [list(frame.columns), *[[float(v) if c in NUMBERS and v else v for c, v in zip(frame, row, strict=True)]
                                   for row in frame.to_numpy(dtype=object)]]


def with_cell(row: int, column: str, cell: object, frame: pd.DataFrame = CLEAN) -> pd.DataFrame:
    """The log with one cell changed, by the spreadsheet's row."""
    frame = frame.astype(object)
    frame.loc[row - 2, column] = cell
    return frame


def sheet(change: Callable[[openpyxl.worksheet.worksheet.Worksheet], object] | None = None,
          frame: pd.DataFrame = CLEAN) -> bytes:
    """A workbook with the log, changed by hand."""
    workbook = openpyxl.Workbook()
    page = workbook.active
    for row in typed(frame):
        page.append(row)
    if change:
        change(page)
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def patched(part: str, old: str, new: str, data: bytes | None = None) -> bytes:
    """The workbook with a text in one of its parts replaced, as another program may write it."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data or sheet())) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as to:
        for name in source.namelist():
            text = source.read(name)
            if name == part:
                assert old.encode() in text, (part, old)
                text = text.replace(old.encode(), new.encode(), 1)
            to.writestr(name, text)
    return out.getvalue()


PAGE = "xl/worksheets/sheet1.xml"


def in_page(old: str, new: str, data: bytes | None = None) -> bytes:
    return patched(PAGE, old, new, data)


def formulas(value: object) -> bytes:
    """A workbook whose radii are formulas with a stored value, marked to be worked out when it is next opened."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as workbook:
        page = workbook.add_worksheet()
        for i, row in enumerate(typed()):
            for j, cell in enumerate(row):
                if i and CLEAN.columns[j] == "edge_radius_mm":
                    page.write_formula(i, j, "=1/3", None, value)
                else:
                    page.write(i, j, cell)
    return out.getvalue()


def bomb(megabytes: int = 700) -> bytes:
    """A workbook of well under a megabyte whose sheet unpacks to far more."""
    out = io.BytesIO()
    zeros = b" " * 1_000_000
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as to, to.open(PAGE, "w") as part:
        for _ in range(megabytes):
            part.write(zeros)
    return out.getvalue()


def claims(size: int, name: str = PAGE) -> bytes:
    """A sound workbook whose directory claims that one part unpacks to `size` bytes."""
    data = bytearray(sheet())
    at = data.index(b"PK\x01\x02")
    while at >= 0:
        length = struct.unpack_from("<H", data, at + 28)[0]
        if data[at + 46:at + 46 + length] == name.encode():
            struct.pack_into("<I", data, at + 24, size)
            break
        at = data.index(b"PK\x01\x02", at + 4)
    return bytes(data)


def nested() -> bytes:
    """A parquet file whose radii are lists."""
    table = pa.table({c: [[float(v)] for v in CLEAN[c]] if c == "edge_radius_mm" else CLEAN[c].tolist() for c in CLEAN})
    return packed(table)


def packed(table: pa.Table) -> bytes:
    out = io.BytesIO()
    parquet.write_table(table, out)
    return out.getvalue()


def frame_parquet(frame: pd.DataFrame) -> bytes:
    return packed(pa.table({c: pa.array(frame[c].tolist()) for c in frame}))


def many_rows() -> bytes:
    """A small parquet file with two million rows, all alike."""
    return packed(pa.table({"run": pa.DictionaryArray.from_arrays(pa.array([0] * 2_000_000, pa.int8()), ["R1"])}))


def sqlite_file(folder: Path, script: str) -> str:
    """A SQLite file with the log in a table `edges`, changed by a script; its URL."""
    path = folder / "trials.db"
    connection = sqlite3.connect(path)
    CLEAN.to_sql("edges", connection, index=False)
    connection.executescript(script)
    connection.close()
    return f"sqlite:///{path}"


def dates_for_numbers(page: openpyxl.worksheet.worksheet.Worksheet) -> None:
    """Thickness 3/8 typed into a cell that made a date of it."""
    for row in range(2, 6):
        page.cell(row, 3).value = datetime(2026, 8, 3)


def beside(page: openpyxl.worksheet.worksheet.Worksheet) -> None:
    """The same table a second time to the right."""
    for i, row in enumerate(typed(), 1):
        for j, cell in enumerate(row, 13):
            page.cell(i, j).value = cell


def below(page: openpyxl.worksheet.worksheet.Worksheet) -> None:
    """A table of sheets bought, under the log."""
    page.append([])
    page.append(["sheet", "bought", "price", "from", "for", "grit", "left"])
    page.append(["A0", "2026-01-01", 12, "store", "line 2", "P80", 4])
