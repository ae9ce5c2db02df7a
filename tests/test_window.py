"""The widest window against brute force: every pair of ends tried on small sets of draws; ties and edges by hand."""

from __future__ import annotations

import numpy as np
import pytest

from edgefinish.window import confidence_at, set_point, widest


def brute(low: np.ndarray, high: np.ndarray, confidence: float) -> float | None:
    """Width of the widest [a, b], a any low and b any high, that lies inside at least that share of intervals."""
    best = None
    for a in low[np.isfinite(low)]:
        for b in high:
            holds = np.sum((low <= a) & (high >= b))
            if b >= a and holds >= confidence * len(low) - 1e-9 and (best is None or b - a > best):
                best = b - a
    return best


@pytest.mark.parametrize("seed", range(40))
def test_the_widest_window_is_that_of_brute_force(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 14))
    low = np.round(rng.normal(0, 1, n), int(rng.integers(0, 3)))
    high = low + np.round(rng.exponential(1.5, n), 1)
    none = rng.random(n) < 0.15
    low, high = np.where(none, np.inf, low), np.where(none, -np.inf, high)
    for confidence in (0.05, 0.5, 0.8, 0.95, 1.0):
        wanted, got = brute(low, high, confidence), widest(low, high, confidence)
        assert (got is None) == (wanted is None)
        if got is not None:
            assert got[1] - got[0] == pytest.approx(wanted, abs=1e-12)
            assert np.sum((low <= got[0]) & (high >= got[1])) >= confidence * n - 1e-9


def test_edges_of_the_widest_window():
    """By hand: a point is a window, of equal ones the lowest, a whole number of draws is not rounded up."""
    one = np.array([1.0])
    assert widest(one, one, 0.95) == (1.0, 1.0)
    assert widest(np.array([0.0, 5.0]), np.array([1.0, 6.0]), 0.5) == (0.0, 1.0)
    # 0.7 · 10 is 7.000000000000001 in binary: seven of ten draws are enough, eight are not asked for.
    low = np.array([0.0] * 7 + [9.0] * 3)
    assert 0.07 * 100 > 7 and widest(np.repeat(low, 10)[:100], np.repeat(low + 1, 10)[:100], 0.7) == (0.0, 1.0)
    assert widest(np.r_[np.zeros(7), np.full(93, 9.0)], np.r_[np.full(7, 5.0), np.full(93, 9.1)], 0.07) == (0.0, 5.0)
    assert widest(np.array([0.0, 3.0]), np.array([1.0, 4.0]), 1.0) is None
    assert widest(np.array([np.inf, np.inf]), np.array([-np.inf, -np.inf]), 0.5) is None
    # One draw without any speed: ends of the rest still count.
    assert widest(np.array([np.inf, 0.0, 1.0]), np.array([-np.inf, 4.0, 5.0]), 0.6) == (1.0, 4.0)


def test_confidence_counts_the_intervals_that_hold_a_speed_ends_included():
    low, high = np.array([0.0, 1.0, 2.0, np.inf]), np.array([1.0, 3.0, 2.0, -np.inf])
    assert confidence_at(low, high, np.array([-0.1, 0.0, 1.0, 2.0, 3.0, 3.1])).tolist() == [0, 0.25, 0.5, 0.5, 0.25, 0]


@pytest.mark.parametrize("seed", range(20))
def test_the_set_point_is_the_fastest_of_the_speeds_that_most_draws_hold(seed):
    """Against a fine grid of every end and every middle between ends."""
    rng = np.random.default_rng(seed)
    low = np.round(rng.normal(0, 1, 9), 1)
    high = low + np.round(rng.exponential(2, 9), 1)
    window = (float(np.quantile(low, 0.4)), float(np.quantile(high, 0.6)))
    if window[0] >= window[1]:
        window = (float(low.min()), float(high.max()))
    ends = np.unique(np.r_[low, high, window])
    grid = np.sort(np.r_[ends, (ends[1:] + ends[:-1]) / 2])
    grid = grid[(grid >= window[0]) & (grid <= window[1])]
    share = confidence_at(low, high, grid)
    assert set_point(low, high, window) == grid[share == share.max()].max()


def test_a_set_point_may_be_either_end_of_the_window():
    low, high = np.array([0.0, 0.0]), np.array([1.0, 9.0])
    assert set_point(low, high, (1.0, 5.0)) == 1.0
    assert set_point(low, high, (2.0, 5.0)) == 5.0
