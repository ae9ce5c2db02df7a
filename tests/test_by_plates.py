"""Plates run as the job's that scatter otherwise, and positions that answer otherwise to a setting: seen, allowed for,
told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lines import FAMILIES, Plan, holds, run_trial
from scipy.stats import mannwhitneyu, spearmanr

import edgefinish as ef
from edgefinish import byplates
from edgefinish.platekind import PlateKind

THIN = tuple(range(1, 37, 3))  # twelve plates of 36
PRESSURES = (40.0, 60.0, 80.0)


def asked(**other):
    return replace(ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 12),
                          edge_radius_mm=(0.2, 0.8)), **other)


def of_truths(truths, seed: int, which) -> pd.DataFrame:
    """One log of several truths with the same sheets: run by run that of `which`."""
    logs = [run_trial(truth, Plan(), np.random.default_rng([seed, 31])) for truth in truths]
    number = logs[0]["run"].str[1:].astype(int)
    return pd.concat([log[number.map(which) == k] for k, log in enumerate(logs)], ignore_index=True).drop(
        columns=["burr_height_mm", "burr_severity", "residual_burr_mm", "removal_um"], errors="ignore")


def thin_plates(times: float, seed: int):
    """A third of the plates is thin, and scatters so many times as much; the truth of a thin plate."""
    usual = replace(FAMILIES["usual"](np.random.default_rng([seed, 32]))[0], thickness=0.0)
    thin = replace(usual, plate=usual.plate * times, edge=usual.edge * times)
    log = of_truths((usual, thin), seed, lambda run: int(run in THIN))
    return thin, log.assign(thickness_mm=np.where(log["run"].str[1:].astype(int).isin(THIN), 6.0, 15.0))


@pytest.mark.parametrize("times", [1.0, 1.8])
def test_windows_for_plates_that_scatter_more_go_by_those_plates(times):
    """With one spread for all plates ten of twelve windows hold."""
    told, held, issued, job = 0, 0, 0, asked(thickness_mm=6.0, edge_radius_mm=(0.22, None))
    for seed in range(12):
        thin, log = thin_plates(times, seed)
        model = ef.fit(ef.read_log(log))
        window, law = model.window(job), model.law_for(job)
        said = [r for r in window.reasons if r.startswith("Edges scatter ")]
        assert len(said) <= (len(law.layout.kinds))
        told += any("as much at thickness 6 mm (12 plates) as on others" in r for r in said)
        if window.verdict == "window":
            issued += 1
            held += holds(thin, replace(job, thickness_mm=10.0), window.low_m_min, window.high_m_min)
    assert held >= issued - 1 and issued >= 10
    assert told >= 9 if times > 1 else told <= 2


def test_a_factor_of_plates_is_none_of_sheets():
    _, log = thin_plates(1.8, 0)
    model = ef.fit(ef.read_log(log))
    law = model.law_for(asked(thickness_mm=6.0))
    nodes, alike = law.posterior.nodes, model.law().posterior
    assert [kind.column for kind in law.layout.kinds] == ["thickness_mm"]
    np.testing.assert_allclose(law.spreads[:, :2], nodes.sd[:, :2] * nodes.factor)
    np.testing.assert_array_equal(law.spreads[:, 2:], nodes.sd[:, 2:])
    thin, pooled = law.posterior.weight @ np.log(law.spreads[:, 0]), alike.weight @ np.log(alike.nodes.sd[:, 0])
    assert 0.2 < thin - pooled < 0.6  # of two, pooled: 1.8 against a root mean square of 1.3


def test_of_two_materials_the_factor_is_that_of_the_jobs_own_plates():
    _, log = thin_plates(1.8, 0)
    other = log.assign(material="1.4301", run="N" + log["run"], edge_radius_mm=log["edge_radius_mm"] * 0.9)
    both = pd.concat([log, other])
    job = asked(thickness_mm=6.0)
    law = ef.fit(ef.read_log(both)).law_for(job)
    own = law.posterior.data.own
    assert own.shape[0] == 2 and own.sum(1).tolist() == [36, 12] and law.posterior.data.on_sheets == (True, False)
    factor = np.exp(law.posterior.weight @ np.log(law.posterior.nodes.factor))
    assert factor[1] > 1.25 and law.posterior.settled


def test_ranks_are_told_apart_as_scipy_tells_them():
    """Mann-Whitney (1947, Ann. Math. Stat. 18, 50) and Spearman, of scipy, on spreads within each plate."""
    _, log = thin_plates(1.8, 3)
    rows = ef.read_log(log).rows
    seen = byplates.scatter_of(ef.read_log(log), np.ones(len(rows), bool), ())
    y = np.log(rows["edge_radius_mm"])
    off = y - y.groupby(rows["run"]).transform("mean")
    off -= off.groupby(rows["edge_position"]).transform("mean")
    spread = off.groupby(rows["run"]).std(ddof=1).to_numpy()
    np.testing.assert_allclose(np.sqrt(seen.variance), spread)
    rank = pd.Series(spread).rank().to_numpy()
    kind = PlateKind("thickness_mm", 5.9, 6.1)
    mine = kind.of(seen.run)
    p = mannwhitneyu(spread[mine], spread[~mine], method="asymptotic", use_continuity=False).pvalue
    assert 2 * (1 - byplates.ndtr(byplates.more_by_ranks(rank, mine))) == pytest.approx(p, rel=1e-6)
    hours = seen.run["contact_hours"]
    assert byplates.rises_by_ranks(rank, pd.Series(hours).rank().to_numpy()) == pytest.approx(
        spearmanr(hours, spread).statistic * np.sqrt(len(spread) - 1))


def test_scatter_that_grows_with_sheet_age_is_judged_by_old_sheets():
    rng, job = np.random.default_rng(4), asked()
    _, log = thin_plates(1.0, 1)
    worn = log["contact_hours"] / log["contact_hours"].max()
    noisy = log.assign(edge_radius_mm=log["edge_radius_mm"] * np.exp(0.2 * worn * rng.standard_normal(len(log))),
                       thickness_mm=10.0)
    model = ef.fit(ef.read_log(noisy))
    assert model.kinds_for(job) == (PlateKind("contact_hours", low=8.0),)
    assert any("on sheets of 8 contact hours and more" in r for r in model.window(job).reasons)
    assert ef.fit(ef.read_log(log.assign(thickness_mm=10.0))).kinds_for(job) == ()


def test_a_job_between_tried_settings_goes_by_the_wilder_side():
    _, log = thin_plates(1.8, 0)
    kind, = ef.fit(ef.read_log(log)).kinds_for(asked(thickness_mm=10.0))
    assert kind.low < 6 < kind.high
    quiet = log.assign(thickness_mm=np.where(log["thickness_mm"] == 6, 15.0, 6.0))  # now twelve thick plates scatter
    kind, = ef.fit(ef.read_log(quiet)).kinds_for(asked(thickness_mm=10.0))
    assert kind.low < 15 < kind.high


def test_kinds_are_told_apart_one_after_the_other():
    """Thin plates scatter twice as much, plates with heavy burr twice again."""
    job = asked(thickness_mm=6.0, burr_severity="heavy")
    usual = replace(FAMILIES["usual"](np.random.default_rng([2, 32]))[0], thickness=0.0)
    times = {0: 0.7, 1: 1.6, 2: 3.2}
    truths = [replace(usual, plate=usual.plate * f, edge=usual.edge * f) for f in times.values()]
    log = of_truths(truths, 2, lambda run: (run in THIN) + (run % 2))
    number = log["run"].str[1:].astype(int)
    log = log.assign(thickness_mm=np.where(number.isin(THIN), 6.0, 15.0),
                     burr_severity=np.where(number % 2, "heavy", "moderate"))
    model = ef.fit(ef.read_log(log))
    kinds = model.kinds_for(job)
    assert {kind.column for kind in kinds} == {"thickness_mm", "burr_severity"}
    law = model.law_for(job)
    factors = np.exp(law.posterior.weight @ np.log(law.posterior.nodes.factor))
    assert law.posterior.settled and len(factors) == 2 and (factors > 1.3).all()
    np.testing.assert_allclose(law.spreads[:, 0], law.posterior.nodes.sd[:, 0] * law.posterior.nodes.factor.prod(1))


def test_one_height_of_burr_on_a_few_plates_looks_copied():
    _, log = thin_plates(1.0, 3)
    log = log.assign(residual_burr_mm=np.where(log["run"].isin(["R001", "R002"]), 0.2, 0.0))
    job = asked(residual_burr_mm=0.1, burr_severity=None, thickness_mm=6.0)
    window = ef.fit(ef.read_log(log)).window(job)
    assert window.verdict == "not enough evidence"
    assert any("all edges have one height of it" in reason for reason in window.reasons)
    one = log.assign(residual_burr_mm=log["residual_burr_mm"].where(
        ~((log["run"] == "R001") & (log["edge_position"] == "leading")), 0.1))
    assert not any("one height" in reason for reason in ef.fit(ef.read_log(one)).window(job).reasons)
