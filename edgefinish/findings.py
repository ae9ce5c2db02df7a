"""What a reader of logs found: things told, and faults, each with its row as the spreadsheet counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from .errors import LogError, Problem, without_address

Kind = Literal["converted", "set aside", "told"]
SHOWN = 60  # characters of a cell or a column's name that are shown
LISTED = 100  # faults of one column that are listed one by one, and values of one column that are told one by one


@dataclass(frozen=True)
class Message:
    """One thing that was converted, set aside or only told, with the row that the spreadsheet shows.

    `file` is named where a log was read from several files.

    >>> print(Message(3, "grit", "converted", "bare '80' read as P80"))
    row 3, column grit: converted: bare '80' read as P80
    """

    row: int | None
    column: str | None
    kind: Kind
    text: str
    file: str | None = None

    def __str__(self) -> str:
        place = ", ".join(p for p in (self.file or "", f"row {self.row}" if self.row is not None else "",
                                      f"column {self.column}" if self.column else "") if p)
        return f"{place + ': ' if place else ''}{self.kind}: {self.text}"


@dataclass(frozen=True)
class FileProblem(Problem):
    """A fault in one of several files of a log.

    >>> print(FileProblem(7, "grit", "P81", "a P-scale grit", "", "north.csv"))
    north.csv, row 7, column grit: found 'P81', wanted a P-scale grit
    """

    file: str = ""

    def __str__(self) -> str:
        text = super().__str__()
        return f"{self.file}{', ' if self.row is not None or self.column else ': '}{text}"


class NoCell(str):
    """What is no number, word or date, such as bytes or a list, by the name of its kind; refused where one is wanted.

    >>> NoCell("bytes")
    'bytes'
    """


def blank(cell: object) -> bool:
    """Whether a cell holds nothing but spaces.

    >>> blank("  "), blank(0.0)
    (True, False)
    """
    return isinstance(cell, str) and not cell.strip()


def as_written(cell: object) -> str:
    """A cell as a person would find it in the log.

    >>> as_written(12.0), as_written(" S355 ")
    ('12', ' S355 ')
    """
    if isinstance(cell, str):
        cell = without_address(cell)
        return cell if len(cell) <= SHOWN else cell[:SHOWN - 3] + "…"
    if isinstance(cell, (float, np.floating)):
        return f"{float(cell):.15g}"
    try:
        return as_written(str(cell))
    except ValueError:  # a whole number too long to be written out
        return f"a {type(cell).__name__} too long to show"


def printable(text: str) -> str:
    """A text on one line in which nothing can steer the terminal that shows it.

    >>> print(printable("feed\\x1b[2J  speed"))
    feed\\x1b[2J speed
    """
    text = " ".join(without_address(text).split())
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def _named(column: str | None) -> str | None:
    return None if column is None else as_written(printable(column))


@dataclass(frozen=True)
class Column:
    """One column of a log by its different values: row i holds `values[codes[i]]`, and nothing where the code is −1.

    `row_numbers` are the rows as the spreadsheet counts; an empty array marks a constant that holds for every row.
    """

    header: str
    codes: np.ndarray
    values: tuple[object, ...]
    row_numbers: np.ndarray

    def row(self, position: int) -> int | None:
        """The spreadsheet's number of the row at a position; None for a constant."""
        return int(self.row_numbers[position]) if self.row_numbers.size else None

    def where(self, mask: np.ndarray) -> Column:
        """The same column with only the rows that the mask keeps, and only the values that they hold."""
        used, codes = np.unique(self.codes[mask], return_inverse=True)
        held = [int(u) for u in used if u >= 0]
        return Column(self.header, codes - (len(used) - len(held)), tuple(self.values[u] for u in held),
                      self.row_numbers[mask])

    def rows_of(self, wanted: Iterable[int]) -> np.ndarray:
        """Positions of the rows that hold one of these values, in the log's order; one only for a constant."""
        where = np.flatnonzero(np.isin(self.codes, np.fromiter(wanted, dtype=np.intp)))
        return where if self.row_numbers.size else where[:1]


@dataclass
class Findings:
    """Collects while a log is read; `settle` raises everything that was wrong at once. `in_study`: for a study file."""

    file: str | None = None
    in_study: bool = False
    header_row: int = 1
    messages: list[Message] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def how(self, key: str) -> str:
        """How a sheet or a table is named where the log is.

        >>> Findings(in_study=True).how("sheet"), Findings().how("sheet")
        ("with a line 'sheet: …' in the study", 'with sheet= in Python, --sheet of check')
        """
        return f"with a line '{key}: …' in the study" if self.in_study else f"with {key}= in Python, --{key} of check"

    def tell(self, row: int | None, column: str | None, kind: Kind, text: str) -> None:
        """Note one thing."""
        self.messages.append(Message(row, _named(column), kind, printable(text), self.file))

    def fault(self, row: int | None, column: str | None, found: object, wanted: str, remedy: str = "",
              address: str = "") -> None:
        """Note one fault; `address`: with what the remedy ends, of a file, so that nothing in it is to be hidden."""
        entry = (row, _named(column), as_written(found), printable(wanted), printable(remedy) + address)
        self.problems.append(Problem(*entry) if self.file is None else FileProblem(*entry, self.file))

    def faulty(self, column: str) -> bool:
        """Whether a column's header or its unit below has a fault already: what follows from it is not said again."""
        top = (self.header_row, self.header_row + 1)
        return any(p.column == _named(column) and p.row in top for p in self.problems)

    def faults(self, column: Column, bad: Mapping[int, tuple[str, str]]) -> None:
        """Note the faults of a column: value index → (wanted, remedy), one for each row up to a readable number."""
        if not bad:
            return
        where = column.rows_of(bad)
        for i in where[:LISTED]:
            code = int(column.codes[i])
            self.fault(column.row(i), column.header, column.values[code] if code >= 0 else "nothing", *bad[code])
        if len(where) > LISTED:
            self.fault(column.row(where[LISTED]), column.header, f"{len(where) - LISTED} more such rows from here on",
                       "the same as above")

    def tell_values(self, column: Column, told: Mapping[int, str], kind: Kind = "converted") -> None:
        """Note what became of values of a column: value index → text, once for each value, at its first row."""
        if not told:
            return
        seen, first, count = np.unique(column.codes, return_index=True, return_counts=True)
        at = sorted((int(first[j]), int(code), int(count[j])) for j, code in enumerate(seen) if int(code) in told)
        for i, code, n in at[:LISTED]:
            more = f" ({n} rows)" if n > 1 and column.row_numbers.size else ""
            self.tell(column.row(i), column.header, kind, told[code] + more)
        if len(at) > LISTED:
            self.tell(column.row(at[LISTED][0]), column.header, kind,
                      f"{len(at) - LISTED} more different values in the same way")

    def settle(self, subject: str) -> None:
        """Raise `LogError` with every fault found so far, in the order of their rows; nothing where there is none."""
        if self.problems:
            ordered = sorted(self.problems, key=lambda p: (getattr(p, "file", ""), p.row is not None, p.row or 0))
            raise LogError(ordered, subject)
