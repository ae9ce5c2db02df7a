"""Ends of windows draw by draw, against looking at many speeds; distances to a limit, against solving for each."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from lines import SEVERITIES, campaign
from scipy.integrate import quad
from scipy.stats import norm, t

import edgefinish as ef
from edgefinish.intervals import _cross, _falls, _root, speed_intervals
from edgefinish.promise import Path
from edgefinish.scatter import Scatter, distance_to_limit
from edgefinish.shares import worst_shares
from edgefinish.window import widest


@pytest.fixture(scope="module")
def line():
    trial = campaign("half heavy burr", 3)
    return ef.fit(ef.read_log(trial.log), severities=SEVERITIES), trial.job("all limits")[0]


@pytest.mark.parametrize("changes", [
    {}, {"residual_burr_mm": None, "burr_severity": None}, {"removal_um": None}, {"sheet_hours": (3.0, 3.0)},
    {"edge_radius_mm": (0.25, None)}, {"edge_radius_mm": None}, {"share": 0.8}, {"removal_um": 45.0}])
def test_joint_ends_are_those_of_many_speeds(line, changes):
    """The worst share at 201 speeds, crossed straight: what the Newton steps must find again."""
    model, job = line
    job = replace(job, **changes)
    promise = model.promise(job, model._evidence(job)[0].speeds).thinned(256)
    low, high = speed_intervals(promise, job.share)
    x = np.linspace(*promise.speeds, 201)
    over = worst_shares(promise, x) >= job.share
    some = over.any(1)
    assert np.mean(some != np.isfinite(low)) < 0.05   # an interval may be narrower than the looks
    both = some & np.isfinite(low)
    step = x[1] - x[0]
    assert np.abs(low - x[over.argmax(1)])[both].max(initial=0) < 1.5 * step
    assert np.abs(high - x[len(x) - 1 - over[:, ::-1].argmax(1)])[both].max(initial=0) < 1.5 * step


def test_joint_ends_are_those_of_many_speeds_whatever_is_asked_for(line):
    """80 jobs by chance, sound and absurd: limits far from all that was measured, and both ends in one draw."""
    model, job = line
    rng = np.random.default_rng(20261128)
    tried = model._evidence(job)[0].speeds
    for _ in range(80):
        first, last = np.sort(np.exp(rng.uniform(-6, 1.5, 2)))
        asked = replace(job, edge_radius_mm=[(first, last), (first, None), (None, last)][rng.integers(3)],
                        removal_um=float(np.exp(rng.uniform(-2, 6))), share=float(rng.choice([0.5, 0.8, 0.9, 0.99])),
                        residual_burr_mm=[None, 0.0, 0.1][rng.integers(3)])
        promise = model.promise(asked, tried).thinned(64)
        low, high = speed_intervals(promise, asked.share)
        over = worst_shares(promise, np.linspace(*promise.speeds, 101)) >= asked.share
        assert np.mean(over.any(1) != np.isfinite(low)) < 0.1, asked
        there = np.flatnonzero(np.isfinite(low))
        for end in (low[there], high[there]):
            if len(end):
                speeds, place = np.unique(end, return_inverse=True)
                assert (worst_shares(promise, speeds)[there, place] > asked.share - 0.01).all(), asked


@pytest.mark.parametrize(("changes", "best"), [
    ({"edge_radius_mm": (0.01, 0.02)}, "fast"), ({"edge_radius_mm": (0.001, 0.002), "removal_um": 0.5}, "fast"),
    ({"edge_radius_mm": (5.0, 8.0)}, "slow"), ({"edge_radius_mm": None, "removal_um": 0.1}, "fast"),
    ({"edge_radius_mm": (0.3, 0.301)}, None)])
def test_limits_that_nothing_comes_near_get_no_window(line, changes, best):
    """A limit in another unit than meant must not read as kept at every speed."""
    model, job = line
    window = model.window(replace(job, **changes))
    assert window.verdict == "no window", window
    feed = model.log.rows["feed_speed_m_min"]
    named = re.search(r"At about the best speed, ([\d.]+) m/min", window.reasons[0]).group(1)
    assert ("alone: check it and its unit." in window.reasons[1]) == (best is not None)
    assert best is None or float(named) == pytest.approx(feed.max() if best == "fast" else feed.min(), abs=0.05)


@pytest.mark.parametrize("limits", [(None, 5.0), (None, 50.0), (0.02, None), (0.001, None), (0.001, 50.0), (1e-9, 1e9)])
def test_a_radius_limit_far_from_all_edges_is_as_none(line, limits):
    """Burr must not be forgotten, nor an edge taken for burred, where the limit of the radius is far away."""
    model, job = line
    wanted = model.window(replace(job, edge_radius_mm=None, residual_burr_mm=0.0))
    window = model.window(replace(job, edge_radius_mm=limits, residual_burr_mm=0.0))
    assert wanted.verdict == window.verdict == "window"
    assert (window.low_m_min, window.high_m_min) == pytest.approx((wanted.low_m_min, wanted.high_m_min), rel=0.005)


@pytest.mark.parametrize("start", np.linspace(-0.9, 0.9, 7))
def test_a_share_that_is_straight_on_the_probit_scale_is_crossed_where_it_is(start):
    """One normal: the first step lands on the crossing to the last digit, and the next one must stay there."""
    steep = np.linspace(1.0, 6.0, 401)

    class Straight:
        promise = SimpleNamespace(speeds=(-1.0, 1.0), node=steep)

        def at(self, x, corner, rows):
            far = steep[rows] * (x - 0.1)
            return norm.cdf(far), steep[rows] * norm.pdf(far)

    x, found = _root(Straight(), None, start, 0.8, 1)
    assert found.all() and x == pytest.approx(0.1 + norm.ppf(0.8) / steep, abs=1e-5)


def test_shares_looked_at_are_crossed_straight_on_the_probit_scale():
    """Curves of any kind at 9 speeds: as numpy reads between them on a fine grid, about the best of the speeds."""
    rng = np.random.default_rng(4)
    x, fine = np.linspace(-0.7, 1.3, 9), np.linspace(-0.7, 1.3, 40_001)
    probit = np.concatenate([rng.normal(0, 1.5, (200, 9)), [np.linspace(1, 3, 9)], np.full((1, 9), -2.0)])
    low, high = _cross(x, norm.cdf(probit), 0.8)
    for row, first, last in zip(probit, low, high, strict=True):
        if row.max() < norm.ppf(0.8):
            assert (first, last) == (np.inf, -np.inf)
            continue
        good = np.interp(fine, x, row) >= norm.ppf(0.8) - 1e-9
        at = int(np.searchsorted(fine, x[row.argmax()]))
        short = np.flatnonzero(~good)
        left, right = short[short < at], short[short > at]
        assert first == pytest.approx(fine[left[-1]] if len(left) else x[0], abs=1e-4)
        assert last == pytest.approx(fine[right[0]] if len(right) else x[-1], abs=1e-4)


def test_a_law_falls_where_its_slope_is_below_none_at_every_speed():
    rng = np.random.default_rng(5)
    slope, bend = rng.normal(-0.5, 0.5, 500), rng.normal(0, 0.4, 500)
    path = Path(np.zeros(500), slope, bend, np.zeros((500, 2)), np.zeros((500, 1)))
    for speeds in ((-0.4, 1.9), (0.2, 0.7), (-2.5, -0.3)):
        x = np.append(np.linspace(*speeds, 501), 0.0)     # laws fall at their middle speed, or are not physics
        assert np.array_equal(_falls(path, speeds), (slope[:, None] + 2 * bend[:, None] * x < 0).all(1))


def test_draws_that_do_not_fall_are_looked_through_and_leave_nothing_behind(line):
    """Joint jobs ask whether removal falls with speed too; a radius job after them must not hear of it."""
    model, job = line
    radius = replace(job, removal_um=None, residual_burr_mm=None, burr_severity=None, edge_radius_mm=(0.2, 0.7))
    promise = model.promise(replace(job, residual_burr_mm=None), (1.0, 6.0)).thinned(512)
    rising = replace(promise, removal=replace(promise.removal, slope=np.where(np.arange(512) % 2, 0.3, -1.0)))
    falls = promise.radius.slope + 2 * np.abs(promise.radius.bend) < 0
    low, high = speed_intervals(rising, job.share)
    over = worst_shares(rising, np.linspace(*rising.speeds, 201)) >= job.share
    assert np.mean(over.any(1) != np.isfinite(low)) < 0.05
    kept = rising.radius.kept["falls", rising.speeds]
    assert kept[falls].all() and len(kept) == 512
    assert model.window(radius) == ef.fit(model.log, severities=SEVERITIES).window(radius)


@pytest.mark.parametrize("share", [0.6, 0.9, 0.97])
@pytest.mark.parametrize("hours", [(0.0,), (7.3,), (0.0, 3.0, 12.0), (2.1, 8.4, 31.7)])
@pytest.mark.parametrize("size", [1.0, 0.2, 0.02])
def test_kept_distances_are_those_that_are_solved_for(share, hours, size):
    """Also where edges hardly differ, and a band begins between two kept widths."""
    rng = np.random.default_rng(8)
    scatter = Scatter(size * rng.uniform(0.04, 0.2, 60), size * rng.uniform(0.005, 0.06, 60),
                      size * rng.uniform(0.05, 0.15, 60), rng.uniform(1e-4, 0.35, 60))
    ages = np.array(hours)
    for width in size * rng.uniform(0.2, 2.0, 12):
        got = scatter.distances(ages, float(width), share)[[0, -1]]
        sd = np.stack([scatter.parts(scatter.shared_at(h)) for h in ages[[0, -1]]])
        wanted = distance_to_limit(sd, float(width), share)
        there = np.isfinite(got)
        assert np.mean(there != np.isfinite(wanted)) < 0.01
        assert np.isfinite(wanted[there]).all()
        assert got[there] == pytest.approx(wanted[there], abs=2e-4 * size)
    alone = distance_to_limit(scatter.parts(scatter.shared_at(hours[0])), np.inf, share)
    assert scatter.distances(ages, np.inf, share)[0] == pytest.approx(alone, abs=1e-6)


def test_many_jobs_at_once_are_as_each_alone_and_in_any_order(line):
    model, job = line
    radius = replace(job, removal_um=None, residual_burr_mm=None, burr_severity=None)
    tried = model.log.rows["drum_pressure_kPa"]
    jobs = [replace(radius, edge_radius_mm=(0.2, limit), drum_pressure_kPa=pressure)
            for limit in (0.4, 0.55, 0.7) for pressure in np.linspace(tried.min(), tried.max(), 3)]
    there = model.windows(jobs)
    back = ef.fit(model.log, severities=SEVERITIES).windows(jobs[::-1])[::-1].reset_index(drop=True)
    for name in ("verdict", "low_m_min", "high_m_min", "recommended_m_min", "confidence_at", "reasons"):
        assert there[name].astype(str).tolist() == back[name].astype(str).tolist()


def test_the_widest_window_with_many_equal_ends():
    """As where most draws reach the slowest speed tried: found without sorting all, and still exact."""
    rng = np.random.default_rng(3)
    low = np.where(rng.random(4096) < 0.97, -1.0, rng.normal(-0.5, 0.2, 4096))
    high = np.minimum(rng.normal(1.0, 0.3, 4096), 1.2)
    order = np.argsort(low, kind="stable")
    need = int(np.ceil(0.95 * len(low)))
    best = max(np.sort(high[order[:k]])[k - need] - low[order[k - 1]] for k in range(need, len(low) + 1))
    found = widest(low, high, 0.95)
    assert found is not None and found[1] - found[0] == pytest.approx(best, abs=1e-12)


@pytest.mark.parametrize("share", [0.9, 0.99, 0.999])
@pytest.mark.parametrize("nu", [3.0, 6.0, 30.0])
@pytest.mark.parametrize("shared", [0.0, 0.05, 0.15])
def test_as_many_edges_fail_as_asked_far_out_too(share, nu, shared):
    """Normal sheets and plates and Student edges: held against scipy's Student t and its quadrature."""
    scatter = Scatter(*(np.full(1, v) for v in (shared, 0.0, 0.1, 1 / nu)))
    least = float(distance_to_limit(scatter.parts(scatter.shared)[0], np.inf, share))

    def beyond(z: float) -> float:
        return float(t.sf((least - shared * z) / 0.1, nu) * norm.pdf(z))
    fails = quad(beyond, -9, 9, epsabs=1e-10)[0] if shared else t.sf(least / 0.1, nu)
    assert fails == pytest.approx(1 - share, rel=0.01)


def test_edges_that_scatter_twice_as_much_are_not_mixed_up_with_a_kept_age():
    """What is kept of a scatter is found by what it is: a factor of 2 is no second step of age."""
    scatter = Scatter(*(np.full(4, v) for v in (0.1, 0.02, 0.1, 0.01)))
    scatter.distances(np.array([12.0]), 0.9, 0.9)
    twice = scatter.spread(2.0)
    assert twice.edge == pytest.approx(2 * scatter.edge)
