"""A new material borrows from the known ones: the sums behind it, windows that hold, and what is said of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from lines import campaign, holds, worst
from newmaterial import KNOWN, NEW, NewMaterial, new_material
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

import edgefinish as ef
from edgefinish.byposition import apart_from
from edgefinish.kin import ODD, Cases
from edgefinish.linefit import RADIUS_NODES
from edgefinish.mixed import solve
from edgefinish.posterior import posterior
from edgefinish.rows import MixedData, Spread, nodes_at

PLATES, SHEETS, MEMBERS = 18, 6, 3
TIMES = (4.0, 2.5)


@cache
def family() -> MixedData:
    """Three members, the last odd and with spreads of its own, some of its plates with others again; normal errors, so
    that nothing is approximated."""
    rng = np.random.default_rng(8)
    sheet = np.sort(np.arange(PLATES) % SHEETS)
    member = sheet // 2
    x = rng.uniform(-1, 1, PLATES)
    one = (member[:, None] == np.arange(MEMBERS)).astype(float)
    columns = np.concatenate([np.ones((PLATES, 1)), x[:, None], one, one * x[:, None]], 1)
    plate = np.repeat(np.arange(PLATES), 2)
    true = np.array([0.1, -0.5, 0.05, -0.05, 0.5, 0.0, 0.05, -0.3])
    y = (columns @ true)[plate] + (rng.normal(0, 0.1, SHEETS)[sheet])[plate] + rng.normal(0, 0.1, 2 * PLATES)
    return MixedData(
        y=y, side=np.zeros(len(y), np.int8), scale=np.zeros(len(y), np.intp), load=np.ones((len(y), 1)), plate=plate,
        sheet=sheet, sheet_load=np.ones((PLATES, 1, 1)), plate_columns=columns[:, None], row_columns=np.empty((36, 0)),
        coef_mean=np.array([0.0, -0.4, *np.zeros(6)]), coef_sd=np.array([1.0, 0.3, *np.full(6, 0.1)]),
        edge_spread=(Spread(0.1, 0.7),), plate_spread=(Spread(0.06, 0.5),), sheet_spread=(Spread(0.08, 0.4),),
        heavy_tails=False, kin=np.array([[2, 3, 4], [5, 6, 7]]), kin_spread=(Spread(0.2, 0.7), Spread(0.12, 0.7)),
        kin_times=TIMES,
        own=np.stack([member == 2, (member == 2) & (np.arange(PLATES) % 5 < 2)]), own_log_sd=(0.25, 0.4),
        on_sheets=(True, False))


def by_hand(data: MixedData, theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Log marginal density of one point, mean and covariance of the coefficients: every case as one dense normal."""
    edge, plate, sheet, *tau, first, second = np.exp(theta)
    columns = data.plate_columns[data.plate, 0]
    scale = first ** data.own[0][data.plate] * second ** data.own[1][data.plate]
    of_sheet = first ** data.own[0][data.plate]
    same_plate = data.plate[:, None] == data.plate
    same_sheet = data.sheet[data.plate][:, None] == data.sheet[data.plate]
    noise = (np.diag(edge**2 * scale**2) + plate**2 * same_plate * np.outer(scale, scale)
             + sheet**2 * same_sheet * np.outer(of_sheet, of_sheet))
    parts = []
    for odd in (None, *range(MEMBERS)):
        sd = data.coef_sd.copy()
        for term, s, times in zip(data.kin, tau, TIMES, strict=True):
            sd[term] = s
            if odd is not None:
                sd[term[odd]] = s * times
        prior = np.diag(sd**2)
        cov = columns @ prior @ columns.T + noise
        gain = prior @ columns.T @ np.linalg.inv(cov)
        log_density = multivariate_normal(columns @ data.coef_mean, cov).logpdf(data.y)
        parts.append((log_density + (0.0 if odd is None else np.log(ODD / (1 - ODD))),
                      data.coef_mean + gain @ (data.y - columns @ data.coef_mean), prior - gain @ columns @ prior))
    log_chance = np.array([p[0] for p in parts])
    chance = np.exp(log_chance - logsumexp(log_chance))
    means = np.array([p[1] for p in parts])
    mean = chance @ means
    cov = np.einsum("c,cij->ij", chance, [p[2] for p in parts]) + np.einsum(
        "c,ci,cj->ij", chance, means - mean, means - mean)
    logs = [*np.log([0.1, 0.06, 0.08, 0.2, 0.12]), 0.0, 0.0]
    prior = -0.5 * (((theta - logs) / [0.7, 0.5, 0.4, 0.7, 0.7, 0.25, 0.4]) ** 2).sum()
    return float(logsumexp(log_chance) + prior), mean, cov


POINTS = np.log([[0.1, 0.06, 0.08, 0.2, 0.12, 1.0, 1.0], [0.12, 0.05, 0.11, 0.08, 0.3, 1.4, 0.7],
                  [0.09, 0.1, 0.05, 0.5, 0.1, 0.8, 1.3]])


def test_the_sum_over_who_is_odd_is_that_of_dense_normals():
    data = family()
    got = solve(data, nodes_at(data, POINTS), None, 2)
    wanted = np.array([by_hand(data, theta)[0] for theta in POINTS])
    # constants of the density aside: differences from point to point
    np.testing.assert_allclose(got.log_post - got.log_post[0], wanted - wanted[0], rtol=0, atol=1e-9)


def test_draws_over_who_is_odd_have_the_moments_of_dense_normals():
    data = family()
    nodes = nodes_at(data, POINTS)
    got = solve(data, nodes, None, 2)
    cases = Cases(data, nodes.kin_sd, got.coef, got.chol)
    assert 0.2 < cases.weight[1, 3] < 0.99 and cases.weight[0, 1:].sum() > 0.02
    means, variances = cases.moments((np.linalg.inv(got.chol) ** 2).sum(1))
    rng = np.random.default_rng(4)
    count = 40_000
    for k, theta in enumerate(POINTS):
        _, mean, cov = by_hand(data, theta)
        np.testing.assert_allclose(means[k], mean, atol=1e-10)
        np.testing.assert_allclose(variances[k], np.diag(cov), rtol=1e-8)
        nobody = got.coef[k] + np.linalg.solve(got.chol[k].T, rng.standard_normal((8, count))).T
        coef = cases.draw(np.full(count, k), nobody, rng.uniform(size=count))
        sd = np.sqrt(np.diag(cov))
        np.testing.assert_allclose(coef.mean(0), mean, atol=6 * sd.max() / np.sqrt(count))
        np.testing.assert_allclose(np.cov(coef.T) / np.outer(sd, sd), cov / np.outer(sd, sd), atol=0.05)


def test_the_posterior_of_the_family_is_that_of_dense_normals():
    data = family()
    post = posterior(data, 1024)
    # importance sampling by the dense densities, from a wider normal than the nodes are laid by
    rng = np.random.default_rng(6)
    root = np.linalg.cholesky(1.5 * post.mode.cov)
    z = rng.standard_normal((3000, 7))
    theta = post.mode.theta + z @ root.T
    log_weight = np.array([by_hand(data, t)[0] for t in theta]) + 0.5 * (z**2).sum(1)
    weight = np.exp(log_weight - logsumexp(log_weight))
    assert 1 / (weight**2).sum() > 900
    wanted = weight @ theta
    sd = np.sqrt(weight @ (theta - wanted) ** 2)
    nodes = np.column_stack([np.log(post.nodes.sd), np.log(post.nodes.kin_sd), np.log(post.nodes.factor)])
    got = post.weight @ nodes
    assert (np.abs(got - wanted) < 0.15 * sd).all()
    np.testing.assert_allclose(np.sqrt(post.weight @ (nodes - got) ** 2), sd, rtol=0.12)


@cache
def trial(case: str, seed: int, plates: int = 8, sheets: int = 3) -> NewMaterial:
    return new_material(case, seed, plates, sheets)


def window(log: pd.DataFrame, job: ef.Job) -> ef.SpeedWindow:
    return ef.fit(ef.read_log(log)).window(job)


def together(one: NewMaterial) -> pd.DataFrame:
    return pd.concat([one.known, one.few], ignore_index=True)


@pytest.mark.parametrize("case", ["typical", "tight odd"])
def test_a_new_material_of_eight_plates_gets_a_window_that_holds(case):
    """With a level of its own alone, an odd one's window holds in four of ten."""
    widths, kept = [], []
    for seed in range(12):
        one = trial(case, seed)
        got = window(together(one), one.job)
        assert got.verdict == "window"
        widths.append(np.log(got.high_m_min / got.low_m_min) / np.log(one.oracle[1] / one.oracle[0]))
        kept.append(holds(one.truth, one.job, got.low_m_min, got.high_m_min))
    assert sum(kept) >= 10
    assert 0.4 < np.mean(widths) < 1


def test_a_window_on_few_sheets_says_whose_spread_was_borrowed_and_what_to_run():
    one = trial("typical", 2)
    said = [r for r in window(together(one), one.job).reasons if r.startswith("Spread borrowed, run more sheets")]
    assert len(said) == 1
    assert f"{NEW} was run on 3 sheets only" in said[0] and f"18 sheets of {', '.join(KNOWN)}" in said[0]
    assert f"Run 3 plates of {NEW}, 10 mm thick, on each of 3 new P80 sheets at 60 kPa" in said[0]
    first = replace(one.job, material=KNOWN[0])
    assert not any("borrowed" in r for r in window(one.known, first).reasons)
    assert not any("borrowed" in r for r in window(one.many, one.job).reasons)


@pytest.mark.parametrize(("plates", "sheets"), [(6, 3), (4, 2), (3, 1)])
def test_a_material_is_not_refused_for_having_few_sheets_in_a_log_of_many(plates, sheets):
    one = trial("typical", 5, plates, sheets)
    assert window(together(one), one.job).verdict == "window"
    assert sheets > 2 or window(one.few, one.job).verdict == "not enough evidence"


def test_a_material_that_scatters_more_is_seen_to():
    factors = []
    for case in ("typical", "spread 1.5"):
        model = ef.fit(ef.read_log(together(trial(case, 3, 36, 6))))
        post = model.law_for(trial(case, 3).job).posterior
        factors.append(np.exp(post.weight @ np.log(post.nodes.factor)))
    assert 0.85 < factors[0] < 1.15 and 1.3 < factors[1] < 1.7


def test_the_mode_is_looked_for_near_where_it_is():
    """Long logs climb from there on all their rows."""
    model = ef.fit(ef.read_log(together(trial("spread 1.5", 3, 36, 6))))
    near, found = model.law().posterior, model.law_for(trial("spread 1.5", 3).job).posterior
    start, theta = apart_from(near, found.data), found.mode.theta
    assert len(start) == len(theta) == len(near.mode.theta) + 1
    assert np.abs(start - theta)[[0, -1]].max() < 0.15  # edges of all others, and the factor
    assert abs(near.mode.theta[0] - theta[0]) > abs(start[0] - theta[0])
    assert apart_from(near, near.data) is near.mode.theta
    alike = replace(near, data=replace(near.data, y=near.at_mode.eta[0]))  # readings that never differ
    assert apart_from(alike, replace(found.data, y=near.at_mode.eta[0]))[-1] == 0


def test_one_material_alone_is_fitted_as_ever():
    model = ef.fit(ef.read_log(campaign("usual", 3).log))
    job, _ = campaign("usual", 3).job("one age")
    post = model.law_for(job).posterior
    assert model.law_for(job) is model.law()
    assert post.nodes.kin_sd.shape == (RADIUS_NODES, 0) and len(post.mode.theta) == 5 and post.cases is None


def test_a_material_without_plates_gets_a_starting_point_and_no_promise():
    one = trial("typical", 2)
    model = ef.fit(ef.read_log(one.known))
    answer, start = model.window(one.job), model.starting_point(one.job)
    assert answer.verdict == "not enough evidence"
    assert answer.low_m_min is answer.high_m_min is answer.recommended_m_min is None
    assert start.sentence in answer.reasons and "no promise" in start.sentence
    assert answer.reasons[-1].startswith("Run 3 plates")
    speeds = one.known["feed_speed_m_min"]
    assert speeds.min() <= start.feed_speed_m_min <= speeds.max()
    held = ef.fit(ef.read_log(one.known), line=ef.Line(feed_speed_m_min=(0.5, 2.0)), units="imperial")
    slow = held.starting_point(one.job)
    assert slow.feed_speed_m_min <= 2.0 and "ft/min" in slow.sentence


@pytest.mark.parametrize("change", [
    {"material": KNOWN[0]}, {"material": KNOWN[0].lower()}, {"drum_pressure_kPa": 300.0}, {"thickness_mm": 90.0},
    {"grit": "P36"}, {"passes": 5}, {"sheet_hours": (0.0, 99.0)}, {"edge_radius_mm": None, "residual_burr_mm": 0.0}])
def test_no_starting_point_beyond_what_was_run_or_for_what_was(change):
    one = trial("typical", 2)
    model = ef.fit(ef.read_log(one.known))
    assert model.starting_point(replace(one.job, **change)) is None
    assert not any("starting point" in r for r in model.window(replace(one.job, **change)).reasons)


def test_a_starting_point_does_not_tell_more_than_such_materials_give():
    """Over lines whose materials differ: the true share at the worst position and age, where the trial is to start."""
    told, true = [], []
    for seed in range(12):
        one = trial("typical", seed)
        job = replace(one.job, edge_radius_mm=(0.2, 0.75))  # the trial's own job was chosen by its truth
        start = ef.fit(ef.read_log(one.known)).starting_point(job)
        told.append(start.share)
        true.append(worst(one.truth, job, np.array([start.feed_speed_m_min]))[0])
    error = np.std(np.subtract(true, told)) / np.sqrt(len(true))
    assert np.mean(true) - 0.2 < np.mean(told) < np.mean(true) + 3 * error


@pytest.mark.parametrize("times", [0.45, 2.0])
def test_few_edges_of_a_material_unlike_all_others_leave_their_windows_alone(times):
    """Two plates whose radii lie far off; in 7 of 8 such logs not one window was given before."""
    for seed in (1, 2, 3, 4):
        trial = campaign("three materials", seed)
        few = trial.log["run"].isin(trial.log["run"].unique()[[7, 30]])
        alone = trial.log[~few]
        odd = trial.log[few].groupby("run").head(2)
        odd = odd.assign(material="unheard of", edge_radius_mm=(odd["edge_radius_mm"] * times).round(2))
        job = trial.job("sheet life")[0]
        windows = []
        for log in (alone, pd.concat([alone, odd]).sort_values("run", kind="stable")):
            model = ef.fit(ef.read_log(log.reset_index(drop=True)))
            assert model.law_for(job).posterior.settled
            windows.append(model.window(job))
        width = [np.log(w.high_m_min / w.low_m_min) if w.verdict == "window" else 0.0 for w in windows]
        assert width[1] > 0.75 * width[0] > 0
