"""Checks of the fit: they find what was put in, and are quiet where nothing was."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np
import pages
import pandas as pd
import pytest
from lines import SEVERITIES, Campaign, Plan, campaign
from scipy.stats import binomtest

import edgefinish as ef
from edgefinish import forms, linefit, otherpriors
from edgefinish.checkwords import trade_table
from edgefinish.heldout import evenly, sheet_groups
from edgefinish.otherpriors import BURR, CUT, others_of, reweighed
from edgefinish.results import Results
from edgefinish.scrutiny import Scrutiny, _range, scrutinise
from edgefinish.study import Study
from edgefinish.wording import listed


def results_of(log: pd.DataFrame, *jobs: ef.Job) -> Results:
    """Results of a log without a study file of its own; the demo's study lends name and units."""
    read = ef.read_log(log)
    model = ef.fit(read, severities=SEVERITIES)
    study: Study = pages.demo().study
    return Results(study, read, model, tuple(model.window(job) for job in jobs), MappingProxyType({}))


@cache
def usual(seed: int = 3) -> Campaign:
    return campaign("usual", seed)


@cache
def clean() -> Results:
    return results_of(usual().log, usual().job("sheet life")[0])


@cache
def of_demo() -> Scrutiny:
    return scrutinise(pages.demo())


@cache
def doctored() -> Results:
    """The usual line with every edge of one sheet 40 % larger."""
    log = usual().log.copy()
    mine = log["abrasive_sheet"] == "A03"
    log.loc[mine, "edge_radius_mm"] = (1.4 * log.loc[mine, "edge_radius_mm"]).round(3)
    return results_of(log, replace(usual().job("one age")[0], share=0.8, confidence=0.8))


def test_a_doctored_sheet_is_named_by_prediction_and_by_influence():
    checks = scrutinise(doctored())
    table = checks.sheets.table.set_index("abrasive_sheet")
    assert "A03" in checks.sheets.sentence and "Look first" in checks.sheets.sentence
    assert table["inside"].idxmin() == "A03"
    # 40 % were put in; a sheet differs from its fellows by 7 to 9 % of its own, here known to be a little above them.
    assert 1.2 < table.loc["A03", "effect"] < 1.65
    assert "sheet A03" in checks.influence.sentence
    moves = checks.influence.table.set_index("left_out")[["low_moves_percent", "high_moves_percent"]].abs().max(axis=1)
    assert moves.idxmax() == "A03"


def test_nothing_is_named_on_a_line_where_nothing_is():
    checks = scrutinise(clean())
    assert "No sheet stands out" in checks.sheets.sentence
    assert "That agrees" in checks.held_out.sentence
    assert "as far as so few can tell" in checks.held_out.sentence      # 6 sheets
    assert len(checks.influence.table) == clean().log.rows["abrasive_sheet"].nunique()


def test_nine_in_ten_left_out_readings_lie_in_their_band():
    """Share of 90 %, as the band says, and scores of unit spread, on 12 lines together; each sheet, plate one trial."""
    checks = [scrutinise(results_of(usual(seed).log, usual(seed).job("one age")[0])) for seed in range(20, 32)]
    whole = pd.concat([c.held_out.table for c in checks]).groupby("left_out").agg(
        inside=("inside", "mean"), units=("units", "sum"))
    for units, left in (("sheets", [c._unseen_sheets for c in checks]), ("plates", [c._unseen_plates for c in checks])):
        every = pd.concat(left)
        n = whole.loc[units, "units"]
        assert n == len(every) >= 72
        assert abs(whole.loc[units, "inside"] - 0.90) < 3 * np.sqrt(0.9 * 0.1 / n)
        score = (every["shift"] / every["sd"]).to_numpy(float)
        assert abs(np.sqrt(np.mean(score**2)) - 1) < 3 / np.sqrt(2 * n)     # standard error of an SD of n normals
        assert abs(score.mean()) < 3 / np.sqrt(n)


@cache
def of_all_limits(seed: int) -> Scrutiny:
    trial = usual(seed)
    return scrutinise(results_of(trial.log, trial.job("all limits")[0]))


def test_removal_and_burr_on_left_out_sheets_are_foreseen_too():
    """Four lines together: nine in ten removal readings in their band, and the burr that is left in its 90 % range."""
    checks = [of_all_limits(seed) for seed in range(40, 44)]
    removal = pd.concat([c.held_out.table for c in checks]).set_index("left_out").loc["sheets, removal"]
    assert removal["readings"].eq(144).all()
    assert abs(removal["inside"].mean() - 0.90) < 3 * np.sqrt(0.9 * 0.1 / removal["units"].sum())
    burr = pd.concat([c.burr.table for c in checks])
    within = burr["left"].between(burr["low"], burr["high"])
    assert len(within) == 24 and within.sum() >= 17     # fewer of 24 in 1 of 100 such tests; counts make ranges wide
    assert abs(burr["left"].sum() / burr["foreseen"].sum() - 1) < 0.4


@pytest.mark.parametrize("sheets", [0, 1])
def test_removal_that_is_asked_for_and_was_measured_on_one_sheet_or_none_is_not_predicted(sheets):
    log = usual(40).log.copy()
    log.loc[~log["abrasive_sheet"].isin(["A02"][:sheets]), "removal_um"] = np.nan
    if not sheets:
        log = log.drop(columns="removal_um")
    results = results_of(log, usual(40).job("all limits")[0])
    assert "Removal was measured on 0 edges" in " ".join(results.windows[0].reasons) or sheets
    checks = scrutinise(results)
    assert checks.held_out.table["left_out"].tolist() == ["sheets", "plates"]
    assert checks.held_out.sentence and checks.questions
    assert results.model.law(removal=True).posterior.settled


def test_a_sheet_that_leaves_burr_where_others_do_not_is_named():
    log = usual(40).log.copy()
    cleared = log["residual_burr_mm"].eq(0)
    log.loc[cleared & log["abrasive_sheet"].eq("A02"), "residual_burr_mm"] = 0.1
    burr = scrutinise(results_of(log, usual(40).job("all limits")[0])).burr
    assert "Look at the burr readings of A02: 24 of 24" in burr.sentence
    assert "Look" not in of_all_limits(40).burr.sentence


def test_a_band_too_narrow_would_be_seen(monkeypatch):
    """Held against edges that spread twice as far as the fit believes, fewer than nine in ten lie inside."""
    from edgefinish import heldout
    means = heldout._predicted_means
    monkeypatch.setattr(heldout, "_predicted_means", lambda *a: (lambda node, mean: (
        node, mean.mean(0) + 0.2 * (mean - mean.mean(0))))(*means(*a)))
    assert Scrutiny(clean()).held_out.table["inside"].max() < 0.86


@pytest.mark.parametrize(("inside", "units"), [(18, 20), (20, 20), (5, 9), (0, 4)])
def test_the_range_is_that_of_clopper_and_pearson(inside, units):
    """scipy.stats.binomtest, method "exact", is the reference."""
    share, low, high = _range(np.r_[np.ones(inside), np.zeros(units - inside)], np.ones(units))
    exact = binomtest(inside, units).proportion_ci(0.95, method="exact")
    assert share == inside / units
    np.testing.assert_allclose([low, high], [exact.low, exact.high], rtol=1e-9, atol=1e-12)


def test_readings_beyond_the_gauge_count_by_their_bound():
    unread = campaign("below the gauge", 2)
    results = results_of(unread.log, unread.job("one age")[0])
    assert (results.log.reading("edge_radius_mm").side < 0).mean() > 0.1
    table = scrutinise(results).held_out.table
    assert table["readings"].eq(len(unread.log)).all()
    assert table["inside"].between(0.80, 0.98).all()


def test_a_doctored_plate_is_named():
    log = usual().log.copy()
    log.loc[log["run"] == "R010", "edge_radius_mm"] *= 1.6
    check = scrutinise(results_of(log, usual().job("one age")[0])).plates
    assert check.table["run"].iloc[0] == "R010" and "R010" in check.sentence and "Look first" in check.sentence
    assert "No plate stands out" in scrutinise(clean()).plates.sentence


def test_many_sheets_are_left_out_in_groups_of_different_materials():
    model = pages.demo().model
    groups = sheet_groups(model)
    assert len(groups) == 8
    assert np.sum(groups, axis=0).tolist() == [1] * len(model.log.rows)
    for rows in groups:
        here = model.log.rows[rows].drop_duplicates("abrasive_sheet")
        assert here["material"].is_unique


def test_every_material_of_a_sheet_is_named():
    trial = campaign("three materials", 5)
    job = replace(trial.job("one age")[0], material="S355")
    checks = scrutinise(results_of(trial.log, job))
    assert len(checks.sheets.table) == 7
    ran = trial.log.groupby("abrasive_sheet")["material"].unique()
    for row in checks.sheets.table.itertuples():
        assert row.material == listed(sorted(ran[row.abrasive_sheet]))
    assert "1.4301, S355 and S690, " in checks.sheets.sentence
    assert set(checks.plates.table["material"]) <= {"1.4301", "S355", "S690"}


def test_sheets_of_the_demo_that_its_truth_made_odd_are_named():
    checks = of_demo()
    assert checks.sheets.table["score"].abs().idxmax() == 17      # sheet 18: `data/demo/truth.json` says so
    assert "18" in checks.sheets.sentence and "18 is the furthest off" in checks.influence.sentence


def test_a_prior_that_expects_more_of_sheets_never_widens_the_window():
    table = scrutinise(clean()).priors.table
    assert table["prior_median"].is_monotonic_increasing and table["posterior_median"].is_monotonic_increasing
    ends = table["window"].str.extract(r"([\d.]+) to ([\d.]+)").astype(float)
    width = np.log(ends[1] / ends[0])
    assert width.iloc[0] > width.iloc[-1]


def test_what_is_assumed_of_burr_on_sheets_is_weighed_where_burr_ends_a_window():
    demo = ef.open_study()
    table = scrutinise(demo).priors.table
    burr = table[table["spread"] == "burr of sheets"]
    ended = [w for w in demo.windows if "burr left" in (w.binds_low, w.binds_high)]
    assert 0 < burr["job"].nunique() == len({w.job.material for w in ended})
    for name, rows in burr.groupby("job"):
        assert rows["prior_median"].is_monotonic_increasing and rows["posterior_median"].is_monotonic_increasing, name
    taught = forms.taught(demo)
    assert (taught["law"] == "burr within 0.05 mm").sum() == 4 + 3     # and three materials


def widths_by_caution(demo, what, binds):
    """Log widths under less and more caution, a row for each window."""
    windows = [w for w in demo.windows if w.low_m_min and (binds is None or binds in (w.binds_low, w.binds_high))]
    assert len(windows) >= 3
    found = []
    for window in windows:
        others = others_of(demo.model, window.job, what)
        assert others[1].ends == pytest.approx((window.low_m_min, window.high_m_min), rel=1e-12)
        found.append(np.log([high / low for low, high in (other.ends for other in others)]))
    return np.array(found)


def test_more_caution_about_sheets_makes_windows_narrower(monkeypatch):
    """Of sums four times as long. The demo's sheets tell so much of their burr that one window hardly hangs on what is
    assumed of it: windows are taken together there, under assumptions farther apart."""
    monkeypatch.setattr(linefit, "JOINT_DRAWS", 4 * linefit.JOINT_DRAWS)
    monkeypatch.setattr(linefit, "BURR_NODES", 2 * linefit.BURR_NODES)
    demo = ef.open_study()
    cut = widths_by_caution(demo, CUT, None)
    assert (cut[:, 2] < cut[:, 0]).all() and (np.diff(cut) < 0.002).all(), cut
    monkeypatch.setattr(otherpriors, "PRIOR_FACTORS", (4 / 9, 1.0, 9 / 4))
    burr = widths_by_caution(demo, BURR, "burr left")
    assert (np.diff(burr.sum(0)) < -0.003).all() and (np.diff(burr) < 0.005).all(), burr


def test_a_node_without_weight_does_not_spoil_the_window_under_other_priors(monkeypatch):
    """Nodes far out carry a weight that rounds to nought: none of them is drawn, and nothing is divided by it."""
    told = of_all_limits(40).results
    model, job = told.model, told.windows[0].job
    plain, burr = others_of(model, job, BURR), model.burr_fit(job)
    light = np.argsort(burr.weight)[:3]
    assert not np.isin(light, burr.node_of(2048)).any()
    weight = burr.weight.copy()
    weight[light] = 0.0
    monkeypatch.setattr(type(model), "burr_fit", lambda *_: replace(burr, weight=weight / weight.sum()))
    for one, other in zip(plain, others_of(model, job, BURR), strict=True):
        assert one.ends == pytest.approx(other.ends, rel=0.02)


def test_weighing_the_nodes_anew_is_what_a_fit_with_that_prior_gives():
    from edgefinish.priors import STANDARD
    from edgefinish.rows import Spread
    model = clean().model
    whole = model.law()
    refit = model.law(priors=replace(STANDARD, sheet=Spread(STANDARD.sheet.median * 1.5, STANDARD.sheet.log_sd)))
    weighed = reweighed(whole, 1.5)
    for a, b in zip(weighed.posterior.moments(), refit.posterior.moments(), strict=True):
        np.testing.assert_allclose(a, b, atol=0.05 * refit.posterior.moments()[1].max())
    middle = [np.exp(f.posterior.weight @ np.log(f.posterior.nodes.sd[:, 2])) for f in (weighed, refit, whole)]
    # Two clouds of nodes: within a twentieth of what the prior changes.
    assert abs(np.log(middle[0] / middle[1])) < 0.05 * np.log(middle[1] / middle[2])


def test_the_log_looks_like_logs_that_the_fit_makes_unless_it_does_not():
    table = scrutinise(clean()).alike.table
    outside = (table["observed"] < table["low"]) | (table["observed"] > table["high"])
    assert outside.mean() <= 0.25
    log = usual().log.copy()
    here = np.flatnonzero(log["edge_position"] == "cutout")
    log.loc[log.index[here], "edge_radius_mm"] *= np.where(np.arange(len(here)) % 2, 1.6, 1 / 1.6)  # two heaps
    check = scrutinise(results_of(log, usual().job("one age")[0])).alike
    off = check.table[(check.table["observed"] < check.table["low"]) | (check.table["observed"] > check.table["high"])]
    assert "cutout" in set(off["edge_position"]) and "cutout" in check.sentence


def test_a_law_that_curves_is_warned_of():
    curved = results_of(replace_curve(-0.3), usual().job("one age")[0])
    assert scrutinise(curved).curve.startswith("Warning: the law of speed curves")
    assert "one power of feed speed" in scrutinise(clean()).curve


def replace_curve(bend: float) -> pd.DataFrame:
    """The usual trial with a curve in log feed put into its radii."""
    log = usual().log.copy()
    x = np.log(log["feed_speed_m_min"] / 2.0)
    return log.assign(edge_radius_mm=(log["edge_radius_mm"] * np.exp(bend * x * x)).round(3))


def test_checks_are_the_same_for_any_order_of_rows():
    job = usual().job("one age")[0]
    other = results_of(usual().log.sample(frac=1, random_state=4).reset_index(drop=True), job)
    one, two = scrutinise(results_of(usual().log, job)), scrutinise(other)
    for (*_, a), (*_, b) in zip(one.questions(), two.questions(), strict=True):
        pd.testing.assert_frame_equal(a.table, b.table, rtol=1e-6)
        assert a.sentence == b.sentence


@pytest.mark.parametrize("plan", [Plan(sheets=1, plates=12), Plan(sheets=3, plates=3)])
def test_a_log_too_small_to_leave_out_from_says_so(plan):
    from lines import FAMILIES, run_trial
    rng = np.random.default_rng(11)
    truth, _ = FAMILIES["usual"](rng)
    log = run_trial(truth, plan, rng)
    job = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.75))
    checks = scrutinise(results_of(log, job))
    for *_, check in checks.questions():
        assert check.sentence
    assert "No job has a window" in checks.influence.sentence
    if plan.sheets == 1:
        assert "one sheet" in checks.sheets.sentence


def test_evenly_picked_rows_keep_both_ends():
    picked = evenly(np.arange(20_000), 5000)
    assert len(picked) == 5000 and picked[0] == 0 and picked[-1] == 19_999


def test_checks_stand_in_the_report():
    text = pages.Page(pages.report("demo")).text
    checks = of_demo()
    for _, question, check in checks.questions():
        assert question in text and " ".join(check.sentence.split()) in text
    assert checks.curve in text


FIELD_WORDS = ("prior", "posterior", "mean", "median", "sd", "score", "effect", "inside", "quantile", "interval", "low",
               "high", "learned", "spread", "units")


def test_heads_of_tables_are_words_of_the_trade():
    told, checks = pages.demo(), of_demo()
    tables = {name: (check.table, trade_table(name, check.table)) for name, _, check in checks.questions()}
    tables |= {"coefficients": (forms.taught(told), trade_table("coefficients", forms.taught(told))),
               "spreads": (told.model.spreads(), trade_table("spreads", told.model.spreads())),
               "model_sheets": (told.model.sheets(), trade_table("model_sheets", told.model.sheets()))}
    text = pages.Page(pages.report("demo")).text
    for name, (frame, table) in tables.items():
        heads = list(table.frame.columns)
        assert len(frame) and len(set(heads)) == len(frame.columns) and len(table.frame) == len(frame), name
        assert not [h for h in heads if "_" in h or set(re.findall(r"[a-z]+", h)) & set(FIELD_WORDS)], (name, heads)
        assert table.caption in text and all(h in text for h in heads), name


def test_numbers_under_the_heads_are_those_of_the_checks():
    checks = of_demo()
    share = trade_table("held_out", checks.held_out.table).frame["in the band, %"]
    np.testing.assert_allclose(share / 100, checks.held_out.table["inside"], atol=0.00051)
    sheets, shown = checks.sheets.table, trade_table("sheets", checks.sheets.table).frame
    np.testing.assert_allclose(1 + shown["radius against foreseen, %"] / 100, sheets["effect"], atol=0.00051)
    np.testing.assert_allclose(shown["off, times what is usual"], sheets["score"], atol=0.051)
    priors = pd.DataFrame({"job": ["a", "b"], "spread": ["sheets", "burr of sheets"], "prior_median": [0.0467, 0.4],
                           "posterior_median": [0.0584, 0.25], "window": ["none", "none"]})
    told = trade_table("priors", priors).frame
    assert told["sheets differ in"].tolist() == ["their cut", "the burr they leave"]
    assert told["assumed before"].tolist() == ["4.7 %", "0.40 ×"]
    assert told["found by the trials"].tolist() == ["5.8 %", "0.25 ×"]
    assert set(checks.priors.table["spread"]) <= set(priors["spread"])


def test_burr_that_was_read_on_one_sheet_is_not_foreseen_there():
    """With that sheet left out nothing of burr is left to go by."""
    log = usual(40).log.copy()
    log.loc[log["abrasive_sheet"] != "A02", "residual_burr_mm"] = np.nan
    checks = scrutinise(results_of(log, usual(40).job("all limits")[0]))
    assert checks.burr.sentence and "A02" not in " ".join(checks.burr.table.astype(str).to_numpy().ravel())


def test_what_the_trials_took_away_of_an_assumption_is_never_less_than_nothing():
    table = forms.taught(pages.demo())
    assert table["learned"].between(0, 1).all()
