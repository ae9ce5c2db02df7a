"""Densities of rows and integrals over plates against scipy's distributions and its quadrature: no published table.

scipy.stats.t for the Student density and distribution function, scipy.integrate.dblquad for the integral.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad
from scipy.optimize import minimize
from scipy.special import ndtr, ndtri
from scipy.stats import norm, t

from edgefinish import many, mixed
from edgefinish.densities import Rows
from edgefinish.mixed import plate_integrals, solve
from edgefinish.rows import TAIL_MOST, MixedData, Spread, nodes_at

SD, NU = np.array([0.08, 0.15]), np.array([4.0, 30.0])
THETA = np.r_[np.log(SD), np.log([0.06, 0.05, 0.08]), ndtri(1 / (TAIL_MOST * NU))]


def two_effects(rows_of_each: list[int], seed: int = 1) -> MixedData:
    """Plates with as many readings of radius and as many of removal each, on one sheet; nothing else is unknown."""
    rng = np.random.default_rng(seed)
    plate = np.repeat(np.arange(len(rows_of_each)), 2 * np.array(rows_of_each))
    scale = np.concatenate([np.repeat([0, 1], n) for n in rows_of_each])
    n, plates = len(plate), len(rows_of_each)
    return MixedData(
        y=rng.normal(0, 0.2, n), side=np.zeros(n, np.int8), scale=scale,
        load=np.column_stack([np.where(scale, 2.0, 1.0), scale]), plate=plate, sheet=np.zeros(plates, np.intp),
        sheet_load=np.ones((plates, 2, 1)), plate_columns=np.zeros((plates, 2, 0)), row_columns=np.ones((n, 1)),
        coef_mean=np.zeros(1), coef_sd=np.ones(1), edge_spread=(Spread(0.1, 0.7),) * 2,
        plate_spread=(Spread(0.06, 0.5),) * 2, sheet_spread=(Spread(0.08, 0.4),))


def by_scipy(data: MixedData, eta: np.ndarray) -> np.ndarray:
    """Log density of each row."""
    z, nu, sd = (data.y - eta) / SD[data.scale], NU[data.scale], SD[data.scale]
    return np.select([data.side < 0, data.side > 0], [t.logcdf(z, nu), t.logsf(z, nu)], t.logpdf(z, nu) - np.log(sd))


@pytest.mark.parametrize("bounds", [(), (3, 4, 30), (0, 1)])
def test_densities_of_plates_are_those_of_their_rows(bounds):
    data = two_effects([1, 3, 25, 8, 1])
    side = data.side.copy()
    side[list(bounds)] = np.resize([-1, 1], len(bounds))
    data = replace(data, side=side)
    eta = np.random.default_rng(2).normal(0, 0.3, len(side))
    got = Rows(data, nodes_at(data, THETA[None])).by_plate(eta[None])[0]
    np.testing.assert_allclose(got, np.bincount(data.plate, by_scipy(data, eta)), rtol=1e-9, atol=1e-6)


def test_tails_near_the_normal_lose_no_digits():
    data = two_effects([40])
    theta = np.r_[THETA[:-2], -40, -40]
    eta = np.zeros((1, len(data.y)))
    got = Rows(data, nodes_at(data, theta[None])).by_plate(eta)[0, 0]
    assert got == pytest.approx((t.logpdf(data.y / SD[data.scale], 1e7) - np.log(SD[data.scale])).sum(), abs=1e-6)


def test_the_integral_over_both_effects_of_a_plate():
    data = two_effects([4])
    plate_sd = np.exp(THETA[2:4])

    def log_joint(u: np.ndarray) -> float:
        return float(by_scipy(data, data.load @ u).sum() + norm.logpdf(u, 0, plate_sd).sum())

    top = minimize(lambda u: -log_joint(u), np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    u, step, bend = top.x, 1e-3 * np.eye(2), np.empty((2, 2))
    for i, j in np.ndindex(2, 2):
        bend[i, j] = sum(a * b * log_joint(u + a * step[i] + b * step[j]) for a in (1, -1) for b in (1, -1)) / 4e-6
    cov = np.linalg.inv(-bend)
    exact = np.log(dblquad(lambda b, a: np.exp(log_joint(np.array([a, b])) + top.fun), u[0] - 0.5, u[0] + 0.5,
                           u[1] - 0.5, u[1] + 0.5, epsabs=1e-10)[0]) - top.fun
    rows, eta = Rows(data, nodes_at(data, THETA[None])), (data.load @ u)[None]
    laplace = log_joint(u) + np.log(2 * np.pi) + 0.5 * np.linalg.slogdet(cov)[1]
    mended = laplace + plate_integrals(data, rows, eta, u[None, None], cov[None, None], plate_sd[None, None],
                                       rows.by_plate(eta))[0]
    assert mended == pytest.approx(exact, abs=0.003)
    assert abs(mended - exact) < 0.3 * abs(laplace - exact)


def test_plates_eliminated_some_sheets_at_a_time(monkeypatch):
    data = replace(two_effects([2] * 40), sheet=np.sort(np.arange(40) % 7))
    nodes = nodes_at(data, THETA + np.random.default_rng(3).normal(0, 0.2, (5, len(THETA))))
    whole = solve(data, nodes)
    for numbers in (40, 100, 300):
        monkeypatch.setattr(mixed, "_IN_CACHE", numbers)
        for part, same in zip(solve(data, nodes), whole, strict=True):
            np.testing.assert_allclose(part, same, rtol=1e-8, atol=1e-10)


@pytest.mark.parametrize(("at", "middle", "rows"), [(-0.8, 0.01, 2e4), (-2.5, 0.2, 2e4), (-0.8, -0.2, 3e3)])
def test_a_step_in_the_tail_lands_where_the_posterior_tops(at, middle, rows):
    # A likelihood that is a parabola in the normal probability of the score: one step is all it takes.
    def log_chance(s: float) -> float:
        return -0.5 * rows * (ndtr(s) - middle) ** 2 - 0.5 * s * s

    h = 1e-4
    up, here, down = log_chance(at + h), log_chance(at), log_chance(at - h)
    step = many._to_top(np.array([(up - down) / (2 * h)]), np.array([[(up - 2 * here + down) / h**2]]),
                        np.array([True]), np.array([at]))
    top = minimize(lambda s: -log_chance(s[0]), [at], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    assert at + step[0] == pytest.approx(top.x[0], abs=0.01)
