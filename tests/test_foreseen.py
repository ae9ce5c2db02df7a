"""What further plates would tell: held against fits of logs to which imagined plates were added."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lines import Campaign, campaign, run_trial
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.special import log_ndtr, logsumexp

import edgefinish as ef
from edgefinish import foreseen
from edgefinish.foreseen import Asked, gains

PLATES = pd.DataFrame({
    "material": "S355", "thickness_mm": 10.0, "feed_speed_m_min": [1.2, 4.5, 2.3, 5.5], "drum_pressure_kPa": 60.0,
    "passes": 1, "grit": ["P80", "P80", "P80", "P80"], "contact_hours": [14.0, 14.0, 0.0, 12.0],
    "abrasive_sheet": ["A01", "A01", "new 1", "new 1"], "burr_severity": "moderate"})


UNEVEN = {"leading": 1.9, "trailing": 0.7, "lateral": 0.7, "cutout": 0.7}


@pytest.fixture(scope="module", params=["edges alike", "one position scatters"])
def line(request):
    trial = campaign("four sheets", 5)
    if request.param != "edges alike":
        truth = replace(trial.truth, position_spread=UNEVEN)
        trial = Campaign("uneven", 5, truth, trial.plan, run_trial(truth, trial.plan, np.random.default_rng(5)))
    log = trial.log.drop(columns="date")  # no drift: what is imagined is run last
    model = ef.fit(ef.read_log(log))
    return log, model, Asked.of(model, trial.job("sheet life")[0])


def imagined(log: pd.DataFrame, seen: foreseen._Plates, asked: Asked, truth: np.ndarray, which: int) -> pd.DataFrame:
    """The log with the plates of one outcome, edge by edge."""
    layout, d = asked.fitted.layout, truth[which]
    rng = np.random.default_rng(which)
    step = asked.coef[d, layout.names.position]
    noise = rng.normal(0, asked.fitted.posterior.nodes.sd[asked.node[d], 0] * seen.scatter, (len(PLATES), len(step)))
    # what is read is the mean that tells most of the plate: each edge by its precision
    share = seen.scatter**-2 / (seen.scatter**-2).sum()
    radius = seen.read[which][:, None] + step - step @ share + noise - (noise @ share)[:, None]
    rows = PLATES.loc[np.repeat(np.arange(len(PLATES)), len(step))].assign(
        run=np.repeat([f"N{i}" for i in range(len(PLATES))], len(step)),
        edge_position=list(layout.positions) * len(PLATES), edge_radius_mm=np.exp(radius).ravel())
    return pd.concat([log, rows], ignore_index=True)


def test_weighed_draws_stand_where_a_fit_with_the_imagined_plates_stands(line):
    log, model, asked = line
    truth = foreseen._truths(len(asked.node))
    seen = foreseen._Plates(asked.fitted, PLATES)
    log_weight = seen.log_weights(asked.node, asked.coef, truth)
    weight = np.exp(log_weight - logsumexp(log_weight, axis=1, keepdims=True))
    layout = asked.fitted.layout
    row = np.zeros(asked.coef.shape[1])
    # a fast plate on an old sheet: where these plates tell most
    row[layout.names.dose] = layout.dose_columns(seen.settings, np.zeros(4, np.intp))[1]
    before = asked.coef @ row
    moved, fitted = [], []
    for which in range(0, len(truth), 6):
        post = ef.fit(ef.read_log(imagined(log, seen, asked, truth, which))).law_for(asked.job).posterior
        mean, _ = post.moments()
        # the level of a layout is over the mean of its own readings: all but that is alike
        assert post.data.coef_mean[1:].tolist() == asked.fitted.posterior.data.coef_mean[1:].tolist()
        moved.append(weight[which] @ before - before.mean())
        fitted.append(mean @ row - before.mean())
    slope = np.dot(moved, fitted) / np.dot(fitted, fitted)
    assert np.corrcoef(moved, fitted)[0, 1] > 0.95
    assert 0.85 < slope < 1.15


def test_gains_are_those_of_fits_with_the_imagined_plates(line):
    log, model, asked = line
    truth = foreseen._truths(len(asked.node))
    seen = foreseen._Plates(asked.fitted, PLATES)
    seen.log_weights(asked.node, asked.coef, truth)
    got = []
    for which in range(1, len(truth), 3):
        window = ef.fit(ef.read_log(imagined(log, seen, asked, truth, which))).window(asked.job)
        got.append(np.log(window.high_m_min / window.low_m_min) if window.verdict == "window" else 0.0)
    gain, error = np.mean(got) - asked.now.log, np.std(got) / np.sqrt(len(got))
    told = gains(model, [asked], PLATES)[0]
    assert abs(told.log - gain) < 2.5 * error
    assert error < 0.05


def test_more_plates_tell_more(line):
    """In the mean of four lines: of one, few outcomes tell it."""
    told = []
    for seed in (5, 6, 7, 8):
        _, model, asked = line
        if seed > 5:
            trial = campaign("four sheets", seed)
            model = ef.fit(ef.read_log(trial.log.drop(columns="date")))
            asked = Asked.of(model, trial.job("sheet life")[0])
        told.append([gains(model, [asked], PLATES.iloc[pick])[0].log for pick in ([2], [2, 3], [0, 1, 2, 3])])
    few = np.mean(told, axis=0)
    assert few[0] < few[2] and few[1] < few[2] + 0.01


def test_what_was_now_is_the_window_that_is_issued(line):
    _, model, asked = line
    window = model.window(asked.job)
    assert asked.now.log == pytest.approx(np.log(window.high_m_min / window.low_m_min), abs=1e-9)
    assert asked.now.m_min == pytest.approx(window.high_m_min - window.low_m_min, abs=1e-6)
    assert asked.after(np.full(len(asked.low), 1 / len(asked.low))).log == pytest.approx(asked.now.log, abs=1e-9)


@pytest.fixture(scope="module")
def burr():
    """A line, a job that promises burr, and the law of its burr."""
    trial = campaign("four sheets", 5)
    model, job = ef.fit(ef.read_log(trial.log)), trial.job("all limits")[0]
    return model, Asked.of(model, job), model.burr_fit(job)


def test_own_effects_of_sheets_on_burr_are_those_of_direct_integration(burr):
    _, _, fitted = burr
    sheets, effect, sd = fitted.sheets()
    middle = fitted.weight @ fitted.theta
    spread = np.sqrt(fitted.weight @ (fitted.theta - middle) ** 2)
    data, node = fitted.data, int((np.abs(fitted.theta - middle) / spread).max(1).argmin())
    level, log_slope, ratio, log_sd = fitted.theta[node]
    margin = level + np.exp(log_slope) * (data.log_radius - np.log(0.3) + ratio * data.height)
    for k, sheet in enumerate(sheets):
        sign, line = np.where(data.cleared, 1, -1)[data.sheet == sheet], margin[data.sheet == sheet]

        def less(own, sign=sign, line=line):
            return 0.5 * (own / np.exp(log_sd)) ** 2 - log_ndtr(sign * (line + own)).sum()
        top = minimize_scalar(less, bounds=(-4, 4), method="bounded", options={"xatol": 1e-9})
        assert effect[node, k] == pytest.approx(top.x, abs=1e-5)
        mass, second = (quad(lambda u, n=n, t=top, f=less: (u - t.x) ** n * np.exp(t.fun - f(u)), top.x - 3, top.x + 3
                             )[0] for n in (0, 2))
        assert sd[node, k] == pytest.approx(np.sqrt(second / mass), rel=0.1)  # normal about the top: near, not exact


def test_new_sheets_keep_what_is_not_known_of_burr_and_those_run_have_their_own(burr):
    model, _, fitted = burr
    mean, sd = foreseen._burr_sheets(model, fitted, np.array(["A02", "new 1"]))
    assert (mean[:, 1] == 0).all() and np.allclose(sd[:, 1], np.exp(fitted.theta[:, 3]))
    assert (sd[:, 0] < sd[:, 1]).all()
    # what a law gives to the sheet it does not give to the level: a sheet that was run says little anew
    level = fitted.theta[:, 0]
    together = np.cov(np.stack([level, mean[:, 0]]), aweights=fitted.weight)
    assert together[0, 1] < 0


def test_edges_that_scatter_apart_count_by_their_precision():
    # Var of the best mean of readings of SDs s·f is s² / Σ f⁻² (generalised least squares); by hand for f = 2, 1, 1, 1
    # in units of the edge: 1 / 3.25.
    trial = campaign("four sheets", 5)
    model = ef.fit(ef.read_log(trial.log.drop(columns="date")))
    fitted = model.law_for(trial.job("sheet life")[0])
    factor = dict(zip(fitted.layout.positions, (2.0, 1.0, 1.0, 1.0), strict=True))
    uneven = replace(fitted, layout=replace(fitted.layout, position_spread=factor))
    plates = PLATES.iloc[[2]]
    apart = (foreseen._Plates(f, plates).covariance()[:, 0, 0] for f in (uneven, fitted))
    nodes = fitted.posterior.nodes
    edge = nodes.sd[:, 0] ** 2 * (1 + 3 * nodes.tail[:, 0]) / (1 + nodes.tail[:, 0])
    np.testing.assert_allclose(np.subtract(*apart), edge * (1 / 3.25 - 1 / 4), rtol=1e-9)
    assert foreseen._Plates(uneven, plates).share == pytest.approx([1 / 13, 4 / 13, 4 / 13, 4 / 13])
