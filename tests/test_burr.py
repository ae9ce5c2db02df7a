"""Whether burr is cleared: chances, sheets' own effects and the posterior, against scipy and plain quadrature."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import log_ndtr
from scipy.stats import norm

from edgefinish import burr

RNG = np.random.default_rng(2)
SHEETS = 6


def edges(count: int = 24) -> burr.BurrData:
    """Edges on six sheets, about one in five not cleared."""
    n = SHEETS * count
    sheet, height = np.repeat(np.arange(SHEETS), count), RNG.normal(0, 0.3, n)
    radius = burr.MIDDLE_RADIUS + RNG.normal(0.1, 0.25, n)
    own = 0.4 * RNG.normal(size=SHEETS)
    margin = 1.2 + 4 * (radius - burr.MIDDLE_RADIUS) - 2 * height + own[sheet]
    return burr.BurrData(np.arange(n), margin + RNG.normal(size=n) > 0, radius, height, sheet, np.zeros(n, int), 1)


@pytest.mark.parametrize("far", [1.0, 10.0, 60.0])
def test_chances_of_a_sheets_edges_are_those_of_the_library(far):
    # Reference: scipy.special.log_ndtr, edge by edge.
    margin = far * RNG.normal(size=(40, 23))
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
