"""Spreads from earlier logs of the same line: what they show becomes a prior, with room for a line that has changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .layout import STANDARD, Priors, lay_out
from .posterior import posterior
from .rows import Floats, Spread
from .triallog import TrialLog

SPREADS = ("edge", "plate", "sheet", "sheet_wear")
OF_SHEETS = ("sheet", "sheet_wear")
WEIGHT = 0.5
"""Share of the history in the prior; the rest is the standard prior. The new log weighs the two against each other."""
_LOG_TO_LOG = 0.15  # SD of the logarithm of a spread from one log of a line to the next: judgement, no source


@dataclass(frozen=True)
class Past:
    """What earlier logs show: a prior for each of `SPREADS`, from `logs` logs with `sheets` sheets in all.

    `new_sheets`: the sheets are of another lot or supplier; their spreads were left at the standard prior.
    """

    spreads: dict[str, Spread]
    logs: int
    sheets: int
    new_sheets: bool

    def over(self, priors: Priors) -> Priors:
        """The given priors with the spreads of the past."""
        return replace(priors, **self.spreads)


def learn(logs: Sequence[TrialLog], new_sheets: bool = False) -> Past:
    """Spreads of a line from its earlier logs, each fitted by itself.

    A spread's prior is divided out of each log's posterior, the logs are pooled with room for a spread that moves from
    log to log, and the same room is left for the next one.
    """
    means, variances, sheets = [], [], 0
    for log in logs:
        layout = lay_out(log, removal=False)
        fitted = posterior(layout.data)
        log_sd = np.log(fitted.nodes.sd)
        mean = fitted.weight @ log_sd
        means.append(mean)
        variances.append(fitted.weight @ (log_sd - mean) ** 2)
        sheets += len(layout.sheets)
    pooled = {}
    for i, name in enumerate(SPREADS):
        prior: Spread = getattr(STANDARD, name)
        if not (new_sheets and name in OF_SHEETS):
            pooled[name] = pool(prior, np.array([m[i] for m in means]), np.array([v[i] for v in variances]))
    return Past(pooled, len(logs), sheets, new_sheets)


def pool(prior: Spread, means: Floats, variances: Floats) -> Spread:
    """The next log's prior from posteriors (of log SDs, under `prior`) of several logs.

    >>> pool(Spread(0.07, 0.4), np.log([0.09, 0.09]), np.array([0.02, 0.02])).median > 0.085
    True
    """
    centre, loose = np.log(prior.median), prior.log_sd**2
    information = np.maximum(1 / variances - 1 / loose, 1e-6)
    alone = (means / variances - centre / loose) / np.maximum(1 / variances - 1 / loose, 1e-6)
    weight = 1 / (1 / information + _LOG_TO_LOG**2)
    precision = 1 / loose + weight.sum()
    mean = (centre / loose + weight @ alone) / precision
    return Spread(float(np.exp(mean)), float(np.sqrt(1 / precision + _LOG_TO_LOG**2)))
