"""What further plates would tell: outcomes that the fit holds possible, and the windows that would follow from each.

The draws behind a window are kept, and weighed anew by how likely each makes an imagined outcome (importance weights):
the window that follows is looked for among them by the same rule. Outcomes are those of draws themselves, each of which
then has no weight in its own window. What a plate tells: its mean radius and removal, how its edges scatter and stand
by position, and which burrs it clears; a sheet that was run before brings its effect with it as far as it is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr, ndtri

from .abrasive import GRAIN_UM
from .burr import BurrPosterior
from .burrheights import MIDDLE_HEIGHT, USUAL_BURR
from .evidence import Tried
from .explore import SEED, pick
from .intervals import speed_intervals
from .job import Job
from .lawfit import LawFit
from .laws import AREA_LAW, BURR_OF_EDGE, WEAR_HOURS, Settings
from .layout import material_key
from .linefit import JOINT_DRAWS, LineFit, job_settings
from .rows import Floats
from .seensheets import seen_sheets
from .window import wide_enough

OUTCOMES, JOINT_OUTCOMES = 64, 24
_FEWEST = 20.0
"""Draws that must carry an outcome's weight; of less its window says nothing."""
_TURNS = (0.5, 0.8, 0.2)
_SHEET_X, _SHEET_W = np.polynomial.hermite_e.hermegauss(3)
_SHEET_W = _SHEET_W / _SHEET_W.sum()
_LEAST = 1e-10  # chance of a single edge: products of a sheet's edges stay numbers


class Width(NamedTuple):
    """A window's width: log of fastest over slowest, and m/min; 0 where there is none."""

    log: float
    m_min: float


@dataclass(frozen=True, eq=False)
class Asked:
    """A job with what its window rests on: `low`, `high` ends (draws,) as logs over `centre`, and its `now` width."""

    job: Job
    fitted: LawFit
    node: NDArray[np.intp]
    coef: Floats
    low: Floats
    high: Floats
    centre: float
    now: Width

    @classmethod
    def of(cls, model: LineFit, job: Job) -> Asked:
        """From the fitted line, which must be able to judge the job."""
        fitted = model.law_for(job)
        tried = Tried.of(model, job)
        promise = model.promise_of(fitted, job, tried.speeds)
        low, high = speed_intervals(promise, job.share)
        node, coef = model.draws_of(fitted, job)
        centre = fitted.layout.centre.feed_speed_m_min
        return cls(job, fitted, node, coef, low, high, centre, _width(low, high, job, centre))

    def likely(self) -> tuple[float, float] | None:
        """The window at even odds, m/min; None where there is none."""
        found = wide_enough(self.low, self.high, 0.5)
        return found and (float(self.centre * np.exp(found[0])), float(self.centre * np.exp(found[1])))

    def after(self, weight: Floats) -> Width:
        """The width where the draws have these weights."""
        step = (np.arange(len(weight)) + 0.5) / len(weight)
        index = pick(weight, step)
        return _width(self.low[index], self.high[index], self.job, self.centre)


def _width(low: Floats, high: Floats, job: Job, centre: float) -> Width:
    found = wide_enough(low, high, job.confidence)
    if found is None:
        return Width(0.0, 0.0)
    return Width(found[1] - found[0], float(centre * (np.exp(found[1]) - np.exp(found[0]))))


def gains(model: LineFit, asked: Sequence[Asked], plates: pd.DataFrame) -> list[Width]:
    """Mean gain of each job's window by some plates, refused windows counting 0, before and after.

    `plates`: settings and sheet under the log's own column names; a sheet that was not run is new. Of removal and burr
    no more is taken to be measured than the log measured.
    """
    told: dict[tuple[int, int], tuple[_Plates, Floats]] = {}
    burr: dict[tuple[int, str, int], Floats] = {}
    out = []
    for one in asked:
        key = (id(one.fitted), len(one.node))
        truth = _truths(len(one.node))
        if key not in told:
            seen = _Plates(one.fitted, plates)
            told[key] = seen, seen.log_weights(one.node, one.coef, truth)
        seen, log_weight = told[key]
        if one.job.residual_burr_mm is not None:
            fitted, material = model.burr_fit(one.job), model.material_of(one.job)
            of_burr = (id(fitted), material, len(one.node))
            if of_burr not in burr:
                burr[of_burr] = _burr_weights(model, fitted, one, seen, plates, truth)
            log_weight = log_weight + burr[of_burr]
        out.append(_mean_gain(one, log_weight, truth))
    return out


def _truths(count: int) -> NDArray[np.intp]:
    """Which draws are taken for true, evenly over the nodes."""
    outcomes = OUTCOMES if count > JOINT_DRAWS else JOINT_OUTCOMES
    return ((np.arange(outcomes) + 0.5) / outcomes * count).astype(np.intp)


def _mean_gain(one: Asked, log_weight: Floats, truth: NDArray[np.intp]) -> Width:
    log_weight = log_weight.copy()
    log_weight[np.arange(len(truth)), truth] = -np.inf
    weight = np.exp(log_weight - logsumexp(log_weight, axis=1, keepdims=True))
    carried = 1 / (weight**2).sum(1)
    found = np.array([one.after(w) if n >= _FEWEST else one.now for w, n in zip(weight, carried, strict=True)])
    gain = found.mean(0) - np.array(one.now)
    return Width(float(gain[0]), float(gain[1]))


class _Plates:
    """Further plates as one fit sees them: what each would read in each draw, and how readings hang together.

    A reading is a plate's mean over its edges, of the radius, then of the removal where that is part of the fit. Where
    edges scatter apart by position (`scatter`, factors), each counts in the mean by its precision (`share`).
    """

    def __init__(self, fitted: LawFit, plates: pd.DataFrame) -> None:
        layout = fitted.layout
        self.fitted, self.count = fitted, len(plates)
        process = plates["cut_process"] if "cut_process" in plates else [None] * self.count
        named = [m if m in layout.materials else material_key(m, c)
                 for m, c in zip(plates["material"], process, strict=True)]
        self.material = material = np.array([layout.materials.index(m) for m in named])
        self.own = layout.own_plates(material, plates)
        number = {c: plates[c].to_numpy(float) for c in ("feed_speed_m_min", "drum_pressure_kPa", "thickness_mm",
                                                         "passes", "contact_hours")}
        self.settings = Settings(number["feed_speed_m_min"], number["drum_pressure_kPa"],
                                 plates["grit"].map(GRAIN_UM).to_numpy(float), number["thickness_mm"],
                                 number["passes"], number["contact_hours"])
        self.columns = layout.dose_columns(self.settings, material)
        self.removal = layout.removal_columns(self.settings, material) if layout.has_removal else None
        self.edges = len(layout.positions)
        every = layout.spread_of(range(self.edges))
        self.scatter = np.ones(self.edges) if every is None else every
        self.share = self.scatter**-2 / (self.scatter**-2).sum()
        self.names, self.sheet = np.unique(plates["abrasive_sheet"].to_numpy(str), return_inverse=True)
        self.seen = pd.Index(layout.sheets).get_indexer(self.names)
        age = number["contact_hours"] / WEAR_HOURS
        dose = np.stack([np.ones_like(age), age], -1)
        if self.removal is None:
            self.sheet_load, self.plate_load = dose, np.ones((self.count, 1))
        else:
            none, one = np.zeros((self.count, 1)), np.ones((self.count, 1))
            self.sheet_load = np.concatenate([np.hstack([dose, none]), np.hstack([layout.coupling * dose, one])])
            self.plate_load = np.concatenate([np.hstack([one, none]), np.hstack([layout.coupling * one, one])])
        self.responses = 1 + layout.has_removal
        self.known = seen_sheets(fitted, self.seen[self.seen >= 0]) if (self.seen >= 0).any() else None

    def means(self, coef: Floats) -> Floats:
        """Expected readings in each draw, (D, readings)."""
        names = self.fitted.layout.names
        dose = coef[:, names.dose] @ self.columns.T
        unlike = np.column_stack([self.material, self.fitted.layout.tilted(self.settings)])
        _, first, of = np.unique(unlike, axis=0, return_index=True, return_inverse=True)
        dose += np.stack([self.steps(coef, i) @ self.share for i in first], 1)[:, of.ravel()]
        parts = [dose]
        if self.removal is not None:
            parts.append(AREA_LAW * dose + coef[:, names.removal] @ self.removal.T
                         + coef[:, names.removal_position].mean(1, keepdims=True))
        mean = np.concatenate(parts, 1)
        if self.known is not None:
            for name, effect in zip(np.flatnonzero(self.seen >= 0), self.known.given(coef), strict=True):
                here = np.flatnonzero(np.tile(self.sheet == name, self.responses))
                mean[:, here] += effect @ self.sheet_load[here].T
        return mean

    def steps(self, coef: Floats, plate: int) -> Floats:
        """Steps of all positions of a plate in each draw, (D, positions)."""
        settings = Settings(*(np.asarray(getattr(self.settings, f.name))[plate] for f in fields(Settings)))
        return self.fitted.layout.steps_at(coef, np.arange(self.edges), self.material[plate], settings)

    def covariance(self) -> Floats:
        """Of the readings of one draw at each node, (K, readings, readings)."""
        nodes, m, qu = self.fitted.posterior.nodes, self.responses, self.plate_load.shape[1]
        scale = np.tile(np.where(self.own, nodes.factor[..., None], 1.0).prod(1), m)
        same = np.tile(np.arange(self.count), m)
        plate = self.plate_load * nodes.sd[:, None, m:m + qu] * scale[..., None]
        out = plate @ np.swapaxes(plate, 1, 2) * (same[:, None] == same)
        on_sheets = self.own & np.array(self.fitted.posterior.data.on_sheets, bool)[:, None]
        of_sheets = np.tile(np.where(on_sheets, nodes.factor[..., None], 1.0).prod(1), m)
        sheets = self.sheet_load * nodes.sd[:, None, m + qu:] * of_sheets[..., None]
        on = self.sheet[same]
        for name, seen in enumerate(self.seen):
            here = (on == name)[:, None] & (on == name)
            if seen < 0:
                out += sheets @ np.swapaxes(sheets, 1, 2) * here
            else:
                k = int((self.seen[:name] >= 0).sum())
                out += self.sheet_load @ self.known.covariance[k] @ self.sheet_load.T * here
        over = np.array([(self.scatter**-2).sum(), self.edges])[:m]
        edge = np.repeat(nodes.sd[:, :m] ** 2 * _location(nodes.tail) / over, self.count, 1) * scale**2
        out[:, range(m * self.count), range(m * self.count)] += edge
        return out

    def log_weights(self, node: NDArray[np.intp], coef: Floats, truth: NDArray[np.intp]) -> Floats:
        """Log chance that each draw gives each outcome, (outcomes, D), up to a number an outcome."""
        rng = np.random.default_rng(SEED)
        mean = self.means(coef)
        root = np.linalg.cholesky(self.covariance())
        back = np.linalg.inv(root)
        read = mean[truth] + np.einsum("tij,tj->ti", root[node[truth]], _balanced(rng, len(truth), mean.shape[1]))
        self.read = read[:, :self.count]
        there = np.einsum("kij,tj->kti", back, read)
        here = np.einsum("dij,dj->di", back[node], mean)
        log_det = np.log(np.diagonal(back, axis1=1, axis2=2)).sum(1)[node]
        out = np.stack([log_det - 0.5 * ((there[node, t] - here) ** 2).sum(1) for t in range(len(truth))])
        return out + self._of_edges(node, coef, truth, rng)

    def _of_edges(self, node: NDArray[np.intp], coef: Floats, truth: NDArray[np.intp], rng: np.random.Generator
                  ) -> Floats:
        """What the edges of each plate say of positions and of their own scatter."""
        nodes, more = self.fitted.posterior.nodes, self.edges - 1
        factor = np.where(self.own.all(1), nodes.factor, 1.0).prod(1)
        sd, tail = (nodes.sd[:, 0] * factor)[node], nodes.tail[node, 0]
        step = self.steps(coef, 0)
        step = step - (step @ self.share)[:, None]
        noise = _balanced(rng, len(truth), self.edges) * self.scatter
        noise -= (noise @ self.share)[:, None]
        at = sd**2 * _location(tail) / self.count
        read = step[truth] + noise * np.sqrt(at[truth])[:, None]
        out = np.stack([-0.5 * more * np.log(at) - 0.5 * (((r - step) / self.scatter) ** 2).sum(1) / at for r in read])
        freedom = (self.count - 1) * more / (1 + 3 * tail[truth])
        square = sd[truth] ** 2 * rng.permutation(_squares(freedom))
        return out - freedom[:, None] * np.log(sd) - 0.5 * square[:, None] / sd**2


def _location(tail: Floats) -> Floats:
    """Variance with which an edge tells of its mean, over the square of its scale: 1 / Fisher's of a Student t."""
    return (1 + 3 * tail) / (1 + tail)


def _balanced(rng: np.random.Generator, count: int, each: int) -> Floats:
    """Normals of chance, evenly spread in each column and each with its opposite, (count, each)."""
    half = ndtri((np.arange(count // 2) + 0.5) / count)
    z = np.stack([rng.permutation(half) * rng.choice([-1.0, 1.0], count // 2) for _ in range(each)], 1)
    return np.concatenate([z, -z])


def _squares(freedom: Floats) -> Floats:
    """Chi-squares, evenly spread (Wilson and Hilferty 1931, Proc. Natl. Acad. Sci. 17, 684)."""
    f = np.maximum(freedom, 1e-9)
    z = ndtri((np.arange(len(f)) + 0.5) / len(f))
    return f * np.maximum(1 - 2 / (9 * f) + z * np.sqrt(2 / (9 * f)), 0.0) ** 3


def _burr_weights(model: LineFit, fitted: BurrPosterior, one: Asked, seen: _Plates, plates: pd.DataFrame,
                  truth: NDArray[np.intp]) -> Floats:
    """Log chance that each draw of the burr's law clears what each outcome clears, (outcomes, D)."""
    rng = np.random.default_rng(SEED + 1)
    material = sorted(model.materials.unique()).index(model.material_of(one.job))
    mine = (plates["material"] == one.job.material).to_numpy()
    heights = _burr_heights(model, plates["burr_severity"])
    layout = one.fitted.layout
    steps = layout.steps_at(one.coef[truth], np.arange(seen.edges), model.material_index(layout, one.job),
                            job_settings(one.job))
    noise = rng.standard_normal((len(truth), len(plates), seen.edges))
    edge = one.fitted.spreads[one.node[truth], 0]
    steps = steps - (steps @ seen.share)[:, None]
    radius = seen.read[:, :, None] + steps[:, None] + BURR_OF_EDGE * edge[:, None, None] * seen.scatter * noise
    at = fitted.node_of(len(one.node))
    theta, slope = fitted.theta[at], np.exp(fitted.theta[at, 1])
    effect, sd = (x[at] for x in _burr_sheets(model, fitted, seen.names))
    words = [word if isinstance(word, str) else None for word in plates["burr_severity"]]
    level = np.column_stack([fitted.levels(material, word)[at] for word in words])
    out = np.zeros((len(truth), len(one.node)))
    own = rng.standard_normal((len(truth), seen.sheet.max() + 1))
    for t, true in enumerate(truth):
        for s in np.unique(seen.sheet[mine]):
            here = mine & (seen.sheet == s)
            x = radius[t, here].ravel()
            h = np.repeat(heights[here], seen.edges)
            line = np.repeat(level[:, here], seen.edges, 1) + slope[:, None] * (x + theta[:, 2:3] * h)
            line += effect[:, s:s + 1]
            cleared = line[true] + sd[true, s] * own[t, s] + rng.standard_normal(len(x)) > 0
            sign = np.where(cleared, 1.0, -1.0)
            parts = [w * np.maximum(ndtr(sign * (line + sd[:, s:s + 1] * z)), _LEAST).prod(1)
                     for z, w in zip(_SHEET_X, _SHEET_W, strict=True)]
            out[t] += np.log(np.sum(parts, axis=0))
    return out


def _burr_sheets(model: LineFit, fitted: BurrPosterior, names: NDArray[np.str_]) -> tuple[Floats, Floats]:
    """Mean and SD of the own effect on burr of some sheets at each node of the burr's law, (K, sheets) each; of a sheet
    whose burr was not read nothing is known but how much sheets differ."""
    mean = np.zeros((len(fitted.theta), len(names)))
    sd = np.repeat(np.exp(fitted.theta[:, 3:4]), len(names), 1)
    read, *known = fitted.sheets()
    run = pd.Index(sorted(model.log.rows["abrasive_sheet"].unique()))[read].get_indexer(names)
    for out, of_read in zip((mean, sd), known, strict=True):
        out[:, run >= 0] = of_read[:, run[run >= 0]]
    return mean, sd


def _burr_heights(model: LineFit, severities: pd.Series) -> Floats:
    """Log height before, over 0.3 mm, of plates of some severities: each takes its turn in the span of its word."""
    out, turn = np.empty(len(severities)), {}
    for i, word in enumerate(severities):
        k = turn[word] = turn.get(word, -1) + 1
        span = model.severities.get(word) or USUAL_BURR.get(word)
        run = model.plate_heights(word)
        if len(run):
            out[i] = np.quantile(run, _TURNS[k % len(_TURNS)])
        elif span is not None:
            out[i] = np.log(span[0] + (span[1] - span[0]) * _TURNS[k % len(_TURNS)]) - MIDDLE_HEIGHT
        else:
            out[i] = 0.0
    return out
