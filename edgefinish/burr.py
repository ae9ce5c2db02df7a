"""Whether burr is cleared: a probit on the radius of the same edge, with the burr's height before and the sheet.

The radius that an edge got carries its dose, so that speed, pressure, wear, plate and position enter through it; what
is left to the burr itself is a level for each material, a slope, the height before, and an effect of its own of each
sheet. Given radii the burr's part and the laws' part of the posterior are independent of each other.
All parameters are in units of the burr's own scatter from edge to edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.special import gammaincinv, log_ndtr, ndtri

from .explore import SEED, Cloud, Mode, climb, nodes_about, pick, shuffled
from .rows import Floats, Spread

MIDDLE_RADIUS, MIDDLE_HEIGHT = np.log(0.3), np.log(0.3)
_GX, _GW = np.polynomial.hermite_e.hermegauss(7)
_GW = np.log(_GW / _GW.sum()) + 0.5 * _GX**2
SHEET, FEW_SHEETS = Spread(0.5, 0.6), Spread(0.65, 0.55)
"""Priors of the burr's own spread from sheet to sheet, in units of its scatter from edge to edge: see `of_sheets`."""
_FEW, _ENOUGH = 6, 12
_LEVEL = (2.5, 3.0)
_LOG_SLOPE = (np.log(4.0), 0.6)
_RATIO = (-0.6, 0.35)
_MATERIAL = 0.8
_STEPS, _SMALL = 20, 1e-4  # of Newton towards a sheet's effect; the error left is about the square of the last


@dataclass(frozen=True, eq=False)
class BurrData:
    """Edges with a yes or no: (n,) each, sorted by sheet. `height` is log(height before / 0.3 mm), 0 where unknown;
    `row` their index into the log."""

    row: np.ndarray
    cleared: np.ndarray
    log_radius: Floats
    height: Floats
    sheet: np.ndarray
    material: np.ndarray
    materials: int
    sheet_prior: Spread = SHEET


def of_sheets(sheets: int) -> Spread:
    """Prior of the burr's own spread of sheets: more cautious the fewer were run.

    Few sheets may all be alike by chance, and windows are issued where they are: on simulated lines whose sheets differ
    much, windows from 6 sheets missed more often than they claim. Judgement, no source.

    >>> of_sheets(12), of_sheets(9).median
    (Spread(median=0.5, log_sd=0.6), 0.575)
    """
    few = min(max((_ENOUGH - sheets) / (_ENOUGH - _FEW), 0.0), 1.0)
    return Spread(*(float(a + few * (b - a)) for a, b in zip(SHEET, FEW_SHEETS, strict=True)))


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
    slope, own = np.exp(log_slope), theta[:, 4:]
    line = level[:, None] + slope[:, None] * (data.log_radius - MIDDLE_RADIUS) + (slope * ratio)[:, None] * data.height
    if own.shape[1]:
        line = line + own[:, data.material]
    starts = np.flatnonzero(np.r_[True, np.diff(data.sheet) != 0])
    sheet = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(data.sheet)]))
    return _Edges(line, np.where(data.cleared, 1.0, -1.0), starts, sheet)


def _effects(edges: _Edges, precision: Floats, near: Floats | None = None) -> tuple[Floats, Floats]:
    """Most probable own effect of each sheet and the SD about it, (K, sheets) each; `precision` (K, 1) of its prior.

    `near` (sheets,) is where they are looked for.
    """
    line, sign, starts, index = edges

    def slopes(effect: Floats) -> tuple[Floats, Floats]:
        z = sign * (line + effect[:, index])
        mills = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_ndtr(z))
        curve = np.clip(mills * (z + mills), 0, 1)  # what it lies within; far out the digits are lost
        return np.add.reduceat(sign * mills, starts, axis=1), np.add.reduceat(curve, starts, axis=1)

    effect = np.zeros((len(line), len(starts))) + (0.0 if near is None else near)
    for _ in range(_STEPS):
        score, curve = slopes(effect)
        step = np.clip((score - effect * precision) / (curve + precision), -3, 3)
        effect = effect + step
        if np.abs(step).max(initial=0) < _SMALL:
            break
    return effect, 1 / np.sqrt(slopes(effect)[1] + precision)


def _evaluate(data: BurrData, theta: Floats, warm: Any) -> _Got:
    """Log posterior at points (K, 4 + materials if several): the own effect of each sheet is integrated out."""
    level, log_slope, ratio, log_sd = theta[:, :4].T
    own, edges = theta[:, 4:], _edges(data, theta)
    precision = np.exp(log_sd)[:, None] ** -2
    effect, width = _effects(edges, precision, warm)
    parts = []
    for x, log_weight in zip(_GX, _GW, strict=True):
        at = effect + x * width
        inside = np.add.reduceat(log_ndtr(edges.sign * (edges.line + at[:, edges.sheet])), edges.starts, axis=1)
        parts.append(inside - 0.5 * at**2 * precision + log_weight)
    stack = np.array(parts)
    top = stack.max(0)
    log_like = (top + np.log(np.exp(stack - top).sum(0)) + np.log(width) - log_sd[:, None]).sum(1)
    prior = -0.5 * (((level - _LEVEL[0]) / _LEVEL[1]) ** 2 + ((log_slope - _LOG_SLOPE[0]) / _LOG_SLOPE[1]) ** 2
                    + ((ratio - _RATIO[0]) / _RATIO[1]) ** 2
                    + ((log_sd - np.log(data.sheet_prior.median)) / data.sheet_prior.log_sd) ** 2
                    + (own**2).sum(1) / _MATERIAL**2)
    return _Got(np.where(np.isfinite(log_like), log_like + prior, -np.inf), effect[0])


@dataclass(frozen=True, eq=False)
class BurrPosterior:
    """Weighted nodes `theta` (K, 4 + materials): level, log slope, height ratio, log sheet SD, level by material."""

    data: BurrData
    theta: Floats
    weight: Floats
    mode: Mode
    effective: float

    def draws(self, count: int, material: int) -> tuple[Floats, Floats, Floats]:
        """Level, slope and height slope of each draw, divided by the scatter of burr over sheets and edges together."""
        theta = self.theta[pick(self.weight, shuffled(count, 1))]
        slope, total = np.exp(theta[:, 1]), np.sqrt(1 + np.exp(2 * theta[:, 3]))
        level = theta[:, 0] - slope * MIDDLE_RADIUS + (theta[:, 4 + material] if theta.shape[1] > 4 else 0.0)
        return level / total, slope / total, slope * theta[:, 2] / total

    def sheets(self) -> tuple[np.ndarray, Floats, Floats]:
        """Sheets of the data as they are numbered there; mean and SD of their own effects, (K, sheets) each."""
        edges = _edges(self.data, self.theta)
        return self.data.sheet[edges.starts], *_effects(edges, np.exp(self.theta[:, 3:4]) ** -2)


def fit_burr(data: BurrData, count: int = 512, start: Floats | None = None) -> BurrPosterior:
    """Mode and nodes. Parameters are scaled to their prior SDs while exploring; `start` is a mode in that scale."""
    many = data.materials if data.materials > 1 else 0
    centre = np.r_[_LEVEL[0], _LOG_SLOPE[0], _RATIO[0], np.log(data.sheet_prior.median), np.zeros(many)]
    scale = np.r_[_LEVEL[1], _LOG_SLOPE[1], _RATIO[1], data.sheet_prior.log_sd, np.full(many, _MATERIAL)]

    def batch(unit: Floats, warm: Any) -> _Got:
        return _evaluate(data, centre + unit * scale, warm)

    mode = climb(batch, np.zeros(len(centre)) if start is None else start)
    cloud: Cloud = nodes_about(batch, mode, count)
    return BurrPosterior(data, centre + cloud.theta * scale, cloud.weight, mode, cloud.effective)


_HEIGHT_NODES = 12
_FEW_PLATES = 15
_MANY_PLATES = 500


def future_heights(log_heights: Floats, span: tuple[float, float] | None, count: int) -> Floats:
    """Log height (over 0.3 mm) of future plates: equally likely nodes, (count, 12); (count, 1) where none is known.

    Where the study tells the span of a severity: uniform over it (mm). Else of the plates in the log: each draw weighs
    them anew (Rubin 1981, Ann. Stat. 9, 130, the Bayesian bootstrap), or, below 15 plates, a normal of their logs with
    mean and SD drawn from its posterior.
    """
    q = (np.arange(_HEIGHT_NODES) + 0.5) / _HEIGHT_NODES
    if span is not None:
        heights = np.log(span[0] + (span[1] - span[0]) * q) - MIDDLE_HEIGHT
        return np.broadcast_to(heights, (count, _HEIGHT_NODES))
    n = len(log_heights)
    if n == 0:
        return np.zeros((count, 1))
    x = np.sort(log_heights)
    if n > _MANY_PLATES:
        return np.broadcast_to(np.quantile(x, q), (count, _HEIGHT_NODES))
    if n >= _FEW_PLATES:
        weight = np.random.default_rng(SEED).standard_exponential((count, n))
        total = np.cumsum(weight, 1)
        middle = (total - weight / 2) / total[:, -1:]
        return np.stack([np.interp(q, row, x) for row in middle])
    if n < 3 or np.ptp(x) == 0:
        return np.broadcast_to(np.full(_HEIGHT_NODES, x.max()), (count, _HEIGHT_NODES))
    sd = np.sqrt((n - 1) * x.var(ddof=1) / (2 * gammaincinv((n - 1) / 2, shuffled(count, 2))))
    mean = x.mean() + sd / np.sqrt(n) * ndtri(shuffled(count, 3))
    return mean[:, None] + sd[:, None] * ndtri(q)
