"""How future edges scatter at each node, and how far a mean must stand from a limit for enough of them to meet it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.special import gammaincinv, ndtr, ndtri

from .laws import WEAR_HOURS
from .rows import Floats

POINTS, WEIGHTS = np.polynomial.legendre.leggauss(12)
POINTS, WEIGHTS = (POINTS + 1) / 2, WEIGHTS / 2
"""Points and weights of the mixture of normals that is a Student t."""
_NEWTON_STEPS = 30
_NEAR = 1e-7  # the step after it would be its square
_KEPT = 200


@dataclass(frozen=True, eq=False)
class Scatter:
    """Spreads of future edges at each node, all (K,).

    `shared` by all edges of a plate on a fresh sheet; `wear` of the sheet's own wear per 10 h; `edge`, `tail` (1/ν).
    """

    shared: Floats
    wear: Floats
    edge: Floats
    tail: Floats
    kept: dict[tuple, Floats] = field(default_factory=dict, repr=False)

    @cached_property
    def tail_factors(self) -> Floats:
        """Variances, over that of the normal, of the equal mixture of normals that is the Student t, (K, 12)."""
        nu = 1 / self.tail[:, None]
        return nu / (2 * gammaincinv(nu / 2, POINTS))

    def parts(self, shared: Floats, node: np.ndarray | slice = slice(None)) -> Floats:
        """SDs of the normals whose mixture is `shared` normal plus Student edge, at some nodes, (…, 12)."""
        return np.sqrt(shared[:, None] ** 2 + self.edge[node][:, None] ** 2 * self.tail_factors[node])

    def shared_at(self, hours: float) -> Floats:
        """SD of sheet and plate together at an age of the sheet."""
        return np.sqrt(self.shared**2 + (self.wear * hours / WEAR_HOURS) ** 2)

    def distances(self, ages: Floats, width: float, share: float) -> Floats:
        """`distance_to_limit` at each sheet age at each node, (ages, K). Kept: many jobs ask alike."""
        key = (tuple(ages.tolist()), width, share)
        if key not in self.kept:
            if len(self.kept) >= _KEPT:
                self.kept.clear()
            self.kept[key] = self._distances(ages, width, share)
        return self.kept[key]

    def _distances(self, ages: Floats, width: float, share: float) -> Floats:
        # Smooth in the square of the age, through which the sheets' own wear comes in: three ages carry it.
        square = ages**2
        at = square if len(ages) == 1 else np.linspace(square[0], square[-1], 3)
        distance = distance_to_limit(np.stack([self.parts(self.shared_at(np.sqrt(a))) for a in at]), width, share)
        if len(ages) == 1:
            return distance
        there = np.isfinite(distance)
        return np.where(there.all(0), _through(at, square) @ np.where(there, distance, 0.0), np.inf)


def band_of_means(sd: Floats, low: float, high: float, share: float) -> tuple[Floats, Floats]:
    """Least and greatest mean with at least `share` of readings in [low, high]; (inf, −inf) where none has.

    `sd` (…, parts) of the equal mixture `WEIGHTS`; either limit may be infinite.
    """
    distance = distance_to_limit(sd, high - low, share)
    least = low + distance if np.isfinite(low) else np.where(np.isfinite(distance), -np.inf, np.inf)
    most = high - distance if np.isfinite(high) else np.where(np.isfinite(distance), np.inf, -np.inf)
    return least, most


def distance_to_limit(sd: Floats, width: float, share: float) -> Floats:
    """How far a mean must stand from one of two limits `width` apart, (…,); inf where no mean has the share.

    Newton steps on the probit scale, where the share is nearly straight in the mean and bends down: from outside they
    come near without passing. Readings are symmetric about their mean, so one distance serves both limits.
    """
    wanted, most = ndtri(share), width / 2
    d = np.minimum(wanted * np.sqrt(sd**2 @ WEIGHTS) if share > 0.5 else np.zeros(sd.shape[:-1]), most)
    if np.isfinite(width):
        impossible = 2 * (ndtr(most / sd) @ WEIGHTS) - 1 < share
        d = np.where(impossible, most, d)
    for _ in range(_NEWTON_STEPS):
        z, back = d[..., None] / sd, (width - d[..., None]) / sd
        inside = np.clip(ndtr(z) @ WEIGHTS - ndtr(-back) @ WEIGHTS, 1e-12, 1 - 1e-15)
        probit = ndtri(inside)
        slope = ((np.exp(-0.5 * z * z) - np.exp(-0.5 * back * back)) / sd) @ WEIGHTS
        step = (wanted - probit) * np.exp(-0.5 * probit * probit) / np.maximum(slope, 1e-12)
        d, last = np.clip(d + step, 0.0, most), d
        if np.abs(d - last).max() < _NEAR:
            break
    return np.where(impossible, np.inf, d) if np.isfinite(width) else d


def _through(at: Floats, wanted: Floats) -> Floats:
    """Weights, (wanted, at), of values at three points in the parabola through them."""
    return np.stack([np.prod([(wanted - at[j]) / (at[i] - at[j]) for j in range(3) if j != i], axis=0)
                     for i in range(3)], 1)
