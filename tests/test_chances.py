"""Chances of a Student t against scipy's distribution (a reference library) and tabled critical values."""

import numpy as np
import pytest
from scipy.stats import norm, t

from edgefinish.chances import LogChances

# Upper critical values: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2, to three decimals.
CRITICAL = {3: {0.90: 1.638, 0.95: 2.353, 0.99: 4.541}, 10: {0.90: 1.372, 0.95: 1.812, 0.99: 2.764},
            30: {0.90: 1.310, 0.95: 1.697, 0.99: 2.457}}


@pytest.mark.parametrize("nu", CRITICAL)
def test_tabled_critical_values(nu):
    shares = np.array(list(CRITICAL[nu]))
    values = np.array(list(CRITICAL[nu].values()))
    found = LogChances(np.array([[float(nu)]])).below(values[None], np.zeros(3, int))
    assert np.exp(found[0]) == pytest.approx(shares, abs=2e-4)


@pytest.mark.parametrize("nu", [2.8, 3.0, 4.5, 10.0, 60.0, 1e3, 1e5, 1e7])
def test_all_along_and_beyond_the_points(nu):
    z = np.linspace(-30, 30, 4001)
    found = LogChances(np.array([[nu]])).below(z[None], np.zeros(len(z), int))[0]
    wanted = t.logcdf(z, nu) if nu < 1e6 else norm.logcdf(z)
    near = np.abs(z) < 8.2
    if nu < 1e6:
        assert np.abs(found - wanted)[near].max() < 3e-7
        assert found[~near] == pytest.approx(wanted[~near], rel=1e-9, abs=1e-14)
    else:  # the normal is the limit only: logs differ by about z⁴ / 4ν
        assert (np.abs(found - wanted) < z**4 / (3.9 * nu) + 1e-6).all()


def test_each_reading_has_the_tail_of_its_own_scale_and_node():
    nu = np.array([[3.0, 40.0], [8.0, 2.9], [1e4, 5.0]])
    z, scale = np.random.default_rng(3).normal(0, 4, (3, 50)), np.arange(50) % 2
    found = LogChances(nu).below(z, scale)
    assert found == pytest.approx(t.logcdf(z, nu[:, scale]), abs=3e-7)
