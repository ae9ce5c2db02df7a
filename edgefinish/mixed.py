"""The posterior of a linear mixed model with censored readings and heavy tails. Numerics only: it knows no edges.

    y = columns · coefficients + load · (plate effect + sheet load · sheet effect) + scale · error

with errors normal or Student t, readings below or above the gauge, normal priors on coefficients, lognormal priors on
spreads (or none). At given spreads everything else is found by Newton steps in which plates are eliminated first,
then sheets (nested Laplace; the idea in general: Rue, Martino and Chopin 2009, J. R. Stat. Soc. B 71, 319-392); the
integral over each plate's effect is then corrected by adaptive Gauss-Hermite quadrature (Pinheiro and Bates 1995,
J. Comput. Graph. Stat. 4, 12-35). Many values of the spreads ("nodes") are one numpy batch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, log_ndtr, ndtr, stdtr

Floats = NDArray[np.float64]
TAIL_MOST = 1 / 2.8  # 1/ν of the heaviest tail that is considered: the variance still exists
_GAUSS_TAIL = 1e-7
_FLOOR = 0.15  # least curvature of a row while stepping, as a share of that of a normal error


class Spread(NamedTuple):
    """Prior of a spread: lognormal by its median and the SD of its logarithm."""

    median: float
    log_sd: float


FLAT = Spread(float("nan"), float("inf"))
"""No prior: estimates are REML or ML; draws then use the reference prior, flat in the logs of the expected mean squares
(Box and Tiao 1973, Bayesian Inference in Statistical Analysis, chapter 5)."""
OFF = Spread(0.0, 0.0)
"""The level is not there: its spread is 0."""


@dataclass(frozen=True, eq=False)
class MixedData:
    """Rows of a mixed model, sorted by sheet, then plate.

    Shapes: n rows, R plates, qu effects a plate, qs effects a sheet, m error scales, p = pb + pf coefficients.
    `y` (n,); `side` (n,) −1 below, 0 measured, +1 above; `scale` (n,) which error scale; `load` (n, qu);
    `plate` (n,) 0…R−1 without gaps; `sheet` (R,) likewise; `sheet_load` (R, qu, qs);
    `plate_columns` (R, qu, pb), reached through the loads; `row_columns` (n, pf);
    `coef_mean`, `coef_sd` (p,), a sd of inf is no prior.
    """

    y: Floats
    side: NDArray[np.int8]
    scale: NDArray[np.intp]
    load: Floats
    plate: NDArray[np.intp]
    sheet: NDArray[np.intp]
    sheet_load: Floats
    plate_columns: Floats
    row_columns: Floats
    coef_mean: Floats
    coef_sd: Floats
    edge_spread: tuple[Spread, ...]
    plate_spread: tuple[Spread, ...]
    sheet_spread: tuple[Spread, ...]
    heavy_tails: bool = True

    @property
    def spreads(self) -> tuple[Spread, ...]:
        """All spreads in their one order: edges, plates, sheets."""
        return self.edge_spread + self.plate_spread + self.sheet_spread

    @cached_property
    def free(self) -> NDArray[np.intp]:
        """Which spreads are unknown."""
        return np.flatnonzero([s != OFF for s in self.spreads])

    @property
    def tails(self) -> int:
        """How many tail parameters are unknown."""
        return len(self.edge_spread) if self.heavy_tails else 0

    @cached_property
    def precision(self) -> Floats:
        """Prior precision of the coefficients, (p,)."""
        return np.where(np.isinf(self.coef_sd), 0.0, 1 / self.coef_sd**2)

    @cached_property
    def first_rows(self) -> NDArray[np.intp]:
        """First row of each plate."""
        return np.flatnonzero(np.r_[True, np.diff(self.plate) != 0])

    @cached_property
    def first_plates(self) -> NDArray[np.intp]:
        """First plate of each sheet."""
        return np.flatnonzero(np.r_[True, np.diff(self.sheet) != 0])

    @cached_property
    def censored(self) -> NDArray[np.intp]:
        """Rows that are not measured values but bounds."""
        return np.flatnonzero(self.side)

    @property
    def normal(self) -> bool:
        """Whether every row is a measured value with a normal error: then nothing is approximated."""
        return not self.heavy_tails and not len(self.censored)

    @cached_property
    def row_products(self) -> Floats:
        """Products of the row columns, (n, pf²)."""
        f = self.row_columns
        return (f[:, :, None] * f[:, None, :]).reshape(len(f), -1)

    @cached_property
    def plate_products(self) -> Floats:
        """Products of the plate columns for each pair of plate effects, (qu(qu+1)/2 · R, pb²)."""
        b = self.plate_columns
        pairs = [(i, j) for i in range(b.shape[1]) for j in range(i, b.shape[1])]
        both = [b[:, i, :, None] * b[:, j, None, :] for i, j in pairs]
        sym = [x if i == j else x + np.swapaxes(x, 1, 2) for x, (i, j) in zip(both, pairs, strict=True)]
        return np.concatenate(sym).reshape(len(pairs) * len(b), -1)

    def subset(self, plates: NDArray[np.bool_]) -> MixedData:
        """The same model on some of the plates."""
        rows = plates[self.plate]
        return replace(
            self, y=self.y[rows], side=self.side[rows], scale=self.scale[rows], load=self.load[rows],
            plate=np.unique(self.plate[rows], return_inverse=True)[1], row_columns=self.row_columns[rows],
            sheet=np.unique(self.sheet[plates], return_inverse=True)[1], sheet_load=self.sheet_load[plates],
            plate_columns=self.plate_columns[plates])


class Nodes(NamedTuple):
    """Values of the unknown spreads and tails: `sd` (K, all spreads), `tail` (K, m) as 1/ν, `log_prior` (K,)."""

    sd: Floats
    tail: Floats
    log_prior: Floats


class Solution(NamedTuple):
    """What is known of everything else at each node; leading axis K."""

    log_post: Floats
    coef: Floats
    chol: Floats
    sheet: Floats
    plate: Floats
    eta: Floats
    sheet_sd: Floats


def _reference_prior(data: MixedData, sd: Floats) -> Floats:
    """Log density of `FLAT` plate and sheet spreads, log scale, (K,); for one error scale, one effect a level."""
    below = sd[:, 0] ** 2
    out = np.zeros(len(sd))
    for column, units in ((1, len(data.sheet)), (2, data.sheet[-1] + 1)):
        size, v = len(data.y) / units, sd[:, column] ** 2
        if np.isinf(data.spreads[column].log_sd):
            out += np.log(v / (below + size * v))
        below = below + size * v
    return out


def nodes_at(data: MixedData, theta: Floats, *, reference: bool = False) -> Nodes:
    """Spreads and tails at points of the unconstrained space.

    `theta` (K, free + tails): logarithms of the free spreads, then a normal score for each tail, of which 1/ν is
    `TAIL_MOST` times the normal probability: a standard normal prior on the score is a uniform one on 1/ν. `reference`
    adds the reference prior of spreads that have none.
    """
    k, d = len(theta), len(data.free)
    sd = np.zeros((k, len(data.spreads)))
    sd[:, data.free] = np.exp(theta[:, :d])
    log_prior = np.zeros(k)
    for column, which in enumerate(data.free):
        median, log_sd = data.spreads[which]
        if np.isfinite(log_sd):
            log_prior -= 0.5 * ((theta[:, column] - np.log(median)) / log_sd) ** 2
    tail = np.full((k, len(data.edge_spread)), _GAUSS_TAIL)
    if data.tails:
        score = theta[:, d:]
        tail = np.maximum(TAIL_MOST * ndtr(score), _GAUSS_TAIL)
        log_prior -= 0.5 * (score**2).sum(1)
    if reference:
        log_prior += _reference_prior(data, sd)
    return Nodes(sd, tail, log_prior)


class _Rows:
    """Log density, score and curvature of the rows at K nodes. Lives for one batch."""

    def __init__(self, data: MixedData, nodes: Nodes) -> None:
        m = len(data.edge_spread)
        self.data = data
        self.one = m == 1
        self.sd = nodes.sd[:, :1] if self.one else nodes.sd[:, :m][:, data.scale]
        self.student = data.heavy_tails
        if self.student:
            nu = 1 / nodes.tail
            const = gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
            self.nu = nu if self.one else nu[:, data.scale]
            self.const = const if self.one else const[:, data.scale]
        self.log_sd = np.log(self.sd)

    def log_density(self, eta: Floats) -> Floats:
        """(K, n) at linear predictors `eta`."""
        data = self.data
        e = (data.y - eta) / self.sd
        if self.student:
            out = self.const - self.log_sd - (self.nu + 1) / 2 * np.log1p(e * e / self.nu)
        else:
            out = -0.5 * (e * e + np.log(2 * np.pi)) - self.log_sd
        if len(data.censored):
            out[:, data.censored] = self._bound(e[:, data.censored])[0]
        return out

    def slopes(self, eta: Floats, variance: Floats | None) -> tuple[Floats, Floats]:
        """Score and negative curvature, (K, n) each.

        Bounds are averaged over the normal of the given `variance` (K, censored) about `eta`: they pull to one side
        only, and their slope at the middle is not the middle of their slopes.
        """
        data = self.data
        e = (data.y - eta) / self.sd
        if self.student:
            k = (self.nu + 1) / (self.nu + e * e)
            score = k * e / self.sd
            curve = k * (self.nu - e * e) / (self.nu + e * e) / self.sd**2
        else:
            score, curve = e / self.sd, np.broadcast_to(1 / self.sd**2, e.shape).copy()
        c = data.censored
        if len(c):
            sd = self.sd if self.one else self.sd[:, c]
            if variance is None:
                _, score[:, c], curve[:, c] = self._bound(e[:, c])
            else:
                spread = np.sqrt(variance) / sd
                parts = [(wt, self._bound(e[:, c] - x * spread)) for x, wt in zip(*_HERMITE[5], strict=True)]
                score[:, c] = sum(wt * part[1] for wt, part in parts)
                curve[:, c] = sum(wt * part[2] for wt, part in parts)
        return score, curve

    def _bound(self, e: Floats) -> tuple[Floats, Floats, Floats]:
        """Log probability, score and negative curvature of the bounds at standardised distances `e`."""
        c = self.data.censored
        sign = self.data.side[c]
        sd = self.sd if self.one else self.sd[:, c]
        z = -sign * e
        if self.student:
            nu, const = (self.nu, self.const) if self.one else (self.nu[:, c], self.const[:, c])
            log_p = np.log(np.maximum(stdtr(nu, z), 1e-300))
            h = np.exp(const - (nu + 1) / 2 * np.log1p(z * z / nu) - log_p)
            bend = h * ((nu + 1) * z / (nu + z * z) + h)
        else:
            log_p = log_ndtr(z)
            h = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_p)
            bend = h * (z + h)
        return log_p, sign * h / sd, bend / sd**2


def _hermite(n: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.hermite_e.hermegauss(n)
    return x, w / w.sum()


_HERMITE = {n: _hermite(n) for n in (3, 5)}


def _inverse_plus(a: Floats, v: Floats) -> tuple[Floats, Floats]:
    """(I + A V)⁻¹ and log |I + A V| for symmetric A (…, q, q) and V = diag(v) (…, q)."""
    q = a.shape[-1]
    m = a * v[..., None, :]
    m[..., range(q), range(q)] += 1
    if q == 1:
        return 1 / m, np.log(m[..., 0, 0])
    if q == 2:
        det = m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0]
        out = np.empty_like(m)
        out[..., 0, 0], out[..., 1, 1] = m[..., 1, 1], m[..., 0, 0]
        out[..., 0, 1], out[..., 1, 0] = -m[..., 0, 1], -m[..., 1, 0]
        return out / det[..., None, None], np.log(det)
    return np.linalg.inv(m), np.linalg.slogdet(m)[1]


class Collapsed(NamedTuple):
    """The rows with plates eliminated: what the sheets and coefficients see of them; leading axis K."""

    xx: Floats
    xy: Floats
    sheet_x: Floats
    sheet_y: Floats
    sheet_a: Floats
    plate_x: Floats
    plate_y: Floats
    plate_a: Floats
    shrink: Floats
    log_det: Floats


def collapse(data: MixedData, weight: Floats, moment: Floats, plate_var: Floats) -> Collapsed:
    """Eliminate the plates. `weight`, `moment` (K, n): curvature, and curvature times working response."""
    k, starts, qu = len(weight), data.first_rows, data.load.shape[1]
    r, pb, f = len(data.sheet), data.plate_columns.shape[2], data.row_columns
    p = pb + f.shape[1]
    a = np.empty((k, r, qu, qu))
    upper = []
    for i in range(qu):
        for j in range(i, qu):
            a[:, :, i, j] = np.add.reduceat(weight * (data.load[:, i] * data.load[:, j]), starts, axis=1)
            a[:, :, j, i] = a[:, :, i, j]
            upper.append(a[:, :, i, j])
    y = np.stack([np.add.reduceat(moment * data.load[:, i], starts, axis=1) for i in range(qu)], -1)
    x = np.empty((k, r, qu, p))
    x[..., :pb] = np.matmul(a, data.plate_columns)
    for i in range(qu):
        for j in range(f.shape[1]):
            x[:, :, i, pb + j] = np.add.reduceat(weight * (data.load[:, i] * f[:, j]), starts, axis=1)
    xx = np.empty((k, p, p))
    xx[:, :pb, :pb] = (np.concatenate(upper, 1) @ data.plate_products).reshape(k, pb, pb)
    flat = data.plate_columns.reshape(r * qu, pb)
    xx[:, :pb, pb:] = np.matmul(flat.T, x[..., pb:].reshape(k, r * qu, -1))
    xx[:, pb:, :pb] = np.swapaxes(xx[:, :pb, pb:], 1, 2)
    xx[:, pb:, pb:] = (weight @ data.row_products).reshape(k, f.shape[1], f.shape[1])
    xy = np.concatenate([y.reshape(k, -1) @ flat, moment @ f], 1)
    v = np.broadcast_to(plate_var[:, None, :], (k, r, qu))
    inv, log_det = _inverse_plus(a, v)
    shrink = v[..., None] * inv
    ax = np.matmul(shrink, x).reshape(k, r * qu, p)
    xt = np.swapaxes(x.reshape(k, r * qu, p), 1, 2)
    xx = xx - np.matmul(xt, ax)
    xy = xy - np.matmul(np.swapaxes(ax, 1, 2), y.reshape(k, r * qu, 1))[..., 0]
    lt = np.swapaxes(data.sheet_load, 1, 2)
    at = data.first_plates
    sheet_x = np.add.reduceat(np.matmul(lt, np.matmul(inv, x)), at, axis=1)
    sheet_y = np.add.reduceat(np.matmul(lt, np.matmul(inv, y[..., None]))[..., 0], at, axis=1)
    sheet_a = np.add.reduceat(np.matmul(lt, np.matmul(np.matmul(inv, a), data.sheet_load)), at, axis=1)
    return Collapsed(xx, xy, sheet_x, sheet_y, sheet_a, x, y, a, shrink, log_det.sum(1))


class _Coefs(NamedTuple):
    coef: Floats
    chol: Floats
    sheet: Floats
    sheet_score: Floats
    sheet_shrink: Floats
    log_det: Floats


def coefficients(data: MixedData, col: Collapsed, sheet_var: Floats) -> _Coefs:
    """Eliminate the sheets and solve for the coefficients; log determinant of plates and sheets, without the last."""
    k, s = len(sheet_var), col.sheet_x.shape[1]
    qs = sheet_var.shape[1]
    inv, log_det = _inverse_plus(np.broadcast_to(col.sheet_a, (k, s, qs, qs)), np.broadcast_to(
        sheet_var[:, None, :], (k, s, qs)))
    shrink = sheet_var[:, None, :, None] * inv
    cx = np.broadcast_to(col.sheet_x, (k, *col.sheet_x.shape[1:]))
    kx = np.matmul(shrink, cx).reshape(k, s * qs, -1)
    h = col.xx - np.matmul(np.swapaxes(cx.reshape(k, s * qs, -1), 1, 2), kx)
    p = h.shape[1]
    h[:, range(p), range(p)] += data.precision
    rhs = col.xy - np.matmul(np.swapaxes(kx, 1, 2), np.broadcast_to(col.sheet_y, (k, s, qs)).reshape(k, -1, 1))[..., 0]
    rhs = rhs + data.precision * data.coef_mean
    chol = np.linalg.cholesky(h)
    coef = np.linalg.solve(h, rhs[..., None])[..., 0]
    gap = col.sheet_y - np.matmul(cx, coef[:, None, :, None])[..., 0]
    score = np.matmul(inv, gap[..., None])[..., 0]
    return _Coefs(coef, chol, sheet_var[:, None, :] * score, score, shrink, col.log_det + log_det.sum(1))


def solve(data: MixedData, nodes: Nodes, eta: Floats | None = None, steps: int = 3, *, restricted: bool = True,
          corrected: bool = True) -> Solution:
    """The posterior of everything else at each node, and the log marginal posterior of the node.

    `eta` (K or 1, n) is where Newton starts. `restricted=False` leaves out the determinant of the coefficients: their
    likelihood is then maximised, not integrated. `corrected=False` leaves out the quadrature over plates.
    """
    m, qu = len(data.edge_spread), data.load.shape[1]
    k = len(nodes.sd)
    rows = _Rows(data, nodes)
    plate_sd, sheet_sd = nodes.sd[:, m:m + qu], nodes.sd[:, m + qu:]
    start = data.y + 0.5 * data.side * nodes.sd[:, :m][:, data.scale] if eta is None else eta
    eta = np.broadcast_to(start, (k, len(data.y)))
    least = np.broadcast_to(_FLOOR / rows.sd**2, eta.shape)
    variance = None
    for step in range(steps):
        score, weight = rows.slopes(eta, variance)
        weight = np.maximum(weight, least if step + 1 < steps else 1e-9 * least)
        col = collapse(data, weight, weight * eta + score, plate_sd**2)
        c = coefficients(data, col, sheet_sd**2)
        level = np.matmul(data.sheet_load, c.sheet[:, data.sheet, :, None])[..., 0]
        gap = col.plate_y - np.matmul(col.plate_x, c.coef[:, None, :, None])[..., 0]
        gap = gap - np.matmul(col.plate_a, level[..., None])[..., 0]
        u = np.matmul(col.shrink, gap[..., None])[..., 0]
        pb = data.plate_columns.shape[2]
        at_plate = np.tensordot(c.coef[:, :pb], data.plate_columns, (1, 2)) + level + u
        eta = (at_plate[:, data.plate] * data.load).sum(-1) + c.coef[:, pb:] @ data.row_columns.T
        if len(data.censored):
            z = data.load[data.censored]
            block = col.shrink[:, data.plate[data.censored]]
            variance = np.einsum("ni,knij,nj->kn", z, block, z)
    log_post = rows.log_density(eta).sum(1)
    if corrected and not data.normal:
        log_post = log_post + _plate_integrals(data, rows, eta, u, col.shrink, plate_sd)
    log_post -= 0.5 * _squares(u, plate_sd).sum((1, 2)) + 0.5 * (c.sheet * c.sheet_score).sum((1, 2))
    log_post -= 0.5 * (data.precision * (c.coef - data.coef_mean) ** 2).sum(1) + 0.5 * c.log_det
    if restricted:
        log_post -= np.log(np.diagonal(c.chol, axis1=1, axis2=2)).sum(1)
    log_post = np.where(np.isfinite(log_post), log_post + nodes.log_prior, -np.inf)
    own = np.sqrt(np.maximum(np.diagonal(c.sheet_shrink, axis1=2, axis2=3), 0))
    return Solution(log_post, c.coef, c.chol, c.sheet, u, eta, own)


def _squares(u: Floats, sd: Floats) -> Floats:
    v = sd[:, None, :] ** 2
    return np.divide(u**2, v, out=np.zeros_like(u), where=v > 0)


def _plate_integrals(data: MixedData, rows: _Rows, eta: Floats, u: Floats, cov: Floats, sd: Floats) -> Floats:
    """Log of the integral over each plate's effect, over its Laplace value, summed over plates; (K,)."""
    qu = u.shape[2]
    x, w = _HERMITE[5 if qu == 1 else 3]
    grid = np.stack(np.meshgrid(*[x] * qu, indexing="ij"), -1).reshape(-1, qu)
    mass = np.stack(np.meshgrid(*[w] * qu, indexing="ij"), -1).reshape(-1, qu).prod(1)
    root = np.zeros_like(cov)
    root[..., 0, 0] = np.sqrt(np.maximum(cov[..., 0, 0], 0))
    if qu == 2:
        root[..., 1, 0] = np.divide(cov[..., 1, 0], root[..., 0, 0], out=np.zeros(cov.shape[:2]),
                                    where=root[..., 0, 0] > 0)
        root[..., 1, 1] = np.sqrt(np.maximum(cov[..., 1, 1] - root[..., 1, 0] ** 2, 0))
    at = data.first_rows
    here = np.add.reduceat(rows.log_density(eta), at, axis=1) - 0.5 * _squares(u, sd).sum(2)
    total = np.zeros_like(here)
    for point, weight in zip(grid, mass, strict=True):
        if not point.any():
            total += weight
            continue
        shift = np.matmul(root, point)
        bump = 0.5 * ((sd > 0) * point**2).sum(1)[:, None]
        there = np.add.reduceat(rows.log_density(eta + (shift[:, data.plate] * data.load).sum(-1)), at, axis=1)
        there -= 0.5 * _squares(u + shift, sd).sum(2)
        total += weight * np.exp(np.clip(there - here + bump, -50, 50))
    return np.log(total).sum(1)
