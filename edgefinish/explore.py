"""A posterior of a few unknowns, explored without chance: its mode by Newton, its nodes and draws by Sobol."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
SEED = 20260131
"""Seed of the scrambled Sobol points of which draws are made; part of every record."""
FEWEST_NODES = 12
"""Where fewer nodes than that carry the weight, nothing is promised of them. Judgement, no source."""
_SHORTER = (0.5, 0.25, 0.1, 0.03, 0.0)  # of a step that led down; the last is where it started, from the same state
_NEARLY = 0.3  # gain of a step that still seems possible where none leads up: near enough to lay nodes about
_FAR = 10.0  # how far below the middle a point is put that came to nothing


class Evaluated(Protocol):
    """What a batch evaluation gives back: `log_post` (K,), and `warm`, from where the next one may start."""

    @property
    def log_post(self) -> Floats:
        """Log posterior of each point, up to a constant."""

    @property
    def warm(self) -> Any:
        """State of the first point, or None."""


Batch = Callable[[Floats, Any], Evaluated]


class Mode(NamedTuple):
    """Most probable point: `theta` (d,), `cov` (d, d) by curvature, the warm state there, whether Newton settled."""

    theta: Floats
    cov: Floats
    warm: Any
    log_post: float
    settled: bool


def climb(batch: Batch, start: Floats, *, floor: float = 1.0, tight: bool = False, enough: float = 0.01,
          passes: int = 40) -> Mode:
    """The mode by damped Newton steps, slopes and curvature by differences in one batch.

    `floor` is the least curvature believed (priors of unit scale have 1). `tight` goes on until 8 digits stand, for
    estimates; else until a step gains less than `enough`, which by default is nothing to the nodes.
    """
    theta, d = np.asarray(start, float), len(start)
    width = np.full(d, 0.12)
    unit = np.eye(d)
    pairs = [(i, j) for i in range(d) for j in range(i)]
    settled, best, warm, last, gain = False, -np.inf, None, theta, np.inf
    cov = unit
    for _ in range(passes):
        h = width * unit
        points = [theta, *(theta + sign * h[i] for i in range(d) for sign in (1, -1)),
                  *(theta + sign * (h[i] + h[j]) for sign in (1, -1) for i, j in pairs)]
        got = batch(np.array(points), warm)
        value = got.log_post
        lost = not np.isfinite(value[0])
        if lost and theta is last:
            break
        if lost or value[0] < best - 1e-6 and not tight:
            shorter = last + np.array(_SHORTER)[:, None] * (theta - last)
            tried = np.nan_to_num(batch(shorter, warm).log_post, nan=-np.inf, neginf=-np.inf)
            if tried.argmax() == len(tried) - 1:
                theta, settled = last, gain < _NEARLY
                break
            theta, best = shorter[tried.argmax()], tried[-1]
            continue
        best, last, warm = value[0], theta, got.warm
        value = np.where(np.isfinite(value), value, best - _FAR)
        up, down = value[1:1 + 2 * d:2], value[2:2 + 2 * d:2]
        slope = (up - down) / (2 * width)
        bend = np.diag((up - 2 * value[0] + down) / width**2)
        for n, (i, j) in enumerate(pairs):
            a, b = value[1 + 2 * d + n], value[1 + 2 * d + len(pairs) + n]
            bend[i, j] = bend[j, i] = (a + b - up[i] - down[i] - up[j] - down[j] + 2 * value[0]) / (
                2 * width[i] * width[j])
        roots, axes = np.linalg.eigh(-bend)
        cov = axes @ np.diag(1 / np.maximum(roots, floor)) @ axes.T
        step = cov @ slope
        step *= min(1.0, 0.8 / max(np.abs(step).max(initial=0), 1e-12))
        gain = float(slope @ step)
        theta = theta + step
        if gain < (1e-11 if tight and width.max(initial=0) < 1e-3 else 0.0 if tight else enough):
            settled = True
            break
        near = tight and gain < 1e-4
        width = np.minimum(width, 2e-4 if near else np.clip(0.4 * np.sqrt(np.diag(cov)), 1e-3, 0.12))
    return Mode(theta, cov, warm, float(best), settled)


class Cloud(NamedTuple):
    """Weighted nodes about a mode: `theta` (K, d), `weight` (K,) summing to 1, what the batch gave, effective share."""

    theta: Floats
    weight: Floats
    got: Any
    effective: float


def nodes_about(batch: Batch, mode: Mode, count: int, even: float = 0.45) -> Cloud:
    """Sobol points through a normal at the mode, tails stretched, weighed by posterior over proposal.

    Where fewer than `even` of the nodes carry the weight the proposal is moved to the weighted moments and the nodes
    are laid again. Where every node comes to nothing they weigh alike, and the effective share is 0.
    """
    d = len(mode.theta)
    z = ndtri(middles(count, d))
    wide = z * (1.12 + 0.05 * z * z)
    log_proposal = (-0.5 * z**2 - np.log(1.12 + 0.15 * z * z)).sum(1)
    centre, cov = mode.theta, mode.cov
    for last in (False, False, True):
        theta = centre + wide @ np.linalg.cholesky(cov).T
        got = batch(theta, mode.warm)
        raw = np.where(np.isfinite(got.log_post), got.log_post - log_proposal, -np.inf)
        if not np.isfinite(raw).any():
            return Cloud(theta, np.full(count, 1 / count), got, 0.0)
        weight = np.exp(raw - raw.max())
        weight /= weight.sum()
        effective = float(1 / (weight**2).sum() / count)
        if effective > even or last:
            break
        centre = weight @ theta
        gap = theta - centre
        cov = 1.1 * (gap * weight[:, None]).T @ gap + 0.1 * mode.cov
    return Cloud(theta, weight, got, effective)


@lru_cache(maxsize=16)
def sobol(count: int, dimension: int) -> Floats:
    """Scrambled Sobol points in the open unit cube, (count, dimension), always the same, read-only."""
    from scipy.stats import qmc  # half of what importing the package would take, and to check a log it is not needed
    points = qmc.Sobol(dimension, scramble=True, rng=np.random.default_rng(SEED)).random_base2(
        int(np.ceil(np.log2(count))))[:count]
    points = np.clip(points, 1e-9, 1 - 1e-9)
    points.setflags(write=False)
    return points


def middles(count: int, dimension: int) -> Floats:
    """Sobol points, (count, dimension), each in the middle of its slice in every direction, in an order of chance.

    None lies further out than `count` points have to: weighed by posterior over proposal, one such point far out would
    carry all. In Sobol's own order draws, which go through nodes by a Sobol coordinate, would run in step with them.

    >>> sorted(middles(4, 1)[:, 0].tolist())
    [0.125, 0.375, 0.625, 0.875]
    """
    slices = 2 ** int(np.ceil(np.log2(count)))
    points = (np.floor(sobol(count, dimension) * slices) + 0.5) / slices
    return points[np.random.default_rng(SEED).permutation(count)]


def shuffled(count: int, stream: int) -> Floats:
    """Evenly spread uniform numbers in an order of chance, (count,); the same for the same `stream`, which is not 0.

    For what is independent of the Sobol draws: it must not run through the unit interval in step with them.
    """
    return (np.random.default_rng(SEED + stream).permutation(count) + 0.5) / count


def pick(weight: Floats, uniform: Floats) -> NDArray[np.intp]:
    """Index of the node that each uniform number falls on."""
    cumulated = np.cumsum(weight)
    return np.searchsorted(cumulated / cumulated[-1], uniform, side="right").clip(0, len(weight) - 1)
