"""Densities of the rows of a mixed model: normal or Student t errors, readings and bounds, at many nodes at once."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.special import log_ndtr

from .chances import LogChances, constant
from .rows import Floats, MixedData, Nodes


class Rows:
    """Log density, score and curvature of the rows at K nodes. Lives for one batch.

    `chances`: those of other rows at the same nodes, where there are any.
    """

    def __init__(self, data: MixedData, nodes: Nodes, chances: LogChances | None = None) -> None:
        m = len(data.edge_spread)
        self.data, self.nodes = data, nodes
        self.one = m == 1
        self.sd = nodes.edge_sd(data)
        self.student = data.heavy_tails
        self.chances = chances
        if self.student:
            nu = 1 / nodes.tail
            const = constant(nu)
            if len(data.censored):
                self.chances = chances or LogChances(nu)
            self.nu = nu if self.one else nu[:, data.scale]
            self.const = const if self.one else const[:, data.scale]
            self.of_scale = nu

    def of(self, some: MixedData) -> Rows:
        """Other rows at the same nodes."""
        return Rows(some, self.nodes, self.chances)

    def by_plate(self, eta: Floats) -> Floats:
        """Log density of each plate's rows at linear predictors `eta` (K, n); (K, R)."""
        data = self.data
        runs, c = data.runs, data.censored
        e = (data.y - eta) / self.sd
        bounds = self._log_chance(e[:, c]) if len(c) else None
        e[:, c] = 0
        e *= e
        if self.student:
            e /= self.nu
            e += 1
            part = np.log(np.multiply.reduceat(e, runs.first, axis=1))
            part *= -(self.of_scale + 1) / 2 if self.one else -(self.of_scale[:, runs.scale] + 1) / 2
        else:
            part = -0.5 * np.add.reduceat(e, runs.first, axis=1)
        out = self._at_rest + (part if len(runs.first) == len(runs.of_plate) else
                               np.add.reduceat(part, runs.of_plate, axis=1))
        if bounds is not None:
            first = np.flatnonzero(np.r_[True, np.diff(data.plate[c]) != 0])
            out[:, data.plate[c[first]]] += np.add.reduceat(bounds, first, axis=1)
        return out

    @cached_property
    def _at_rest(self) -> Floats:
        """What `by_plate` is where every reading is met."""
        const = (self.const if self.student else -0.5 * np.log(2 * np.pi)) - np.log(self.sd)
        const = np.repeat(const, len(self.data.y), 1) if const.shape[1] == 1 else const
        const[:, self.data.censored] = 0
        return np.add.reduceat(const, self.data.first_rows, axis=1)

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
            sd = self._sd_of_bounds
            if variance is None:
                score[:, c], curve[:, c] = self._bound(e[:, c])
            else:
                spread = np.sqrt(variance) / sd
                parts = [(wt, self._bound(e[:, c] - x * spread)) for x, wt in zip(*HERMITE[5], strict=True)]
                score[:, c] = sum(wt * part[0] for wt, part in parts)
                curve[:, c] = sum(wt * part[1] for wt, part in parts)
        return score, curve

    @property
    def _sd_of_bounds(self) -> Floats:
        return self.sd if self.sd.shape[1] == 1 else self.sd[:, self.data.censored]

    def _log_chance(self, e: Floats) -> Floats:
        """Log probability of the bounds at standardised distances `e`."""
        c = self.data.censored
        z = -self.data.side[c] * e
        if not self.student:
            return log_ndtr(z)
        return self.chances.below(z, self.data.scale[c])

    def _bound(self, e: Floats) -> tuple[Floats, Floats]:
        """Score and negative curvature of the bounds at standardised distances `e`."""
        c = self.data.censored
        sign, sd, log_p = self.data.side[c], self._sd_of_bounds, self._log_chance(e)
        z = -sign * e
        if self.student:
            nu, const = (self.nu, self.const) if self.one else (self.nu[:, c], self.const[:, c])
            h = np.exp(const - (nu + 1) / 2 * np.log1p(z * z / nu) - log_p)
            bend = h * ((nu + 1) * z / (nu + z * z) + h)
        else:
            h = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_p)
            bend = h * (z + h)
        return sign * h / sd, bend / sd**2


def _hermite(n: int) -> tuple[Floats, Floats]:
    x, w = np.polynomial.hermite_e.hermegauss(n)
    return x, w / w.sum()


HERMITE = {n: _hermite(n) for n in (3, 5)}
