"""Laws of earlier logs as one reading of the next log's coefficients: against textbook normals, and what it may not do.

Normal-normal updating as in any textbook of Bayesian linear models: Lindley and Smith (1972, J. R. Stat. Soc. B 34,
1-41), by scipy's multivariate normal.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from lines import FAMILIES, Plan, Truth, run_trial
from scipy.stats import kstest, multivariate_normal

import edgefinish as ef
from edgefinish.fromthepast import said
from edgefinish.laws import BENDS, FEED, PRESSURE, TERMS, THICKNESS, Centre, Settings, columns
from edgefinish.layout import OWN_WEAR, lay_out
from edgefinish.mixed import solve
from edgefinish.pastlaw import PastLaw, learn_law
from edgefinish.posterior import posterior
from edgefinish.priors import STANDARD
from edgefinish.rows import nodes_at


@cache
def truth() -> Truth:
    return FAMILIES["usual"](np.random.default_rng(41))[0]


@cache
def past() -> tuple[ef.TrialLog, ...]:
    rng = np.random.default_rng(42)
    return tuple(ef.read_log(run_trial(replace(truth(), level=truth().level + shift), Plan(sheets=7, plates=36), rng))
                 for shift in (-0.1, 0.1))


@cache
def law() -> PastLaw:
    return learn_law(past())


@cache
def fitted():
    layout = lay_out(ef.read_log(run_trial(truth(), Plan(), np.random.default_rng(43))), removal=False)
    return layout, posterior(layout.data, 96)


def _moments(of: PastLaw, names: list[str]) -> tuple[np.ndarray, np.ndarray]:
    which = [of.names.index(name) for name in names]
    cov = np.linalg.pinv(of.precision, hermitian=True)
    return (cov @ of.vector)[which], np.sqrt(np.diag(cov)[which])


def test_the_reading_adds_to_the_posterior_as_normals_do():
    layout, _ = fitted()
    data = replace(layout.data, heavy_tails=False)
    rng = np.random.default_rng(1)
    p = len(data.coef_mean)
    half = rng.normal(0, 1, (p, p))
    noise = half @ half.T / p + 0.1 * np.eye(p)
    z = data.coef_mean + rng.normal(0, 0.3, p)
    precision = np.linalg.inv(noise)
    theta = np.array([[np.log(s.median) for s in data.spreads]])
    without = solve(data, nodes_at(data, theta), steps=8)
    with_it = solve(replace(data, known=(precision, precision @ z)), nodes_at(data, theta), steps=8)
    before = without.chol[0] @ without.chol[0].T
    assert with_it.chol[0] @ with_it.chol[0].T == pytest.approx(before + precision, rel=1e-8)
    mean = np.linalg.solve(before + precision, before @ without.coef[0] + precision @ z)
    assert with_it.coef[0] == pytest.approx(mean, abs=1e-9)
    # p(z | y) is normal with the posterior's covariance and the reading's own, but for the density at its own mean
    expected = multivariate_normal(without.coef[0], np.linalg.inv(before) + noise).logpdf(z)
    own = multivariate_normal(z, noise).logpdf(z) - 0.5 * z @ precision @ z
    assert with_it.log_post[0] - without.log_post[0] == pytest.approx(expected - own, abs=1e-6)


def any_reading(seed: int) -> PastLaw:
    """A reading of every coefficient, each hanging on each."""
    rng = np.random.default_rng(seed)
    half = rng.normal(0, 1, (len(law().names), len(law().names)))
    precision = half @ half.T + 0.1 * np.eye(len(half))
    return replace(law(), precision=precision, vector=precision @ rng.normal(0, 0.3, len(half)))


def test_another_middle_of_the_settings_leaves_the_law_as_it_is():
    layout, _ = fitted()
    known = any_reading(3)
    there = replace(layout, centre=Centre(feed_speed_m_min=3.1, drum_pressure_kPa=50, grain_um=150, thickness_mm=23))
    found = []
    for at in (layout, there):
        row = np.zeros((3, len(at.data.coef_mean)))
        row[:, at.names.dose] = at.dose_columns(Settings(np.array([1.2, 2.0, 4.5]), 70.0, 201.0, 8.0, 3, 5.0), 0)
        row[:, at.names.position.start] = 1
        precision, vector = known.on(at)
        which = np.flatnonzero(np.diag(precision))
        cov = np.linalg.inv(precision[np.ix_(which, which)])
        found.append((row[:, which] @ cov @ vector[which], row[:, which] @ cov @ row[:, which].T))
    assert found[0][0] == pytest.approx(found[1][0], abs=1e-9)
    assert found[0][1] == pytest.approx(found[1][1], rel=1e-9)


def test_a_position_that_this_log_does_not_have_is_left_open_as_normals_leave_it():
    """The marginal of a normal keeps the means and covariances of what is kept."""
    log = ef.read_log(run_trial(truth(), Plan(), np.random.default_rng(43)))
    layout = lay_out(replace(log, rows=log.rows[log.rows["edge_position"] != "lateral"]), removal=False)
    known = replace(any_reading(4), centre=layout.centre)
    precision, vector = known.on(layout)
    which = np.flatnonzero(np.diag(precision))
    keep = [i for i, name in enumerate(known.names) if name != "lateral"]
    cov = np.linalg.inv(precision[np.ix_(which, which)])
    assert len(which) == len(known.names) - 1
    whole = np.linalg.inv(known.precision)
    assert cov == pytest.approx(whole[np.ix_(keep, keep)], rel=1e-8)
    assert cov @ vector[which] == pytest.approx((whole @ known.vector)[keep], rel=1e-8)


@pytest.mark.parametrize("materials", [1, 2])
def test_the_next_law_is_a_step_and_some_room_away_from_what_the_logs_show(materials):
    """Variances add (Lindley and Smith 1972): of what the logs show beyond the priors, of the room, of the step.

    What they show nothing of (passes and their curvature; the level against all positions together) stays open.
    """
    logs = past()[:materials]
    parts = [log.rows.assign(material=f"{i} {m}", abrasive_sheet=f"{i} " + log.rows["abrasive_sheet"])
             for i, log in enumerate(logs) for m in set(log.rows["material"])]
    layout = lay_out(replace(logs[0], rows=pd.concat(parts, ignore_index=True).drop(columns="date")), removal=False)
    found = posterior(layout.data, 96)
    reading = learn_law(logs)
    names, start = reading.names, layout.names.dose.start
    where = {"level": start} | {term.name: start + 1 + i for i, term in enumerate(TERMS)} | {
        name: layout.names.position.start + i for i, name in enumerate(layout.positions)}
    which = [where[name] for name in names]
    weight, coef = found.weight, found.coef[:, which]
    mean = weight @ coef
    half = np.linalg.inv(found.chol)
    cov = (weight[:, None, None] * (half.transpose(0, 2, 1) @ half)).sum(0)[np.ix_(which, which)]
    cov = cov + np.cov(coef, rowvar=False, aweights=weight, ddof=0)
    sd = layout.data.coef_sd[which]
    gain, axes = np.linalg.eigh(np.linalg.inv(cov / np.outer(sd, sd)) - np.eye(len(sd)))
    assert (gain < 1e-9).sum() == 3
    axes = axes[:, gain > 1e-9].T / sd
    shown = np.diag(1 / gain[gain > 1e-9])
    if materials == 1:
        step = [2 * spread.median ** 2 for spread in STANDARD.material]
    else:
        step = (weight @ found.nodes.kin_sd ** 2).tolist()
    room = np.diag(np.full(len(names), 0.03 ** 2))
    for name, variance in zip(("level", "feed speed", "drum pressure"), step, strict=False):
        room[names.index(name), names.index(name)] += variance
    wear = [names.index(name) for name in ("wear per 10 h", "early wear", "running in")]
    room[np.ix_(wear, wear)] += step[3] * np.outer(OWN_WEAR, OWN_WEAR)
    wanted = axes.T @ np.linalg.inv(shown + axes @ room @ axes.T) @ axes
    assert reading.precision == pytest.approx(wanted, abs=1e-6 * wanted.max())
    # what the posterior adds to the priors, in the directions that the logs tell of
    told = shown @ axes @ (sd**2 * (np.linalg.solve(cov, mean) - layout.data.coef_mean[which] / sd**2))
    wanted = axes.T @ np.linalg.inv(shown + axes @ room @ axes.T) @ told
    assert reading.vector == pytest.approx(wanted, abs=1e-6 * np.abs(wanted).max())


def test_what_the_logs_show_of_the_law_is_learned_with_room():
    t = truth()
    mean, sd = _moments(law(), ["feed speed", "drum pressure", "grain size", "curvature in feed speed"])
    true = np.array([t.feed, t.pressure, t.grain, t.feed_curve])
    assert (np.abs(mean - true) < 2.5 * sd).all()
    assert (sd > 0.03).all() and (sd < 0.25).all()      # never surer than the room for a line that has moved
    positions = ["leading", "trailing", "lateral", "cutout"]
    steps, _ = _moments(law(), positions)
    assert steps - steps.mean() == pytest.approx(
        np.array([t.position[p] for p in positions]) - np.mean(list(t.position.values())), abs=0.08)


def test_new_sheets_take_the_law_of_wear_and_grain_away_and_nothing_else():
    new = learn_law(past(), new_sheets=True)
    of_sheets = [new.names.index(n) for n in ("wear per 10 h", "early wear", "running in", "grain size")]
    assert np.abs(new.precision[of_sheets]).max() < 0.01 < np.diag(law().precision)[of_sheets].min()
    assert _moments(new, ["feed speed"])[1] == pytest.approx(_moments(law(), ["feed speed"])[1], rel=0.1)


def test_the_chance_of_a_past_like_this_is_even_where_nothing_changed():
    """Past readings drawn as a log expects them: their chances are uniform. Rare where the line has changed."""
    layout, found = fitted()
    known = law()
    precision, _ = known.on(layout)
    which = np.flatnonzero(np.diag(precision) > 1e-6)
    half = np.linalg.inv(found.chol)[:, :, which]
    coef = found.coef[:, which]
    mean = found.weight @ coef
    cov = np.einsum("k,kip,kiq->pq", found.weight, half, half)
    cov += (coef - mean).T @ (found.weight[:, None] * (coef - mean))
    rng = np.random.default_rng(9)
    names = [name for name in known.names if not name.endswith("passes")]
    at = [known.names.index(n) for n in names]
    sub = known.precision[np.ix_(at, at)]
    roots, axes = np.linalg.eigh(sub)
    drawn = []
    for _ in range(300):
        beta = rng.multivariate_normal(mean, cov)
        vector = np.zeros(len(known.names))
        vector[at] = sub @ beta + axes @ (np.sqrt(np.maximum(roots, 0)) * rng.standard_normal(len(roots)))
        same = replace(known, vector=vector, centre=layout.centre)
        drawn.append(same.chance(layout, found))
    assert kstest(drawn, "uniform").pvalue > 1e-3
    steeper = replace(known, vector=known.vector + known.precision[:, known.names.index("feed speed")] * -0.9)
    assert steeper.chance(layout, found) < 0.01 < 0.05 < known.chance(layout, found)
    silent = replace(known, precision=0 * known.precision, vector=0 * known.vector)
    assert silent.chance(layout, found) == 1.0


def test_a_law_that_does_not_look_like_this_log_is_left_out_and_told():
    changed = replace(truth(), feed=truth().feed - 0.6, wear=-0.5, grain=1.2)
    log = ef.read_log(run_trial(changed, Plan(), np.random.default_rng(5)))
    line = ef.fit(log, history=past())
    flags = [one.said for one in said(line, line.law())]
    assert any("wear or edge positions of this log do not look like those of its past" in flag for flag in flags)
    assert flags[0].startswith("Spreads of plates and edges are learned")
    assert line.law().posterior.data.known is None


def test_columns_are_those_of_the_terms():
    """`PastLaw` turns level and slope to another middle by these places."""
    s = Settings(2.0, 50.0, 201.0, 8.0, 1, 0.0)
    layout, _ = fitted()
    for term, setting in ((FEED, "feed_speed_m_min"), (PRESSURE, "drum_pressure_kPa"), (THICKNESS, "thickness_mm")):
        x = np.log(getattr(s, setting) / getattr(layout.centre, setting))
        assert columns(s, layout.centre)[[term, BENDS[term]]] == pytest.approx([x, x**2])
