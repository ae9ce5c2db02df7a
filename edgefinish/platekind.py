"""Plates that were run in one way: at one setting, with one burr, on worn sheets."""

from __future__ import annotations

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

    def of(self, rows: pd.DataFrame) -> np.ndarray:
        """Which rows are of such plates, (n,); none where the log has no such column."""
        if self.column not in rows:
            return np.zeros(len(rows), bool)
        if self.word is not None:
            return (rows[self.column] == self.word).to_numpy(bool)
        value = rows[self.column].to_numpy(float)
        return (value >= self.low) & (value <= self.high)
