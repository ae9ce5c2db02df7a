"""Whether plates with one burr severity come out with other radii than their settings tell."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from .explore import shuffled
from .layout import Layout
from .posterior import Posterior
from .rows import Floats
from .triallog import TrialLog

STEP = 0.10
"""Prior SD of such a step of the log radius: burr takes some of what a sheet cuts. Judgement, no source."""
_APART = 1.645  # SDs of chance from which a step is believed: one in ten where there is none
_FEWEST = 3  # plates of a severity, and of all others
_SLIP = 3.0  # SDs beyond which an edge says no more


class BurrStep(NamedTuple):
    """Step of log radius of plates with a burr severity, its mean and SD, and how many plates show it."""

    mean: float
    sd: float
    plates: int

    def draws(self, count: int) -> Floats:
        """The step in some draws, (count,)."""
        return self.mean + self.sd * ndtri(shuffled(count, 6))


def burr_step(log: TrialLog, layout: Layout, posterior: Posterior, severity: str | None) -> BurrStep | None:
    """The step of plates with a severity from where the law of the radius puts them; None where none is seen.

    The law is fitted to plates of all severities alike: it stands for the job's only as far as they are.
    """
    if severity is None or "burr_severity" not in log.rows:
        return None
    data, at = posterior.data, posterior.at_mode
    rows = np.flatnonzero(~layout.is_removal & (data.side == 0))
    plate = data.plate[rows]
    mine = np.zeros(len(data.sheet), bool)
    mine[plate[(log.rows["burr_severity"] == severity).to_numpy()[layout.row[rows]]]] = True
    edges = np.bincount(plate, minlength=len(mine))
    if min((mine & (edges > 0)).sum(), (~mine & (edges > 0)).sum()) < _FEWEST:
        return None
    edge, wide, between = (posterior.at_mode_sd[i] for i in (
        0, len(data.edge_spread), len(data.edge_spread) + len(data.plate_spread)))
    own = at.plate[0][:, 0] + (data.sheet_load[:, 0] * at.sheet[0][data.sheet]).sum(1)
    off = np.clip(data.y[rows] - at.eta[0][rows], -_SLIP * edge, _SLIP * edge) + own[plate]
    mean = np.bincount(plate, off, len(mine)) / np.maximum(edges, 1)
    weight = (edges > 0) / (wide**2 + edge**2 / np.maximum(edges, 1))
    # generalised least squares, a sheet's effect in common to its plates
    on_sheet, mine_on, mean_on = (np.bincount(data.sheet, weight * each) for each in (1, mine, mean))
    shared = 1 / (1 / between**2 + on_sheet)
    chance = 1 / ((weight * mine).sum() - (shared * mine_on**2).sum())
    seen = chance * ((weight * mine * mean).sum() - (shared * mine_on * mean_on).sum())
    if abs(seen) < _APART * np.sqrt(chance):
        return None
    left = STEP**2 * chance / (STEP**2 + chance)
    return BurrStep(float(seen * left / chance), float(np.sqrt(left)), int((mine & (edges > 0)).sum()))
