"""The posterior of a linear mixed model with censored readings and heavy tails. Numerics only: it knows no edges.

    y = columns · coefficients + load · (plate effect + sheet load · sheet effect) + scale · error

with errors normal or Student t, readings below or above the gauge, normal priors on coefficients, lognormal priors on
spreads (or none). At given spreads everything else is found by Newton steps in which plates are eliminated first,
then sheets (nested Laplace; the idea in general: Rue, Martino and Chopin 2009, J. R. Stat. Soc. B 71, 319-392); the
integral over each plate's effect is then corrected by adaptive Gauss-Hermite quadrature (Pinheiro and Bates 1995,
J. Comput. Graph. Stat. 4, 12-35). Many values of the spreads ("nodes") are one numpy batch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .densities import HERMITE, Rows
from .kin import log_chance
from .rows import Floats, MixedData, Nodes

_ASTRAY = 2.0  # a last step of Newton that moves a mean by that factor's logarithm came from nowhere near the mode
_SHORT_STEPS = 16
_SWINGS, _HARDLY, _SHORTEST = 5, 0.9, 1 / 8
"""Steps of Newton after which one that turns back, hardly shorter than the last, is halved; one that goes on grows
again."""
_FLOOR = 0.15  # least curvature of a row while stepping, as a share of that of a normal error
_MANY = 20_000  # rows, or plates, from which products are summed a node at a time
_IN_CACHE = 100_000  # numbers of one array, above which plates are eliminated some sheets at a time


class Solution(NamedTuple):
    """What is known of everything else at each node; leading axis K. `gain`: what Newton's last step brought."""

    log_post: Floats
    gain: Floats
    coef: Floats
    chol: Floats
    sheet: Floats
    plate: Floats
    eta: Floats
    sheet_sd: Floats


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


def _times(a: Floats, b: Floats) -> Floats:
    """`a` (…, i, j) times `b` (…, j, k) for very small i and j; sooner than `matmul` where j or k is 1."""
    if a.shape[-1] == 1:
        return a * b
    if b.shape[-1] > 1:
        return np.matmul(a, b)
    out = a[..., :1] * b[..., :1, :]
    for j in range(1, a.shape[-1]):
        out += a[..., j:j + 1] * b[..., j:j + 1, :]
    return out


class RowSums(NamedTuple):
    """Weighted sums over the rows of each plate, and over all rows; leading axis K.

    `a` (K, R, qu, qu) of loads with loads, `y` (K, R, qu) with working responses, `x` (K, R, qu, p) with columns;
    `xx` (K, p, p) and `xy` (K, p) of columns over all rows.
    """

    a: Floats
    y: Floats
    x: Floats
    xx: Floats
    xy: Floats


def gather(data: MixedData, weight: Floats, moment: Floats) -> RowSums:
    """Sum the rows. `weight`, `moment` (K, n): curvature, and curvature times working response."""
    k, starts, qu = len(weight), data.first_rows, data.load.shape[1]
    r, pb, f = len(data.sheet), data.plate_columns.shape[2], data.row_columns
    p = pb + f.shape[1]
    few, of, times = data.load_products
    plates = [np.add.reduceat(weight * product, starts, axis=1) for product in few]
    a = np.empty((k, r, qu, qu))
    for i, j in np.ndindex(qu, qu):
        a[:, :, i, j] = plates[of[i, j]] * times[i, j]
    y = np.stack([np.add.reduceat(moment * data.load[:, i], starts, axis=1) for i in range(qu)], -1)
    x = np.empty((k, r, qu, p))
    x[..., :pb] = _times(a, data.plate_columns)
    for i, j in np.ndindex(qu, f.shape[1]):
        x[:, :, i, pb + j] = plates[of[i, qu + j]] * times[i, qu + j]
    xx = np.empty((k, p, p))
    flat = data.plate_columns.reshape(r * qu, pb)
    if r > _MANY or k == 1:
        xx[:, :pb, :pb] = [flat.T @ one.reshape(r * qu, p)[:, :pb] for one in x]
    else:
        upper = np.concatenate([a[:, :, i, j] for i in range(qu) for j in range(i, qu)], 1)
        xx[:, :pb, :pb] = (upper @ data.plate_products).reshape(k, pb, pb)
    xx[:, :pb, pb:] = np.matmul(flat.T, x[..., pb:].reshape(k, r * qu, -1))
    xx[:, pb:, :pb] = np.swapaxes(xx[:, :pb, pb:], 1, 2)
    if len(f) > _MANY or k == 1:
        xx[:, pb:, pb:] = [f.T @ (w[:, None] * f) for w in weight]
    else:
        xx[:, pb:, pb:] = (weight @ data.row_products).reshape(k, f.shape[1], f.shape[1])
    return RowSums(a, y, x, xx, np.concatenate([y.reshape(k, -1) @ flat, moment @ f], 1))


class Collapsed(NamedTuple):
    """The rows with plates eliminated: what the sheets and coefficients see of them; leading axis K.

    `shrink` (K, R, qu, qu) posterior covariance of the plate effects given all else; `log_det` and `plate_fit` (K,) the
    plates' parts of the log determinant and of the quadratic form.
    """

    xx: Floats
    xy: Floats
    sheet_x: Floats
    sheet_y: Floats
    sheet_a: Floats
    shrink: Floats
    log_det: Floats
    plate_fit: Floats


def collapse(data: MixedData, sums: RowSums, plate_var: Floats) -> Collapsed:
    """Eliminate the plates; `plate_var` (K, R or 1, qu), K being that of the sums, or theirs being 1."""
    k, r, qu, at = len(plate_var), len(data.sheet), data.load.shape[1], data.first_plates
    v = np.broadcast_to(plate_var, (k, r, qu))
    some_plates = np.arange(0, r, max(1, _IN_CACHE // (k * qu * sums.x.shape[-1])))
    begun = np.unique(np.searchsorted(at, some_plates, side="right") - 1)
    if len(begun) == 1:
        return _collapsed(data.sheet_load, sums, v, at)
    parts, ends = [], [*at[begun[1:]], r]
    for first, end in zip(at[begun], ends, strict=True):
        some = slice(first, end)
        of = RowSums(sums.a[:, some], sums.y[:, some], sums.x[:, some], np.zeros(1), np.zeros(1))
        parts.append(_collapsed(data.sheet_load[some], of, v[:, some], at[(at >= first) & (at < end)] - first))
    xx, xy, sheet_x, sheet_y, sheet_a, shrink, log_det, plate_fit = zip(*parts, strict=True)
    joined = (np.concatenate(each, 1) for each in (sheet_x, sheet_y, sheet_a, shrink))
    return Collapsed(sums.xx + sum(xx), sums.xy + sum(xy), *joined, sum(log_det), sum(plate_fit))


def _collapsed(sheet_load: Floats, sums: RowSums, v: Floats, at: NDArray[np.intp]) -> Collapsed:
    """`collapse` of plates with effect variances `v` (K, R, qu), of which `at` are the first of their sheets."""
    k, r, qu = v.shape
    p = sums.x.shape[-1]
    inv, log_det = _inverse_plus(sums.a, v)
    shrink = v[..., None] * inv
    left_x, left_y = _times(inv, sums.x), _times(inv, sums.y[..., None])
    ax, ay = (v[..., None] * left_x).reshape(k, r * qu, p), v * left_y[..., 0]
    xt = np.swapaxes(sums.x.reshape(-1, r * qu, p), 1, 2)
    lt = np.swapaxes(sheet_load, 1, 2)
    return Collapsed(
        xx=sums.xx - np.matmul(xt, ax),
        xy=sums.xy - np.matmul(xt, ay.reshape(k, r * qu, 1))[..., 0],
        sheet_x=np.add.reduceat(_times(lt, left_x), at, axis=1),
        sheet_y=np.add.reduceat(_times(lt, left_y)[..., 0], at, axis=1),
        sheet_a=np.add.reduceat(_times(lt, _times(_times(inv, sums.a), sheet_load)), at, axis=1),
        shrink=shrink, log_det=log_det.sum(1), plate_fit=(sums.y * ay).sum((1, 2)))


class Coefficients(NamedTuple):
    """Coefficients and sheet effects given the collapsed rows; leading axis K."""

    coef: Floats
    chol: Floats
    sheet: Floats
    sheet_score: Floats
    sheet_shrink: Floats
    log_det: Floats


def coefficients(data: MixedData, col: Collapsed, sheet_var: Floats, precision: Floats) -> Coefficients:
    """Eliminate the sheets and solve for the coefficients; log determinant of plates and sheets, without the last.

    `sheet_var` (K, S or 1, qs); `precision` (K or 1, p) of the coefficients' prior.
    """
    k, s = len(sheet_var), col.sheet_x.shape[1]
    qs = sheet_var.shape[2]
    inv, log_det = _inverse_plus(np.broadcast_to(col.sheet_a, (k, s, qs, qs)), np.broadcast_to(sheet_var, (k, s, qs)))
    shrink = sheet_var[..., None] * inv
    cx = np.broadcast_to(col.sheet_x, (k, *col.sheet_x.shape[1:]))
    kx = np.matmul(shrink, cx).reshape(k, s * qs, -1)
    h = col.xx - np.matmul(np.swapaxes(cx.reshape(k, s * qs, -1), 1, 2), kx)
    p = h.shape[1]
    h[:, range(p), range(p)] += precision
    if data.known is not None:
        h += data.known[0]
    rhs = col.xy - np.matmul(np.swapaxes(kx, 1, 2), np.broadcast_to(col.sheet_y, (k, s, qs)).reshape(k, -1, 1))[..., 0]
    rhs = rhs + precision * data.coef_mean
    if data.known is not None:
        rhs += data.known[1]
    chol = np.linalg.cholesky(h)
    coef = np.linalg.solve(h, rhs[..., None])[..., 0]
    gap = col.sheet_y - np.matmul(cx, coef[:, None, :, None])[..., 0]
    score = _times(inv, gap[..., None])[..., 0]
    return Coefficients(coef, chol, sheet_var * score, score, shrink, col.log_det + log_det.sum(1))


def solve(data: MixedData, nodes: Nodes, eta: Floats | None = None, steps: int = 3, *, restricted: bool = True,
          corrected: bool = True, shortened: bool = False) -> Solution:
    """The posterior of everything else at each node, and the log marginal posterior of the node.

    Nodes whose last step of Newton was far too long are solved once more in many steps that are `shortened`; what does
    not come to rest then has a log posterior of −∞.
    `eta` (K or 1, n) is where Newton starts. `restricted=False` leaves out the determinant of the coefficients: their
    likelihood is then maximised, not integrated. `corrected=False` leaves out the quadrature over plates.
    """
    m, k = len(data.edge_spread), len(nodes.sd)
    rows = Rows(data, nodes)
    plate_sd, sheet_sd, precision = nodes.plate_sd(data), nodes.sheet_sd(data), nodes.precision(data)
    start = data.y + 0.5 * data.side * nodes.sd[:, :m][:, data.scale] if eta is None else eta
    eta = np.broadcast_to(start, (k, len(data.y)))
    least = np.broadcast_to(_FLOOR / rows.sd**2, eta.shape)
    variance, moved, short, way = None, np.full(k, np.inf), np.ones(k), np.zeros((k, 1))
    for step in range(steps):
        score, weight = rows.slopes(eta, variance)
        if len(data.kin) and step + 1 == steps:
            weight = _without_bends(data, eta, score, weight, least)
        weight = np.maximum(weight, least if step + 1 < steps else 1e-9 * least)
        sums = gather(data, weight, weight * eta + score)
        col = collapse(data, sums, plate_sd**2)
        c = coefficients(data, col, sheet_sd**2, precision)
        level = _times(data.sheet_load, c.sheet[:, data.sheet, :, None])[..., 0]
        gap = sums.y - np.matmul(sums.x, c.coef[:, None, :, None])[..., 0]
        gap = gap - _times(sums.a, level[..., None])[..., 0]
        u = _times(col.shrink, gap[..., None])[..., 0]
        pb = data.plate_columns.shape[2]
        at_plate = np.tensordot(c.coef[:, :pb], data.plate_columns, (1, 2)) + level + u
        eta, last = _on_rows(data, at_plate) + c.coef[:, pb:] @ data.row_columns.T, eta
        moved, before = np.abs(eta - last).max(1, initial=0), moved
        if shortened and step + 1 < steps:
            eta = last + (eta - last) * np.minimum(1, 0.5 * _ASTRAY / np.maximum(moved, 1e-9))[:, None]
        elif _SWINGS <= step < steps - 1:
            back = ((eta - last) * way).sum(1) < 0
            slower = np.where(moved > _HARDLY * before, np.maximum(short / 2, _SHORTEST), short)
            short = np.where(back, slower, np.minimum(2 * short, 1.0))
            eta, way = last + short[:, None] * (eta - last), eta - last
        if len(data.censored):
            variance = effect_variance(data, col.shrink)
    by_plate = rows.by_plate(eta)
    log_post = by_plate.sum(1)
    if corrected and not data.normal:
        log_post = log_post + plate_integrals(data, rows, eta, u, col.shrink, plate_sd, by_plate)
    log_post -= 0.5 * _squares(u, plate_sd).sum((1, 2)) + 0.5 * (c.sheet * c.sheet_score).sum((1, 2))
    log_post -= 0.5 * (precision * (c.coef - data.coef_mean) ** 2).sum(1) + 0.5 * c.log_det
    if data.known is not None:
        log_post += c.coef @ data.known[1] - 0.5 * (c.coef @ data.known[0] * c.coef).sum(1)
    if len(data.kin):
        log_post += log_chance(data, nodes.kin_sd, c.coef, c.chol)
    if restricted:
        log_post -= np.log(np.diagonal(c.chol, axis1=1, axis2=2)).sum(1)
    astray = ~(moved < _ASTRAY)
    log_post = np.where(np.isfinite(log_post) & ~astray, log_post + nodes.log_prior, -np.inf)
    own = np.sqrt(np.maximum(np.diagonal(c.sheet_shrink, axis1=2, axis2=3), 0))
    found = Solution(log_post, 0.5 * (weight * (eta - last) ** 2).sum(1), c.coef, c.chol, c.sheet, u, eta, own)
    if shortened or not astray.any():
        return found
    again = solve(data, Nodes(*(part[astray] for part in nodes)), np.broadcast_to(start, eta.shape)[astray],
                  _SHORT_STEPS, restricted=restricted, corrected=corrected, shortened=True)
    for part, better in zip(found, again, strict=True):
        part[astray] = better
    return found


def _without_bends(data: MixedData, eta: Floats, score: Floats, weight: Floats, least: Floats) -> Floats:
    """Curvature (K, n) with that of a normal that touches the density, and lies below it, where a reading is far out.

    What a family's odd member makes of its readings is told from here: where all of them are far out, and so bend
    hardly or the wrong way, anything would follow (the idea: Lange, Little and Taylor 1989, J. Am. Stat. Assoc. 84,
    881).
    """
    with np.errstate(all="ignore"):
        touching = np.nan_to_num(score / (data.y - eta))
    return np.where((weight < least) & (data.side == 0), touching, weight)


def given_coefficients(data: MixedData, nodes: Nodes, eta: Floats) -> tuple[Collapsed, Coefficients]:
    """Plates and sheets at one node as normals given the coefficients, rows being normal about `eta` (1, n)."""
    rows = Rows(data, nodes)
    score, weight = rows.slopes(eta, None)
    weight = np.maximum(weight, 1e-9 * _FLOOR / rows.sd**2)
    col = collapse(data, gather(data, weight, weight * eta + score), nodes.plate_sd(data) ** 2)
    return col, coefficients(data, col, nodes.sheet_sd(data) ** 2, nodes.precision(data))


def _on_rows(data: MixedData, effects: Floats) -> Floats:
    """What plate effects (K, R, qu) add to each row, (K, n)."""
    out = effects[:, data.plate, 0] * data.load[:, 0]
    for i in range(1, effects.shape[2]):
        out += effects[:, data.plate, i] * data.load[:, i]
    return out


def effect_variance(data: MixedData, shrink: Floats) -> Floats:
    """Variance of the plate's effect at each bound, (K, censored), given all else."""
    z = data.load[data.censored]
    return np.einsum("ni,knij,nj->kn", z, shrink[:, data.plate[data.censored]], z)


def _squares(u: Floats, sd: Floats) -> Floats:
    v = np.broadcast_to(sd**2, u.shape)
    return np.divide(u**2, v, out=np.zeros_like(u), where=v > 0)


def plate_integrals(data: MixedData, rows: Rows, eta: Floats, u: Floats, cov: Floats, sd: Floats, by_plate: Floats
                    ) -> Floats:
    """Log of the integral over each plate's effect, over its Laplace value, summed over plates; (K,).

    `by_plate` (K, R): log density of the rows at `eta`.
    """
    qu = u.shape[2]
    x, w = HERMITE[5 if qu == 1 else 3]
    grid = np.stack(np.meshgrid(*[x] * qu, indexing="ij"), -1).reshape(-1, qu)
    mass = np.stack(np.meshgrid(*[w] * qu, indexing="ij"), -1).reshape(-1, qu).prod(1)
    root = np.zeros_like(cov)
    root[..., 0, 0] = np.sqrt(np.maximum(cov[..., 0, 0], 0))
    if qu == 2:
        root[..., 1, 0] = np.divide(cov[..., 1, 0], root[..., 0, 0], out=np.zeros(cov.shape[:2]),
                                    where=root[..., 0, 0] > 0)
        root[..., 1, 1] = np.sqrt(np.maximum(cov[..., 1, 1] - root[..., 1, 0] ** 2, 0))
    here = by_plate - 0.5 * _squares(u, sd).sum(2)
    total = np.zeros_like(here)
    parts = [(some, rows.of(some.data), eta[:, some.rows]) for some in data.by_effects]
    first, stood = np.nan, None
    for point, weight in zip(grid, mass, strict=True):
        if not point.any():
            total += weight
            continue
        shift = _times(root, point[:, None])[..., 0]
        there = 0.5 * ((sd > 0) * point**2).sum(2) - 0.5 * _squares(u + shift, sd).sum(2) - here
        for some, its, rest in parts:
            if not some.first_only or point[0] != first:
                found = its.by_plate(rest + _on_rows(some.data, shift[:, some.plates]))
                stood = found if some.first_only else stood
            there[:, some.plates] += stood if some.first_only else found
        first = point[0]
        total += weight * np.exp(np.clip(there, -50, 50))
    return np.log(total).sum(1)
