"""Edges that scatter more at one position than at another: found, allowed for, and not seen where there is nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lines import FAMILIES, POSITIONS, SEVERITIES, Campaign, Plan, holds, run_trial
from scipy.stats import bartlett

import edgefinish as ef
from edgefinish.intervals import speed_intervals
from edgefinish.shares import worst_shares

TRUE = {"leading": 0.7, "trailing": 0.7, "lateral": 0.7, "cutout": 1.9}


def line(spread, seed):
    rng = np.random.default_rng([seed, 70311])
    truth = replace(FAMILIES["usual"](rng)[0], position_spread=spread)
    return Campaign("by position", seed, truth, Plan(), run_trial(truth, Plan(), rng))


def test_burr_that_stays_longer_at_one_position_ends_the_window_there_and_is_told():
    rng = np.random.default_rng([2, 70311])
    truth = replace(FAMILIES["usual"](rng)[0], burr_position={"trailing": 0.3}, burr_sheet=0.05)
    plan = Plan(sheets=12, plates=60, heavy=0.5)
    job = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 8),
                 residual_burr_mm=0.0, burr_severity="moderate", share=0.8)
    model = ef.fit(ef.read_log(run_trial(truth, plan, rng)), severities=SEVERITIES)
    found = model.window(job)
    assert found.verdict == "window" and holds(truth, job, found.low_m_min, found.high_m_min)
    assert any(r.startswith("More burr is left at trailing edges than their edge radius tells") for r in found.reasons)
    assert "at trailing edges" in found.reasons[1]
    law = model.burr_law(job).set_index("term")
    assert law["mean"]["trailing edges"] < law["mean"].filter(like=" edges").drop("trailing edges").min()
    speed = np.array([found.high_m_min])
    at = {p: model.response(job, "cleared", speed, 8.0, p)["median"].iloc[0] for p in POSITIONS}
    assert min(at, key=at.get) == "trailing"
    alike = ef.fit(ef.read_log(run_trial(replace(truth, burr_position={}), plan, np.random.default_rng(4))),
                   severities=SEVERITIES)
    assert not any("More burr is left" in r for r in alike.window(job).reasons)


def two_materials(step, seed):
    """Plates of A and B in turn on the same sheets; at trailing edges B's log radius is `step` larger than A's."""
    rng = np.random.default_rng([seed, 5])
    usual = FAMILIES["usual"](rng)[0]
    other = replace(usual, position={**usual.position, "trailing": usual.position["trailing"] + step})
    logs = [run_trial(truth, Plan(sheets=8, plates=48), np.random.default_rng([seed, 6])).assign(material=name)
            for name, truth in (("A", usual), ("B", other))]
    plates = [log[log["run"].str[1:].astype(int) % 2 == k] for k, log in enumerate(logs)]
    return other, ef.read_log(pd.concat(plates, ignore_index=True))


@pytest.mark.parametrize("step", [0.0, -0.25])
def test_a_material_whose_positions_lie_otherwise_is_judged_by_its_own_and_told(step):
    said, held = 0, 0
    for seed in range(8):
        truth, log = two_materials(step, seed)
        job = ef.Job(material="B", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 1.2),
                     sheet_hours=(0, 12))
        model = ef.fit(log)
        found = model.window(job)
        told = [r for r in found.reasons if r.startswith("Edge positions of B do not lie to each other as")]
        said += any("at trailing edges stand −" in r for r in told)
        assert len(told) <= bool(step)
        alone = replace(job, material="S355")
        held += found.verdict == "window" and holds(truth, alone, found.low_m_min, found.high_m_min)
        law = model.law_for(job)
        where = law.layout.names.own_position
        own = law.posterior.moments()[0][where]
        assert law.layout.coefficient_names()[where] == [("edge radius", f"B: {p}") for p in law.layout.positions]
        if step:
            assert own.argmin() == law.layout.positions.index("trailing")
    assert (said, held) == (8 if step else 0, 8)


@pytest.fixture(scope="module")
def apart():
    trial = line(TRUE, 1)
    return ef.fit(ef.read_log(trial.log)), trial


def test_factors_are_near_those_of_the_line_and_told(apart):
    model, trial = apart
    job, _ = trial.job("sheet life")
    found = model.law_for(job).layout.position_spread
    middle = np.exp(np.mean(np.log(list(TRUE.values()))))
    for position, factor in TRUE.items():
        assert found[position] == pytest.approx(factor / middle, rel=0.3)   # 36 edges: 12 % and the prior's pull
    assert any("most at cut-out edges" in reason for reason in model.window(job).reasons)


def test_what_is_told_apart_a_test_of_variances_tells_apart_too(apart):
    """Bartlett (1937, Proc. R. Soc. A 160, 268), of scipy, on the edges' distances from their plate."""
    for model, unlike in ((apart[0], True), (ef.fit(ef.read_log(line(dict.fromkeys(TRUE, 1.0), 2).log)), False)):
        law = model.law()
        gap = law.posterior.data.y - law.posterior.at_mode.eta[0]
        place = model.log.rows["edge_position"].to_numpy()[law.layout.row]
        p = bartlett(*(gap[place == name] for name in law.layout.positions)).pvalue
        assert (p < 0.01) == unlike == bool(law.layout.position_spread)


def test_shares_are_those_of_drawn_edges_at_each_position(apart):
    """One draw of the laws, its sheets, plates and edges drawn anew 200,000 times at each position and age."""
    model, trial = apart
    job, _ = trial.job("sheet life")
    promise = model.promise(job, model._evidence(job)[0].speeds).some(np.array([4000]))
    x = np.linspace(*promise.speeds, 5)
    rng = np.random.default_rng(5)
    scatter, node, n = promise.scatter, promise.node[0], 200_000
    low, high = promise.radius_limits
    least = np.ones(len(x))
    for hours in promise.ages:
        plate = rng.normal(0, scatter.shared_at(hours)[node], n)
        for place in range(promise.radius.position.shape[1]):
            edge = promise.position_spread[place] * scatter.edge[node] * rng.standard_t(1 / scatter.tail[node], n)
            step = promise.radius.worn(np.array([hours]))[0, 0] + promise.radius.position[0, place]
            got = (promise.radius.at(x)[0] + step)[:, None] + plate + edge
            least = np.minimum(least, ((got >= low) & (got <= high)).mean(1))
    assert worst_shares(promise, x)[0] == pytest.approx(least, abs=0.006)
    # … and the solved ends are where that share is the job's
    ends = np.array([end[0] for end in speed_intervals(promise, job.share)])
    inside = (ends > promise.speeds[0] + 1e-9) & (ends < promise.speeds[1] - 1e-9)
    assert inside.any()
    assert worst_shares(promise, ends[inside])[0] == pytest.approx(np.full(inside.sum(), job.share), abs=2e-3)


def test_windows_hold_where_one_position_is_wild():
    missed = 0
    for seed in range(10, 22):
        trial = line(TRUE, seed)
        job, _ = trial.job("one age")
        window = ef.fit(ef.read_log(trial.log)).window(job)
        if window.verdict == "window":
            missed += not holds(trial.truth, job, window.low_m_min, window.high_m_min, trial.positions)
    assert missed <= 3   # more come by chance in 1 of 500 where windows hold in 95 %
