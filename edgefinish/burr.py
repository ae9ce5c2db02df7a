"""Whether burr is cleared: a probit on the edge's dose, with the burr's height before and the sheet.

The dose is told as a log radius: what the edge's plate got at its position, and of what sets the edge apart
`laws.BURR_OF_EDGE`. So speed, pressure, wear, plate and position enter through it; what is left to the burr itself is a
level for each material, a slope, the height before, and an effect of its own of each sheet; where edges at one position
are seen to keep more burr than their dose tells, a step of its own of each position; where words alone tell how high a
burr stood, a step of its own of each word from where its usual height puts it. Given doses the burr's part and
the laws' part of the posterior are independent of each other.
All parameters are in units of the burr's own scatter from edge to edge.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from scipy.special import chdtrc, log_ndtr, ndtr

from .burrheights import USUAL_BURR
from .burrmany import BurrSums, log_chance, own_effects, summed
from .explore import FEWEST_NODES, SEED, Batch, Cloud, Mode, climb, nodes_about, pick, shuffled
from .rows import BATCH, Floats, Spread

MIDDLE_RADIUS = np.log(0.3)
_GX, _GW = np.polynomial.hermite_e.hermegauss(7)
_GW = np.log(_GW / _GW.sum()) + 0.5 * _GX**2
SHEET = Spread(0.3, 1.2)
"""Prior of the burr's own spread from sheet to sheet, in units of its scatter from edge to edge.

Wide, so that sheets speak for themselves, few as they are: on simulated lines windows lost more, and missed more often,
by a prior that would neither have sheets alike nor far apart. Judgement, no source."""
_LEVEL = (1.5, 3.0)
_LOG_SLOPE = (np.log(4.0), 0.6)
_RATIO = (-0.6, 0.35)
_MATERIAL, _POSITION = 0.8, 0.5
_USUAL_WORD, _OWN_WORD = 1.0, 2.0  # a word that is usual, and one of the shop's own, of which no height is known
_SURE = 0.01  # positions are told apart where chance would do so more seldom than this
MANY_EDGES, _SUBSET = 4000, 2000
_ALL_ASKED = 200_000  # edges that tell far more of level and slope than sheets leave open: more of them are not asked
_MANY_NODES, _EDGES_A_SHEET = 128, 20  # of long logs
_PASSES, _STILL = 20, 0.05  # of sums about the mode; steps, in SDs, that need no other
_LEAST_VARIANCE = 0.25  # of a count of edges: below, one edge more or less is chance
_NEVER = 1e12  # of log chance, down
_LEAST_BEND = 0.3  # downward, over one SD: there has to be a mode
_STEPS, _SMALL = 20, 1e-4  # of Newton towards a sheet's effect; the error left is about the square of the last
_NEAR = 0.05  # the last, where the effect is only the middle of a quadrature
_RUN, _NO_CHANCE = 4, 1e-300  # edges whose chances are multiplied before a logarithm is taken


@dataclass(frozen=True, eq=False)
class BurrData:
    """Edges with a yes or no: (n,) each, sorted by sheet. `log_radius` is the dose of each; `height` is log(height
    before / 0.3 mm), 0 where unknown; `row` their index into the log; `position` which of `positions`, that have steps
    of their own where `apart`; `word` which of `words` alone tells the height, −1 where none does."""

    row: np.ndarray
    cleared: np.ndarray
    log_radius: Floats
    height: Floats
    sheet: np.ndarray
    material: np.ndarray
    materials: int
    sheet_prior: Spread = SHEET
    position: np.ndarray | None = None
    positions: int = 0
    apart: bool = False
    word: np.ndarray | None = None
    words: tuple[str, ...] = ()

    @property
    def own_levels(self) -> int:
        """How many materials have levels of their own."""
        return self.materials if self.materials > 1 else 0

    @property
    def own_steps(self) -> int:
        """How many positions have steps of their own."""
        return self.positions if self.apart else 0

    @property
    def first_word(self) -> int:
        """Place of the first word's own step among the parameters."""
        return 4 + self.own_levels

    @property
    def first_step(self) -> int:
        """Place of the first position's own step."""
        return self.first_word + len(self.words)

    def thinned(self, count: int) -> BurrData:
        """About `count` of the edges, by lot, whatever they say; rather more of a material on a sheet where few are."""
        lot, n = np.random.default_rng(SEED), len(self.row)
        starts = np.flatnonzero(np.r_[True, (np.diff(self.sheet) != 0) | (np.diff(self.material) != 0)])
        ends, least = np.r_[starts[1:], n], count // (2 * len(starts))
        kept = np.zeros(n, bool)
        kept[lot.permutation(n)[:count]] = True
        for k in np.flatnonzero(np.add.reduceat(kept, starts, dtype=int) < np.minimum(ends - starts, least)):
            kept[starts[k] + lot.permutation(ends[k] - starts[k])[:least]] = True
        return replace(self, **{n: getattr(self, n)[kept] for n in (
            "row", "cleared", "log_radius", "height", "sheet", "material")},
            position=None if self.position is None else self.position[kept],
            word=None if self.word is None else self.word[kept])


class _Got(NamedTuple):
    log_post: Floats
    warm: Any


class _Edges(NamedTuple):
    """`line` (K, n): margin of each edge but for its sheet's own effect; `sign` (n,) +1 where cleared, else −1;
    `starts` where sheets start, `sheet` (n,) which it is."""

    line: Floats
    sign: Floats
    starts: np.ndarray
    sheet: np.ndarray


def _edges(data: BurrData, theta: Floats) -> _Edges:
    level, log_slope, ratio = theta[:, :3].T
    slope = np.exp(log_slope)
    own, words, steps = np.split(theta[:, 4:], [data.own_levels, data.own_levels + len(data.words)], axis=1)
    line = level[:, None] + slope[:, None] * (data.log_radius - MIDDLE_RADIUS) + (slope * ratio)[:, None] * data.height
    if own.shape[1]:
        line = line + own[:, data.material]
    if data.word is not None and words.shape[1]:
        line = line + np.pad(words, ((0, 0), (0, 1)))[:, data.word]
    if data.position is not None and steps.shape[1]:
        line = line + steps[:, data.position]
    starts = _starts(data)
    sheet = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(data.sheet)]))
    return _Edges(line, np.where(data.cleared, 1.0, -1.0), starts, sheet)


def _starts(data: BurrData) -> np.ndarray:
    return np.flatnonzero(np.r_[True, np.diff(data.sheet) != 0])


def _line(theta: Floats) -> Floats:
    """Coefficients of `_columns`, (K, p)."""
    slope = np.exp(theta[:, 1])
    return np.column_stack([theta[:, 0], slope, slope * theta[:, 2], theta[:, 4:]])


def _columns(data: BurrData) -> Floats:
    """What an edge's margin is a sum of, its sheet's own effect aside, (n, p)."""
    own = data.material[:, None] == np.arange(data.own_levels)
    words = (data.material if data.word is None else data.word)[:, None] == np.arange(len(data.words))
    steps = (data.material if data.position is None else data.position)[:, None] == np.arange(data.own_steps)
    return np.column_stack([np.ones(len(data.row)), data.log_radius - MIDDLE_RADIUS, data.height, own, words, steps])


def _slopes(margin: Floats, sign: Floats) -> tuple[Floats, Floats]:
    """Slope and curvature, downward, of each edge's log chance at its margin, (K, n) each."""
    z = sign * margin
    chance = np.maximum(ndtr(z), _NO_CHANCE)
    far = np.minimum(z, -1.0)
    mills = np.where(chance > _NO_CHANCE, np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * chance), -far - 1 / far)
    return sign * mills, np.clip(mills * (z + mills), 0, 1)  # what it lies within; far out the digits are lost


def _effects(edges: _Edges, precision: Floats, near: Floats | None = None, small: float = _SMALL
             ) -> tuple[Floats, Floats]:
    """Most probable own effect of each sheet and the SD about it, (K, sheets) each; `precision` (K, 1) of its prior.

    `near` (sheets,) is where they are looked for; those of a point whose last step was `small` are found.
    """
    line, sign, starts, index = edges
    effect = np.zeros((len(line), len(starts))) + (0.0 if near is None else near)
    bend, rows = np.empty_like(effect), np.arange(len(line))
    for _ in range(_STEPS):
        at = effect[rows]
        score, curve = (np.add.reduceat(part, starts, axis=1) for part in _slopes(line[rows] + at[:, index], sign))
        bend[rows] = curve + precision[rows]
        step = np.clip((score - at * precision[rows]) / bend[rows], -3, 3)
        effect[rows] = at + step
        rows = rows[np.abs(step).max(1, initial=0) >= small]
        if not len(rows):
            break
    return effect, 1 / np.sqrt(bend)


def _log_chances(margin: Floats, starts: np.ndarray) -> Floats:
    """Log chance of all edges of each sheet at their margins, (K, sheets): one logarithm for some edges together."""
    chance, n = ndtr(margin), margin.shape[1]
    runs = np.concatenate([np.arange(a, b, _RUN) for a, b in pairwise([*starts, n])])
    out = np.add.reduceat(np.log(np.maximum(np.multiply.reduceat(chance, runs, axis=1), _NO_CHANCE)),
                          np.searchsorted(runs, starts), axis=1)
    low = chance.min(1) < _NO_CHANCE ** (1 / _RUN)
    if low.any():
        out[low] = np.add.reduceat(log_ndtr(margin[low]), starts, axis=1)
    return out


def _log_prior(data: BurrData, theta: Floats) -> Floats:
    level, log_slope, ratio, log_sd = theta[:, :4].T
    return -0.5 * (((level - _LEVEL[0]) / _LEVEL[1]) ** 2 + ((log_slope - _LOG_SLOPE[0]) / _LOG_SLOPE[1]) ** 2
                   + ((ratio - _RATIO[0]) / _RATIO[1]) ** 2
                   + ((log_sd - np.log(data.sheet_prior.median)) / data.sheet_prior.log_sd) ** 2
                   + ((theta[:, 4:] / _own_sd(data)) ** 2).sum(1))


def _own_sd(data: BurrData) -> Floats:
    """Prior SD of levels and steps of their own."""
    words = [_USUAL_WORD if word in USUAL_BURR else _OWN_WORD for word in data.words]
    return np.r_[np.full(data.own_levels, _MATERIAL), words, np.full(data.own_steps, _POSITION)]


def _evaluate(data: BurrData, theta: Floats, warm: Any) -> _Got:
    """Log posterior at points (K, 4 + own levels and steps): the own effect of each sheet is integrated out."""
    log_sd, edges = theta[:, 3], _edges(data, theta)
    precision = np.exp(log_sd)[:, None] ** -2
    effect, width = _effects(edges, precision, warm, _NEAR)
    parts = []
    for x, log_weight in zip(_GX, _GW, strict=True):
        at = effect + x * width
        inside = _log_chances(edges.sign * (edges.line + at[:, edges.sheet]), edges.starts)
        parts.append(inside - 0.5 * at**2 * precision + log_weight)
    stack = np.array(parts)
    top = stack.max(0)
    log_like = (top + np.log(np.exp(stack - top).sum(0)) + np.log(width) - log_sd[:, None]).sum(1)
    prior = _log_prior(data, theta)
    return _Got(np.where(np.isfinite(log_like), log_like + prior, -np.inf), effect[0])


@dataclass(frozen=True, eq=False)
class BurrPosterior:
    """Weighted nodes `theta` (K, 4 + own levels and steps): level, log slope, height ratio, log sheet SD, level by
    material where there are several, step by word, step by position where they are told apart."""

    data: BurrData
    theta: Floats
    weight: Floats
    mode: Mode
    effective: float
    sums: BurrSums | None = None

    @property
    def settled(self) -> bool:
        """Whether the search for the mode settled and enough nodes carry the weight."""
        return self.mode.settled and self.effective * len(self.weight) >= FEWEST_NODES

    def moments(self) -> tuple[Floats, Floats]:
        """Mean and SD of each parameter, (p,) each."""
        mean = self.weight @ self.theta
        return mean, np.sqrt(self.weight @ (self.theta - mean) ** 2)

    def with_sheets(self, factor: float) -> BurrPosterior:
        """Under a prior of the spread of sheets whose median is `factor` times as large: the nodes weighed anew."""
        used = self.data.sheet_prior
        other = Spread(used.median * factor, used.log_sd)
        score = [((self.theta[:, 3] - np.log(prior.median)) / prior.log_sd) ** 2 for prior in (used, other)]
        weight = self.weight * np.exp((score[0] - score[1]) / 2)
        return replace(self, data=replace(self.data, sheet_prior=other), weight=weight / weight.sum())

    def node_of(self, count: int) -> np.ndarray:
        """Node of each draw, (count,); by their spread of sheets, so that other weights move draws a little."""
        rank = np.argsort(self.theta[:, 3], kind="stable")
        return rank[pick(self.weight[rank], shuffled(count, 1))]

    def levels(self, material: int, word: str | None) -> Floats:
        """Level of burr of a material and a word at a log radius of 0, (K,)."""
        words = self.data.words
        level = self.theta[:, 0] - np.exp(self.theta[:, 1]) * MIDDLE_RADIUS
        level = level + (self.theta[:, 4 + material] if self.data.own_levels else 0.0)
        return level + (self.theta[:, self.data.first_word + words.index(word)] if word in words else 0.0)

    def draws(self, count: int, material: int, word: str | None = None) -> tuple[Floats, Floats, Floats]:
        """Level, slope and height slope of each draw, divided by the scatter of burr over sheets and edges together."""
        node = self.node_of(count)
        theta, level = self.theta[node], self.levels(material, word)[node]
        slope, total = np.exp(theta[:, 1]), np.sqrt(1 + np.exp(2 * theta[:, 3]))
        return level / total, slope / total, slope * theta[:, 2] / total

    def steps(self, count: int) -> Floats | None:
        """Step of each position in the same draws, (count, positions); None where positions are alike."""
        theta = self.theta[self.node_of(count)]
        total = np.sqrt(1 + np.exp(2 * theta[:, 3:4]))
        return theta[:, self.data.first_step:] / total if self.data.apart else None

    def sheets(self) -> tuple[np.ndarray, Floats, Floats]:
        """Sheets of the data as they are numbered there; mean and SD of their own effects, (K, sheets) each."""
        starts = _starts(self.data)
        if self.sums is not None:
            return self.data.sheet[starts], *own_effects(self.sums, _line(self.theta), np.exp(self.theta[:, 3]))
        return self.data.sheet[starts], *_effects(_edges(self.data, self.theta), np.exp(self.theta[:, 3:4]) ** -2)


def priors_of(data: BurrData) -> tuple[Floats, Floats]:
    """Prior mean and SD of level, log slope, height ratio, log sheet SD, each material's level of several, each word's
    step, and each position's where they are told apart."""
    own = _own_sd(data)
    return (np.r_[_LEVEL[0], _LOG_SLOPE[0], _RATIO[0], np.log(data.sheet_prior.median), np.zeros_like(own)],
            np.r_[_LEVEL[1], _LOG_SLOPE[1], _RATIO[1], data.sheet_prior.log_sd, own])


def score_of(fitted: BurrPosterior, column: Floats) -> float:
    """How the chance of clearing goes with `column` (edges of the data,) beyond dose and height, in SDs of chance.

    Rao's score test (1948, Math. Proc. Camb. Philos. Soc. 44, 50) of its slope, all else fitted.
    """
    data, theta = fitted.data, fitted.moments()[0][None]
    edges = _edges(data, theta)
    effect, _ = _effects(edges, np.exp(theta[:, 3:4]) ** -2)
    score, curve = (part[0] for part in _slopes(edges.line + effect[:, edges.sheet], edges.sign))
    root = np.sqrt(np.maximum(curve, 1e-9))[:, None]
    others = _columns(data)
    own = column - others @ np.linalg.lstsq(others * root, column * root[:, 0], rcond=None)[0]
    return float((score * own).sum() / max(np.sqrt((curve * own * own).sum()), 1e-9))


def left_on(fitted: BurrPosterior) -> tuple[Floats, Floats, Floats]:
    """Edges of each position that kept burr, how many the fit expects, and the variance of that, (positions,) each."""
    data, theta = fitted.data, fitted.moments()[0][None]
    edges = _edges(data, theta)
    effect, _ = _effects(edges, np.exp(theta[:, 3:4]) ** -2)
    chance = ndtr(-(edges.line + effect[:, edges.sheet]))[0]
    seen, expected, variance = (np.bincount(data.position, each, data.positions)
                                for each in (~data.cleared, chance, chance * (1 - chance)))
    return seen, expected, variance


def told_apart(fitted: BurrPosterior) -> bool:
    """Whether positions keep more or less burr than their doses tell, and chance would do so in less than `_SURE`."""
    if fitted.data.positions < 2:
        return False
    seen, expected, variance = left_on(fitted)
    here = variance > 0
    gap = (seen - expected)[here] ** 2 / np.maximum(variance[here], _LEAST_VARIANCE)
    return int(here.sum()) > 1 and bool(chdtrc(here.sum() - 1, gap.sum()) < _SURE)


def fit_burr(data: BurrData, count: int = 512, start: Floats | None = None) -> BurrPosterior:
    """Mode and nodes. Parameters are scaled to their prior SDs while exploring; `start` is a mode in that scale."""
    if len(data.row) > _ALL_ASKED:
        data = data.thinned(_ALL_ASKED)
    centre, scale = priors_of(data)

    def exact(some: BurrData, unit: Floats, warm: Any) -> _Got:
        size = max(1, BATCH // len(some.row))
        parts = [_evaluate(some, centre + unit[k:k + size] * scale, warm) for k in range(0, len(unit), size)]
        return _Got(np.concatenate([p.log_post for p in parts]), parts[0].warm)

    def by_sums(sums: BurrSums, unit: Floats, warm: Any) -> _Got:
        theta = centre + unit * scale
        return _Got(log_chance(sums, _line(theta), np.exp(theta[:, 3])) + _log_prior(data, theta), None)

    first, sums = np.zeros(len(centre)) if start is None else start, None
    batch = partial(exact, data)
    if len(data.row) <= MANY_EDGES:
        mode = climb(batch, first)
    else:
        mode, near, last = climb(partial(exact, data.thinned(_SUBSET)), first), False, False
        for _ in range(_PASSES):
            sums, before, last = _sums(data, centre + mode.theta * scale), mode, near
            batch = _mended(partial(by_sums, sums), partial(exact, data), mode, whole=last)
            mode = climb(batch, mode.theta)
            near = bool((np.abs(mode.theta - before.theta) < _STILL * np.sqrt(np.diag(mode.cov))).all())
            if last and near:
                break
        mode = mode._replace(settled=mode.settled and last and near)
    if len(data.row) < _EDGES_A_SHEET * len(_starts(data)):  # too few for sums to tell far from the mode
        batch = partial(exact, data)
    cloud: Cloud = nodes_about(batch, mode, count if sums is None else min(count, _MANY_NODES))
    found = BurrPosterior(data, centre + cloud.theta * scale, cloud.weight, mode, cloud.effective, sums)
    return found if sums is None or found.settled else fit_burr(data.thinned(MANY_EDGES), count)


def _mended(near: Batch, exact: Batch, mode: Mode, whole: bool) -> Batch:
    """`near` with what it lacks of `exact` about the mode: slopes and curvatures over one SD along the posterior's own
    axes, and with `whole` those between axes.

    Effects of sheets with few edges are not normal: sums alone would have level and spread too small.
    """
    variance, axes = np.linalg.eigh(mode.cov)
    d, step = len(variance), (axes * np.sqrt(variance)).T
    pairs = [(i, j) for i in range(d) for j in range(i)] if whole else []
    both = np.array([step[i] + step[j] for i, j in pairs]).reshape(-1, d)
    points = mode.theta + np.vstack([np.zeros(d), step, -step, both, -both])

    def curved(some: Batch) -> tuple[Floats, Floats]:
        value = np.maximum(some(points, None).log_post, -_NEVER)
        up, down, over, under = np.split(value[1:] - value[0], np.cumsum([d, d, len(pairs)]))
        bend = np.diag(up + down)
        for (i, j), v in zip(pairs, (over + under - [up[i] + down[i] + up[j] + down[j] for i, j in pairs]) / 2,
                             strict=True):
            bend[i, j] = bend[j, i] = v
        return (up - down) / 2, bend

    (slope, bend), (has, has_bend) = curved(exact), curved(near)
    roots, turned = np.linalg.eigh(bend)
    lack, lack_bend = slope - has, (turned * np.minimum(roots, -_LEAST_BEND)) @ turned.T - has_bend

    def batch(unit: Floats, warm: Any) -> _Got:
        away = (unit - mode.theta) @ axes / np.sqrt(variance)
        return _Got(near(unit, warm).log_post + away @ lack + 0.5 * ((away @ lack_bend) * away).sum(1), None)
    return batch


def _sums(data: BurrData, theta: Floats) -> BurrSums:
    """Sums of the edges about one point (p,) and the sheets' most probable effects there."""
    edges = _edges(data, theta[None])
    effect, _ = _effects(edges, np.exp(theta[None, 3:4]) ** -2)
    margin = edges.line + effect[:, edges.sheet]
    score, curve = _slopes(margin, edges.sign)
    return summed(_columns(data), margin[0], score[0], curve[0], edges.starts)
