"""The share of future edges that meet every limit, in each draw, at a speed, sheet age and edge position."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import ndtr, stdtr

from .laws import BURR_OF_EDGE, WEAR_HOURS, wear_columns
from .promise import Alike, Burr, Path, Promise
from .rows import BATCH, Floats
from .scatter import WEIGHTS

_GH_X, _GH_W = np.polynomial.hermite_e.hermegauss(11)
_GH_W = _GH_W / _GH_W.sum()
_CELL = 0.07
_STEP = 0.02
_NEAREST = 0.005  # limits that no gauge tells apart
_FAR, _USUAL = 2.4, np.log(0.3)  # where radii lie that no limit holds
_LEAST, _MOST = np.log(0.001), np.log(100.0)  # no edge radius is beyond: such limits are none
Rows = slice | np.ndarray
"""Some of the draws."""
ALL = slice(None)


class Corner(NamedTuple):
    """A position (index) and a sheet age (h), one of each a draw, and which of the promise's `alike` it belongs to."""

    position: np.ndarray
    age: Floats
    alike: int = 0


def worst_shares(promise: Promise, x: Floats, rows: Rows = ALL) -> Floats:
    """Least share over positions and sheet ages in some draws at each speed, (rows, len(x))."""
    if promise.parts:
        return np.min([worst_shares(part, x, rows) for part in promise.parts], axis=0)
    if promise.radius_alone:
        return radius_shares(promise if rows is ALL else promise.some(rows), x)[2]
    return Shares(promise).worst(x, [*slow_corners(promise), *fast_corners(promise)], rows)


def shares_along(promise: Promise, x: Floats, hours: Floats) -> Floats:
    """Share at the first position at pairs of speed and sheet age, (draws, len(x))."""
    shares, first = Shares(promise), np.zeros(len(promise.node), np.intp)
    return np.stack([shares.at(v, Corner(first, np.full(len(first), age)))[0]
                     for v, age in zip(x, hours, strict=True)], 1)


def slow_corners(promise: Promise) -> list[Corner]:
    """Where a limit binds that too slow a speed breaks: at the greatest dose and removal, and on the oldest sheet.

    The share is log-concave in the means (normal and Student mixtures over a box of limits; Prékopa 1973), so that
    between the least and the greatest mean no position does worse than at both.
    """
    ages, radius, found = promise.ages, promise.radius, []
    oldest = np.full(len(promise.node), ages[-1])
    if np.isfinite(promise.removal_limit) or np.isfinite(promise.radius_limits[1]):
        worn = ages[radius.worn(ages).argmax(0)]
        for k, alike in enumerate(promise.alike):
            most = radius.ends(alike.which)[1]
            found += [Corner(most, worn, k), Corner(most, oldest, k)]
    if promise.removal is not None and np.isfinite(promise.removal_limit):
        worn = ages[promise.removal.worn(ages).argmax(0)]
        found += [Corner(promise.removal.ends(alike.which)[1], worn, k) for k, alike in enumerate(promise.alike)]
    return _unlike(found)


def fast_corners(promise: Promise) -> list[Corner]:
    """Where a limit binds that too fast a speed breaks: at the least dose, and on the oldest sheet."""
    ages, radius, found = promise.ages, promise.radius, []
    if promise.burr is not None or np.isfinite(promise.radius_limits[0]):
        oldest, worn = np.full(len(promise.node), ages[-1]), ages[radius.worn(ages).argmin(0)]
        for k, alike in enumerate(promise.alike):
            least = radius.ends(alike.which)[0]
            found += [Corner(least, worn, k), Corner(least, oldest, k)]
    return _unlike(found)


def _unlike(corners: list[Corner]) -> list[Corner]:
    found: list[Corner] = []
    for corner in corners:
        if not any(corner.alike == f.alike and np.array_equal(corner.position, f.position)
                   and np.array_equal(corner.age, f.age) for f in found):
            found.append(corner)
    return found


class Shares:
    """Shares of a promise that limits more than the radius, from tables that jobs of one law and the same limits share.

    A future edge: a plate and sheet shift the log radius as a normal, log removal by twice that; the rest is in tables,
    the chance that radius and burr are within limits given the plate's log radius, and removal given its log removal.
    """

    def __init__(self, promise: Promise) -> None:
        self.promise, keep, limits = promise, promise.radius.tables.keep, promise.radius_limits
        self.radius = [keep((promise.scatter, alike.burr, limits, alike.factor), partial(_radius_table, promise, alike))
                       for alike in promise.alike]
        self.removal = keep((promise.removal_scatter, promise.removal_limit), partial(_removal_table, promise))

    def worst(self, x: Floats, corners: Sequence[Corner], rows: Rows = ALL) -> Floats:
        """Least share over some corners in some draws at each speed, (rows, len(x))."""
        return np.min([[self.at(v, corner, rows)[0] for v in x] for corner in corners], axis=0).T

    def at(self, x: Floats | float, corner: Corner, rows: Rows = ALL) -> tuple[Floats, Floats]:
        """Share and its slope in x, a speed or one a draw of `rows`, at a corner; (rows,) each."""
        promise, node = self.promise, self.promise.node[rows]
        position, age = corner.position[rows], corner.age[rows]
        worn = wear_columns(age)
        shared = np.sqrt(promise.scatter.shared[node] ** 2 + (promise.scatter.wear[node] * age / WEAR_HOURS) ** 2)
        shift = shared[:, None] * _GH_X
        mean, slope = _mean(promise.radius, x, rows, worn, position)
        share, rise = self.radius[corner.alike].at(mean[:, None] + shift, rows)
        rise = rise * slope[:, None]
        if self.removal is not None and promise.removal is not None:
            mean, slope = _mean(promise.removal, x, rows, worn, position)
            part, part_rise = self.removal.at(mean[:, None] + promise.coupling * shift, rows)
            rise = rise * part + share * part_rise * slope[:, None]
            share = share * part
        return share @ _GH_W, rise @ _GH_W


def _mean(path: Path, x: Floats | float, rows: Rows, worn: Floats, position: np.ndarray) -> tuple[Floats, Floats]:
    """Mean of a path at one speed, position and age a draw, and its slope in x."""
    slope, bend = path.slope[rows], path.bend[rows]
    step = np.take_along_axis(path.position[rows], position[:, None], 1)[:, 0]
    mean = path.level[rows] + (slope + bend * x) * x + (path.wear[rows] * worn).sum(1) + step
    return mean, slope + 2 * bend * x


class _Steps(NamedTuple):
    """Even steps of log radius: from `first` on lie the cells, `per_cell` steps each; `beyond` steps at each side."""

    first: float
    step: float
    cells: int
    per_cell: int
    beyond: int

    @classmethod
    def of(cls, limits: tuple[float, float], reach: float) -> _Steps:
        """Cells lie where radii do and not only near a limit, for what burr there is hangs on them."""
        low, high = limits
        first = low if np.isfinite(low) else min(_USUAL, high) - _FAR
        last = max(high if np.isfinite(high) else max(_USUAL, low) + _FAR, first + _NEAREST)
        cells = max(12, int(np.ceil((last - first) / _CELL)))
        per_cell = max(1, round((last - first) / cells / _STEP))
        step = (last - first) / (cells * per_cell)
        return cls(first, step, cells, per_cell, int(np.ceil(reach / step)))

    @property
    def inner(self) -> int:
        """Steps from the first cell's begin to the last one's end."""
        return self.cells * self.per_cell

    @property
    def grid(self) -> np.ndarray:
        """Steps from the first cell's begin to each mean of the table."""
        return np.arange(-self.beyond, self.inner + self.beyond + 1)


def _radius_table(promise: Promise, alike: Alike) -> _Table:
    used, back = np.unique(promise.node, return_inverse=True)
    scatter, (low, high) = promise.scatter.spread(alike.factor), promise.radius_limits
    low, high = low if low > _LEAST else -np.inf, high if high < _MOST else np.inf
    steps = _Steps.of((low, high), 3 * float(np.quantile(np.sqrt(scatter.shared**2 + scatter.edge**2), 0.9)) + 0.5)
    edge, nu = scatter.edge[used], 1 / scatter.tail[used]
    # Means and cells' ends stand on the same steps, so that the Student t is needed at their distances only.
    half = stdtr(nu[:, None], np.arange(steps.inner + steps.beyond + 1) * steps.step / edge[:, None])
    below = np.concatenate([1 - half[:, :0:-1], half], 1)
    if alike.burr is None:
        radius, ends = (below[:, steps.inner:] - below[:, :-steps.inner])[back, ::-1], [1.0, 1.0]
    else:
        radius, ends = _cleared(alike.burr, steps, below, back)
    grid = steps.grid
    if not np.isfinite(low):
        radius = radius + ends[0] * below[back][:, steps.inner + steps.beyond - grid]
    if not np.isfinite(high):
        radius = radius + ends[1] * (1 - below[back][:, 2 * steps.inner + steps.beyond - grid])
    return _Table(radius, float(steps.first - steps.beyond * steps.step), steps.step)


def _cleared(burr: Burr, steps: _Steps, below: Floats, back: np.ndarray) -> tuple[Floats, list[Floats]]:
    """Chance that an edge lies in the cells and is free of burr, a draw and mean; that of burr beyond either end.

    `below` (nodes, distances) is the chance of an edge below a distance from its mean, `back` each draw's node.
    """
    grid, apart = steps.grid, max(steps.per_cell, round(_CELL / steps.step))
    # A cell's chance at a mean is that of the first cell at a mean as many steps away: one row of numbers a node.
    mass = below[:, steps.per_cell:] - below[:, :-steps.per_cell]
    in_cells = sliding_window_view(mass, (steps.cells - 1) * steps.per_cell + 1, axis=1)[:, ::-1, ::steps.per_cell]
    middle = (np.arange(steps.cells) + 0.5) * steps.per_cell
    dose = grid[:, None] + BURR_OF_EDGE * (middle - grid[:, None])
    points = np.arange(np.floor(dose.min() / apart) - 1, np.floor(dose.max() / apart) + 3)
    chance = burr.chance(steps.first + points * apart * steps.step)
    cleared = np.empty((len(back), len(grid)))
    bounds = np.searchsorted(back, np.arange(len(below) + 1))
    size = max(1, BATCH // (max(len(below), steps.cells) * len(points)))
    for means in (slice(m, m + size) for m in range(0, len(grid), size)):
        of_node = in_cells[:, means].transpose(1, 0, 2) @ _cubics(dose[means] / apart, points)
        for k in range(len(below)):
            mine = slice(bounds[k], bounds[k + 1])
            cleared[mine, means] = chance[mine] @ of_node[:, k].T
    return cleared, [chance @ _cubics(dose[:, [i]] / apart, points)[:, 0].T for i in (0, -1)]


def _cubics(at: Floats, points: Floats) -> Floats:
    """Weights of values at some whole numbers in a row in those at `at` (m, k), (m, k, points): cubics through four."""
    index = np.floor(at)
    t = at - index
    weight = np.zeros((*at.shape, len(points)))
    m, k = np.indices(at.shape)
    for i, w in enumerate((-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -(t + 1) * t * (t - 2) / 2,
                           (t + 1) * t * (t - 1) / 6)):
        weight[m, k, (index - points[0]).astype(np.intp) - 1 + i] = w
    return weight


def _removal_table(promise: Promise) -> _Table | None:
    own = promise.removal_scatter
    if own is None or not np.isfinite(promise.removal_limit):
        return None
    used, back = np.unique(promise.node, return_inverse=True)
    sd = own.parts(own.shared[used], used)
    far = 3 * float(np.quantile(sd, 0.9)) + 0.5
    levels = np.arange(promise.removal_limit - far, promise.removal_limit + far, _STEP)
    removal = ndtr((promise.removal_limit - levels[:, None]) / sd[:, None, :]) @ WEIGHTS
    return _Table(removal[back], float(levels[0]), _STEP)


class _Table:
    """Numbers at even steps, straight between them and held at both ends: `values` (draws, entries)."""

    def __init__(self, values: Floats, start: float, step: float) -> None:
        self.flat, self.start, self.step = values.ravel(), start, step
        self.last = values.shape[1] - 1.000001
        self.row = (np.arange(len(values)) * values.shape[1])[:, None]

    def at(self, x: Floats, rows: Rows) -> tuple[Floats, Floats]:
        """Value and slope at x (rows, …)."""
        place = np.clip((x - self.start) / self.step, 0, self.last)
        index = place.astype(np.intp)
        part = place - index
        index += self.row[rows]
        low = self.flat.take(index)
        rise = self.flat.take(index + 1) - low
        return low + rise * part, rise / self.step


def radius_shares(promise: Promise, x: Floats) -> Floats:
    """Least share of radii above the lower limit, below the upper, and within both, (3, draws, len(x)).

    By the mixture that the intervals are solved with.
    """
    if promise.parts:
        return np.min([radius_shares(part, x) for part in promise.parts], axis=0)
    key = ("corners", promise.hours, *np.isfinite(promise.radius_limits))
    sd, step = promise.radius.kept.keep(key, partial(_corner_edges, promise))
    mean = (promise.radius.at(x) + step[..., None])[..., None]
    low, high = promise.radius_limits
    below = ndtr((high - mean) / sd) @ WEIGHTS if np.isfinite(high) else np.ones(mean.shape[:3])
    short = ndtr((low - mean) / sd) @ WEIGHTS if np.isfinite(low) else np.zeros(mean.shape[:3])
    return np.stack([(1 - short).min(0), below.min(0), (below - short).min(0)])


def _corner_edges(promise: Promise) -> tuple[Floats, Floats]:
    """How radii scatter at each corner, (corners, draws, 1, parts), and what wear and position add there."""
    corners = [*slow_corners(promise), *fast_corners(promise)]
    scatter, node, radius = promise.scatter, promise.node, promise.radius
    position, age = np.stack([c.position for c in corners]), np.stack([c.age for c in corners])
    edge = scatter.edge[node][:, None] ** 2 * scatter.tail_factors[node]
    edge = edge * np.array([promise.alike[c.alike].factor for c in corners])[:, None, None] ** 2
    shared = scatter.shared[node] ** 2 + (scatter.wear[node] * age / WEAR_HOURS) ** 2
    step = (radius.wear * wear_columns(age)).sum(2) + radius.position[np.arange(len(node)), position]
    return np.sqrt(shared[..., None] + edge)[:, :, None, :], step
