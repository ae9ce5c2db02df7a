"""The posterior of a mixed model whose spreads and tails are unknown: estimates, nodes, draws. Deterministic."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from .explore import FEWEST_NODES, Cloud, Mode, climb, nodes_about, pick, sobol
from .kin import Cases
from .many import MANY_ROWS, explore_many
from .mixed import Solution, solve
from .rows import BATCH, Floats, MixedData, Nodes, nodes_at

_NEAR = 0.3  # gain of a step below which a mode that was started near by is near enough to lay nodes about
_START_TAIL = -0.8  # normal score of 1/ν near 0.075
_EVEN, _EVEN_OF_MANY = 0.45, 0.2  # of a dozen unknowns no better weights come of laying the nodes again
_STEPS, _CAREFUL = 2, (20, 40)  # of Newton at a node, usually and where these leave it all too rough
_ROUGH, _TOO_ROUGH = 0.02, 0.1  # what the last step may still gain in log posterior, mean of the nodes


class _Got(NamedTuple):
    log_post: Floats
    warm: Floats | None
    nodes: Nodes
    solution: Solution


def _batch(data: MixedData, theta: Floats, warm: Floats | None, restricted: bool = True, reference: bool = False,
           steps: int = _STEPS) -> _Got:
    """`solve` at many points with bounded memory; linear predictors are kept of the first point only."""
    nodes = nodes_at(data, theta, reference=reference)
    size = max(1, BATCH // max(len(data.y), len(data.sheet) * data.load.shape[1] * len(data.coef_mean), 1))
    parts = []
    for at in range(0, len(theta), size):
        some = Nodes(*(x[at:at + size] for x in nodes))
        got = solve(data, some, warm, steps + (warm is None), restricted=restricted)
        if not at:
            first = got.eta[:1]
        parts.append(got._replace(eta=first[:0], plate=got.plate[:, :0]))
    whole = Solution(*(np.concatenate(x) for x in zip(*parts, strict=True)))
    return _Got(whole.log_post, first, nodes, whole)


@dataclass(frozen=True, eq=False)
class Posterior:
    """Weighted nodes of the spreads, each with a normal of the coefficients.

    `nodes` (K); `weight` (K,) sums to 1; `coef` (K, p); `chol` (K, p, p) lower factor of the precision;
    `at_mode` the solution at the mode; `mode`; `effective` share of the nodes that carry weight.
    """

    data: MixedData
    nodes: Nodes
    weight: Floats
    coef: Floats
    chol: Floats
    at_mode: Solution
    mode: Mode
    effective: float

    @property
    def settled(self) -> bool:
        """Whether every iteration settled and enough nodes carry the weight."""
        return self.mode.settled and self.effective * len(self.weight) >= FEWEST_NODES

    @property
    def at_mode_sd(self) -> Floats:
        """All spreads at the mode, edges first."""
        return nodes_at(self.data, self.mode.theta[None]).sd[0]

    @property
    def at_mode_tail(self) -> Floats:
        """1/ν of edges at the mode."""
        return nodes_at(self.data, self.mode.theta[None]).tail[0]

    def draws(self, count: int) -> tuple[np.ndarray, Floats]:
        """Node (count,) and coefficients (count, p) of each draw."""
        kin = self.cases is not None
        points = sobol(count, self.coef.shape[1] + 1 + kin)
        # Nodes by their spread: so that spread and coefficients are drawn evenly together.
        rank = np.argsort((self.nodes.sd**2).sum(1), kind="stable")
        node = rank[pick(self.weight[rank], points[:, 0])]
        order = np.lexsort((points[:, 0], node))
        node = node[order]
        normal = ndtri(points[order, 1:self.coef.shape[1] + 1])
        coef = np.empty(normal.shape, order="F")  # jobs read it by column
        ends = np.searchsorted(node, np.arange(len(self.weight) + 1))
        for k in range(len(self.weight)):
            rows = slice(ends[k], ends[k + 1])
            if rows.start < rows.stop:
                coef[rows] = self.coef[k] + normal[rows] @ self.root[k]
        return node, coef if self.cases is None else self.cases.draw(node, coef, points[order, -1])

    @cached_property
    def root(self) -> Floats:
        """Half of the coefficients' covariance at each node: root' root, (K, p, p)."""
        return np.linalg.inv(self.chol)

    @cached_property
    def cases(self) -> Cases | None:
        """Who of a family may be the odd one; None where there is no family."""
        return Cases(self.data, self.nodes.kin_sd, self.coef, self.chol) if len(self.data.kin) else None

    def moments(self) -> tuple[Floats, Floats]:
        """Mean and SD of each coefficient over all nodes, (p,) each."""
        return self._moments

    @cached_property
    def _moments(self) -> tuple[Floats, Floats]:
        coef, variance = self.coef, (self.root**2).sum(1)
        if self.cases is not None:
            coef, variance = self.cases.moments(variance)
        mean = self.weight @ coef
        return mean, np.sqrt(self.weight @ variance + self.weight @ (coef - mean) ** 2)


def _start(data: MixedData) -> Floats:
    """Prior medians, or the spread of the readings where there is no prior."""
    rough = max(float(np.std(data.y)), 1e-12)
    first = [np.log(0.5 * rough if np.isinf(data.spreads[i].log_sd) else data.spreads[i].median) for i in data.free]
    kin = [np.log(spread.median) for spread in data.kin_spread]
    return np.r_[np.array(first), np.full(data.tails, _START_TAIL), kin, np.zeros(data.factors)]


class Estimate(NamedTuple):
    """Most probable spreads and, given them, coefficients with their standard errors."""

    sd: Floats
    coef: Floats
    se: Floats
    log_likelihood: float
    settled: bool


def estimate(data: MixedData, *, restricted: bool = True) -> Estimate:
    """Spreads at their mode; without priors these are the REML estimates, or ML where `restricted` is False.

    A spread whose likelihood does not fall towards 0 is 0. The log likelihood has all its constants.
    """
    mode = climb(partial(_batch, data, restricted=restricted), _start(data), floor=0.02, tight=True)
    theta = mode.theta.copy()
    best = solve(data, nodes_at(data, theta[None]), mode.warm, 8, restricted=restricted)
    for i, which in enumerate(data.free):
        trial = theta.copy()
        trial[i] = -np.inf
        if which >= len(data.edge_spread):
            got = solve(data, nodes_at(data, trial[None]), mode.warm, 8, restricted=restricted)
            if got.log_post[0] >= best.log_post[0] - 1e-9:
                theta, best = trial, got
    cov = np.linalg.inv(best.chol[0] @ best.chol[0].T)
    constant = 0.5 * len(data.precision) * np.log(2 * np.pi) if restricted else 0.0
    return Estimate(nodes_at(data, theta[None]).sd[0], best.coef[0], np.sqrt(np.diag(cov)),
                    float(best.log_post[0] + constant), mode.settled)


def posterior(data: MixedData, count: int = 256, start: Floats | Mode | None = None) -> Posterior:
    """Nodes of the spreads and tails, each with the normal of the coefficients there.

    `start`: where the mode is looked for, being near; else from prior medians. A `Mode` of nearly the same rows is not
    looked for anew: nodes are laid about it, and moved where they do not carry the weight. Above `many.MANY_ROWS` rows
    what the rows pin down is put at its mode.
    """
    given = start if isinstance(start, Mode) else None
    first, enough = (_start(data), 0.01) if start is None else (start.theta if given else start, _NEAR)
    flat = any(np.isinf(data.spreads[i].log_sd) for i in data.free)

    def top(some: MixedData, enough: float = enough, steps: int = _STEPS) -> Mode:
        batch = partial(_batch, some, reference=flat, steps=steps)
        return climb(batch, first, floor=0.1 if flat else 1.0, enough=enough)

    if len(data.y) > MANY_ROWS and not flat:
        e = explore_many(data, first, partial(top, enough=_NEAR) if start is None else None, count)
        return Posterior(data, nodes_at(data, e.theta), e.weight, e.coef, e.chol, e.at_mode, e.mode, e.effective)
    for steps in (_STEPS, *_CAREFUL):
        mode = given._replace(warm=None) if given else top(data, steps=steps)
        cloud: Cloud = nodes_about(partial(_batch, data, reference=flat, steps=steps), mode, count,
                                   _EVEN_OF_MANY if data.family else _EVEN)
        if given and not cloud.effective:  # not near after all
            return posterior(data, count)
        got: _Got = cloud.got
        rough = float(cloud.weight @ got.solution.gain)
        if rough < _ROUGH and (mode.settled or steps > _STEPS):  # more steps would make it no less rough
            break
    mode = mode._replace(settled=mode.settled and rough < _TOO_ROUGH)
    at_mode = solve(data, nodes_at(data, mode.theta[None]), mode.warm)
    return Posterior(data, got.nodes, cloud.weight, got.solution.coef, got.solution.chol, at_mode, mode,
                     cloud.effective)
