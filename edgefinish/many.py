"""The posterior of a long log: rows pin down what belongs to rows, and only what hangs on few is left open.

From some thousand rows on, spreads of edges and tails (and of plates, where there are thousands) stand to a few per
cent: they are put at their mode. What stays uncertain, the spreads of sheets and, of few plates, theirs, is explored
as ever, on sums over the rows that are taken once.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .explore import Cloud, Mode, climb, nodes_about
from .kin import log_chance
from .mixed import (
    Coefficients,
    RowSums,
    Solution,
    coefficients,
    collapse,
    effect_variance,
    gather,
    plate_integrals,
    solve,
)
from .rows import Floats, MixedData, Rows, nodes_at

MANY_ROWS = 4000
_SUBSET = 1600
_FEW_PLATES = 1500
_PASSES, _NEARLY = 20, 1.0


class _Got(NamedTuple):
    log_post: Floats
    warm: Any
    found: Coefficients


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
        thin = climb_subset(_thinned(data))
        theta = thin.theta if np.isfinite(thin.log_post) else start
    outer = _decided_by_few(data)
    inner = np.flatnonzero(~outer)
    settled, eta, bend, gain = False, None, None, np.inf
    for _ in range(_PASSES):
        at = solve(data, nodes_at(data, theta[None]), eta, 3, corrected=False)
        eta = at.eta
        sums = _sums(data, theta, at)
        before = theta.copy()
        theta = theta.copy()
        theta[inner], gain, bend = _newton(data, theta, inner, at, sums, bend if gain < _NEARLY else None)
        top = climb(partial(_by_sums, data, sums, theta, outer), theta[outer])
        theta[outer] = top.theta
        if gain < 0.05 and np.abs(theta - before)[outer].max(initial=0) < 0.03:
            settled = top.settled
            break
    at = solve(data, nodes_at(data, theta[None]), eta, 3, corrected=False)
    sums = _sums(data, theta, at)
    batch = partial(_by_sums, data, sums, theta, outer)
    cloud: Cloud = nodes_about(batch, climb(batch, theta[outer]), count)
    whole = np.repeat(theta[None], count, 0)
    whole[:, outer] = cloud.theta
    found: Coefficients = cloud.got.found
    cov = np.eye(len(theta)) * 1e-8
    cov[np.ix_(outer, outer)] = top.cov
    mode = Mode(theta, cov, None, float(at.log_post[0]), settled)
    return Explored(whole, cloud.weight, found.coef, found.chol, at, mode, cloud.effective)


def _thinned(data: MixedData) -> MixedData:
    """Some thousand rows of the log, from all over it: whole plates where they are many, else some rows of each."""
    plates = len(data.sheet)
    keep: NDArray[np.bool_]
    if plates > _SUBSET // 4:
        chosen = np.zeros(plates, bool)
        chosen[np.linspace(0, plates - 1, max(2, _SUBSET * plates // len(data.y))).astype(int)] = True
        keep = chosen[data.plate]
    else:
        within = np.arange(len(data.y)) - data.first_rows[data.plate]
        keep = within % max(1, len(data.y) // _SUBSET) == 0
    return data.rows_where(keep)


def _decided_by_few(data: MixedData) -> NDArray[np.bool_]:
    """Which unknowns few units decide: spreads of sheets, and of plates where they are few."""
    edges, plates = len(data.edge_spread), len(data.plate_spread)
    few = data.free >= (edges if len(data.sheet) <= _FEW_PLATES else edges + plates)
    return np.r_[few, np.zeros(data.tails, bool), np.arange(data.family) < len(data.kin_spread)]


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


def _by_sums(data: MixedData, sums: RowSums, theta: Floats, outer: NDArray[np.bool_], some: Floats, warm: Any) -> _Got:
    """Log posterior of the outer unknowns, the rows being normal about their mode."""
    points = np.repeat(theta[None], len(some), 0)
    points[:, outer] = some
    nodes = nodes_at(data, points)
    plate_var, sheet_var = nodes.plate_sd(data) ** 2, nodes.sheet_sd(data) ** 2
    if len(data.sheet) > _FEW_PLATES:
        plate_var = plate_var[:1]
    col = collapse(data, sums, plate_var)
    c = coefficients(data, col, sheet_var, nodes.precision(data))
    y = np.broadcast_to(col.sheet_y, (len(some), *col.sheet_y.shape[1:]))
    sheets = (y * np.matmul(c.sheet_shrink, y[..., None])[..., 0]).sum((1, 2))
    half = np.einsum("kpq,kp->kq", c.chol, c.coef)
    value = 0.5 * ((half**2).sum(1) + sheets + col.plate_fit - c.log_det)
    value -= np.log(np.diagonal(c.chol, axis1=1, axis2=2)).sum(1)
    if len(data.kin):
        value += log_chance(data, nodes.kin_sd, c.coef, c.chol)
    return _Got(value + nodes.log_prior, None, c)


def _newton(data: MixedData, theta: Floats, inner: NDArray[np.intp], at: Solution, sums: RowSums, bend: Floats | None
            ) -> tuple[Floats, float, Floats]:
    """One Newton step of what the rows decide, sheets and coefficients held, plates integrated; and what it gains.

    `bend`: the curvature that an earlier step found, where that is near enough; returned for those after.
    """
    d = len(inner)
    nodes = nodes_at(data, theta[None])
    shrink = collapse(data, sums, nodes.plate_sd(data) ** 2).shrink

    def value(point: Floats) -> float:
        here = nodes_at(data, point[None])
        rows, sd = Rows(data, here), np.broadcast_to(here.plate_sd(data), at.plate.shape)
        total = rows.log_density(at.eta).sum() + plate_integrals(data, rows, at.eta, at.plate, shrink, sd)[0]
        total -= 0.5 * (np.divide(at.plate, sd, out=np.zeros_like(at.plate), where=sd > 0) ** 2).sum()
        return float(total - np.log(sd[sd > 0]).sum() + here.log_prior[0])

    width = min(0.1, 12 / np.sqrt(len(data.y)))
    unit = np.zeros((d, len(theta)))
    unit[range(d), inner] = width
    middle = value(theta)
    up, down = (np.array([value(theta + s * unit[i]) for i in range(d)]) for s in (1, -1))
    slope = (up - down) / (2 * width)
    if bend is None:
        bend = np.diag((up - 2 * middle + down) / width**2)
        for i in range(d):
            for j in range(i):
                both = value(theta + unit[i] + unit[j]) + value(theta - unit[i] - unit[j])
                bend[i, j] = bend[j, i] = (both - up[i] - down[i] - up[j] - down[j] + 2 * middle) / (2 * width**2)
    roots, axes = np.linalg.eigh(-bend)
    step = axes @ ((axes.T @ slope) / np.maximum(roots, 1.0))
    step *= min(1.0, 1.0 / max(np.abs(step).max(), 1e-12))
    while value(theta + step @ unit / width) < middle and np.abs(step).max() > 1e-4:
        step /= 2
    return theta[inner] + step, float(slope @ step), bend
