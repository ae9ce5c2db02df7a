"""Members of one family: coefficients that come from a population, with room for an odd one out.

Term t of member m is a normal of SD τ_t about the common law, τ_t unknown. At most one member is odd: with `ODD`
chance its terms have SDs several times as large. Given the τ everything is normal, so that the sum over who is the odd
one, nobody included, is exact: a change of the prior precision of T coefficients.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from .rows import Floats, MixedData

ODD = 0.2


class Odd(NamedTuple):
    """What changes where a member is the odd one; leading axes K nodes, M members.

    `log_chance` (K, M) of being the odd one over nobody being it; `mean` (K, M, T) of its terms as the odd one;
    `before`, `after` (K, M, T, T) covariances of its terms.
    """

    log_chance: Floats
    mean: Floats
    before: Floats
    after: Floats


def _columns(data: MixedData, chol: Floats) -> Floats:
    """Columns of the coefficients' covariance for all terms of all members, (K, M, p, T)."""
    half = np.linalg.inv(chol)
    own = np.swapaxes(half[:, :, data.kin.T], 1, 2)
    return np.matmul(np.swapaxes(half, 1, 2)[:, None], own)


def odd_ones(data: MixedData, kin_sd: Floats, coef: Floats, chol: Floats) -> Odd:
    """Each member as the odd one; `kin_sd` (K, T), `coef` (K, p), `chol` (K, p, p) lower factor of the precision."""
    return _odd_ones(data, kin_sd, coef, _columns(data, chol))


def _odd_ones(data: MixedData, kin_sd: Floats, coef: Floats, columns: Floats) -> Odd:
    members = np.arange(data.kin.shape[1])
    before = columns[:, members[:, None, None], data.kin.T[:, :, None], np.arange(len(data.kin))]
    mean = coef[:, data.kin.T]
    times = np.array(data.kin_times)
    less = (1 - times**-2) / kin_sd**2
    # Σ' = (Σ⁻¹ − D)⁻¹ = (I − Σ D)⁻¹ Σ, and the mean moves with it
    left = np.eye(len(data.kin)) - before * less[:, None, None, :]
    after = np.linalg.solve(left, before)
    after = (after + np.swapaxes(after, 2, 3)) / 2
    moved = np.linalg.solve(left, mean[..., None])[..., 0]
    log_chance = np.log(ODD / (1 - ODD)) - np.log(times).sum()
    log_chance = log_chance - 0.5 * np.linalg.slogdet(left)[1] + 0.5 * (mean * less[:, None] * moved).sum(2)
    return Odd(log_chance, moved, before, after)


def log_chance(data: MixedData, kin_sd: Floats, coef: Floats, chol: Floats) -> Floats:
    """Log of what the family's prior multiplies a node by, (K,): its SDs, and the sum over who is the odd one."""
    odd = odd_ones(data, kin_sd, coef, chol).log_chance
    total = logsumexp(np.concatenate([np.zeros((len(odd), 1)), odd], 1), axis=1)
    return total - data.kin.shape[1] * np.log(kin_sd).sum(1)


class Cases:
    """Normals of the coefficients at each node in every case: nobody odd, or one member."""

    def __init__(self, data: MixedData, kin_sd: Floats, coef: Floats, chol: Floats) -> None:
        columns = _columns(data, chol)
        odd = _odd_ones(data, kin_sd, coef, columns)
        self.data, self.coef, self.odd = data, coef, odd
        self.gain = np.matmul(columns, np.linalg.inv(odd.before))
        """Slope of all coefficients on a member's terms, (K, M, p, T)."""
        weight = np.concatenate([np.zeros((len(coef), 1)), odd.log_chance], 1)
        self.weight = np.exp(weight - logsumexp(weight, axis=1, keepdims=True))
        """Chance of each case, (K, 1 + M), nobody first."""

    def draw(self, node: NDArray[np.intp], coef: Floats, uniform: Floats) -> Floats:
        """Draws in which nobody is odd, made draws of the mixture; `node` (D,), `coef` (D, p), `uniform` (D,)."""
        case = (uniform[:, None] > np.cumsum(self.weight, 1)[node, :-1]).sum(1)
        root, old = np.linalg.cholesky(self.odd.after), np.linalg.inv(np.linalg.cholesky(self.odd.before))
        stretch = np.matmul(root, old)
        out = coef.copy()
        for member, own in enumerate(self.data.kin.T):
            rows = np.flatnonzero(case == member + 1)
            k = node[rows]
            gap = coef[rows[:, None], own] - self.coef[k[:, None], own]
            new = self.odd.mean[k, member] + np.einsum("dij,dj->di", stretch[k, member], gap)
            out[rows] += np.einsum("dpt,dt->dp", self.gain[k, member], new - coef[rows[:, None], own])
        return out

    def moments(self, variance: Floats) -> tuple[Floats, Floats]:
        """Mean and variance of each coefficient at each node, (K, p) each, from the variance with nobody odd."""
        step = self.odd.mean - self.coef[:, self.data.kin.T]
        moved = np.matmul(self.gain, step[..., None])[..., 0]
        more = np.einsum("kmpt,kmts,kmps->kmp", self.gain, self.odd.after - self.odd.before, self.gain)
        chance = self.weight[:, 1:, None]
        shift = (chance * moved).sum(1)
        return self.coef + shift, variance + (chance * (more + moved**2)).sum(1) - shift**2
