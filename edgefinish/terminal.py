"""What is printed for people: tables in columns, long sentences wrapped, colour where a terminal shows it."""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Mapping, Sequence
from typing import TextIO

COLOURS: Mapping[str, str] = {"bold": "1", "red": "31", "green": "32", "yellow": "33"}
NARROWEST = 40


def coloured(stream: TextIO) -> bool:
    """Whether colour is shown: on a terminal that knows it, unless NO_COLOR is set (https://no-color.org)."""
    return (stream.isatty() and os.name == "posix" and not os.environ.get("NO_COLOR")
            and os.environ.get("TERM", "dumb") != "dumb")


def room(stream: TextIO) -> int | None:
    """Columns of the terminal; None where there is none, so that a file or a program gets whole lines."""
    return max(shutil.get_terminal_size().columns, NARROWEST) if stream.isatty() else None


def paint(text: str, colour: str) -> str:
    """Text in a colour.

    >>> paint("no window", "red")
    '\\x1b[31mno window\\x1b[0m'
    """
    return f"\x1b[{COLOURS[colour]}m{text}\x1b[0m"


def wrapped(text: str, columns: int | None) -> str:
    """A paragraph in the room that there is, its further lines set in.

    >>> print(wrapped("S355, 10 mm: no window. Run 3 plates.", 24))
    S355, 10 mm: no window.
      Run 3 plates.
    """
    if columns is None:
        return text
    return textwrap.fill(text, columns, subsequent_indent="  ", break_on_hyphens=False)


def in_columns(rows: Sequence[Sequence[str]], columns: int | None = None) -> list[str]:
    """Rows of words as lines, each column as wide as its longest word; last columns for which there is no room go.

    >>> in_columns([["job", "window"], ["S355, 10 mm", "no window"]])
    ['job          window', 'S355, 10 mm  no window']
    >>> in_columns([["job", "window"], ["S355, 10 mm", "no window"]], 20)
    ['job', 'S355, 10 mm']
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    while columns is not None and len(widths) > 1 and sum(widths) + 2 * (len(widths) - 1) > columns:
        widths.pop()
    return ["  ".join(word.ljust(width) for word, width in zip(row, widths, strict=False)).rstrip() for row in rows]
