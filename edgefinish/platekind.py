"""Plates that were run in one way: at one setting, with one burr, on worn sheets."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd


class PlateKind(NamedTuple):
    """Plates whose `column` of the log lies within a span, both ends included, or says `word`.

    >>> rows = pd.DataFrame({"thickness_mm": [6.0, 15.0], "grit": ["P80", "P120"]})
    >>> PlateKind("thickness_mm", 5.5, 6.5).of(rows).tolist(), PlateKind("grit", word="P120").of(rows).tolist()
    ([True, False], [False, True])
    """

    column: str
    low: float = -np.inf
    high: float = np.inf
    word: str | None = None

    def of(self, rows: pd.DataFrame | Mapping[str, np.ndarray]) -> np.ndarray:
        """Which rows are of such plates, (n,); none where there is no such column."""
        if self.column not in rows:
            return np.zeros(len(rows["feed_speed_m_min"]), bool)
        if self.word is not None:
            return np.asarray(rows[self.column] == self.word, bool)
        value = np.asarray(rows[self.column], float)
        return (value >= self.low) & (value <= self.high)
