"""Cells of a log into words: identifiers stay text, and the few words that mean something get their one spelling."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable
from datetime import date, datetime
from numbers import Integral, Real

import numpy as np
import pandas as pd

from .abrasive import BARE_UP_TO, GRAIN_UM, grit_name
from .errors import nearest
from .findings import Column, Findings, NoCell, as_written, printable
from .headers import REQUIRED
from .job import CUT_PROCESSES

LONGEST_NAME = 100
FREE_TEXT = ("operator", "note")
EDGE_POSITIONS = ("leading", "trailing", "lateral", "cutout")
_POSITION_SPELLINGS = {"lead": "leading", "trail": "trailing", "innercontour": "cutout", "cutouts": "cutout"}
# Plain words of a floor that may mean a position, or something else: asked, never taken for it.
_POSITION_PERHAPS = {"front": "leading", "first": "leading", "rear": "trailing", "back": "trailing", "last": "trailing",
                     "side": "lateral", "left": "lateral", "right": "lateral", "parallel": "lateral",
                     "hole": "cutout", "inner": "cutout", "inside": "cutout", "opening": "cutout"}
_STR = pd.StringDtype(na_value=np.nan)


def as_text(cell: object) -> str:
    """An identifier as text: single spaces, none at the ends, no invisible signs; a spreadsheet's 12.0 is 12.

    >>> as_text(" S355  J2 "), as_text(80.0), as_text("0080")
    ('S355 J2', '80', '0080')
    """
    if isinstance(cell, NoCell):
        return ""
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time().isoformat() == "00:00:00" else cell.isoformat(" ")
    if isinstance(cell, Integral) and not isinstance(cell, bool):
        return str(int(cell))
    if isinstance(cell, Real) and not isinstance(cell, bool):
        return as_written(float(cell))
    text = str(cell)
    if not text.isascii():
        text = unicodedata.normalize("NFC", "".join(c for c in text if unicodedata.category(c) != "Cf"))
    return " ".join(text.split())


def read_words(column: Column, name: str, found: Findings) -> list[str]:
    """The different values of a text column as text, "" where blank; a blank where a value is needed is a fault.

    So is a name that is too long for one, or holds control signs; an `operator` or a `note` may be as long as it likes.
    """
    texts = [as_text(v) for v in column.values]
    if name in FREE_TEXT:
        texts = [t if t.isprintable() else printable(t) for t in texts]
    told = {i: f"{as_written(v)!r} read as {texts[i]!r}: spaces or invisible signs dropped"
            for i, v in enumerate(column.values) if isinstance(v, str) and texts[i] and v != texts[i]}
    told |= {i: f"the spreadsheet has made a date of it, read as {texts[i]!r}" for i, v in enumerate(column.values)
             if isinstance(v, date)}
    found.tell_values(column, told)
    longest = None if name in FREE_TEXT else LONGEST_NAME
    bad = {i: fault for i, v in enumerate(column.values) if (fault := _no_name(v, texts[i], longest))}
    if name in REQUIRED:
        empty = ("a value", "fill it in")
        bad |= {i: empty for i, t in enumerate(texts) if not t and i not in bad}
        bad |= {-1: empty} if (column.codes < 0).any() else {}
    found.faults(column, bad)
    return ["" if i in bad else t for i, t in enumerate(texts)]


def _no_name(cell: object, text: str, longest: int | None) -> tuple[str, str] | None:
    """Why a cell is no word, or None: what was wanted, what to do."""
    if isinstance(cell, NoCell) or (isinstance(cell, float) and not math.isfinite(cell)):
        return "a word or a number", "set the type of this column to text where the log is made"
    if longest is not None and len(text) > longest:
        return f"a name of at most {longest} characters", "move the rest to a column note"
    if not text.isprintable():
        return "a word that can be printed", "type it again: it holds signs that nobody sees"
    return None


def spread(column: Column, texts: list[str]) -> pd.Series:
    """Texts of the different values, row by row; missing where blank."""
    words = np.array([t or None for t in texts] + [None], dtype=object)
    return pd.Series(words[column.codes], dtype=_STR)


def _each(column: Column, texts: list[str], read: Callable[[str], str], wanted: str,
          found: Findings) -> list[str]:
    """Every different text through `read`; what it refuses (`ValueError` with the way out) is a fault."""
    result, bad, told = [], {}, {}
    for i, text in enumerate(texts):
        name = ""
        if text:
            try:
                name = read(text)
            except ValueError as refused:
                bad[i] = (wanted, str(refused))
        if name and name != text:
            told[i] = f"{as_written(column.values[i])!r} read as {name}"
        result.append(name)
    found.faults(column, bad)
    found.tell_values(column, told)
    return result


def _bare_position(text: str) -> str:
    return re.sub(r"edges?$", "", re.sub(r"[\s_\-]+", "", text.casefold()))


def position_hint(text: str) -> str:
    """Which edge position a word may mean, or nothing.

    >>> position_hint("Side edge"), position_hint("laeding"), position_hint("bevel")
    ('did you mean lateral?', 'did you mean leading?', '')
    """
    bare = _bare_position(text)
    meant = (_POSITION_SPELLINGS | _POSITION_PERHAPS).get(bare)
    return f"did you mean {meant}?" if meant else nearest(bare, EDGE_POSITIONS)


def _position(text: str) -> str:
    bare = _bare_position(text)
    name = _POSITION_SPELLINGS.get(bare, bare)
    if name not in EDGE_POSITIONS:
        hint = position_hint(text)
        raise ValueError(f"{hint} put that word in its place" if hint else "use one of these words")
    return name


def _grit(text: str) -> str:
    if bare := re.fullmatch(r"(\d{1,5})(?:\.0+)?", text):
        name = f"P{int(bare[1])}"
        if int(bare[1]) > BARE_UP_TO:
            raise ValueError(f"above {BARE_UP_TO} the scales part: write '{name}' if the sheet's back says P")
        if name not in GRAIN_UM:
            raise ValueError(nearest(name, tuple(GRAIN_UM)) or "look at the sheet's back")
        return name
    try:
        return grit_name(text)
    except ValueError:
        raise ValueError(nearest(text, tuple(GRAIN_UM)) or "look at the sheet's back") from None


def read_positions(column: Column, texts: list[str], found: Findings) -> list[str]:
    """Edge positions in their one spelling; `Cut-out ` is cutout, told; an unknown one is a fault."""
    return _each(column, texts, _position, "leading, trailing, lateral or cutout", found)


def read_grits(column: Column, texts: list[str], found: Findings) -> list[str]:
    """P-scale grits; a bare number up to 220 is read as P, told; above, or not in the scale, it is a fault."""
    return _each(column, texts, _grit, "a P-scale grit from P12 to P220", found)


def read_processes(column: Column, texts: list[str], found: Findings) -> list[str]:
    """Cut processes in lower case; an unknown one is a fault."""

    def process(text: str) -> str:
        name = re.sub(r"[\s\-]*(?:cut|cutting)$", "", text.casefold())
        name = "flame" if name.replace("-", "").replace(" ", "") == "oxyfuel" else name
        if name not in CUT_PROCESSES:
            raise ValueError(nearest(name, CUT_PROCESSES) or "leave the cell blank where it is not known")
        return name

    return _each(column, texts, process, "flame, plasma or laser", found)


def read_severities(column: Column, texts: list[str], found: Findings) -> list[str]:
    """Burr severities, the shop's own words, in lower case."""
    return _each(column, texts, str.casefold, "a word", found)
