"""Log probability of a Student t below many values, at many tails at once: by series about points a third apart.

A window asks for some hundred thousand of them, and the distribution function itself takes most of a fit's time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, stdtr

Floats = NDArray[np.float64]

_STEP, _REACH = 1 / 3, 24  # points from −8 to 8; what is beyond is asked for directly
_POINTS = _STEP * np.arange(-_REACH, _REACH + 1)
_LEAST = 1e-300


def log_density(nu: Floats, z: Floats) -> Floats:
    """Log density of a Student t."""
    return constant(nu) - (nu + 1) / 2 * np.log1p(z * z / nu)


def constant(nu: Floats) -> Floats:
    """Log density of a Student t in its middle."""
    return gammaln((nu + 1) / 2) - gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)


class LogChances:
    """Log probabilities at the tails `nu` (K, m) degrees of freedom.

    >>> chances = LogChances(np.array([[4.0], [30.0]]))
    >>> chances.below(np.array([[0.0, -2.0], [0.0, -2.0]]), np.array([0, 0])).round(4).tolist()
    [[-0.6931, -2.8463], [-0.6931, -3.6004]]
    """

    def __init__(self, nu: Floats) -> None:
        z, n = _POINTS, nu[..., None]
        below = stdtr(n, z[:_REACH + 1])
        log_p = np.concatenate([_log(below), np.log1p(-below[..., -2::-1])], -1)
        h = np.exp(log_density(n, z) - log_p)  # slope of log_p; its own slopes follow from h' = h (g − h)
        q = n + z * z
        g = [-(n + 1) * z / q, -(n + 1) * (n - z * z) / q**2, 2 * (n + 1) * z * (3 * n - z * z) / q**3,
             6 * (n + 1) * (n * n - 6 * n * z * z + z**4) / q**4]
        rest = g[0] - h
        first = h * rest
        second = first * rest + h * (g[1] - first)
        third = second * rest + 2 * first * (g[1] - first) + h * (g[2] - second)
        fourth = third * rest + 3 * second * (g[1] - first) + 3 * first * (g[2] - second) + h * (g[3] - third)
        self.nu = nu
        self.series = [one.ravel() for one in (log_p, h, first / 2, second / 6, third / 24, fourth / 120)]

    def below(self, z: Floats, scale: NDArray[np.intp]) -> Floats:
        """Log probability below `z` (K, n), the tail of each of the n being that of its `scale` (n,)."""
        k, m = self.nu.shape
        near = np.rint(np.clip(z, _POINTS[0], _POINTS[-1]) / _STEP)
        gap = z - _STEP * near
        at = near.astype(np.intp)
        at += (np.arange(k)[:, None] * m + scale) * len(_POINTS) + _REACH
        out: Floats = self.series[-1].take(at)
        for one in self.series[-2::-1]:
            out *= gap
            out += one.take(at)
        node, place = np.nonzero(np.abs(gap) > 0.51 * _STEP)
        if len(node):
            out[node, place] = _log(stdtr(self.nu[node, scale[place]], z[node, place]))
        return out


def _log(chance: Floats) -> Floats:
    return np.log(np.maximum(chance, _LEAST))
