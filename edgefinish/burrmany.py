"""Whether burr is cleared, of a long log: sums over the edges of each sheet stand for the edges.

From some thousand edges on the chance of them all is all but normal in level, slopes and own effects of the sheets: it
is summed up about the mode, once, and what few units decide is explored on the sums.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .rows import Floats


class BurrSums(NamedTuple):
    """Weighed squares and products of regressors (p) and working margin: `whole` (p + 1, p + 1) over all edges; of each
    sheet `weight` (sheets,) and `cross` (sheets, p + 1)."""

    whole: Floats
    weight: Floats
    cross: Floats


def summed(columns: Floats, margin: Floats, score: Floats, curve: Floats, starts: np.ndarray) -> BurrSums:
    """Sums of edges sorted by sheet, (n, p) and (n,): `margin` at the mode, slope and curvature of log chance there.

    >>> summed(np.ones((2, 1)), np.zeros(2), np.array([1.0, -1.0]), np.ones(2), np.array([0])).weight.tolist()
    [2.0]
    """
    weight = np.maximum(curve, 1e-9)
    both = np.column_stack([columns, margin + score / weight])
    weighed = weight[:, None] * both
    return BurrSums(both.T @ weighed, np.add.reduceat(weight, starts), np.add.reduceat(weighed, starts))


def log_chance(sums: BurrSums, line: Floats, sheet_sd: Floats) -> Floats:
    """Log chance of all edges, but for a constant, at coefficients `line` (K, p) and SDs (K,) of the sheets' effects.

    A sheet's own effect is integrated: of a normal with weight n about its mean rest, and a normal prior.
    """
    past = np.column_stack([-line, np.ones(len(line))])
    rest = past @ sums.cross.T
    squares = ((past @ sums.whole) * past).sum(1)
    variance = sheet_sd[:, None] ** 2
    shared = rest**2 * variance / (1 + sums.weight * variance) - np.log1p(sums.weight * variance)
    return 0.5 * (shared.sum(1) - squares)


def own_effects(sums: BurrSums, line: Floats, sheet_sd: Floats) -> tuple[Floats, Floats]:
    """Mean and SD of each sheet's own effect, (K, sheets) each."""
    precision = sums.weight + sheet_sd[:, None] ** -2
    return np.column_stack([-line, np.ones(len(line))]) @ sums.cross.T / precision, 1 / np.sqrt(precision)
