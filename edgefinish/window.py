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
    spare = n - need
    order = np.argpartition(low, need - 1)
    order = np.append(order[:need], order[need:][np.argsort(low[order[need:]], kind="stable")])
    starts = low[order[need - 1:]]
    kept = np.sort(np.partition(high[order[:need]], min(spare, need - 1))[:spare + 1]).tolist()
    ends = [kept[0]]
    for place, late in enumerate(high[order[need:]].tolist(), 1):
        insort(kept, late)
        ends.append(kept[place])
    width = np.asarray(ends) - starts
    possible = np.isfinite(starts) & (width >= 0)
    if not possible.any():
        return None
    width = np.where(possible, width, -np.inf)
    best = int(width.argmax())
    return float(starts[best]), float(ends[best])


def confidence_at(low: Floats, high: Floats, x: Floats) -> Floats:
    """Share of draws whose interval holds each x."""
    return np.mean((low[:, None] <= x) & (x <= high[:, None]), axis=0)


def set_point(low: Floats, high: Floats, window: tuple[float, float]) -> float:
    """Where in the window the confidence is highest; of equals the fastest."""
    ends = np.sort(high)
    inside = np.append(ends[np.searchsorted(ends, window[0]):np.searchsorted(ends, window[1], side="right")], window[1])
    holds = np.searchsorted(np.sort(low), inside, side="right") - np.searchsorted(ends, inside, side="left")
    return float(inside[holds == holds.max()].max())
