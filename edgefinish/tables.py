"""Tables for pages and notebooks: text to the left, numbers to the right, sorted by their headers where scripts run."""

from __future__ import annotations

import html
import math
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources

import pandas as pd

# A sheet called 01 is a name.
_NUMBER = re.compile(r"[<>≤≥+−-]?(?!0\d)\d[\d.,]*( ?[^\d\s]+)?")
# A sign stays with its word where a head takes two lines.
_SIGN = re.compile(r", (?=[±%]$)")
_HEADS = {True: ' class="number" style="text-align:right"', False: ' class="words" style="text-align:left"'}
_STYLES = _HEADS | {True: ' class="number" style="text-align:right;white-space:nowrap"'}


@dataclass(frozen=True)
class Table:
    """A frame as it is read: no index, each cell as text, a dash for what is not there.

    Shown by a notebook as it stands. The markup is a plain table; a short script, the same for all, makes its headers
    into buttons that sort and, from six rows on, adds a field that shows only rows with a word. Where no script may
    run (paper, a notebook that is not trusted) the table is whole.

    >>> print(Table(pd.DataFrame({"grit": ["P80"], "low": [1.6]})))
    grit low
     P80 1.6
    """

    frame: pd.DataFrame
    caption: str = ""

    @property
    def cells(self) -> list[list[str]]:
        """Every cell as text, row by row; numbers of a column to the same decimals, so that they can be compared.

        >>> [row[0] for row in Table(pd.DataFrame({"effect": [-0.1, 1.0, 0.0049]})).cells]
        ['−0.100', '1.000', '0.005']
        """
        columns = [_words(column) for _, column in self.frame.items()]
        return [list(row) for row in zip(*columns, strict=True)]

    @property
    def numeric(self) -> list[bool]:
        """For each column whether all it holds are numbers, with a unit or without."""
        columns = zip(*self.cells, strict=True) if len(self.frame) else [()] * len(self.frame.columns)
        held = [[c for c in column if c not in ("", "–")] for column in columns]
        return [bool(words) and all(_NUMBER.fullmatch(w) for w in words) for words in held]

    def markup(self) -> str:
        """The table as HTML, every name and cell as text.

        >>> Table(pd.DataFrame({"name": ["<b>"]})).markup().count("&lt;b&gt;")
        1
        """
        styles = [_STYLES[n] for n in self.numeric]
        heads = "".join(f'<th scope="col"{_HEADS[n]}>{_SIGN.sub(",&nbsp;", html.escape(str(c)))}</th>'
                        for c, n in zip(self.frame.columns, self.numeric, strict=True))
        rows = "".join("<tr>" + "".join(f"<td{s}>{html.escape(c)}</td>" for c, s in zip(row, styles, strict=True))
                       + "</tr>" for row in self.cells)
        caption = f"<caption><span>{html.escape(self.caption)}</span></caption>" if self.caption else ""
        return f'<table class="sorts">{caption}<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'

    def __str__(self) -> str:
        if self.frame.empty:
            return "no rows"
        return pd.DataFrame(self.cells, columns=self.frame.columns).to_string(index=False)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"{self.markup()}<script>{script()}</script>"


def _words(column: pd.Series) -> list[str]:
    """A column as text: its greatest number to three or four figures and the others as fine, a dash for what is not."""
    numbers = [abs(v) for v in column if isinstance(v, float) and math.isfinite(v)]
    place = math.floor(math.log10(max(numbers, default=0.0) or 1.0))
    decimals = max(3 - place if place >= 0 else 2 - place, 0)
    while decimals and all(float(f"{v:.{decimals - 1}f}") == float(f"{v:.{decimals}f}") for v in numbers):
        decimals -= 1
    return [_word(v, decimals) for v in column]


def _word(value: object, decimals: int) -> str:
    if isinstance(value, str):
        return value
    if pd.isna(value):
        return "–"
    if isinstance(value, float):
        return f"{value:z.{decimals}f}".replace("-", "−")
    return str(value)


@cache
def script() -> str:
    """What makes tables sort; harmless where it runs twice."""
    return resources.files("edgefinish").joinpath("templates", "tables.js").read_text(encoding="utf-8")
