"""Which trial settles most: the precision that plates on sheets would give, and the search for the best of them.

Plates on one sheet share its effect (a split plot: Jones and Goos 2007, Appl. Stat. 56, 347-364). With v the variance
of a plate mean on its sheet, k = s² / (v + n s²) for n plates on a sheet of variance s², and c the column sums,

    X'V⁻¹X of one sheet = (X'X − k c c') / v

so that a change touches its own sheet only. Settings are changed one at a time, to the best of all their levels, until
none is better (coordinate exchange: Meyer and Nachtsheim 1995, Technometrics 37, 60-69). Numerics only: no edges here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .rows import Floats

Levels = NDArray[np.intp]
_PASSES = 30
_TRIES = 400


class Spreads(NamedTuple):
    """Assumed spreads: SD from sheet to sheet, variance of a plate mean on its sheet, and how much they count."""

    sheet: float
    plate_variance: float
    weight: float = 1.0


class Need(NamedTuple):
    """What some plate has to be run at: for each factor named, which of its levels will do, (levels,) bool."""

    what: str
    levels: dict[int, NDArray[np.bool_]]


@dataclass(frozen=True, eq=False)
class Factor:
    """A setting: `unit` (R,) is what it is bound to, plate by plate (the plate itself, a visit, a sheet).

    `only` (units, levels): which levels each unit may have; None where it may have any.
    """

    name: str
    unit: NDArray[np.intp]
    levels: int
    only: NDArray[np.bool_] | None = None

    def of(self, unit: np.intp) -> NDArray[np.bool_]:
        """Which levels a unit may have."""
        return np.ones(self.levels, bool) if self.only is None else self.only[unit]


@dataclass(frozen=True, eq=False)
class Problem:
    """What is searched: plates in an order in which those of a sheet stand together.

    `sheet` (R,) 0…S−1; `columns` from levels (…, R, factors) to the model's columns (…, R, p); `prior` (p, p) precision
    of the coefficients before the trial; `targets` (T, p) columns of what is to be known, each as important as the
    next; `assumed` spreads over which the criterion is averaged. `squared`: the criterion is the mean variance of the
    targets, else their mean SD.
    """

    sheet: NDArray[np.intp]
    factors: tuple[Factor, ...]
    columns: Callable[[Levels], Floats]
    prior: Floats
    targets: Floats
    assumed: tuple[Spreads, ...]
    needs: tuple[Need, ...] = ()
    squared: bool = False

    @cached_property
    def wanted(self) -> list[tuple[int, NDArray[np.bool_]]]:
        """Factors that a need names, and which of their levels will do for each need, (needs, levels)."""
        named = sorted({i for need in self.needs for i in need.levels})
        any_level = {i: np.ones(self.factors[i].levels, bool) for i in named}
        return [(i, np.stack([need.levels.get(i, any_level[i]) for need in self.needs])) for i in named]


def information(columns: Floats, sheet: NDArray[np.intp], sheet_sd: float, plate_variance: Floats | float) -> Floats:
    """X'V⁻¹X of plates on sheets, (p, p): `columns` (R, p), `sheet` (R,), `plate_variance` one, or one a plate.

    >>> two_sheets = information(np.ones((4, 1)), np.array([0, 0, 1, 1]), 1.0, 1.0)  # each mean of variance 1 + 1/2
    >>> two_sheets.round(9).tolist()
    [[1.333333333]]
    """
    weight = 1 / np.broadcast_to(np.asarray(plate_variance, float), len(sheet))
    out = (columns * weight[:, None]).T @ columns
    for s in np.unique(sheet):
        mine = sheet == s
        sums = weight[mine] @ columns[mine]
        out = out - np.outer(sums, sums) * sheet_sd**2 / (1 + sheet_sd**2 * weight[mine].sum())
    return out


def of_one_sheet(columns: Floats, assumed: Sequence[Spreads]) -> Floats:
    """The same for one sheet at each of the assumed spreads: `columns` (…, n, p) to (…, spreads, p, p)."""
    n = columns.shape[-2]
    cross = np.swapaxes(columns, -1, -2) @ columns
    sums = columns.sum(-2)
    outer = sums[..., :, None] * sums[..., None, :]
    shared = [a.sheet**2 / (a.plate_variance + n * a.sheet**2) for a in assumed]
    return np.stack([(cross - k * outer) / a.plate_variance for k, a in zip(shared, assumed, strict=True)], -3)


def score(problem: Problem, precision: Floats) -> Floats:
    """The criterion at precisions (…, spreads, p, p): (…,); the less the better."""
    cov = np.linalg.inv(precision)
    variance = ((problem.targets @ cov) * problem.targets).sum(-1)
    each = variance.mean(-1) if problem.squared else np.sqrt(variance).mean(-1)
    weight = np.array([a.weight for a in problem.assumed])
    return each @ (weight / weight.sum())


def precision_of(problem: Problem, levels: Levels) -> Floats:
    """Precision of the coefficients at each of the assumed spreads, (spreads, p, p)."""
    columns = problem.columns(levels)
    parts = [of_one_sheet(columns[problem.sheet == s], problem.assumed) for s in np.unique(problem.sheet)]
    return problem.prior + np.sum(parts, axis=0)


def unmet(problem: Problem, levels: Levels) -> NDArray[np.bool_]:
    """Which needs no plate meets: levels (…, R, factors) to (…, needs)."""
    met: NDArray[np.bool_] = np.ones((len(problem.needs), *levels.shape[:-1]), bool)
    for factor, good in problem.wanted:
        met &= good[:, levels[..., factor]]
    return np.moveaxis(~met.any(-1), 0, -1)


def fewest_plates(problem: Problem) -> int:
    """How many plates it takes at the least: as many as there are needs of which no plate meets two.

    The largest such set is looked for greedily, so that it may take more.
    """
    apart = np.zeros((len(problem.needs), len(problem.needs)), bool)
    for _, good in problem.wanted:
        apart |= ~(good[:, None] & good[None]).any(-1)
    most = 0
    for first in range(len(apart)):
        taken = [first]
        for other in np.argsort(-apart.sum(1), kind="stable"):
            if apart[other, taken].all():
                taken.append(int(other))
        most = max(most, len(taken))
    return most


def random_start(problem: Problem, rng: np.random.Generator) -> Levels | None:
    """Random levels that meet every need, or None where none were found."""
    for _ in range(_TRIES // 8):
        levels = np.empty((len(problem.sheet), len(problem.factors)), np.intp)
        for i, factor in enumerate(problem.factors):
            drawn = rng.permutation(np.resize(rng.permutation(factor.levels), factor.unit.max() + 1))
            if factor.only is not None:
                barred = np.flatnonzero(~factor.only[np.arange(len(drawn)), drawn])
                drawn[barred] = [rng.choice(np.flatnonzero(factor.of(u))) for u in barred]
            levels[:, i] = drawn[factor.unit]
        for _ in range(_TRIES):
            missing = np.flatnonzero(unmet(problem, levels))
            if not len(missing):
                return levels
            trial = _forced(problem, levels, problem.needs[rng.choice(missing)], rng)
            if unmet(problem, trial).sum() <= len(missing):
                levels = trial
    return None


def _forced(problem: Problem, levels: Levels, need: Need, rng: np.random.Generator) -> Levels:
    """The levels with one plate, drawn at random, made to meet a need."""
    out, plate = levels.copy(), rng.integers(len(levels))
    for i, good in need.levels.items():
        if not good[out[plate, i]]:
            unit = problem.factors[i].unit
            will_do = np.flatnonzero(good & problem.factors[i].of(unit[plate]))
            if not len(will_do):
                return levels
            out[unit == unit[plate], i] = rng.choice(will_do)
    return out


def exchange(problem: Problem, levels: Levels, free: NDArray[np.bool_] | None = None) -> tuple[Levels, float]:
    """Levels from which no single change is better, and their criterion; `free` (R,) are the plates that may change."""
    levels = levels.copy()
    sheets = list(np.unique(problem.sheet))
    mine = {s: np.flatnonzero(problem.sheet == s) for s in sheets}
    columns = problem.columns(levels)
    parts = {s: of_one_sheet(columns[mine[s]], problem.assumed) for s in sheets}
    total = problem.prior + np.sum(list(parts.values()), axis=0)
    best = float(score(problem, total))
    movable = np.ones(len(levels), bool) if free is None else free
    for _ in range(_PASSES):
        before = best
        for i, factor in enumerate(problem.factors):
            for unit in np.unique(factor.unit[movable]):
                plates = np.flatnonzero(factor.unit == unit)
                s, now = problem.sheet[plates[0]], levels[plates[0], i]
                other = np.flatnonzero(factor.of(unit) & (np.arange(factor.levels) != now))
                trial = np.repeat(levels[None], len(other), 0)
                trial[:, plates, i] = other[:, None]
                allowed = ~unmet(problem, trial).any(-1)
                if not allowed.any():
                    continue
                trial = trial[allowed]
                part = of_one_sheet(problem.columns(trial[:, mine[s]]), problem.assumed)
                scores = score(problem, total - parts[s] + part)
                k = int(scores.argmin())
                if scores[k] < best * (1 - 1e-9):
                    best, levels = float(scores[k]), trial[k]
                    total, parts[s] = total - parts[s] + part[k], part[k]
        if best > before * (1 - 1e-5):
            break
    return levels, best


def search(problem: Problem, seed: int, starts: int = 3) -> tuple[Levels, float] | None:
    """The best of some random starts, or None where no levels meet the needs."""
    if fewest_plates(problem) > len(problem.sheet):
        return None
    rng = np.random.default_rng(seed)
    found = [exchange(problem, start) for start in (random_start(problem, rng) for _ in range(starts))
             if start is not None]
    return min(found, key=lambda f: f[1], default=None)


class Efficiency(NamedTuple):
    """How good a design is for a model, as handbooks print it (NIST/SEMATECH e-Handbook 5.5.2.1): see `efficiency`."""

    d: float
    a: float
    g: float
    i: float


def efficiency(design: Floats, candidates: Floats) -> Efficiency:
    """D, A, G and I of a design without sheets: `design` (n, p) and `candidates` (N, p) are columns of the model.

    D = |X'X|^(1/p) / n; A = trace((X'X / n)⁻¹) / p; G = p / (n · greatest variance of prediction); I = n · their mean
    over the candidates.

    >>> two_levels = np.array([[1.0, -1.0], [1.0, 1.0]])
    >>> [float(round(v, 9)) for v in efficiency(two_levels, two_levels)]
    [1.0, 1.0, 1.0, 2.0]
    """
    n, p = design.shape
    cross = design.T @ design
    variance = ((candidates @ np.linalg.inv(cross)) * candidates).sum(1)
    return Efficiency(float(np.linalg.det(cross) ** (1 / p) / n), float(np.trace(np.linalg.inv(cross / n)) / p),
                      float(p / (n * variance.max())), float(n * variance.mean()))
