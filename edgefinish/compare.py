"""Two results compared, file by file: every number to six figures, every word as it stands."""

from __future__ import annotations

import csv
import io
import json
import logging
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Literal

from .errors import Problem, RunError

FIGURES = 6
# Below this a number is the rest of a sum that should be nought.
NOUGHT = 1e-9
CONTEXT = 8
LARGEST_PAGE = 200_000_000
_NUMBER = re.compile(r"[-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_APART = re.compile(r"[^\s,;:\"'()\[\]{}<>|=/–…·]+")


@dataclass(frozen=True)
class Difference:
    """One place where two results part: `kind` "number", "words" or "file"; what was there, what is there now."""

    file: str
    kind: Literal["number", "words", "file"]
    where: str
    before: str
    now: str

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        return f"{place}: {self.before or 'nothing'!r} then, {self.now or 'nothing'!r} now"


@dataclass(frozen=True)
class Compared:
    """What a comparison found. `last_figure`: numbers that part in the last of six figures only, which is no fault."""

    numbers: int
    last_figure: int
    differences: tuple[Difference, ...]


def same_number(one: float, other: float) -> bool:
    """Whether two numbers are one to six figures: at most one unit of the sixth apart.

    >>> same_number(1.23456, 1.23457), same_number(1.23456, 1.23458), same_number(1e-12, 3e-11)
    (True, False, True)
    """
    if one == other or max(abs(one), abs(other)) < NOUGHT:
        return True
    if not (math.isfinite(one) and math.isfinite(other)):
        return False
    unit = 10.0 ** (math.floor(math.log10(max(abs(one), abs(other)))) - FIGURES + 1)
    return abs(one - other) <= 1.001 * unit


def tokens(text: str) -> list[str]:
    """The words and numbers of a text, without the marks between them.

    >>> tokens("window 1.43–2.57 m/min; 0.2..0.6, P80.")
    ['window', '1.43', '2.57', 'm', 'min', '0.2', '0.6', 'P80']
    """
    found = _APART.findall(text.replace("..", " "))
    return [bare for bare in (t.rstrip(".") for t in found) if bare]


def as_number(token: str) -> float | None:
    """The number that a token is, or None: names with digits, dates and versions are words.

    >>> as_number("1.5e-3"), as_number("P80"), as_number("2.1.0")
    (0.0015, None, None)
    """
    return float(token.replace("−", "-")) if _NUMBER.fullmatch(token) else None


def compare_texts(file: str, before: Sequence[str], now: Sequence[str]) -> Compared:
    """Two texts as tokens. Where one is longer, only the stretch between the first and the last change is told."""
    if len(before) != len(now):
        least = min(len(before), len(now))
        head = next((i for i in range(least) if before[i] != now[i]), least)
        tail = next((i for i in range(least - head) if before[-1 - i] != now[-1 - i]), least - head)
        gap = (" ".join(list(t[head:len(t) - tail])[:4 * CONTEXT]) for t in (before, now))
        return Compared(head + tail, 0, (Difference(file, "words", _context(before, head), *gap),))
    numbers = last = 0
    found = []
    for i, (one, other) in enumerate(zip(before, now, strict=True)):
        value = as_number(one)
        numbers += value is not None
        if one == other:
            continue
        fresh = as_number(other)
        if value is not None and fresh is not None and same_number(value, fresh):
            last += 1
        else:
            kind: Literal["number", "words"] = "words" if value is None or fresh is None else "number"
            found.append(Difference(file, kind, _context(before, i), one, other))
    return Compared(numbers, last, tuple(found))


def _context(words: Sequence[str], at: int) -> str:
    near = " ".join(words[max(0, at - CONTEXT):at])
    return f"after '{near}'" if near else ""


def compare_folders(before: Path, now: Path, leave_out: Sequence[str] = ()) -> Compared:
    """Every file of two results but those below `leave_out`.

    Raises `RunError` for a file that cannot be read.
    """
    files = [{str(p.relative_to(folder)) for p in folder.rglob("*")
              if p.is_file() and ".ipynb_checkpoints" not in p.parts
              and p.relative_to(folder).parts[0] not in leave_out} for folder in (before, now)]
    parts = [Compared(0, 0, tuple(Difference(name, "file", "", *("there" if name in f else "" for f in files))
                                  for name in sorted(files[0] ^ files[1])))]
    parts += [compare_texts(name, read_tokens(before / name), read_tokens(now / name))
              for name in sorted(files[0] & files[1])]
    return Compared(sum(p.numbers for p in parts), sum(p.last_figure for p in parts),
                    tuple(d for p in parts for d in p.differences))


def read_tokens(path: Path) -> list[str]:
    """The words and numbers of a page, table, record or notebook of a result, in reading order.

    Raises `RunError` for a file that cannot be read.
    """
    try:
        if path.stat().st_size > LARGEST_PAGE:
            raise ValueError("far larger than any page of a result")
        if path.suffix.lower() == ".pdf":
            return tokens(pdf_text(path.read_bytes()))
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".csv":
            return [t for row in csv.reader(io.StringIO(text)) for cell in row for t in tokens(cell)]
        if path.suffix == ".json":
            return list(_leaves(json.loads(text)))
        if path.suffix == ".ipynb":
            return list(_leaves([_outputs(cell) for cell in json.loads(text)["cells"]]))
        return tokens(page_text(text))
    except (OSError, ValueError, TypeError, KeyError, AttributeError, csv.Error, RecursionError) as error:
        # Of the errors that are not of this room, such as of a text that is none, the words are a programmer's.
        said = error.strerror if isinstance(error, OSError) else str(error) if type(error) is ValueError else ""
        raise RunError(Problem(None, None, path.name, "a page as a run leaves it", said or "it cannot be read")
                       ) from None


def _leaves(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key in sorted(value):
            yield from tokens(str(key))
            yield from _leaves(value[key])
    elif isinstance(value, list):
        for entry in value:
            yield from _leaves(entry)
    else:
        yield from tokens(str(value))


def _outputs(cell: dict[str, Any]) -> list[Any]:
    """What a cell shows: streams as text, results in each form but a page's style."""
    shown: list[Any] = []
    for output in cell.get("outputs", []):
        data = {kind: "".join(v) if isinstance(v, list) else v for kind, v in output.get("data", {}).items()}
        shown += ["".join(output.get("text", [])),
                  *(page_text(data[k]) if k == "text/html" else data[k] for k in sorted(data))]
    return shown


class _Page(HTMLParser):
    """Gathers what a page says and the numbers that its figures are drawn from."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self.inside.append(tag)
        self.texts += [value or "" for name, value in attrs if name in ("x", "y", "x1", "x2", "y1", "y2", "width", "d")]

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        # A library starts with its licence in a remark; what a run writes does not.
        if "style" not in self.inside and not ("script" in self.inside and data.lstrip().startswith("/*")):
            self.texts.append(data)


def page_text(page: str) -> str:
    """What a page says, and the numbers of its drawings, without style and libraries.

    >>> page_text("<style>p {top: 1px}</style><p>Set point <b>1.7</b></p>").split()
    ['Set', 'point', '1.7']
    """
    reader = _Page()
    reader.feed(page)
    reader.close()
    return " ".join(reader.texts)


def pdf_text(data: bytes) -> str:
    """What a PDF says.

    Raises `ValueError` for one that cannot be read.
    """
    import pypdf

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what is wrong is said below, once
    try:
        return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)
    except Exception:  # the library has no base class of its own for what a damaged file can raise
        raise ValueError("no PDF that can be read") from None
