"""Names on a picture: in the order in which people count, short, and each with room of its own."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence

import numpy as np
from scipy.optimize import isotonic_regression

from .rows import Floats

SHORT = 10


def counted(name: str) -> list[tuple[bool, int, str]]:
    """What names are sorted by, so that sheet 2 comes before sheet 10.

    >>> sorted(["A10", "A2", "7"], key=counted)
    ['7', 'A2', 'A10']
    """
    parts = [part for part in re.split(r"(\d+)", name) if part]
    return [(False, int(part), "") if part.isdecimal() else (True, 0, part) for part in parts]


def short_names(names: Iterable[str], most: int = SHORT) -> dict[str, str]:
    """Names by which a picture tells some things apart: what all begin with goes first, then the middle of each.

    Those that would no longer differ stay whole.

    >>> list(short_names(["Zirconia lot 8", "Zirconia lot 19"]).values())
    ['…8', '…19']
    >>> list(short_names(["a very long name", "B"]).values())
    ['a ve… name', 'B']
    """
    whole = list(dict.fromkeys(names))
    if max(map(len, whole), default=0) <= most:
        return {name: name for name in whole}
    common = os.path.commonprefix(whole) if len(whole) > 1 else ""
    start = max((k + 1 for k, letter in enumerate(common) if not letter.isalnum()), default=0)
    cut = [_cut("…" + name[start:] if start else name, most) for name in whole]
    return dict(zip(whole, cut if len(set(cut)) == len(cut) else whole, strict=True))


def _cut(name: str, most: int) -> str:
    """A name without its middle: what tells sheets apart mostly stands at the end."""
    head = (most - 1) // 2
    return name if len(name) <= most else f"{name[:head]}…{name[len(name) - (most - 1 - head):]}"


def apart(wanted: Sequence[float], step: float, low: float, high: float) -> Floats:
    """Places of labels that want to stand at rising heights: at least `step` apart, moved as little as can be.

    Within `low` and `high` where that has room for all.

    >>> apart([1.0, 1.2, 5.0], 1.0, 0.0, 9.0).tolist()
    [0.6, 1.6, 5.0]
    """
    steps = step * np.arange(len(wanted))
    if not len(steps):
        return steps
    placed = isotonic_regression(np.asarray(wanted, float) - steps).x
    return np.clip(placed, low, max(low, high - steps[-1])) + steps
