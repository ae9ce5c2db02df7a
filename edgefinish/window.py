"""From intervals to a window: the widest that enough draws agree on, its confidence, its set point."""

from __future__ import annotations

from bisect import insort
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from .intervals import speed_intervals, speed_ranges
from .promise import Promise
from .rows import Floats

NARROWEST = 1.05
"""A window whose ends stand closer than this ratio is none: no drive holds it."""
LEAST_WIDTH = float(np.log(NARROWEST)) - 1e-9
"""The same as a difference of logarithms; what rounding takes from one that is just as wide does not count."""


class Found(NamedTuple):
    """The widest window of a range of speeds, None where there is none, and each draw's interval, (draws,) each."""

    ends: tuple[float, float] | None
    low: Floats
    high: Floats


def windows_of(promise: Promise, share: float, confidence: float) -> list[Found]:
    """What each range of speeds holds that may have a window of its own: one, seldom more; the widest window first."""
    found = []
    for speeds in speed_ranges(promise, share, confidence):
        low, high = speed_intervals(promise if speeds == promise.speeds else replace(promise, speeds=speeds), share)
        found.append(Found(wide_enough(low, high, confidence), low, high))
    return sorted(found, key=lambda one: one.ends[0] - one.ends[1] if one.ends else 0.0)


def wide_enough(low: Floats, high: Floats, confidence: float) -> tuple[float, float] | None:
    """The `widest` window of draws' intervals, where a drive can hold it; None where there is none."""
    ends = widest(low, high, confidence) if np.isfinite(low).mean() >= confidence else None
    return ends if ends and ends[1] - ends[0] >= LEAST_WIDTH else None


def widest(low: Floats, high: Floats, confidence: float) -> tuple[float, float] | None:
    """The widest [a, b] that lies inside the interval of at least `confidence` of the draws; None where there is none.

    Exact: draws are left out from the side of high lows and of low highs in every split of the allowance.

    >>> widest(np.array([0.0, 0.1, 0.2, 9.0]), np.array([1.0, 1.0, 1.0, 9.5]), 0.75)
    (0.2, 1.0)
    """
    need = int(np.ceil(confidence * len(low) - 1e-9))
    first = np.partition(low, need - 1)[need - 1]  # from the first start on; those before it are all within
    late = np.flatnonzero(low > first)
    within = len(low) - len(late)
    late = late[np.isfinite(low[late])]
    late = late[np.argsort(low[late], kind="stable")]
    starts = np.append(first, low[late])
    place, most = within - need, within - need + len(late)
    early = np.where(low <= first, high, np.inf)
    kept = np.sort(np.partition(early, most)[:most + 1])[:within].tolist()
    later, at, ends = high[late], 0, []
    top = kept[-1] if most < within else np.inf  # no end can be above the top
    for until in [*np.flatnonzero(later < top).tolist(), len(late)]:
        ends += kept[place + at:place + until + 1]
        at = until + 1
        if until < len(late):
            insort(kept, float(later[until]))
    width = np.asarray(ends) - starts
    possible = np.isfinite(starts) & (width >= 0)
    if not possible.any():
        return None
    width = np.where(possible, width, -np.inf)
    best = int(width.argmax())
    return float(starts[best]), float(ends[best])


def confidence_at(low: Floats, high: Floats, x: Floats) -> Floats:
    """Share of draws whose interval holds each x."""
    return np.array([np.count_nonzero((low <= v) & (v <= high)) for v in x]) / len(low)


def set_point(low: Floats, high: Floats, window: tuple[float, float]) -> float:
    """Where in the window the confidence is highest; of equals the fastest."""
    short = (low > window[0]) | (high < window[1])  # the others hold all of the window
    starts, ends = np.sort(low[short]), np.sort(high[short])
    inside = np.append(ends[np.searchsorted(ends, window[0]):np.searchsorted(ends, window[1], side="right")], window[1])
    holds = np.searchsorted(starts, inside, side="right") - np.searchsorted(ends, inside, side="left")
    return float(inside[holds == holds.max()].max())
