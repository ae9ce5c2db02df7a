"""Long logs: the path for many rows gives what the path for few gives, and says whether it settled."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from edgefinish import burr, many
from edgefinish import posterior as room
from edgefinish.burr import MIDDLE_RADIUS
from edgefinish.burrmany import log_chance, own_effects, summed
from edgefinish.mixed import solve
from edgefinish.rows import Floats, MixedData, Spread, nodes_at


def trial(plates: int, edges: int, sheets: int, below: float = 0.0, seed: int = 3) -> MixedData:
    """Log radii of a line with Student edges, some of them below the gauge; truth: −0.5, −0.15, SDs .08, .06, .08."""
    rng = np.random.default_rng(seed)
    sheet = np.sort(np.arange(plates) % sheets)
    hours, log_feed = rng.uniform(0, 15, plates), rng.uniform(-0.8, 0.8, plates)
    plate = np.repeat(np.arange(plates), edges)
    columns = np.stack([np.ones(plates), log_feed, hours / 10], -1)
    eta = columns @ [-1, -0.5, -0.15] + rng.normal(0, 0.08, sheets)[sheet] + rng.normal(0, 0.06, plates)
    y = eta[plate] + 0.08 * rng.standard_t(5, plates * edges)
    least = np.quantile(y, below)
    load = np.ones((plates, 1, 2))
    load[:, 0, 1] = hours / 10
    return MixedData(
        y=np.maximum(y, least), side=np.where(y < least, -1, 0).astype(np.int8), scale=np.zeros(len(y), np.intp),
        load=np.ones((len(y), 1)), plate=plate, sheet=sheet, sheet_load=load, plate_columns=columns[:, None, :],
        row_columns=np.zeros((len(y), 0)), coef_mean=np.array([y.mean(), -0.5, -0.15]),
        coef_sd=np.array([1.0, 0.25, 0.15]), edge_spread=(Spread(0.1, 0.7),), plate_spread=(Spread(0.06, 0.5),),
        sheet_spread=(Spread(0.08, 0.4), Spread(0.025, 0.6)))


@pytest.mark.parametrize(("plates", "edges", "sheets", "below"), [
    (300, 4, 8, 0.0), (300, 4, 8, 0.12), (24, 60, 6, 0.0), (1700, 2, 10, 0.0)])
def test_both_paths_agree(monkeypatch, plates, edges, sheets, below):
    data = trial(plates, edges, sheets, below)
    few = room.posterior(data)
    monkeypatch.setattr(room, "MANY_ROWS", 1000)
    long = room.posterior(data)
    assert few.settled and long.settled
    (mean, sd), (mean_many, sd_many) = few.moments(), long.moments()
    assert (np.abs(mean - mean_many) < 0.1 * sd).all()
    np.testing.assert_allclose(sd_many, sd, rtol=0.05)
    spread, spread_many = (np.exp(p.weight @ np.log(p.nodes.sd)) for p in (few, long))
    np.testing.assert_allclose(spread_many, spread, rtol=0.06)


def test_spreads_of_plates_that_are_few_to_a_sheet_are_not_lost_on_sheets():
    data = trial(2200, 2, 700)
    assert len(data.y) > room.MANY_ROWS and len(data.sheet) > many._FEW_PLATES
    found = room.posterior(data)
    _, plate, sheet, wear = np.exp(found.weight @ np.log(found.nodes.sd))
    assert found.settled
    np.testing.assert_allclose([plate, sheet, wear], [0.06, 0.08, 0.01], atol=0.012)  # wear: none in what made it


def test_a_long_log_recovers_what_made_it(monkeypatch):
    data = trial(6000, 4, 60)
    assert len(data.y) > room.MANY_ROWS
    found = room.posterior(data)
    mean, sd = found.moments()
    assert found.settled
    assert np.abs((mean - [-1, -0.5, -0.15]) / sd).max() < 3.5
    edge, plate, sheet, _ = np.exp(found.weight @ np.log(found.nodes.sd))
    np.testing.assert_allclose([edge, plate, sheet], [0.08, 0.06, 0.08], rtol=0.2)
    assert 1 / found.nodes.tail[0, 0] == pytest.approx(5, rel=0.3)


def test_some_rows_of_a_very_long_log_tell_its_spreads(monkeypatch):
    data = trial(5000, 4, 40)
    whole = room.posterior(data)
    monkeypatch.setattr(many, "_PINNING", 5000)
    asked = []
    newton = many._newton
    monkeypatch.setattr(many, "_newton", lambda data, *given: asked.append(len(data.y)) or newton(data, *given))
    some = room.posterior(data)
    assert some.settled and set(asked) == {5000}
    (mean, sd), (mean_some, sd_some) = whole.moments(), some.moments()
    assert (np.abs(mean - mean_some) < 0.1 * sd).all()  # of sheets and coefficients every row tells
    np.testing.assert_allclose(sd_some, sd, rtol=0.05)
    edge, plate = (p.nodes.sd[0, :2] for p in (whole, some))
    np.testing.assert_allclose(plate, edge, rtol=4 / np.sqrt(5000))


@pytest.mark.parametrize(("plates", "edges"), [(60, 300), (6000, 3)])
def test_which_rows_are_asked_does_not_hang_on_what_they_say(plates, edges):
    """Rows of a plate lie in the order of their readings: every second would be the lower of each two."""
    data = trial(plates, edges, 6)
    order = np.lexsort((data.y, data.plate))
    data = replace(data, y=data.y[order], scale=(np.arange(len(data.y)) % edges == edges - 1).astype(np.intp))
    thin = many._thinned(data, 6000)
    middle = [d.y - (np.bincount(d.plate, d.y) / np.bincount(d.plate))[d.plate] for d in (data, thin)]
    few = len(thin.y)
    assert 5800 < few < 6200
    np.testing.assert_allclose(middle[1].std(), middle[0].std(), rtol=4 / np.sqrt(few))
    wanted = few / edges  # of rows that stand last on their plate
    assert (thin.scale == 1).sum() == pytest.approx(wanted, abs=4 * np.sqrt(wanted) + 1)


def test_a_step_of_a_spread_that_few_readings_tell_goes_where_the_whole_posterior_rises():
    """Against `solve`, which finds plates anew at each value: two readings a plate, of which the plate moves little."""
    data = replace(trial(3000, 2, 6), plate_spread=(Spread(0.02, 0.5),))
    theta = np.array([np.log(0.1), np.log(0.03), np.log(0.08), np.log(0.03), -0.5])
    nodes = nodes_at(data, theta[None])
    at = solve(data, nodes, None, 4, corrected=False)
    held = many._Held.at(data, at, many._sums(data, theta, at), nodes.plate_sd(data))
    steps = np.array([-0.3, -0.1, 0.0, 0.1, 0.3])
    points = theta + steps[:, None] * (np.arange(5) == 1)
    exact = solve(data, nodes_at(data, points), np.repeat(at.eta, 5, 0), 4).log_post
    got = np.array([held.log_chance(point) for point in points])
    np.testing.assert_allclose(np.diff(got), np.diff(exact), atol=0.15 * np.abs(np.diff(exact)).max())


def test_of_a_few_plates_with_spreads_of_their_own_none_is_left_out():
    data = trial(5000, 4, 40)
    own = np.arange(5000) % 200 == 7
    thin = many._thinned(replace(data, own=own[None], own_log_sd=(0.25,), on_sheets=(True,)), 2000)
    assert thin.own.sum() == own.sum() == 25
    assert 800 < (~thin.own[0][thin.plate]).sum() < 1400


def test_of_a_material_with_few_edges_rather_more_are_kept():
    data = edges_with_burr(20_000, 40, 0.3)
    rare = np.isin(np.arange(20_000), np.flatnonzero(data.sheet == 11)[-60:])
    kept = replace(data, material=rare.astype(int), materials=2).thinned(1000)
    assert 12 <= (kept.material == 1).sum() < 20  # evenly it were 3
    assert 1000 < len(kept.row) < 1050


def edges_with_burr(edges: int, sheets: int, sheet_sd: float, materials: int = 1) -> burr.BurrData:
    """Edges of many sheets, cleared or not; truth: level 2.5, slope 4, height ratio −0.5."""
    rng = np.random.default_rng(8)
    sheet = np.sort(np.arange(edges) % sheets)
    log_radius, height = rng.normal(-1.1, 0.3, edges), rng.normal(0, 0.35, edges)
    margin = 2.5 + 4 * (log_radius - np.log(0.3)) - 2 * height + sheet_sd * rng.standard_normal(sheets)[sheet]
    return burr.BurrData(np.arange(edges), margin + rng.standard_normal(edges) > 0, log_radius, height, sheet,
                         sheet % materials, materials)


def promised(found: burr.BurrPosterior) -> tuple[Floats, Floats]:
    """Mean and SD of what a promise rests on: level, slope and height slope over the scatter of burr."""
    drawn = np.array(found.draws(4096, 0))
    return drawn.mean(1), drawn.std(1)


# Four edges a sheet and sheets far apart: there the chance of a sheet's effect is anything but normal.
@pytest.mark.parametrize(("edges", "sheets", "sheet_sd", "materials"), [
    (5000, 50, 0.3, 1), (5000, 1250, 1.0, 1), (6000, 300, 0.5, 4)])
def test_burr_of_sums_is_that_of_every_edge(monkeypatch, edges, sheets, sheet_sd, materials):
    data = edges_with_burr(edges, sheets, sheet_sd, materials)
    by_sums = burr.fit_burr(data, 128)
    monkeypatch.setattr(burr, "MANY_EDGES", edges)
    exact = burr.fit_burr(data, 128)
    assert by_sums.sums is not None and exact.sums is None and by_sums.settled and exact.settled
    (mean, sd), (mean_sums, sd_sums) = promised(exact), promised(by_sums)
    assert (np.abs(mean - mean_sums) < 0.2 * sd).all()
    np.testing.assert_allclose(sd_sums, sd, rtol=0.2)
    (names, effect, width), (names_sums, effect_sums, width_sums) = exact.sheets(), by_sums.sheets()
    assert names.tolist() == names_sums.tolist()
    assert (np.abs(exact.weight @ effect - by_sums.weight @ effect_sums) < 0.3 * (exact.weight @ width)).all()
    np.testing.assert_allclose(by_sums.weight @ width_sums, exact.weight @ width, rtol=0.05)


def test_burr_that_sums_do_not_carry_is_fitted_on_some_edges(monkeypatch):
    data = edges_with_burr(3000, 30, 0.3)
    monkeypatch.setattr(burr, "MANY_EDGES", 1000)
    monkeypatch.setattr(burr, "_mended", lambda near, exact, mode, whole: lambda unit, warm: near(unit, warm)._replace(
        log_post=np.where((unit == mode.theta).all(1), 0.0, -1e9)))
    found = burr.fit_burr(data, 128)
    assert found.sums is None and found.settled and len(found.data.row) == 1000
    assert set(found.data.sheet) == set(range(30))
    mean, sd = promised(found)
    total = np.hypot(1, 0.3)
    assert np.abs((mean * total - [2.5 - 4 * np.log(0.3), 4, -2]) / sd).max() < 3.5


@pytest.mark.parametrize("cleared", [True, False])
def test_burr_of_a_long_log_whose_edges_are_all_alike(cleared):
    data = edges_with_burr(6000, 40, 0.3)
    found = burr.fit_burr(replace(data, cleared=np.full(6000, cleared)), 128)
    level, slope, _ = found.draws(512, 0)
    share = ndtr(level + slope * MIDDLE_RADIUS)
    assert found.settled and np.isfinite(found.theta).all()
    assert (share.mean() > 0.99) if cleared else (share.mean() < 0.01)


def test_sums_give_the_marginal_of_a_normal_with_a_shared_effect():
    """Against scipy's multivariate normal density."""
    rng = np.random.default_rng(2)
    columns, sheet = rng.normal(size=(12, 2)), np.repeat([0, 1, 2], [3, 4, 5])
    weight, margin = rng.uniform(0.2, 1, 12), rng.normal(size=12)
    sums = summed(columns, margin, np.zeros(12), weight, np.array([0, 3, 7]))
    line, sd = rng.normal(size=(4, 2)), np.array([0.1, 0.5, 1.0, 3.0])
    same = sheet[:, None] == sheet
    wanted = [multivariate_normal(columns @ b, np.diag(1 / weight) + s**2 * same).logpdf(margin)
              for b, s in zip(line, sd, strict=True)]
    got = log_chance(sums, line, sd)
    np.testing.assert_allclose(np.diff(got), np.diff(wanted), rtol=1e-9)
    for k, (b, s) in enumerate(zip(line, sd, strict=True)):
        mean, width = (part[k] for part in own_effects(sums, line, sd))
        of_all = s**2 * (sheet == np.arange(3)[:, None])
        inverse = np.linalg.inv(np.diag(1 / weight) + s**2 * same)
        np.testing.assert_allclose(mean, of_all @ inverse @ (margin - columns @ b), rtol=1e-9)
        np.testing.assert_allclose(width**2, s**2 - np.diag(of_all @ inverse @ of_all.T), rtol=1e-9)
