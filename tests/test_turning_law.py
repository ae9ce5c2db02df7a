"""Lines whose radius does not fall with speed all the way: it turns round, or rises. No physics says so; logs may."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import edgefinish as ef
from edgefinish.grounds import apart
from edgefinish.intervals import speed_intervals, speed_ranges
from edgefinish.shares import worst_shares
from edgefinish.window import Found

SPEEDS = (1.0, 1.5, 2.25, 3.4, 5.1, 6.0)
SHEET, PLATE, EDGE, WEAR = 0.04, 0.03, 0.07, -0.01
SHARE, CONFIDENCE, OLDEST = 0.9, 0.95, 9.0


def job(least: float) -> ef.Job:
    return ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, OLDEST),
                  edge_radius_mm=(least, None), share=SHARE, confidence=CONFIDENCE)


def middle(feed, tilt, bend):
    """Log radius of a middle edge on a fresh sheet."""
    x = np.log(np.asarray(feed) / 2.45)
    return -1.2 + tilt * x + bend * x * x


def trial(tilt: float, bend: float, seed: int = 0) -> pd.DataFrame:
    """36 plates on 6 sheets, six speeds; invented."""
    rng = np.random.default_rng(seed)
    sheet = SHEET * rng.normal(size=6)
    rows = []
    for plate in range(36):
        feed, hours = SPEEDS[plate // 6], round(float(rng.uniform(0, 10)), 1)
        log_radius = middle(feed, tilt, bend) + WEAR * hours + sheet[plate % 6] + PLATE * rng.normal()
        radius = [round(float(np.exp(log_radius + EDGE * e)), 3) for e in rng.normal(size=4)]
        rows += [{"run": f"R{plate:02d}", "material": "S355", "thickness_mm": 10, "feed_speed_m_min": feed,
                  "drum_pressure_kPa": 60, "grit": "P80", "abrasive_sheet": f"A{plate % 6}", "contact_hours": hours,
                  "edge_position": position, "edge_radius_mm": r}
                 for position, r in zip(("leading", "trailing", "lateral", "cutout"), radius, strict=True)]
    return pd.DataFrame(rows)


def true_share(feed, tilt, bend, least):
    """Share of future edges above a limit on the oldest sheet."""
    far = middle(feed, tilt, bend) + WEAR * OLDEST - np.log(least)
    return norm.cdf(far / np.sqrt(SHEET**2 + PLATE**2 + EDGE**2))


@pytest.mark.parametrize(("tilt", "side"), [(0.0, None), (0.15, "fast"), (-0.15, "slow")])
def test_where_both_ends_will_do_the_wider_window_is_given_and_the_other_told(tilt, side):
    model = ef.fit(ef.read_log(trial(tilt, 0.9)))
    window = model.window(job(0.35))
    ends = [window.low_m_min, window.high_m_min]
    assert window.verdict == "window" and (side is None or (ends[0] > 2.45) == (side == "fast"))
    told = [r for r in window.reasons if r.startswith("Another window")]
    other = [float(v) for v in re.search(r"([\d.]+) to ([\d.]+) m/min", told[0]).groups()]
    assert len(told) == 1 and (other[1] < ends[0] or ends[1] < other[0])
    assert np.log(other[1] / other[0]) <= np.log(ends[1] / ends[0])
    assert (true_share([*ends, *other], tilt, 0.9, 0.35) >= SHARE).all()
    assert true_share(2.45, tilt, 0.9, 0.35) < SHARE / 2
    assert any("curves" in r for r in window.reasons)


def test_other_windows_are_told_with_the_slower_first():
    none = np.empty(0)
    others = [Found((np.log(2.0), np.log(5.0)), none, none), Found(None, none, none),
              Found((np.log(1.6), np.log(3.7)), none, none)]
    told = apart(SimpleNamespace(units="metric"), others, 1.0)
    assert [re.search(r"[\d.]+ to [\d.]+", t.said).group() for t in told] == ["1.6 to 3.7", "2.0 to 5.0"]


def test_nothing_is_told_apart_where_the_law_falls():
    window = ef.fit(ef.read_log(trial(-0.5, 0.0))).window(job(0.28))
    assert window.verdict == "window" and not any("Another window" in r for r in window.reasons)


def test_a_radius_that_rises_with_speed_is_answered_from_the_fast_end():
    model = ef.fit(ef.read_log(trial(0.5, 0.0)))
    window = model.window(job(0.28))
    assert window.verdict == "window" and window.high_m_min == pytest.approx(SPEEDS[-1])
    assert "Below" in window.reasons[0] and "may fall below 0.28 mm" in window.reasons[0]
    assert (true_share([window.low_m_min, window.high_m_min], 0.5, 0.0, 0.28) >= SHARE).all()
    hopeless = model.window(job(1.5))
    assert hopeless.verdict == "no window" and "At about the best speed, 6.0 m/min" in hopeless.reasons[0]


@pytest.mark.parametrize(("tilt", "limits", "named"), [
    (0.5, (5.0, 8.0), "6.0"), (0.5, (0.01, 0.02), "1.0"), (-0.5, (5.0, 8.0), "1.0"), (-0.5, (0.01, 0.02), "6.0")])
def test_where_nothing_will_do_the_speed_named_is_the_nearest(tilt, limits, named):
    log = trial(tilt, 0.0)
    scatter = np.exp(0.15 * np.random.default_rng(1).normal(size=len(log)))
    log["removal_um"] = (200 * log["edge_radius_mm"] ** 2 * scatter).round(1)
    job_ = replace(job(1.0), edge_radius_mm=limits, removal_um=2000)
    hopeless = ef.fit(ef.read_log(log)).window(job_)
    assert hopeless.verdict == "no window" and f"At about the best speed, {named} m/min" in hopeless.reasons[0]


@pytest.mark.parametrize(("tilt", "bend", "least"), [
    (0.0, 0.9, 0.35), (0.5, 0.0, 0.3), (0.1, -0.5, 0.22), (-0.3, 0.4, 0.3)])
def test_intervals_are_those_of_a_fine_grid(tilt, bend, least):
    """Each draw's interval within each range of speeds: inside the share is met, just outside of it not."""
    model = ef.fit(ef.read_log(trial(tilt, bend)))
    promise = model.promise(job(least), (SPEEDS[0], SPEEDS[-1])).thinned(300)
    low, high = speed_intervals(promise, SHARE)
    x = np.linspace(*promise.speeds, 400)
    good = worst_shares(promise, x) >= SHARE
    inside = (x > low[:, None] + 1e-3) & (x < high[:, None] - 1e-3)
    assert good[inside].all() and (np.isfinite(low) == (good.sum(1) > 2))[np.abs(good.sum(1) - 2) > 2].all()
    widest = np.array([max((len(run) for run in "".join("x" if g else " " for g in row).split()), default=0)
                       for row in good])
    there = widest > 2
    assert there.mean() > 0.5
    assert np.abs((high - low)[there] - widest[there] * (x[1] - x[0])).max() < 2.5 * (x[1] - x[0])


def test_ranges_are_cut_where_fewest_draws_will_do():
    model = ef.fit(ef.read_log(trial(0.0, 0.9)))
    promise = model.promise(job(0.35), (SPEEDS[0], SPEEDS[-1]))
    (first, cut), (again, last) = speed_ranges(promise, SHARE, CONFIDENCE)
    assert (first, last) == promise.speeds and cut == again
    assert np.exp(cut) * model.law_for(job(0.35)).layout.centre.feed_speed_m_min == pytest.approx(2.45, rel=0.1)
