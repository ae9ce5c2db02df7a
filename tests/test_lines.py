"""The simulated lines themselves: their truth agrees with what they produce, and their jobs are worth asking."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lines import FAMILIES, KINDS, POSITIONS, Edges, Plan, campaign, holds, oracle, run_trial, worst
from scipy.integrate import quad
from scipy.stats import kstest

from edgefinish.job import Job
from edgefinish.triallog import CANONICAL, read_log

ONE_SETTING = Plan(sheets=100, plates=600, pressures_kPa=(60.0,), grits=("P80",), thicknesses_mm=(10.0,))
ALL_THREE = {"residual_burr_mm": 0.0, "removal_um": 20.05}
JOB = dict(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", burr_severity="moderate",
           sheet_hours=(0, 12), edge_radius_mm=(0.225, 0.625))      # between the steps of the readings


# Each is driven to where leaving its own part out of the truth shows.
@pytest.mark.parametrize(("family", "changes", "limits"), [
    ("heavy tails t3", {"edge": 0.2}, {}),
    ("pre-rounded edges", {"pre_rounded_mm": 0.18, "level": math.log(0.3)}, {}),
    ("two lots", {"lots": (0.0, 0.5)}, {}),
    ("spread by position", {"edge": 0.2, "position_spread": {"cutout": 2.5}}, {}),
    ("plateau", {}, {}),
    ("removal by its own sheet", {"plate": 0.25}, {"removal_um": 20.05, "edge_radius_mm": (0.005, 5.005)}),
    ("usual", {"plate": 0.25, "burr_sheet": 0.5}, ALL_THREE),
    ("skewed up", {"edge": 0.2}, ALL_THREE),
    ("burr goes with the plate", {"edge": 0.3, "burr_edge": 0.1, "burr_radius_mm": 0.3}, ALL_THREE)])
def test_edges_of_a_long_log_conform_as_often_as_the_truth_says(family, changes, limits):
    truth = replace(FAMILIES[family](np.random.default_rng(5))[0], **changes)
    job = Job(**{**JOB, **limits})
    log = run_trial(truth, ONE_SETTING, np.random.default_rng(8))
    good = log["edge_radius_mm"].between(*job.edge_radius_mm)
    if job.removal_um is not None:
        good &= log["removal_um"] <= job.removal_um
    if job.residual_burr_mm is not None:
        good &= log["residual_burr_mm"] <= job.residual_burr_mm
    said = np.empty(len(log))
    for p in POSITIONS:
        here = (log["edge_position"] == p).to_numpy()
        said[here] = truth.share(job, log["feed_speed_m_min"][here], log["contact_hours"][here], p)
    pace = np.digitize(log["feed_speed_m_min"], [1.8, 3.2])
    chance = said * (1 - said)
    for (position, third), part in (good - said).groupby([log["edge_position"], pace]):
        # Sheets are independent, edges on a sheet are not; where nearly all conform, the chance of one edge is more.
        by_sheet = part.groupby(log["abrasive_sheet"]).sum()
        z = part.sum() / math.sqrt(max((by_sheet**2).sum(), chance[part.index].sum()))
        assert abs(z) < 3.7, f"{position}, speeds {third}: {part.mean():+.3f} against the truth, z = {z:.1f}"
    assert 0.1 < said.mean() < 0.95


@pytest.mark.parametrize("edges", [Edges(), Edges("t", 3.0), Edges("skewed", sign=1), Edges("skewed", sign=-1)])
def test_edge_chances_are_one_distribution(edges):
    for x in (-1.7, -0.4, 0.9, 1.9):
        below = float(edges.cdf(x) - edges.cdf(-8.0))
        assert quad(edges.pdf, -8, x, points=[-2, 0], limit=200)[0] == pytest.approx(below, abs=2e-6)
    assert kstest(edges.draw(np.random.default_rng(3), 20000), edges.cdf).pvalue > 0.001


def test_a_share_by_quadrature_of_another_kind():
    truth, _ = FAMILIES["heavy tails t4"](np.random.default_rng(2))
    job, sd = Job(**JOB), math.hypot(truth.sheet, truth.plate)
    low, high = (math.log(v) for v in job.edge_radius_mm)
    for feed in (1.1, 2.5, 4.8):
        mu = float(truth.centre(job, np.array(feed), np.array(0.0), "cutout"))
        direct = quad(lambda z, mu=mu: math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
                      * float(truth.edges.cdf((high - mu - sd * z) / truth.edge)
                              - truth.edges.cdf((low - mu - sd * z) / truth.edge)), -8, 8, epsabs=1e-9, limit=200)[0]
        assert float(truth.share(job, feed, 0.0, "cutout")) == pytest.approx(direct, abs=1e-5)


@pytest.mark.parametrize("kind", KINDS)
def test_the_oracle_is_the_widest_interval_that_holds(kind):
    trial = campaign("usual", 11)
    job, (low, high) = trial.job(kind)
    assert holds(trial.truth, job, low * 1.002, high / 1.002)
    for end, beyond in ((low, low / 1.03), (high, high * 1.03)):
        if trial.tried[0] < beyond < trial.tried[1]:
            assert not holds(trial.truth, job, *sorted((end, beyond)))
    assert oracle(trial.truth, job, *trial.tried) == (low, high)
    assert worst(trial.truth, job, [low * 1.05]) >= job.share


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_reads_as_a_trial_log(family):
    trial = campaign(family, 3)
    log = read_log(trial.log)
    assert len(log.rows) == len(trial.log) and set(trial.log.columns) <= set(CANONICAL)
    assert not [m for m in log.messages if m.kind == "set aside"]
    assert trial.log.equals(campaign(family, 3).log)


@pytest.mark.parametrize("kind", KINDS)
def test_jobs_stay_within_what_was_run(kind):
    for family in ("any", "three materials"):
        trial = campaign(family, 4)
        job, (low, high) = trial.job(kind)
        mine = trial.log[trial.log["material"] == job.material]
        for name in ("thickness_mm", "drum_pressure_kPa", "grit"):
            assert getattr(job, name) in set(mine[name])
        assert job.sheet_hours[1] <= mine["contact_hours"].max()
        assert mine["feed_speed_m_min"].min() <= low < high <= mine["feed_speed_m_min"].max()
        assert math.log(high / low) >= 0.35
