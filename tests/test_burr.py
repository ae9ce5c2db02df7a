"""Whether burr is cleared: chances, sheets' own effects and the posterior, against scipy and plain quadrature."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from lines import SEVERITIES, Plan, Truth, run_trial
from scipy.integrate import quad
from scipy.special import log_ndtr
from scipy.stats import norm

import edgefinish as ef
from edgefinish import burr
from edgefinish.burrheights import usual_height
from edgefinish.dose import fitted_log_radius, log_dose
from edgefinish.laws import BURR_OF_EDGE
from edgefinish.priors import JOINT

SHEETS = 6


def edges(count: int = 24) -> burr.BurrData:
    """Edges on six sheets, about one in five not cleared."""
    n, rng = SHEETS * count, np.random.default_rng([2, count])
    sheet, height = np.repeat(np.arange(SHEETS), count), rng.normal(0, 0.3, n)
    radius = burr.MIDDLE_RADIUS + rng.normal(0.1, 0.25, n)
    own = 0.4 * rng.normal(size=SHEETS)
    margin = 1.2 + 4 * (radius - burr.MIDDLE_RADIUS) - 2 * height + own[sheet]
    return burr.BurrData(np.arange(n), margin + rng.normal(size=n) > 0, radius, height, sheet, np.zeros(n, int), 1)


@pytest.mark.parametrize("far", [1.0, 10.0, 60.0])
def test_chances_of_a_sheets_edges_are_those_of_the_library(far):
    # Reference: scipy.special.log_ndtr, edge by edge.
    margin = far * np.random.default_rng(2).normal(size=(40, 23))
    starts = np.array([0, 1, 5, 13, 17])
    wanted = np.add.reduceat(log_ndtr(margin), starts, axis=1)
    np.testing.assert_allclose(burr._log_chances(margin, starts), wanted, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("z", [-60.0, -38.0, -36.0, -5.0, 0.0, 6.0])
def test_slope_and_curvature_of_a_chance(z):
    # Reference: differences of scipy.special.log_ndtr.
    step = 1e-4
    below, here, above = log_ndtr([z - step, z, z + step])
    slope, bend = (part[0, 0] for part in burr._slopes(np.array([[z]]), np.ones(1)))
    assert slope == pytest.approx((above - below) / (2 * step), rel=1e-3, abs=1e-7)
    assert bend == pytest.approx(-(above - 2 * here + below) / step**2, rel=0.02, abs=2e-3)


def test_the_posterior_at_a_point_is_that_of_plain_quadrature():
    # Reference: scipy.integrate.quad over each sheet's own effect.
    data, theta = edges(), np.array([[1.0, 1.2, -0.5, -0.9], [2.0, 1.6, -0.4, -0.3], [0.2, 0.7, -0.8, 0.4]])
    got = burr._evaluate(data, theta, None).log_post
    line = burr._edges(data, theta)
    wanted = burr._log_prior(data, theta)
    for k, sd in enumerate(np.exp(theta[:, 3])):
        for a, b in pairwise([*line.starts, len(data.row)]):
            def density(own, at=line.line[k, a:b], sign=line.sign[a:b], sd=sd):
                return np.exp(log_ndtr(sign * (at + own)).sum()) * norm.pdf(own, 0, sd)
            wanted[k] += np.log(quad(density, -8 * sd, 8 * sd, epsabs=0, epsrel=1e-8, limit=200)[0])
    np.testing.assert_allclose(got - got[0], wanted - wanted[0], atol=2e-3)


def at_positions(step: float, count: int = 90) -> burr.BurrData:
    """Edges on six sheets at three positions, of which the second keeps burr `step` longer."""
    data, rng = edges(count), np.random.default_rng(12)
    position = rng.integers(0, 3, len(data.row))
    margin = 1.2 + 4 * (data.log_radius - burr.MIDDLE_RADIUS) - 2 * data.height - step * (position == 1)
    return replace(data, cleared=margin + rng.normal(size=len(margin)) > 0, position=position, positions=3)


def test_positions_that_keep_more_burr_are_told_apart_and_how_much():
    data = at_positions(1.2)
    alike = burr.fit_burr(data)
    assert burr.told_apart(alike) and not burr.told_apart(burr.fit_burr(at_positions(0.0)))
    apart = burr.fit_burr(replace(data, apart=True))
    mean, sd = apart.moments()
    gap = mean[5] - (mean[4] + mean[6]) / 2
    assert apart.settled and gap == pytest.approx(-1.2, abs=3 * sd[5])
    seen, expected, _ = burr.left_on(apart)
    np.testing.assert_allclose(expected, seen, rtol=0.1)
    steps = apart.steps(512)
    total = np.sqrt(1 + np.exp(2 * apart.theta[apart.node_of(512), 3]))
    np.testing.assert_allclose(steps.mean(0), (apart.theta[apart.node_of(512), 4:] / total[:, None]).mean(0))
    assert alike.steps(512) is None


def test_an_end_of_clearing_is_the_same_on_as_many_nodes_again():
    # Of the log radius at which nine in ten edges are cleared the upper tail sets a window's end.
    def tail(count: int) -> np.ndarray:
        post = burr.fit_burr(data, count)
        theta, weight = post.theta, post.weight
        total = np.sqrt(1 + np.exp(2 * theta[:, 3]))
        clears = (norm.ppf(0.9) * total - theta[:, 0]) / np.exp(theta[:, 1])
        order = np.argsort(clears)
        return np.interp([0.5, 0.9, 0.95], np.cumsum(weight[order]) - weight[order] / 2, clears[order])
    data = edges()
    fine = tail(32768)
    np.testing.assert_allclose(tail(1024), fine, atol=0.015)


JOB = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 10),
             edge_radius_mm=(0.15, 0.9), residual_burr_mm=0.0, burr_severity="moderate")


def test_the_dose_of_burr_is_of_the_plate_and_half_of_what_sets_its_edge_apart():
    log = run_trial(Truth(materials={"S355": (0.0, 0.0), "S690": (0.1, 0.0)}), Plan(), np.random.default_rng(3))
    other = log["material"] == "S690"
    log.loc[other | (log.index % 9 == 0), "edge_radius_mm"] = np.nan
    model = ef.fit(ef.read_log(log), severities=SEVERITIES)
    law, radius = model.law(priors=JOINT), model.log.rows["edge_radius_mm"].to_numpy(float)
    dose, plate = log_dose(model.log, law), fitted_log_radius(model.log, law)
    read = np.isfinite(radius)
    np.testing.assert_allclose(dose[read], plate[read] + BURR_OF_EDGE * (np.log(radius[read]) - plate[read]))
    bare = ~read & ~other.to_numpy()
    assert bare.sum() > 5
    assert (dose[bare] == plate[bare]).all()
    # Nothing tells what dose a material had of which nobody read radius or removal: its burr is left out.
    assert np.isnan(dose[other]).all()
    bare = ef.fit(ef.read_log(log.drop(columns="removal_um")), severities=SEVERITIES)
    for fitted, known in ((bare, {"S355"}), (model, {"S355", "S690"})):
        assert set(fitted.materials.iloc[fitted.burr_fit(JOB).data.row]) == known


@pytest.mark.parametrize("own_edge", [0.0, 1.0])
def test_burr_is_foretold_whether_it_goes_with_the_radius_of_its_edge_or_of_its_plate(own_edge):
    # Reference: the simulated line itself, by quadrature. Edges twice as far apart as usual; a law of the edge's own
    # radius is off by 0.05 at 3 m/min where burr goes with the plate.
    truth, speed, hours = Truth(edge=0.2, burr_own_edge=own_edge), np.array([1.0, 1.5, 2.0, 3.0, 4.0]), np.full(5, 5.0)
    log = run_trial(truth, Plan(sheets=20, plates=400), np.random.default_rng(4))
    told = ef.fit(ef.read_log(log), severities=SEVERITIES).response(JOB, "cleared", speed, hours, "leading")
    wanted = truth.share(replace(JOB, edge_radius_mm=(0.001, 50.0)), speed, hours, "leading")
    np.testing.assert_allclose(told["median"], wanted, atol=0.03)


def test_weighing_the_nodes_anew_is_what_a_fit_with_that_prior_of_sheets_gives():
    data = edges()
    other = replace(data, sheet_prior=data.sheet_prior._replace(median=1.5 * data.sheet_prior.median))
    weighed, fitted = burr.fit_burr(data, 4096).with_sheets(1.5), burr.fit_burr(other, 4096)
    assert weighed.data.sheet_prior == fitted.data.sheet_prior
    for got, wanted in zip(weighed.moments(), fitted.moments(), strict=True):
        np.testing.assert_allclose(got / fitted.moments()[1], wanted / fitted.moments()[1], rtol=0, atol=0.03)


def test_the_law_of_burr_tells_what_was_assumed_and_what_was_learned():
    log = run_trial(Truth(), Plan(sheets=12, plates=72, heavy=0.5), np.random.default_rng(6))
    table = ef.fit(ef.read_log(log), severities=SEVERITIES).burr_law(JOB).set_index("term")
    assert set(table["law"]) == {"burr cleared"}
    # The simulated line: log depth over the scatter of burr, 0.25, goes as the radius and as -0.35 times the height.
    for term, true in (("edge radius, log", np.log(1 / 0.25)), ("burr height over edge radius", -0.35),
                       ("spread of sheets, log", np.log(0.12 / 0.25))):
        assert table.loc[term, "mean"] == pytest.approx(true, abs=2.5 * table.loc[term, "sd"])
    assert (table["learned"] == (1 - table["sd"] / table["prior_sd"]).round(9)).all()
    assert table.loc["edge radius, log", "learned"] > 0.3


def graded(moderate_left: bool, heavy_left: bool) -> pd.DataFrame:
    """A log whose burr was graded by words and never measured before; burr left, or not, on the fast plates of each."""
    log = run_trial(Truth(), Plan(sheets=6, plates=36, heavy=0.5), np.random.default_rng(8)).drop(
        columns="burr_height_mm")
    fast = log["feed_speed_m_min"] > log["feed_speed_m_min"].median()
    heavy = log["burr_severity"] == "heavy"
    left = fast & (heavy & heavy_left | ~heavy & moderate_left)
    return log.assign(residual_burr_mm=np.where(left, 0.1 + 0.01 * (np.arange(len(log)) % 7), 0.0))


def test_burr_told_by_words_alone_is_judged_beside_the_other_words():
    """What is left of heavy burr says that moderate burr may be left soon after; each word has a step of its own."""
    share, speeds = [], [4.5, 6.0]
    for heavy_left in (False, True):
        model = ef.fit(ef.read_log(graded(moderate_left=False, heavy_left=heavy_left)))
        job = replace(JOB, burr_severity="moderate")
        fitted = model.burr_fit(job)
        assert fitted.data.words == ("heavy", "moderate") and set(fitted.data.word) == {0, 1}
        assert len(fitted.moments()[0]) == len(model.burr_law(job)) == 6
        assert list(model.burr_law(job)["term"])[-2:] == ["heavy burr", "moderate burr"]
        share.append(model.share(job, speeds)["low"].to_numpy())
        assert "told by the word alone" in " ".join(model.window(job).reasons)
    assert (share[1] < share[0] - 0.05).all()


def test_a_word_that_stands_for_all_burr_of_a_log_has_no_step_of_its_own():
    log = graded(moderate_left=True, heavy_left=True).assign(burr_severity="heavy")
    fitted = ef.fit(ef.read_log(log)).burr_fit(replace(JOB, burr_severity="heavy"))
    assert fitted.data.words == () and len(fitted.moments()[0]) == 4
    assert set(fitted.data.height.round(9)) == {round(usual_height("heavy", {}), 9)}
