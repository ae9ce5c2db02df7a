"""Rows of a mixed model: readings, bounds, what they hang on; and the priors of their spreads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
BATCH = 4_000_000  # numbers in one array, where more would be in one go
TAIL_MOST = 1 / 2.8  # 1/ν of the heaviest tail that is considered: the variance still exists
_GAUSS_TAIL = 1e-7
_RUN = 8  # as many densities are multiplied before a logarithm is taken: no product comes near the largest number


class Store(dict[Any, Any]):
    """Answers by what was asked; forgotten all at once where they become many, and where what holds them is handed on.

    >>> store = Store(2)
    >>> store.keep("a", lambda: 1), store.keep("a", lambda: 2)
    (1, 1)
    """

    def __init__(self, most: int = 500) -> None:
        super().__init__()
        self.most = most

    def __reduce__(self) -> tuple[type[Store], tuple[int]]:
        return Store, (self.most,)  # found again sooner than read

    def keep(self, key: Any, compute: Callable[[], Any]) -> Any:
        """The answer kept under `key`, else what `compute` gives."""
        if key not in self:
            if len(self) >= self.most:
                self.clear()
            self[key] = compute()
        return self[key]


class Spread(NamedTuple):
    """Prior of a spread: lognormal by its median and the SD of its logarithm."""

    median: float
    log_sd: float


FLAT = Spread(float("nan"), float("inf"))
"""No prior: estimates are REML or ML; draws then use the reference prior, flat in the logs of the expected mean squares
(Box and Tiao 1973, Bayesian Inference in Statistical Analysis, chapter 5)."""
OFF = Spread(0.0, 0.0)
"""The level is not there: its spread is 0."""


class LoadProducts(NamedTuple):
    """Products of row loads with loads and row columns: each is `times` one `of` a `few` (n,); (effects, columns)."""

    few: list[Floats]
    of: NDArray[np.intp]
    times: Floats


class Runs(NamedTuple):
    """Rows that stand together: the first of each run, its error scale, and the first run of each plate."""

    first: NDArray[np.intp]
    scale: NDArray[np.intp]
    of_plate: NDArray[np.intp]


class Part(NamedTuple):
    """Some rows: which they are, the plates they are of, the model of them, whether one plate effect is all they see"""

    rows: NDArray[np.intp] | slice
    plates: NDArray[np.intp] | slice
    data: MixedData
    first_only: bool


@dataclass(frozen=True, eq=False)
class MixedData:
    """Rows of a mixed model, sorted by sheet, then plate.

    Shapes: n rows, R plates, qu effects a plate, qs effects a sheet, m error scales, p = pb + pf coefficients.
    `y` (n,); `side` (n,) −1 below, 0 measured, +1 above; `scale` (n,) which error scale; `load` (n, qu);
    `plate` (n,) 0…R−1 without gaps; `sheet` (R,) likewise; `sheet_load` (R, qu, qs);
    `plate_columns` (R, qu, pb), reached through the loads; `row_columns` (n, pf);
    `coef_mean`, `coef_sd` (p,), a sd of inf is no prior. With `second_prior` (of all spreads together) the spreads'
    prior is a mixture of two, of which the second has `second_weight`. The square of `edge_least` is added to those of
    the error spreads: readings that never differ would drive them to 0, and a hard floor has no slope to climb by.

    `kin` (T, M): which coefficients are term t of member m of a family; their SDs have the priors `kin_spread` (T,) and
    are unknown, and `coef_sd` holds their medians; an odd member's are `kin_times` (T,) as large. `own` (F, R)
    true for plates whose spreads may be another factor of all others', one factor a row: normals of SDs `own_log_sd`
    (F,) in the logarithm; None where all are alike. `on_sheets` (F,) tells of each whether it is one of sheets too.
    `edge_factor` (n,): known factors of the error spread of each row; None where all are 1. `known`: what is known of
    the coefficients besides, precision (p, p) and precision times mean (p,).
    """

    y: Floats
    side: NDArray[np.int8]
    scale: NDArray[np.intp]
    load: Floats
    plate: NDArray[np.intp]
    sheet: NDArray[np.intp]
    sheet_load: Floats
    plate_columns: Floats
    row_columns: Floats
    coef_mean: Floats
    coef_sd: Floats
    edge_spread: tuple[Spread, ...]
    plate_spread: tuple[Spread, ...]
    sheet_spread: tuple[Spread, ...]
    heavy_tails: bool = True
    second_prior: tuple[Spread, ...] = ()
    second_weight: float = 0.0
    edge_least: float = 0.0
    kin: NDArray[np.intp] = field(default_factory=lambda: np.empty((0, 0), np.intp))
    kin_spread: tuple[Spread, ...] = ()
    kin_times: tuple[float, ...] = ()
    own: NDArray[np.bool_] | None = None
    own_log_sd: tuple[float, ...] = ()
    on_sheets: tuple[bool, ...] = ()
    edge_factor: Floats | None = None
    known: tuple[Floats, Floats] | None = None

    @property
    def spreads(self) -> tuple[Spread, ...]:
        """All spreads in their one order: edges, plates, sheets."""
        return self.edge_spread + self.plate_spread + self.sheet_spread

    @cached_property
    def free(self) -> NDArray[np.intp]:
        """Which spreads are unknown."""
        return np.flatnonzero([s != OFF for s in self.spreads])

    @property
    def tails(self) -> int:
        """How many tail parameters are unknown."""
        return len(self.edge_spread) if self.heavy_tails else 0

    @cached_property
    def precision(self) -> Floats:
        """Prior precision of the coefficients, (p,)."""
        return np.where(np.isinf(self.coef_sd), 0.0, 1 / self.coef_sd**2)

    @property
    def family(self) -> int:
        """How many unknowns the family adds: SDs of its terms, and the factors of `own` plates."""
        return len(self.kin_spread) + self.factors

    @property
    def factors(self) -> int:
        """How many factors of spreads are unknown."""
        return 0 if self.own is None else len(self.own)

    @cached_property
    def own_kinds(self) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
        """Which factors plates have, one kind of plate a row (kinds, F), and the kind of each plate (R,)."""
        assert self.own is not None
        bit = np.arange(len(self.own))
        kinds, of = np.unique((1 << bit) @ self.own.astype(int), return_inverse=True)
        return (kinds[:, None] >> bit & 1).astype(bool), of

    @cached_property
    def own_sheets(self) -> Floats:
        """Share of each sheet's plates that have a factor, (F, S); 0 where sheets have none of it."""
        assert self.own is not None
        plates = np.stack([np.bincount(self.sheet, one) for one in self.own])
        return plates / np.bincount(self.sheet) * np.array(self.on_sheets)[:, None]

    @cached_property
    def first_rows(self) -> NDArray[np.intp]:
        """First row of each plate."""
        return np.flatnonzero(np.r_[True, np.diff(self.plate) != 0])

    @cached_property
    def runs(self) -> Runs:
        """Rows of one plate and one error scale, some at a time."""
        new = np.r_[True, (np.diff(self.plate) != 0) | (np.diff(self.scale) != 0)]
        begun = np.maximum.accumulate(np.where(new, np.arange(len(new)), 0))
        first = np.flatnonzero((np.arange(len(new)) - begun) % _RUN == 0)
        return Runs(first, self.scale[first], np.searchsorted(first, self.first_rows))

    @cached_property
    def first_plates(self) -> NDArray[np.intp]:
        """First plate of each sheet."""
        return np.flatnonzero(np.r_[True, np.diff(self.sheet) != 0])

    @cached_property
    def censored(self) -> NDArray[np.intp]:
        """Rows that are not measured values but bounds."""
        return np.flatnonzero(self.side)

    @cached_property
    def by_effects(self) -> list[Part]:
        """Rows that hang on the first plate effect alone, and the others."""
        first = ~self.load[:, 1:].any(1)
        if self.load.shape[1] == 1:
            return [Part(slice(None), slice(None), self, False)]
        return [Part(np.flatnonzero(some), _in_order(self.plate[some])[0], self.rows_where(some), alone)
                for some, alone in ((first, True), (~first, False)) if some.any()]

    @property
    def normal(self) -> bool:
        """Whether every row is a measured value with a normal error: then nothing is approximated."""
        return not self.heavy_tails and not len(self.censored)

    @cached_property
    def row_products(self) -> Floats:
        """Products of the row columns, (n, pf²)."""
        f = self.row_columns
        return (f[:, :, None] * f[:, None, :]).reshape(len(f), -1)

    @cached_property
    def load_products(self) -> LoadProducts:
        """Products of the loads with loads and row columns."""
        few: dict[bytes, Floats] = {}
        wanted = np.concatenate([self.load, self.row_columns], 1)
        of, times = np.zeros((2, self.load.shape[1], wanted.shape[1]))
        for i, j in np.ndindex(of.shape):
            product = self.load[:, i] * wanted[:, j]
            times[i, j] = product[np.flatnonzero(product)[:1]].sum()
            alike = product / (times[i, j] or 1.0)
            few.setdefault(alike.tobytes(), alike)
            of[i, j] = list(few).index(alike.tobytes())
        return LoadProducts(list(few.values()), of.astype(int), times)

    @cached_property
    def plate_products(self) -> Floats:
        """Products of the plate columns for each pair of plate effects, (qu(qu+1)/2 · R, pb²)."""
        b = self.plate_columns
        pairs = [(i, j) for i in range(b.shape[1]) for j in range(i, b.shape[1])]
        both = [b[:, i, :, None] * b[:, j, None, :] for i, j in pairs]
        sym = [x if i == j else x + np.swapaxes(x, 1, 2) for x, (i, j) in zip(both, pairs, strict=True)]
        return np.concatenate(sym).reshape(len(pairs) * len(b), -1)

    def rows_where(self, keep: NDArray[np.bool_]) -> MixedData:
        """The same model on some of the rows."""
        plates, plate = _in_order(self.plate[keep])
        return replace(
            self, y=self.y[keep], side=self.side[keep], scale=self.scale[keep], load=self.load[keep], plate=plate,
            row_columns=self.row_columns[keep], sheet=_in_order(self.sheet[plates])[1],
            sheet_load=self.sheet_load[plates], plate_columns=self.plate_columns[plates],
            own=None if self.own is None else self.own[:, plates],
            edge_factor=None if self.edge_factor is None else self.edge_factor[keep])


def _in_order(units: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Which units a rising list of them (n,) holds, and the place of each there."""
    new = np.r_[True, np.diff(units) != 0][:len(units)]
    return units[new], np.cumsum(new) - 1


class Nodes(NamedTuple):
    """Values of what is unknown besides coefficients and effects; leading axis K.

    `sd` (K, all spreads), `tail` (K, m) as 1/ν, `log_prior` (K,); `kin_sd` (K, T) of the family's terms; `factor`
    (K, F) of the spreads of `MixedData.own` plates over all others'.
    """

    sd: Floats
    tail: Floats
    log_prior: Floats
    kin_sd: Floats
    factor: Floats

    def precision(self, data: MixedData) -> Floats:
        """Prior precision of the coefficients, (K or 1, p)."""
        if not len(data.kin):
            return data.precision[None]
        out = np.repeat(data.precision[None], len(self.sd), 0)
        for columns, sd in zip(data.kin, self.kin_sd.T, strict=True):
            out[:, columns] = 1 / sd[:, None] ** 2
        return out

    def edge_sd(self, data: MixedData) -> Floats:
        """SD of each row's error, (K, n), or (K, 1) where it is one."""
        m = len(data.edge_spread)
        sd = self.sd[:, :1] if m == 1 else self.sd[:, :m][:, data.scale]
        if data.edge_factor is not None:
            sd = sd * data.edge_factor
        return sd if data.own is None else sd * self.of_plates(data)[:, data.plate]

    def plate_sd(self, data: MixedData) -> Floats:
        """SD of each plate's effects, (K, R or 1, qu)."""
        m = len(data.edge_spread)
        sd = self.sd[:, None, m:m + data.load.shape[1]]
        return sd if data.own is None else sd * self.of_plates(data)[..., None]

    def of_plates(self, data: MixedData) -> Floats:
        """Factor of each plate's spreads, (K, R), where some have one."""
        kinds, of = data.own_kinds
        return np.where(kinds, self.factor[:, None], 1.0).prod(2)[:, of]

    def sheet_sd(self, data: MixedData) -> Floats:
        """SD of each sheet's effects, (K, S or 1, qs); a sheet of several members lies between."""
        sd = self.sd[:, None, len(data.edge_spread) + data.load.shape[1]:]
        return sd if data.own is None else sd * np.exp(np.log(self.factor) @ data.own_sheets)[..., None]


def _reference_prior(data: MixedData, sd: Floats) -> Floats:
    """Log density of `FLAT` plate and sheet spreads, log scale, (K,); for one error scale, one effect a level."""
    below = sd[:, 0] ** 2
    out = np.zeros(len(sd))
    for column, units in ((1, len(data.sheet)), (2, data.sheet[-1] + 1)):
        size, v = len(data.y) / units, sd[:, column] ** 2
        if np.isinf(data.spreads[column].log_sd):
            out += np.log(v / (below + size * v))
        below = below + size * v
    return out


def _log_prior(data: MixedData, spreads: tuple[Spread, ...], theta: Floats) -> Floats:
    """Log density of the free spreads on the log scale, (K,), up to a constant that is the same for all priors."""
    out = np.zeros(len(theta))
    for column, which in enumerate(data.free):
        median, log_sd = spreads[which]
        if np.isfinite(log_sd):
            out -= 0.5 * ((theta[:, column] - np.log(median)) / log_sd) ** 2 + np.log(log_sd)
    return out


def weight_of_second(data: MixedData, sd: Floats) -> Floats:
    """Posterior weight of the second prior at nodes with spreads `sd` (K, all spreads); (K,)."""
    theta = np.log(sd[:, data.free])
    first = np.log1p(-data.second_weight) + _log_prior(data, data.spreads, theta)
    second = np.log(data.second_weight) + _log_prior(data, data.second_prior, theta)
    return 1 / (1 + np.exp(np.clip(first - second, -500, 500)))


def nodes_at(data: MixedData, theta: Floats, *, reference: bool = False) -> Nodes:
    """Spreads and tails at points of the unconstrained space.

    `theta` (K, free + tails + family): logarithms of the free spreads, then a normal score for each tail, of which 1/ν
    is `TAIL_MOST` times the normal probability: a standard normal prior on the score is a uniform one on 1/ν; then
    logarithms of the kin's SDs and of the own factors. `reference` adds the reference prior of spreads that have none.
    """
    k, d = len(theta), len(data.free)
    family = theta[:, d + data.tails:]
    sd = np.zeros((k, len(data.spreads)))
    sd[:, data.free] = np.exp(theta[:, :d])
    sd[:, :len(data.edge_spread)] = np.hypot(sd[:, :len(data.edge_spread)], data.edge_least)
    log_prior = _log_prior(data, data.spreads, theta)
    if data.second_prior:
        log_prior = np.logaddexp(np.log1p(-data.second_weight) + log_prior,
                                 np.log(data.second_weight) + _log_prior(data, data.second_prior, theta))
    tail = np.full((k, len(data.edge_spread)), _GAUSS_TAIL)
    if data.tails:
        score = theta[:, d:d + data.tails]
        tail = np.maximum(TAIL_MOST * ndtr(score), _GAUSS_TAIL)
        log_prior -= 0.5 * (score**2).sum(1)
    if reference:
        log_prior += _reference_prior(data, sd)
    kin, own = family[:, :len(data.kin_spread)], family[:, len(data.kin_spread):]
    for at, (median, log_sd) in zip(kin.T, data.kin_spread, strict=True):
        log_prior -= 0.5 * ((at - np.log(median)) / log_sd) ** 2
    if data.own is not None:
        log_prior -= 0.5 * ((own / np.array(data.own_log_sd)) ** 2).sum(1)
    return Nodes(sd, tail, log_prior, np.exp(kin), np.exp(own))
