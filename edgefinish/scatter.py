"""How future edges scatter at each node, and how far a mean must stand from a limit for enough of them to meet it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from scipy.special import erf, gammaincinv, ndtr, ndtri

from .laws import WEAR_HOURS
from .rows import Floats, Store

POINTS, WEIGHTS = np.polynomial.legendre.leggauss(12)
POINTS, WEIGHTS = (POINTS + 1) / 2, WEIGHTS / 2
"""Points and weights of the mixture of normals that is a Student t."""
_NEWTON_STEPS = 30
_NEAR = 1e-5  # the step after it would be its square
_WIDEST_STEP = 0.05  # of log width that is solved for


@dataclass(frozen=True, eq=False)
class Scatter:
    """Spreads of future edges at each node, all (K,).

    `shared` by all edges of a plate on a fresh sheet; `wear` of the sheet's own wear per 10 h; `edge`, `tail` (1/ν).
    """

    shared: Floats
    wear: Floats
    edge: Floats
    tail: Floats
    answers: Store = field(default_factory=Store, repr=False)
    columns: Store = field(default_factory=partial(Store, 3000), repr=False)

    @cached_property
    def step(self) -> float:
        """Steps of log width that are solved for: fine against the least spread, which sets how fast answers bend."""
        return min(_WIDEST_STEP, float(np.hypot(self.shared, self.edge).min()) / 2)

    @cached_property
    def tail_factors(self) -> Floats:
        """Variances, over that of the normal, of the equal mixture of normals that is the Student t, (K, 12)."""
        nu = 1 / self.tail[:, None]
        return nu / (2 * gammaincinv(nu / 2, POINTS))

    def parts(self, shared: Floats, node: np.ndarray | slice = slice(None)) -> Floats:
        """SDs of the normals whose mixture is `shared` normal plus Student edge, at some nodes, (…, 12)."""
        return np.sqrt(shared[:, None] ** 2 + self.edge[node][:, None] ** 2 * self.tail_factors[node])

    def spread(self, factor: float) -> Scatter:
        """The same where edges scatter `factor` times as much."""
        if factor == 1:
            return self
        return self.columns.keep(factor, lambda: Scatter(self.shared, self.wear, self.edge * factor, self.tail))

    def shared_at(self, hours: float) -> Floats:
        """SD of sheet and plate together at an age of the sheet."""
        return np.sqrt(self.shared**2 + (self.wear * hours / WEAR_HOURS) ** 2)

    def distances(self, ages: Floats, width: float, share: float) -> Floats:
        """`distance_to_limit` at each sheet age at each node, (ages, K). Kept: many jobs ask alike."""
        return self.answers.keep((ages.tobytes(), width, share), lambda: self._distances(ages, width, share))

    def _distances(self, ages: Floats, width: float, share: float) -> Floats:
        # Smooth in the square of the age, through which the sheets' own wear comes in: three ages carry it.
        square = ages**2
        if len(ages) == 1:
            return self._between(tuple(square), width, share)
        at, weights = self.columns.keep(ages.tobytes(), lambda: _through(square))
        distance = self._between(at, width, share)
        there = np.isfinite(distance)
        return np.where(there.all(0), weights @ np.where(there, distance, 0.0), np.inf)

    def _between(self, squares: tuple[float, ...], width: float, share: float) -> Floats:
        """The distances at a few ages, (ages, K): between two kept widths, solved for where the first has none."""
        if np.isinf(width):
            return self._alone(squares, share)
        place = width / self.step
        first = int(place)
        (q0, s0), (q1, s1) = self._cell(squares, first, share)
        t = place - first
        with np.errstate(invalid="ignore"):
            q = ((1 + 2 * t) * (1 - t)**2 * q0 + t**2 * (3 - 2 * t) * q1
                 + self.step * t * (1 - t) * ((1 - t) * s0 - t * s1))
            return np.where((q1 > 0) & (q >= 0), width / 2 - np.sqrt(q), np.inf)

    def _cell(self, squares: tuple[float, ...], first: int, share: float) -> tuple[tuple[Floats, Floats], ...]:
        """`_at_width` at two neighbours; where only the wider has a good mean, the narrower by `less_than_none`."""
        def compute() -> tuple[tuple[Floats, Floats], ...]:
            (q0, s0), (q1, s1) = (self._at_width(squares, k * self.step, share) for k in (first, first + 1))
            begins = (q1 > 0) & ~(q0 > 0)
            if begins.any():
                q0, s0 = q0.copy(), s0.copy()
                q0[begins], s0[begins] = less_than_none(self._parts_at(squares)[begins], first * self.step, share)
            return (q0, s0), (q1, s1)
        return self.columns.keep(("cell", squares, first, share), compute)

    def _alone(self, squares: tuple[float, ...], share: float) -> Floats:
        """Distances where the other limit is far away, (ages, K)."""
        return self.columns.keep((squares, share), lambda: distance_to_limit(self._parts_at(squares), np.inf, share))

    def _parts_at(self, squares: tuple[float, ...]) -> Floats:
        return self.columns.keep(squares, lambda: np.stack([self.parts(self.shared_at(np.sqrt(a))) for a in squares]))

    def _at_width(self, squares: tuple[float, ...], width: float, share: float) -> tuple[Floats, Floats]:
        """Squares of how far the nearest good mean is from the middle, and their slopes in the width, (ages, K) each.

        Those are smooth up to the width where no mean is good any more; there the distances themselves have a corner.
        """
        def compute() -> tuple[Floats, Floats]:
            sd = self._parts_at(squares)
            d = distance_to_limit(sd, width, share, self._alone(squares, share))
            here, there = (np.exp(-0.5 * (x[..., None] / sd)**2) / sd @ WEIGHTS for x in (d, width - d))
            with np.errstate(invalid="ignore", divide="ignore"):
                inner = width / 2 - d
                return inner**2 * np.sign(inner), 2 * inner * (0.5 + there / (here - there))
        return self.columns.keep((squares, width, share), compute)


def band_of_means(sd: Floats, low: float, high: float, share: float) -> tuple[Floats, Floats]:
    """Least and greatest mean with at least `share` of readings in [low, high]; (inf, −inf) where none has.

    `sd` (…, parts) of the equal mixture `WEIGHTS`; either limit may be infinite.
    """
    distance = distance_to_limit(sd, high - low, share)
    least = low + distance if np.isfinite(low) else np.where(np.isfinite(distance), -np.inf, np.inf)
    most = high - distance if np.isfinite(high) else np.where(np.isfinite(distance), np.inf, -np.inf)
    return least, most


def distance_to_limit(sd: Floats, width: float, share: float, alone: Floats | None = None) -> Floats:
    """How far a mean must stand from one of two limits `width` apart, (…,); inf where no mean has the share.

    Newton steps on the probit scale, where the share is nearly straight in the mean and bends down: from outside they
    come near without passing. `alone`, where known, is the distance without the other limit, which is outside.
    Readings are symmetric about their mean, so one distance serves both limits.
    """
    wanted, most = ndtri(share), width / 2
    if alone is None:
        alone = wanted * np.sqrt(sd**2 @ WEIGHTS) if share > 0.5 else np.zeros(sd.shape[:-1])
    d = np.minimum(alone, most)
    for _ in range(_NEWTON_STEPS):
        z, back = d[..., None] / sd, (width - d[..., None]) / sd
        inside = np.clip((ndtr(z) - ndtr(-back)) @ WEIGHTS, 1e-12, 1 - 1e-15)
        probit = ndtri(inside)
        slope = ((np.exp(-0.5 * z * z) - np.exp(-0.5 * back * back)) / sd) @ WEIGHTS
        step = (wanted - probit) * np.exp(-0.5 * probit * probit) / np.maximum(slope, 1e-12)
        d, last = np.clip(d + step, 0.0, most), d
        if np.abs(d - last).max() < _NEAR:
            break
    # At the middle between the limits the share is greatest: what is short of it there has no mean.
    return np.where((d >= most) & (inside < share), np.inf, d)


def less_than_none(sd: Floats, width: float, share: float) -> tuple[Floats, Floats]:
    """Where no mean has the share: the square of a good mean's distance from the middle, below 0, and its slope in
    the width, (n,) each; `sd` (n, parts).

    The share at a distance m is even and smooth in m, and so a function of m² that goes on below 0: there m = i t, and
    of the normal's integral the real part counts.
    """
    half, root = width / 2, np.full(len(sd), 0.3 * sd.min())
    for _ in range(_NEWTON_STEPS):
        t = root[:, None]
        share_there = 2 * (0.5 + 0.5 * erf((half + 1j * t) / sd / np.sqrt(2)).real) @ WEIGHTS - 1
        wave = np.exp(0.5 * (t**2 - half**2) / sd**2) / sd / np.sqrt(2 * np.pi)
        rise = 2 * (wave * np.sin(half * t / sd**2)) @ WEIGHTS
        # nearly straight in t²
        square = np.maximum(root**2 + 2 * root * (share - share_there) / rise, (0.1 * root) ** 2)
        root, last = np.sqrt(square), root
        if np.abs(root - last).max() < _NEAR:
            break
    widening = (wave * np.cos(half * t / sd**2)) @ WEIGHTS
    return -root**2, 2 * root * widening / rise


def _through(wanted: Floats) -> tuple[tuple[float, ...], Floats]:
    """Three points over the span of `wanted`, and the weights, (wanted, 3), of values there in the parabola."""
    at = np.linspace(wanted[0], wanted[-1], 3)
    weights = np.stack([np.prod([(wanted - at[j]) / (at[i] - at[j]) for j in range(3) if j != i], axis=0)
                        for i in range(3)], 1)
    return tuple(at), weights
