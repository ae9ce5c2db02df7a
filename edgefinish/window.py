"""From intervals to a window: the widest that enough draws agree on, its confidence, its set point."""

from __future__ import annotations

from bisect import insort

import numpy as np

from .rows import Floats


def widest(low: Floats, high: Floats, confidence: float) -> tuple[float, float] | None:
    """The widest [a, b] that lies inside the interval of at least `confidence` of the draws; None where there is none.

    Exact: draws are left out from the side of high lows and of low highs in every split of the allowance.

    >>> widest(np.array([0.0, 0.1, 0.2, 9.0]), np.array([1.0, 1.0, 1.0, 9.5]), 0.75)
    (0.2, 1.0)
    """
    n = len(low)
    need = int(np.ceil(confidence * n - 1e-9))
    order = np.argsort(low, kind="stable")
    low, high = low[order], high[order]
    best: tuple[float, float] | None = None
    kept = np.sort(high[:need]).tolist()
    for last in range(need, n + 1):
        if last > need:
            insort(kept, high[last - 1])
        a, b = low[last - 1], kept[last - need]
        if not np.isfinite(a):
            break
        if b >= a and (best is None or b - a > best[1] - best[0]):
            best = (float(a), float(b))
    return best


def confidence_at(low: Floats, high: Floats, x: Floats) -> Floats:
    """Share of draws whose interval holds each x."""
    return np.mean((low[:, None] <= x) & (x <= high[:, None]), axis=0)


def set_point(low: Floats, high: Floats, window: tuple[float, float]) -> float:
    """Where in the window the confidence is highest; of equals the fastest."""
    inside = np.concatenate([high[(high >= window[0]) & (high <= window[1])], [window[1]]])
    starts, ends = np.sort(low), np.sort(high)
    holds = np.searchsorted(starts, inside, side="right") - np.searchsorted(ends, inside, side="left")
    return float(inside[holds == holds.max()].max())
