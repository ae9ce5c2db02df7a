"""The posterior of a long log: rows pin down what belongs to rows, and only what hangs on few is left open.

From some thousand rows on, spreads of edges and tails (and of plates, where there are thousands) stand to a few per
cent: they are put at their mode, of very long logs that of some rows by lot. What stays uncertain, the spreads of
sheets and, of few plates or few to a sheet, theirs, is explored as ever, on sums over all rows that are taken once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .densities import Rows
from .explore import SEED, Batch, Cloud, Mode, climb, nodes_about
from .kin import log_chance
from .mixed import (
    Coefficients,
    RowSums,
    Solution,
    _inverse_plus,
    _on_rows,
    _squares,
    _times,
    coefficients,
    collapse,
    effect_variance,
    gather,
    plate_integrals,
    solve,
)
from .rows import Floats, MixedData, nodes_at

MANY_ROWS = 4000
_SUBSET = 1600  # rows of the first look
_PINNING = 40_000  # rows that tell spreads and tails of edges to a per cent or less: more of them are not asked
_FEW_PLATES, _MOST_PLATES = 800, 10_000
_PLATES_A_SHEET = 20  # with fewer, spreads of plates found with the sheets held are more than 5 % too small
_ENOUGH_PLATES = 1000
_PASSES = 20
_LEAP = 0.4  # most that a step moves the logarithm of a spread: integrals over plates are about where they were
_LITTLE = 1.0  # gain of a step of what rows decide after which the next is nothing


class _Got(NamedTuple):
    log_post: Floats
    warm: Any
    found: Coefficients


class _Mode(NamedTuple):
    theta: Floats
    eta: Floats
    settled: bool


class Explored(NamedTuple):
    """What `posterior` needs of the nodes: `theta` (K, d) of all unknowns, weights, coefficients, and the mode."""

    theta: Floats
    weight: Floats
    coef: Floats
    chol: Floats
    at_mode: Solution
    mode: Mode
    effective: float


def explore_many(data: MixedData, start: Floats, climb_subset: Any, count: int) -> Explored:
    """Mode on all rows and nodes of what few units decide.

    `climb_subset(data)` gives the mode of a smaller problem, from which this one starts; None where `start` is near.
    """
    theta = start
    if climb_subset is not None:
        thin = climb_subset(_thinned(data, _SUBSET))
        theta = thin.theta if np.isfinite(thin.log_post) else start
    outer = _decided_by_few(data)
    pinned = len(data.y) > _PINNING or len(data.sheet) > _MOST_PLATES
    theta, eta, settled = _mode(_thinned(data, _PINNING) if pinned else data, theta)
    if pinned:
        theta, eta, still = _mode(data, theta, by_rows=False)
        settled &= still
    at = solve(data, nodes_at(data, theta[None]), eta, 3, corrected=False)
    sums = _sums(data, theta, at)
    batch = _by_sums(data, sums, theta, outer)
    top = climb(batch, theta[outer])
    cloud: Cloud = nodes_about(batch, top, count)
    whole = np.repeat(theta[None], count, 0)
    whole[:, outer] = cloud.theta
    found: Coefficients = cloud.got.found
    cov = np.eye(len(theta)) * 1e-8
    cov[np.ix_(outer, outer)] = top.cov
    mode = Mode(theta, cov, None, float(at.log_post[0]), settled)
    return Explored(whole, cloud.weight, found.coef, found.chol, at, mode, cloud.effective)


def _mode(data: MixedData, theta: Floats, by_rows: bool = True) -> _Mode:
    """The mode from a point near it: what rows decide, unless not `by_rows`, and what few units decide in turn."""
    outer = _decided_by_few(data)
    inner = np.flatnonzero(~outer & by_rows)
    eta, gain = None, 0.0
    for _ in range(_PASSES):
        at = solve(data, nodes_at(data, theta[None]), eta, 3 if eta is None else 2, corrected=False)
        eta = at.eta
        sums = _sums(data, theta, at)
        before = theta.copy()
        theta = theta.copy()
        if len(inner):
            theta[inner], gain = _newton(data, theta, inner, at, sums)
        top = climb(_by_sums(data, sums, theta, outer), theta[outer])
        theta[outer] = top.theta
        if gain < _LITTLE and np.abs(theta - before)[outer].max(initial=0) < 0.03:
            return _Mode(theta, eta, top.settled)
    return _Mode(theta, eta, False)


def _thinned(data: MixedData, size: int) -> MixedData:
    """Some rows of the log, about `size`, by lot, whatever they say: whole plates where they are many, else some of
    each. Of plates that may have spreads of their own as many as of all others."""
    lot = np.random.default_rng(SEED)
    kind = np.zeros(len(data.sheet), int) if data.own is None else data.own_kinds[1]
    keep = np.zeros(len(data.y), bool)
    groups = [kind == k for k in np.unique(kind)]
    for some in groups:
        rows, plates = np.flatnonzero(some[data.plate]), np.flatnonzero(some)
        share = min(1.0, size / (len(groups) * len(rows)), _MOST_PLATES / (len(groups) * len(plates)))
        if len(plates) * len(groups) > size // 4:
            chosen = np.zeros_like(some)
            chosen[lot.permutation(plates)[:max(2, round(share * len(plates)))]] = True
            keep |= chosen[data.plate]
        else:
            keep[lot.permutation(rows)[:max(2, round(share * len(rows)))]] = True
    return data.rows_where(keep)


def _decided_by_few(data: MixedData) -> NDArray[np.bool_]:
    """Which unknowns few units decide: spreads of sheets, and of plates where they are few, or few to a sheet."""
    few = data.free >= len(data.edge_spread) + (0 if _plates_open(data) else len(data.plate_spread))
    return np.r_[few, np.zeros(data.tails, bool), np.arange(data.family) < len(data.kin_spread)]


def _plates_open(data: MixedData) -> bool:
    """Whether spreads of plates are explored with those of sheets: rows would decide them with the sheets held."""
    plates, sheets = len(data.sheet), len(data.first_plates)
    return plates <= _FEW_PLATES or (plates <= _MOST_PLATES and plates < _PLATES_A_SHEET * sheets)


def _sums(data: MixedData, theta: Floats, at: Solution) -> RowSums:
    """Sums of the rows about the mode; bounds are averaged over their plate's effect, as `solve` does."""
    nodes = nodes_at(data, theta[None])
    rows = Rows(data, nodes)
    variance = None
    for _ in range(2 if len(data.censored) else 1):
        score, weight = rows.slopes(at.eta, variance)
        weight = np.maximum(weight, 1e-9)
        sums = gather(data, weight, weight * at.eta + score)
        if len(data.censored):
            shrink = collapse(data, sums, nodes.plate_sd(data) ** 2).shrink
            variance = effect_variance(data, shrink)
    return sums


def _by_sums(data: MixedData, sums: RowSums, theta: Floats, outer: NDArray[np.bool_]) -> Batch:
    """Log posterior of the outer unknowns, the rows being normal about their mode."""
    held = None
    if not _plates_open(data):  # then plates are at every point what they are at this one
        held = collapse(data, sums, nodes_at(data, theta[None]).plate_sd(data) ** 2)

    def batch(some: Floats, warm: Any) -> _Got:
        points = np.repeat(theta[None], len(some), 0)
        points[:, outer] = some
        nodes = nodes_at(data, points)
        col = collapse(data, sums, nodes.plate_sd(data) ** 2) if held is None else held
        c = coefficients(data, col, nodes.sheet_sd(data) ** 2, nodes.precision(data))
        y = np.broadcast_to(col.sheet_y, (len(some), *col.sheet_y.shape[1:]))
        sheets = (y * np.matmul(c.sheet_shrink, y[..., None])[..., 0]).sum((1, 2))
        half = np.einsum("kpq,kp->kq", c.chol, c.coef)
        value = 0.5 * ((half**2).sum(1) + sheets + col.plate_fit - c.log_det)
        value -= np.log(np.diagonal(c.chol, axis1=1, axis2=2)).sum(1)
        if len(data.kin):
            value += log_chance(data, nodes.kin_sd, c.coef, c.chol)
        return _Got(value + nodes.log_prior, None, c)
    return batch


class _Held(NamedTuple):
    """Rows about the mode, sheets and coefficients held; `times`: how many such plates they stand for each.

    `a` (1, R, qu, qu): what the rows tell of each plate's effects `plate`, about which they are taken to be normal:
    with `score` (1, R, qu), what pulls at them from 0, integrals over a plate are laid where it is at the spreads asked
    for, not at those of the mode.
    """

    data: MixedData
    eta: Floats
    plate: Floats
    a: Floats
    score: Floats
    times: float = 1.0

    @classmethod
    def at(cls, data: MixedData, found: Solution, sums: RowSums, plate_sd: Floats) -> _Held:
        """About a solution."""
        a, plate = sums.a, found.plate
        own = np.divide(plate, plate_sd**2, out=np.zeros_like(plate), where=plate_sd > 0)
        return cls(data, found.eta, plate, a, _times(a, plate[..., None])[..., 0] + own)

    def log_chance(self, theta: Floats) -> float:
        """Log posterior of the unknowns, plates integrated."""
        here = nodes_at(self.data, theta[None])
        rows, sd = Rows(self.data, here), np.broadcast_to(here.plate_sd(self.data), self.plate.shape)
        inv, log_det = _inverse_plus(self.a, sd**2)
        shrink = sd[..., None] ** 2 * inv
        plate = _times(shrink, self.score[..., None])[..., 0]
        eta = self.eta + _on_rows(self.data, plate - self.plate)
        by_plate = rows.by_plate(eta)
        total = by_plate.sum() + plate_integrals(self.data, rows, eta, plate, shrink, sd, by_plate)[0]
        total -= 0.5 * (_squares(plate, sd).sum() + log_det.sum())
        return float(self.times * total + here.log_prior[0])

    def thinned(self) -> _Held:
        """Some of the plates, standing for all, where they are many."""
        every = len(self.data.sheet) // _ENOUGH_PLATES
        if every < 2:
            return self
        some = np.arange(len(self.data.sheet)) % every == 0
        keep = some[self.data.plate]
        return _Held(self.data.rows_where(keep), self.eta[:, keep], self.plate[:, some], self.a[:, some],
                     self.score[:, some], len(some) / some.sum())


def _newton(data: MixedData, theta: Floats, inner: NDArray[np.intp], at: Solution, sums: RowSums
            ) -> tuple[Floats, float]:
    """One Newton step of what the rows decide, sheets and coefficients held, plates integrated; and what it gains.

    How unknowns go together is taken from some of the plates: how soon the mode is found hangs on it, not where it is.
    """
    d = len(inner)
    nodes = nodes_at(data, theta[None])
    whole = _Held.at(data, at, sums, nodes.plate_sd(data))
    some = whole.thinned()
    width = min(0.1, 12 / np.sqrt(len(data.y)))
    unit = np.zeros((d, len(theta)))
    unit[range(d), inner] = width
    middle, up, down = _either_way(whole, theta, unit)
    slope, bend = (up - down) / (2 * width), (up - 2 * middle + down) / width**2
    here, more, less = (middle, up, down) if some is whole else _either_way(some, theta, unit)
    shape = np.diag(more - 2 * here + less)
    for i in range(d):
        for j in range(i):
            both = some.log_chance(theta + unit[i] + unit[j]) + some.log_chance(theta - unit[i] - unit[j])
            shape[i, j] = shape[j, i] = (both + 2 * here - more[i] - less[i] - more[j] - less[j]) / 2
    # Of some of the plates only how unknowns go together: with another's curvature beside it that need not be a top.
    own = np.sqrt(np.minimum(bend, -1.0) / np.minimum(np.diag(shape), -1e-9))
    bend = own[:, None] * shape * own
    is_tail = (inner >= len(data.free)) & (inner < len(data.free) + data.tails)
    step = _to_top(slope, bend, is_tail, theta[inner])
    step *= min(1.0, 1 / max((np.abs(step) / np.where(is_tail, 1.0, _LEAP)).max(), 1e-12))
    while whole.log_chance(theta + step @ unit / width) < middle and np.abs(step).max() > 1e-4:
        step /= 2
    return theta[inner] + step, float(abs(slope @ step))


def _either_way(held: _Held, theta: Floats, steps: Floats) -> tuple[float, Floats, Floats]:
    """Log posterior at `theta`, and a step (d, …) on and back from it, (d,) each."""
    on, back = (np.array([held.log_chance(theta + way * step) for step in steps]) for way in (1, -1))
    return held.log_chance(theta), on, back


def _to_top(slope: Floats, bend: Floats, is_tail: NDArray[np.bool_], at: Floats) -> Floats:
    """Step (d,) to the top of a posterior of given slope and curvature at `at`, tails being normal scores of 1/ν.

    The likelihood is quadratic in 1/ν sooner than in its score; the score has a standard normal prior.
    """
    slope = slope + is_tail * at
    roots, axes = np.linalg.eigh(bend + np.diag(is_tail * (1 + at * slope)))
    bend = axes @ np.diag(np.minimum(roots, -1.0)) @ axes.T
    step = np.zeros_like(at)
    for _ in range(_PASSES):
        here = at + step
        ratio = np.where(is_tail, np.exp(0.5 * (at**2 - here**2)), 1.0)
        gone = np.where(is_tail, (ndtr(here) - ndtr(at)) * np.sqrt(2 * np.pi) * np.exp(0.5 * at**2), step)
        pull = (slope + bend @ gone) * ratio
        roots, axes = np.linalg.eigh(np.diag(is_tail * (1 + here * pull)) - ratio[:, None] * bend * ratio)
        more = axes @ ((axes.T @ (pull - is_tail * here)) / np.maximum(roots, 1.0))
        step = step + more * min(1.0, 0.5 / max(np.abs(more).max(), 1e-12))
    return step
