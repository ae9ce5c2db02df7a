"""How future edges scatter at each node, and how far a mean must stand from a limit for enough of them to meet it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from scipy.special import erf, gammaincinv, ndtr, ndtri

from .laws import WEAR_HOURS
from .rows import Floats, Store

_AT, WEIGHTS = np.polynomial.legendre.leggauss(8)
_AT, WEIGHTS = (_AT + 1) / 2, WEIGHTS / 2
POINTS, WEIGHTS = _AT**3, 3 * _AT**2 * WEIGHTS
"""Ranks of the precisions, and weights, of the mixture of normals that is a Student t. They crowd where the precision
is least: far out, where one edge in a thousand lies, all hangs on it."""
_NEWTON_STEPS = 30
_NEAR = 1e-5  # the step after it would be its square
_WIDEST_STEP = 0.05  # of log width that is solved for
_FINER = 4
_STEP_OF_AGE, _HOURS_STEPS = 0.1, (1.0, 5.0)  # by which wear may grow against the other spreads; hours


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
        """Variances, over that of the normal, of the mixture `WEIGHTS` of normals that is the Student t, (K, parts)."""
        nu = 1 / self.tail[:, None]
        return nu / (2 * gammaincinv(nu / 2, POINTS))

    def parts(self, shared: Floats, node: np.ndarray | slice = slice(None)) -> Floats:
        """SDs of the normals whose mixture is `shared` normal plus Student edge, at some nodes, (…, parts)."""
        return np.sqrt(shared[:, None] ** 2 + self.edge[node][:, None] ** 2 * self.tail_factors[node])

    def spread(self, factor: float) -> Scatter:
        """The same where edges scatter `factor` times as much."""
        if factor == 1:
            return self
        return self.columns.keep(("spread", factor), lambda: Scatter(
            self.shared, self.wear, self.edge * factor, self.tail))

    def shared_at(self, hours: float) -> Floats:
        """SD of sheet and plate together at an age of the sheet."""
        return np.sqrt(self.shared**2 + (self.wear * hours / WEAR_HOURS) ** 2)

    @cached_property
    def hours_step(self) -> float:
        """Steps of sheet age that are solved for: fine against how fast the sheets' own wear takes over."""
        fastest = float((self.wear / np.hypot(self.shared, self.edge)).max()) / WEAR_HOURS
        return float(np.clip(_STEP_OF_AGE / max(fastest, 1e-9), *_HOURS_STEPS))

    def distances(self, ages: Floats, width: float, share: float) -> Floats:
        """`distance_to_limit` at each sheet age at each node, (ages, K).

        Solved for at steps of age and of width, which many jobs share, and between them by cubics of what is smooth.
        """
        step = self.hours_step / (_FINER if np.isinf(width) else 1)  # without a width steps cost little
        hours, weights = self.answers.keep((ages.tobytes(), step), lambda: _through(ages / step))
        if np.isinf(width):
            return weights @ np.stack([self._alone_at(abs(h) * step, share) for h in hours])
        at = width / self.step
        t = at - int(at)
        of_width = ((1 + 2 * t) * (1 - t)**2, self.step * t * (1 - t)**2,
                    t**2 * (3 - 2 * t), self.step * t**2 * (t - 1))  # cubics through squares and their slopes
        square = np.concatenate([w * weights for w in of_width], axis=1) @ self._cell(hours, int(at), share)
        with np.errstate(invalid="ignore"):
            return np.where(square >= 0, width / 2 - np.sqrt(square), np.inf)

    def _cell(self, hours: tuple[int, ...], first: int, share: float) -> Floats:
        """`_at_width` at some steps of age: squares and slopes at a width, then at the next, (4 ages, K)."""
        return self.columns.keep(("cell", hours, first, share), lambda: np.concatenate([
            np.stack([self._at_width(abs(h), first + k, share)[what] for h in hours]) for k in (0, 1)
            for what in (0, 1)]))

    def _alone_at(self, hours: float, share: float) -> Floats:
        """Distances at a sheet age where the other limit is far away, (K,)."""
        return self.columns.keep(("alone", hours, share),
                                 lambda: distance_to_limit(self._parts_at(hours), np.inf, share))

    def _parts_at(self, hours: float) -> Floats:
        return self.columns.keep(("parts", hours), lambda: self.parts(self.shared_at(hours)))

    def _at_width(self, h: int, k: int, share: float) -> tuple[Floats, Floats]:
        """Squares of how far the nearest good mean is from the middle, and their slopes in the width, (K,) each.

        Those are smooth, and go on below 0 where no mean is good; there the distances themselves have a corner.
        """
        def compute() -> tuple[Floats, Floats]:
            hours, width = h * self.hours_step, k * self.step
            sd = self._parts_at(hours)
            d = distance_to_limit(sd, width, share, self._alone_at(hours, share))
            there = np.isfinite(d)
            d, parts = d[there], sd[there]
            here, back = (np.exp(-0.5 * (x[:, None] / parts)**2) / parts @ WEIGHTS for x in (d, width - d))
            square, slope = np.empty((2, len(sd)))
            with np.errstate(invalid="ignore", divide="ignore"):
                inner = width / 2 - d
                square[there], slope[there] = inner**2, 2 * inner * (0.5 + back / (here - back))
            if not there.all():
                square[~there], slope[~there] = less_than_none(sd[~there], width, share)
            return square, slope
        return self.columns.keep(("width", h, k, share), compute)


def band_of_means(sd: Floats, low: float, high: float, share: float) -> tuple[Floats, Floats]:
    """Least and greatest mean with at least `share` of readings in [low, high]; (inf, −inf) where none has.

    `sd` (…, parts) of the mixture `WEIGHTS`; either limit may be infinite.
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
    wanted, most, two_sided = ndtri(share), width / 2, np.isfinite(width)
    shape, sd = sd.shape[:-1], sd.reshape(-1, sd.shape[-1])
    if alone is None:
        alone = max(wanted, 0.0) * np.sqrt(sd**2 @ WEIGHTS)
    d = np.minimum(alone, most).ravel()
    inside, rows = np.empty(len(d)), np.arange(len(d))
    for _ in range(_NEWTON_STEPS):
        at, parts = d[rows], sd if len(rows) == len(sd) else sd[rows]
        z = at[:, None] / parts
        within, slope = ndtr(z), np.exp(-0.5 * z * z)
        if two_sided:
            back = (width - at[:, None]) / parts
            within, slope = within - ndtr(-back), slope - np.exp(-0.5 * back * back)
        inside[rows] = within = np.clip(within @ WEIGHTS, 1e-12, 1 - 1e-15)
        probit = ndtri(within)
        step = (wanted - probit) * np.exp(-0.5 * probit * probit) / np.maximum((slope / parts) @ WEIGHTS, 1e-12)
        d[rows] = np.clip(at + step, 0.0, most)
        rows = rows[np.abs(d[rows] - at) >= _NEAR]
        if not len(rows):
            break
    # At the middle between the limits the share is greatest: what is short of it there has no mean.
    return np.where((d >= most) & (inside < share), np.inf, d).reshape(shape)


def less_than_none(sd: Floats, width: float, share: float) -> tuple[Floats, Floats]:
    """Where no mean has the share: the square of a good mean's distance from the middle, below 0, and its slope in
    the width, (n,) each; `sd` (n, parts).

    The share at a distance m is even and smooth in m, and so a function of m² that goes on below 0: there m = i t, and
    of the normal's integral the real part counts. Looked for to t of twice the least SD; what is beyond has slope 0.
    """
    half, most = width / 2, 2 * sd.min(1)
    root = np.full(len(sd), 0.3 * sd.min())
    for _ in range(_NEWTON_STEPS):
        t = root[:, None]
        share_there = 2 * (0.5 + 0.5 * erf((half + 1j * t) / sd / np.sqrt(2)).real) @ WEIGHTS - 1
        wave = np.exp(0.5 * (t**2 - half**2) / sd**2) / sd / np.sqrt(2 * np.pi)
        rise = np.maximum(2 * (wave * np.sin(half * t / sd**2)) @ WEIGHTS, 1e-9)
        # nearly straight in t²
        square = np.maximum(root**2 + 2 * root * (share - share_there) / rise, (0.1 * root) ** 2)
        root, last = np.minimum(np.sqrt(square), most), root
        if np.abs(root - last).max() < _NEAR:
            break
    widening = (wave * np.cos(half * t / sd**2)) @ WEIGHTS
    return -root**2, np.where(root < most, 2 * root * widening / rise, 0.0)


def _through(place: Floats) -> tuple[tuple[int, ...], Floats]:
    """Whole steps about each `place`, and the weights, (wanted, steps), of values there in the cubic through four."""
    first = np.floor(place).astype(int) - 1
    t, start = place - first - 1, int(first.min())
    weights, rows = np.zeros((len(place), int(first.max()) - start + 4)), np.arange(len(place))
    for i, weight in enumerate((-t * (t - 1) * (t - 2) / 6, (t * t - 1) * (t - 2) / 2,
                                -t * (t + 1) * (t - 2) / 2, t * (t * t - 1) / 6)):
        weights[rows, first - start + i] = weight
    return tuple(range(start, start + weights.shape[1])), weights
