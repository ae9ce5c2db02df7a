"""How high burr stands before a run: as measured, as the study tells of a severity, or as is usual."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from scipy.special import gammaincinv, ndtri

from .explore import SEED, shuffled
from .rows import Floats

MIDDLE_HEIGHT = np.log(0.3)
USUAL_BURR: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"light": (0.05, 0.2), "moderate": (0.2, 0.6), "heavy": (0.6, 1.1)})
"""Heights before, mm, where the study says none: common practice, no source."""
_HEIGHT_NODES = 12
_FEW_PLATES = 15
_MANY_PLATES = 500


def usual_height(word: str, spans: Mapping[str, tuple[float, float]]) -> float:
    """Log height, over 0.3 mm, of burr of which a word alone is known: the middle of its span, of a study or usual.

    >>> round(usual_height("heavy", {}), 3), usual_height("our own word", {})
    (1.041, 0.0)
    """
    span = spans.get(word) or USUAL_BURR.get(word)
    return 0.0 if span is None else float(np.log(sum(span) / 2) - MIDDLE_HEIGHT)


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
