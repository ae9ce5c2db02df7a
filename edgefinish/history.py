"""What earlier logs of the same line show becomes a prior of spreads and law, with room for a line that has changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .layout import lay_out, plates_of
from .pastlaw import PastLaw, learn_law
from .posterior import posterior
from .priors import STANDARD, Priors
from .rows import Floats, Spread
from .triallog import TrialLog

SPREADS = ("edge", "plate", "sheet", "sheet_wear")
OF_SHEETS = ("sheet", "sheet_wear")
WEIGHT = 0.5
"""Share of the history in the prior; the rest is the standard prior. The new log weighs the two against each other."""
_SEVERAL, _MORE_THAN_CHANCE = 3, 2  # radii of a plate, and plates, that are not alike by chance
_FEWEST_RADII = 8  # of a log from which anything is learned; judgement
_WHERE = ("run", "abrasive_sheet", "edge_position", "feed_speed_m_min", "contact_hours")
_LOG_TO_LOG = 0.08  # SD of the logarithm of a spread from one log of a line to the next: judgement, no source

# Past logs are fitted under priors so wide that dividing them out again loses nothing.
_WIDE = replace(STANDARD, **{name: Spread(getattr(STANDARD, name).median, 1.0) for name in SPREADS})


@dataclass(frozen=True)
class Past:
    """What earlier logs show: a prior for each of `SPREADS`, from `logs` logs with `sheets` sheets in all; and the law.

    `new_sheets`: the sheets are of another lot or supplier; what hangs on them was left at the standard prior.
    """

    spreads: dict[str, Spread]
    law: PastLaw
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
    fits, sheets = [], 0
    for log in logs:
        layout = lay_out(log, removal=False, priors=_WIDE)
        fitted = posterior(layout.data)
        fits.append((np.log(fitted.nodes.sd), fitted.weight))
        sheets += len(layout.sheets)
    pooled = {}
    for i, name in enumerate(SPREADS):
        if not (new_sheets and name in OF_SHEETS):
            pooled[name] = pool(getattr(STANDARD, name), getattr(_WIDE, name), [(at[:, i], w) for at, w in fits])
    return Past(pooled, learn_law(logs, new_sheets), len(logs), sheets, new_sheets)


def pool(prior: Spread, used: Spread, logs: Sequence[tuple[Floats, Floats]]) -> Spread:
    """The next log's prior from `prior` and each log's posterior under `used`: log SDs (K,) with their weights (K,).

    >>> node = np.log(0.09) + np.linspace(-0.3, 0.3, 61)
    >>> weight = np.exp(-0.5 * ((node - np.log(0.09)) / 0.1) ** 2)
    >>> pool(Spread(0.07, 0.4), Spread(0.07, 1.0), [(node, weight), (node, weight)]).median > 0.085
    True
    """
    grid = np.linspace(np.log(prior.median) - 3.5, np.log(prior.median) + 3.5, 701)
    log_density = -0.5 * ((grid - np.log(prior.median)) / prior.log_sd) ** 2
    for at, weight in logs:
        likelihood = weight * np.exp(0.5 * ((at - np.log(used.median)) / used.log_sd) ** 2)
        here = np.exp(-0.5 * ((grid[:, None] - at) / _LOG_TO_LOG) ** 2) @ likelihood
        log_density += np.log(np.maximum(here, 1e-300))
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    mean = density @ grid
    return Spread(float(np.exp(mean)), float(np.sqrt(density @ (grid - mean) ** 2 + _LOG_TO_LOG**2)))


def without_few(history: Sequence[TrialLog]) -> tuple[TrialLog, ...]:
    """Earlier logs that hold enough measured edge radii to learn from."""
    def radii(log: TrialLog) -> int:
        reading = log.reading("edge_radius_mm")
        return int(((reading.side == 0) & np.isfinite(reading.value)).sum())
    return tuple(log for log in history if radii(log) >= _FEWEST_RADII)


def without_repeats(log: TrialLog, history: Sequence[TrialLog]) -> tuple[tuple[TrialLog, ...], int]:
    """Earlier logs without plates that the log itself or one before has too, which would count twice; and how many
    those are: the same run on the same sheet with the same radii, wherever both have one. One plate of a log may be
    alike by chance, and more where one or two radii were read of each: these are taken out where most of them are."""
    seen, left, repeated = _radii(log) if history else pd.DataFrame(), [], 0
    for past in history:
        radii = _radii(past)
        alike = radii["what"].isin(seen["what"])
        plates = radii.assign(alike=alike, unlike=~alike & radii["where"].isin(seen["where"])).groupby("plate")[
            ["alike", "unlike"]].sum()
        seen = pd.concat([seen, radii])
        same, both = (plates["alike"] > 0) & (plates["unlike"] == 0), plates.sum(axis=1)
        few = (both > 0) & (both < _SEVERAL)
        again = same & (~few | (2 * (same & few).sum() > few.sum()))
        if again.sum() < _MORE_THAN_CHANCE:
            left.append(past)
            continue
        repeated += int(again.sum())
        keep = ~np.isin(plates_of(past.rows).of, plates.index[again])
        if keep.any():
            left.append(replace(past, rows=past.rows[keep], row_numbers=past.row_numbers[keep]))
    return tuple(left), repeated


def _radii(log: TrialLog) -> pd.DataFrame:
    """Each radius that was read: its `plate` by number, a number for `where` it was read, and one for that and the
    radius, `what`."""
    read = np.isfinite(log.reading("edge_radius_mm").value)
    rows = log.rows.loc[read, [*_WHERE, "edge_radius_mm"]].astype(str)
    where, what = (pd.util.hash_pandas_object(part, index=False).to_numpy() for part in (rows[list(_WHERE)], rows))
    return pd.DataFrame({"plate": plates_of(log.rows).of[read], "where": where, "what": what})
