"""Plates on which one radius was copied to all edges: more than the gauge's steps would make alike by chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import pdtrc

from .layout import POSITIONS, plates_of
from .triallog import TrialLog

_EDGES, _PLATES = 3, 2  # fewest edges of a plate, and plates alike and unlike, that tell
_SURE = 0.001
_USUAL_STEP = 0.05  # share of the gaps between readings that lie below the gauge's step: a few are fine by conversion


def without_copies(log: TrialLog) -> tuple[TrialLog, int]:
    """The log with one radius on each plate where one was copied to all edges, and how many plates those are.

    A copied radius says how large it was once, and nothing of how edges differ: each copy taken for a reading would
    make them look alike, and windows too wide.
    """
    copies, plates = _copies(log)
    if not plates:
        return log, 0
    rows = log.rows.copy()
    rows.loc[rows.index[copies], "edge_radius_mm"] = np.nan
    return replace(log, rows=rows), plates


def _copies(log: TrialLog) -> tuple[np.ndarray, int]:
    """Rows whose radius is the copy of another edge's, and how many plates they are of."""
    reading = log.reading("edge_radius_mm")
    at = np.flatnonzero((reading.side == 0) & np.isfinite(reading.value) & (reading.value > 0))
    read = pd.DataFrame({"at": at, "value": reading.value[at], "plate": plates_of(log.rows).of[at],
                         "position": log.rows["edge_position"].map(POSITIONS.index).to_numpy()[at]})
    by_plate = read.groupby("plate")["value"]
    read["edges"], read["alike"] = by_plate.transform("size"), by_plate.transform("nunique") == 1
    read = read[read["edges"] >= _EDGES].sort_values(["plate", "position", "at"])
    same, apart = read[read["alike"]], read[~read["alike"]]
    plates = same["plate"].nunique()
    if plates < _PLATES or apart["plate"].nunique() < _PLATES:
        return at[:0], 0
    log_radius = np.log(apart["value"])
    own = log_radius - log_radius.groupby(apart["plate"]).transform("mean")
    sd = np.sqrt((own**2).sum() / (len(own) - apart["plate"].nunique()))
    step = np.quantile(np.diff(np.unique(read["value"].round(6))), _USUAL_STEP)
    first = read.drop_duplicates("plate")
    # Edges about their plate, rounded to the gauge's step: normal density where all are equal, times the steps.
    chance = (step / first["value"] / (sd * np.sqrt(2 * np.pi))) ** (first["edges"] - 1) / np.sqrt(first["edges"])
    if pdtrc(plates - 1, float(np.minimum(chance, 1).sum())) >= _SURE:
        return at[:0], 0
    return same["at"][same.duplicated("plate")].to_numpy(), plates
