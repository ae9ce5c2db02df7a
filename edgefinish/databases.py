"""A table of a database as columns: read in pieces, read-only, within a time, and never a word of who may log in."""

from __future__ import annotations

import math
import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from decimal import Decimal
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from .errors import nearest
from .findings import Findings
from .workbook import MOST_ROWS

if TYPE_CHECKING:
    import sqlalchemy

PATIENCE_S = 60.0  # for the connection, and for each piece of the answer
PIECE = 5_000  # rows fetched at a time
LONGEST_CELL = 1_000_000  # bytes of one cell that SQLite may hand over
_POSTGRESQL = ("postgresql", "postgres")
# What a server says in the codes of the SQL standard and of PostgreSQL: found, wanted, what to do.
_SAID = {
    "57014": ("no answer in time", "an answer within {patience:g} s", "is the table a slow view? export it to a file"),
    "42501": ("a name that may not read this table", "leave to read it", "ask the database's keeper for SELECT on it"),
    "3D000": ("no database of that name", "a database that is there", "check the end of the URL"),
    "25006": ("a view that changes the database", "a table or view that can be only read", "export it to a file"),
    "28": ("a name or password that is not accepted", "a name that may log in", "check both with its keeper"),
}


@dataclass
class Gathered:
    """Columns of a table by their different values, filled piece by piece; memory grows with those and a code a row.

    Values are texts, numbers, dates, or bytes for all that a log cannot hold.
    """

    header: tuple[str, ...]
    seen: list[dict[object, int]] = field(default_factory=list)
    codes: list[list[np.ndarray]] = field(default_factory=list)
    rows: int = 0

    def __post_init__(self) -> None:
        """One place for each column."""
        self.seen = [{} for _ in self.header]
        self.codes = [[] for _ in self.header]

    def add(self, piece: Sequence[Sequence[object]]) -> None:
        """Rows below those that are there."""
        self.rows += len(piece)
        for known, codes, cells in zip(self.seen, self.codes, zip(*piece, strict=True), strict=True):
            codes.append(np.array([self._code(known, cell) for cell in cells], dtype=np.int32))

    @staticmethod
    def _code(known: dict[object, int], cell: object) -> int:
        if cell is None or (isinstance(cell, (float, Decimal)) and math.isnan(cell)):
            return -1
        if isinstance(cell, Decimal):
            cell = float(cell)
        elif not isinstance(cell, (str, int, float, date, time, timedelta)):
            cell = bytes(cell) if isinstance(cell, (bytes, bytearray, memoryview)) else repr(cell).encode()
        # Of values that Python counts as equal, such as 1 and True, each kind is kept apart.
        return known.setdefault((type(cell), cell), len(known))

    def columns(self) -> Iterator[tuple[np.ndarray, tuple[object, ...]]]:
        """Codes and values of each column, in the order of the header."""
        for known, codes in zip(self.seen, self.codes, strict=True):
            yield (np.concatenate(codes).astype(np.intp) if codes else np.empty(0, dtype=np.intp),
                   tuple(value for _, value in known))  # type: ignore[misc]


def gathered_table(address: str, table: str | None, found: Findings) -> tuple[str, Gathered] | None:
    """A table's name and columns; None, and a fault, where it cannot be read.

    No message repeats the address, nor what driver or server say: either may hold a password. The table may be a view
    and carry its schema's name before a point.
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
        engine = _engine(url)
    except ImportError as error:
        found.fault(None, None, what, f"its driver, the Python package {error.name}",
                    "install it, for PostgreSQL with: pip install 'edgefinish[postgresql]'; or export the table")
        return None
    except (ArgumentError, NoSuchModuleError, ValueError, TypeError):
        found.fault(None, None, what, "a database URL such as sqlite:///trials.db", "check how the URL begins")
        return None
    name = f"table {table} of {kind} {Path(url.database).name if url.database else ''}".strip()
    try:
        with _read_only(engine) as connection:
            here = _found_table(connection, table, found)
            return None if here is None else _read(connection, here, name, found)
    except (SQLAlchemyError, OSError, ValueError, OverflowError) as error:
        found.fault(None, None, *_reason(error, kind, what))
        return None
    finally:
        engine.dispose()


def database_frame(address: str, table: str | None, found: Findings) -> tuple[str, pd.DataFrame] | None:
    """Name and rows of a table of a database; None, and a fault, where it cannot be read."""
    read = gathered_table(address, table, found)
    if read is None:
        return None
    columns = {h: pd.Series(np.array([*values, None], dtype=object)[codes]).infer_objects()
               for h, (codes, values) in zip(read[1].header, read[1].columns(), strict=True)}
    return read[0], pd.DataFrame(columns)


def _engine(url: sqlalchemy.URL) -> sqlalchemy.Engine:
    import sqlalchemy

    kind = url.get_backend_name() if url.drivername not in _POSTGRESQL else "postgresql"
    if kind == "sqlite":
        return sqlalchemy.create_engine("sqlite://", creator=lambda: _sqlite(url.database),
                                        poolclass=sqlalchemy.pool.NullPool)
    if url.drivername in _POSTGRESQL:
        url = url.set(drivername="postgresql+psycopg")
    waits = {"connect_timeout": max(2, math.ceil(PATIENCE_S / 4))} if kind == "postgresql" else {}
    return sqlalchemy.create_engine(url, connect_args=waits, poolclass=sqlalchemy.pool.NullPool)


def _sqlite(path: str | None) -> sqlite3.Connection:
    """A file opened for reading alone, in which no view can run for ever or call what the file brings along."""
    there = path and path != ":memory:"
    connection = sqlite3.connect(f"file:{quote(str(path))}?mode=ro" if there else ":memory:", uri=bool(there),
                                 timeout=PATIENCE_S / 4)
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA query_only = ON")
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_CELL)
    end = monotonic() + PATIENCE_S
    connection.set_progress_handler(lambda: monotonic() > end, 100_000)
    return connection


@contextmanager
def _read_only(engine: sqlalchemy.Engine) -> Iterator[sqlalchemy.Connection]:
    """A connection in a transaction that may only read and does not wait for ever, and is never committed."""
    options: dict[str, Any] = {"postgresql_readonly": True} if engine.dialect.name == "postgresql" else {}
    with engine.connect().execution_options(**options) as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SET LOCAL statement_timeout = {math.ceil(1000 * PATIENCE_S)}")
        yield connection


def _found_table(connection: sqlalchemy.Connection, table: str | None,
                 found: Findings) -> sqlalchemy.TableClause | None:
    """The table or view of that name, which must be there."""
    import sqlalchemy

    inspector = sqlalchemy.inspect(connection)
    tables = [*inspector.get_table_names(), *inspector.get_view_names()]
    if table in tables:
        return sqlalchemy.table(str(table))
    schema, _, name = str(table).rpartition(".")
    if schema and schema in inspector.get_schema_names() and name in [
            *inspector.get_table_names(schema), *inspector.get_view_names(schema)]:
        return sqlalchemy.table(name, schema=schema)
    some = ", ".join(tables[:20]) + (" and others" if len(tables) > 20 else "")
    found.fault(None, None, f"table={table!r}", f"one of {some}" if tables else "a database with a table in it",
                nearest(str(table), tables))
    return None


def _read(connection: sqlalchemy.Connection, table: sqlalchemy.TableClause, name: str,
          found: Findings) -> tuple[str, Gathered] | None:
    import sqlalchemy

    with connection.execute(sqlalchemy.select(sqlalchemy.text("*")).select_from(table),
                            execution_options={"yield_per": PIECE}) as result:
        gathered = Gathered(tuple(map(str, result.keys())))
        for piece in result.partitions(PIECE):
            gathered.add(piece)
            if gathered.rows > MOST_ROWS:
                found.fault(None, None, f"more than {MOST_ROWS} rows", "a trial log",
                            "name a view with the rows that count")
                return None
    return name, gathered


def _reason(error: Exception, kind: str, what: str) -> tuple[str, str, str]:
    """Why there was no answer, in our own words: found, wanted, what to do."""
    cause = getattr(error, "orig", None)
    state = str(getattr(cause, "sqlstate", None) or "")
    said = str(cause)
    if kind == "sqlite" and "interrupted" in said:
        state = "57014"
    for code, (seen, wanted, remedy) in _SAID.items():
        if state.startswith(code):
            return f"{what}: {seen}", wanted.format(patience=PATIENCE_S), remedy
    if kind == "sqlite":
        locked = "locked" in said
        return (f"{what}{': in use by another program' if locked else ''}", "a SQLite file that can be read",
                "try again when that program is done" if locked else "is it damaged, or of another kind?")
    return what, "a database that answers", "is it running? check address, name and password with its keeper"
