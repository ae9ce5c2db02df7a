"""Laws from earlier logs of the same line: what they tell of exponents, wear and edge positions, with room for change.

The logs are fitted together, each log's materials as members of one family that share the common law. What that says of
the common law beyond its priors is one normal; a new log is another member, a step away, and the line may have moved
besides. So the new log's law keeps its priors and gains one reading of its coefficients, that uncertain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from .laws import BENDS, FEED, GRAIN, PRESSURE, TERMS, THICKNESS, WEAR, Centre
from .layout import OWN_WEAR, Layout, lay_out, material_keys
from .posterior import Posterior, posterior
from .priors import STANDARD
from .rows import Floats
from .triallog import TrialLog

STRANGE = 0.01
"""Where this log and its past agree so badly by chance only this often, the past's laws are not taken over."""
_ROOM = 0.03  # SD by which any coefficient may have moved since: judgement, no source
_ANEW = 100.0  # of what hangs on the sheets, where these are new: nothing is known of it
_NODES = 96
_TELLS = 1e-3  # directions in which the past weighs less than this against the log say nothing of their agreement
_OF_SHEETS = (TERMS[GRAIN].name, *(term.name for term in TERMS[WEAR]))


@dataclass(frozen=True, eq=False)
class PastLaw:
    """One reading of the coefficients `names` (q,) of the next log: level, terms of `laws.TERMS`, edge positions.

    `precision` (q, q) and `vector` (q,), precision times mean, about `centre`.
    """

    names: tuple[str, ...]
    precision: Floats
    vector: Floats
    centre: Centre

    def added(self, layout: Layout) -> Layout:
        """A layout whose coefficients have this reading besides."""
        return replace(layout, data=replace(layout.data, known=self.on(layout)))

    def on(self, layout: Layout) -> tuple[Floats, Floats]:
        """The same on all coefficients of a layout: precision (p, p) and vector (p,)."""
        turn = np.eye(len(self.names))  # level and slope were about another middle
        here = layout.centre
        away = (float(np.log(a / b)) for a, b in zip(astuple(here), astuple(self.centre), strict=True))
        for term, by in zip((FEED, PRESSURE, GRAIN, THICKNESS), away, strict=True):
            turn[0, 1 + term] = -by
            if term in BENDS:
                turn[0, 1 + BENDS[term]], turn[1 + term, 1 + BENDS[term]] = by**2, -2 * by
        known = _places(layout)
        mine = [i for i, name in enumerate(self.names) if name in known]
        where = [known[self.names[i]] for i in mine]
        part, vector = _marginal(turn.T @ self.precision @ turn, turn.T @ self.vector, mine)
        p = len(layout.data.coef_mean)
        whole, right = np.zeros((p, p)), np.zeros(p)
        whole[np.ix_(where, where)], right[where] = part, vector
        return whole, right

    def chance(self, layout: Layout, found: Posterior) -> float:
        """How often the past and a log, `found` without it, would agree no better by chance where nothing changed.

        The squared distance of the past's reading from what the log expects of it, over the directions of which both
        tell something: chi-squared.
        """
        precision, vector = self.on(layout)
        which = np.flatnonzero(np.diag(precision))
        mean, cov = _moments(found, which)
        precision, vector = precision[np.ix_(which, which)], vector[which]
        half = np.linalg.cholesky(cov)
        weight, axes = np.linalg.eigh(half.T @ precision @ half)
        pull = axes.T @ half.T @ (vector - precision @ mean)
        tells = weight > _TELLS
        far = (pull[tells] ** 2 / (weight[tells] * (1 + weight[tells]))).sum()
        return float(chdtrc(tells.sum(), far)) if tells.any() else 1.0


def learn_law(logs: Sequence[TrialLog], new_sheets: bool = False) -> PastLaw:
    """What earlier logs of a line tell of the law of the next one; with `new_sheets` nothing of wear and grain."""
    layout = lay_out(_together(logs), removal=False)
    found = posterior(layout.data, _NODES)
    known = _places(layout)
    names, which = tuple(known), list(known.values())
    mean, cov = _moments(found, which)
    prior = 1 / layout.data.coef_sd[which]
    # what the logs add to the priors; nothing negative comes of rounding
    gain, axes = np.linalg.eigh(np.linalg.inv(cov * np.outer(prior, prior)) - np.eye(len(which)))
    root = axes * np.sqrt(np.maximum(gain, 0.0))
    vector = np.linalg.solve(cov, mean) - prior**2 * layout.data.coef_mean[which]
    precision = (root @ root.T) * np.outer(prior, prior)
    vector = prior * ((axes * (gain > 0)) @ (axes.T @ (vector / prior)))
    moved = _ROOM**2 * np.eye(len(which)) + _step(layout, found, names)
    moved += np.diag([_ANEW**2 if new_sheets and name in _OF_SHEETS else 0.0 for name in names])
    lost = precision @ np.linalg.inv(precision + np.linalg.inv(moved))
    return PastLaw(names, precision - lost @ precision, vector - lost @ vector, layout.centre)


def _together(logs: Sequence[TrialLog]) -> TrialLog:
    """Logs as one: sheets and materials of each apart, undated, since each log ends anew."""
    parts = []
    for i, log in enumerate(logs):
        rows = log.rows.drop(columns=["date", "cut_process"], errors="ignore")
        parts.append(rows.assign(material=f"{i} " + material_keys(log.rows),
                                 abrasive_sheet=f"{i} " + rows["abrasive_sheet"].astype(str)))
    return replace(logs[0], rows=pd.concat(parts, ignore_index=True))


def _places(layout: Layout) -> dict[str, int]:
    """Where the coefficients of laws and edge positions stand in a layout, by name."""
    first = layout.names.dose.start
    return {name: first + i for i, name in enumerate(("level", *(term.name for term in TERMS)))} | {
        name: layout.names.position.start + i for i, name in enumerate(layout.positions)}


def _moments(found: Posterior, which: Sequence[int] | np.ndarray) -> tuple[Floats, Floats]:
    """Mean and covariance of some coefficients over all nodes."""
    half = found.root[:, :, which]
    coef = found.coef[:, which]
    mean = found.weight @ coef
    cov = np.einsum("k,kip,kiq->pq", found.weight, half, half)
    return mean, cov + (coef - mean).T @ (found.weight[:, None] * (coef - mean))


def _step(layout: Layout, found: Posterior, names: tuple[str, ...]) -> Floats:
    """Covariance of the next log's coefficients about the common law, (q, q)."""
    if len(layout.data.kin):
        variance = found.weight @ found.nodes.kin_sd**2
    else:  # the one material is itself a step away from what materials have in common
        variance = np.array([2 * spread.median**2 for spread in STANDARD.material])
    out = np.zeros((len(names), len(names)))
    some = [0, 1 + FEED, 1 + PRESSURE]
    out[some, some] = variance[:3]
    wear = slice(1 + WEAR.start, 1 + WEAR.stop)
    out[wear, wear] = variance[3] * np.outer(OWN_WEAR, OWN_WEAR)
    return out


def _marginal(precision: Floats, vector: Floats, keep: list[int]) -> tuple[Floats, Floats]:
    """Of some coefficients, the others being left open."""
    drop = [i for i in range(len(vector)) if i not in keep]
    if not drop:
        return precision, vector
    through = precision[np.ix_(keep, drop)] @ np.linalg.pinv(precision[np.ix_(drop, drop)])
    return (precision[np.ix_(keep, keep)] - through @ precision[np.ix_(drop, keep)],
            vector[keep] - through @ vector[drop])
