"""What draws of the laws promise: in each draw the share of future edges that meet the limits, and where it is enough.

A future edge lies on a new plate run under a new sheet. Its log radius is the path's mean plus a normal (sheet, its own
wear, plate) plus a Student t (edge); its log removal moves twice with the same sheet and plate, and has a part of its
own; its burr goes with its radius. One draw of sheet, plate and edge meets all limits together or fails.
Works on draws; knows no log.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import gammaincinv, ndtr, ndtri, stdtr

from .laws import AREA_LAW, WEAR_HOURS, wear_columns
from .rows import Floats

_AGES = 7
_FALSE_POSITIONS = 12
_SPEEDS = 25
_X, _W = np.polynomial.legendre.leggauss(12)
_X, _W = (_X + 1) / 2, _W / 2
_GH_X, _GH_W = np.polynomial.hermite_e.hermegauss(11)
_GH_W = _GH_W / _GH_W.sum()
_TABLE = 160
_CELL = 0.07
_STEP = 0.02
_FAR = 2.4


@dataclass(frozen=True, eq=False)
class Path:
    """Log response of a job in each draw: level + slope x + bend x² + wear + position, x = log feed over the centre.

    `level`, `slope`, `bend` (draws,); `wear` (draws, 2) for `laws.wear_columns`; `position` (draws, positions).
    """

    level: Floats
    slope: Floats
    bend: Floats
    wear: Floats
    position: Floats

    def at(self, x: Floats) -> Floats:
        """Without wear and position, (draws, len(x))."""
        return self.level[:, None] + self.slope[:, None] * x + self.bend[:, None] * x * x

    def some(self, pick: slice) -> Path:
        """Some of the draws."""
        return Path(self.level[pick], self.slope[pick], self.bend[pick], self.wear[pick], self.position[pick])

    def with_position(self, step: Floats) -> Path:
        """The same path at one position alone, its step (draws,)."""
        return replace(self, position=step[:, None])


@dataclass(frozen=True, eq=False)
class Scatter:
    """Spreads of future edges at each node, all (K,).

    `shared` by all edges of a plate on a fresh sheet; `wear` of the sheet's own wear per 10 h; `edge`, `tail` (1/ν).
    """

    shared: Floats
    wear: Floats
    edge: Floats
    tail: Floats

    @cached_property
    def tail_factors(self) -> Floats:
        """Variances, over that of the normal, of the equal mixture of normals that is the Student t, (K, 12)."""
        nu = 1 / self.tail[:, None]
        return nu / (2 * gammaincinv(nu / 2, _X))

    def parts(self, shared: Floats, node: np.ndarray | slice = slice(None)) -> Floats:
        """SDs of the normals whose mixture is `shared` normal plus Student edge, at some nodes, (…, 12)."""
        return np.sqrt(shared[:, None] ** 2 + self.edge[node][:, None] ** 2 * self.tail_factors[node])

    def shared_at(self, hours: float) -> Floats:
        """SD of sheet and plate together at an age of the sheet."""
        return np.sqrt(self.shared**2 + (self.wear * hours / WEAR_HOURS) ** 2)


@dataclass(frozen=True, eq=False)
class Burr:
    """Chance that the burr is within its limit, given the log radius of the edge, in each draw.

    Φ(`level` + `slope` · log radius + height part), averaged over the heights before: `height` (draws, nodes) is that
    part, each node of equal weight. All in units that include the own scatter of burr.
    """

    level: Floats
    slope: Floats
    height: Floats

    def some(self, pick: slice) -> Burr:
        """Some of the draws."""
        return Burr(self.level[pick], self.slope[pick], self.height[pick])

    def chance(self, log_radius: Floats) -> Floats:
        """(draws, len(log_radius))."""
        line = self.level[:, None] + self.slope[:, None] * log_radius
        return np.mean([ndtr(line + h[:, None]) for h in self.height.T], axis=0)


@dataclass(frozen=True, eq=False)
class Promise:
    """Everything that one job's draws say. `node` (draws,), rising, tells which node of the scatters a draw belongs to.

    `speeds`: least and greatest x (log feed over centre) that may be promised; `hours` the span of sheet age;
    `radius_limits` log mm, ±inf where there is none; `removal_limit` log µm, inf where there is none.
    """

    node: np.ndarray
    speeds: tuple[float, float]
    hours: tuple[float, float]
    radius: Path
    scatter: Scatter
    radius_limits: tuple[float, float]
    removal: Path | None = None
    removal_scatter: Scatter | None = None
    removal_limit: float = np.inf
    burr: Burr | None = None

    def thinned(self, count: int) -> Promise:
        """The same on about `count` of its draws, evenly spread over the nodes."""
        pick = slice(None, None, max(1, len(self.node) // count))
        return replace(self, node=self.node[pick], radius=self.radius.some(pick),
                       removal=self.removal and self.removal.some(pick), burr=self.burr and self.burr.some(pick))

    @property
    def ages(self) -> Floats:
        """Sheet ages at which the promise is looked at: closer on a young sheet, where wear is fast."""
        low, high = self.hours
        return np.array([low]) if low == high else low + (high - low) * np.linspace(0, 1, _AGES) ** 2

    @property
    def radius_alone(self) -> bool:
        """Whether nothing but the edge radius is limited."""
        return self.burr is None and not np.isfinite(self.removal_limit)


def band_of_means(sd: Floats, low: float, high: float, share: float) -> tuple[Floats, Floats]:
    """Least and greatest mean with at least `share` of readings in [low, high]; (inf, −inf) where none has.

    `sd` (K, parts) of the equal mixture `_W`; either limit may be infinite.
    """
    def inside(mean: Floats) -> Floats:
        top = ndtr((high - mean[:, None]) / sd) @ _W if np.isfinite(high) else 1.0
        return top - (ndtr((low - mean[:, None]) / sd) @ _W if np.isfinite(low) else 0.0)

    far = 8 * sd.max(1)
    if np.isfinite(low) and np.isfinite(high):
        middle = np.full(len(sd), (low + high) / 2)
        possible = inside(middle) >= share
    else:
        middle = low + far if np.isfinite(low) else high - far
        possible = np.ones(len(sd), bool)

    def edge(outside: Floats) -> Floats:
        # False position on the probit scale, where shares are nearly straight in the mean, ends on the safe side.
        within, wanted = middle.copy(), ndtri(share)
        outside = outside.copy()
        f_in, f_out = probit(within) - wanted, probit(outside) - wanted
        kept = np.zeros(len(sd), int)
        for _ in range(_FALSE_POSITIONS):
            part = np.clip(f_out / np.where(f_out == f_in, -1, f_out - f_in), 0, 1)
            between = outside + (within - outside) * part
            f = probit(between) - wanted
            good = f >= 0
            f_out = np.where(good & (kept == 1), f_out / 2, f_out)
            f_in = np.where(~good & (kept == -1), f_in / 2, f_in)
            within, f_in = np.where(good, between, within), np.where(good, f, f_in)
            outside, f_out = np.where(good, outside, between), np.where(good, f_out, f)
            kept = np.where(good, 1, -1)
        return within

    def probit(mean: Floats) -> Floats:
        return ndtri(np.clip(inside(mean), 1e-12, 1 - 1e-15))

    least = np.where(possible, edge(low - far), np.inf) if np.isfinite(low) else np.full(len(sd), -np.inf)
    most = np.where(possible, edge(high + far), -np.inf) if np.isfinite(high) else np.full(len(sd), np.inf)
    return least, most


def _bands(promise: Promise, share: float) -> tuple[Floats, Floats]:
    """In each draw the band that level + slope x + bend x² must stay in, over all ages and positions."""
    used, back = np.unique(promise.node, return_inverse=True)
    scatter, wear = promise.scatter, promise.radius.wear
    low = np.full(len(back), -np.inf)
    high = np.full(len(back), np.inf)
    band = None
    for age in promise.ages:
        if band is None or scatter.wear.any():
            sd = scatter.parts(scatter.shared_at(age)[used], used)
            band = band_of_means(sd, *promise.radius_limits, share)
        worn = wear @ wear_columns(age)
        low = np.maximum(low, band[0][back] - worn)
        high = np.minimum(high, band[1][back] - worn)
    return low - promise.radius.position.min(1), high - promise.radius.position.max(1)


def speed_intervals(promise: Promise, share: float) -> tuple[Floats, Floats]:
    """In each draw the widest unbroken interval of x in which the worst share is at least `share`.

    (inf, −inf) where there is none. Solved for where only the radius is limited; else crossed between 25 speeds.
    """
    if promise.radius_alone:
        return _solve_intervals(promise.radius, *_bands(promise, share), promise.speeds)
    x = np.linspace(*promise.speeds, _SPEEDS)
    return _cross(x, worst_shares(promise, x), share)


def _roots(path: Path, level: Floats) -> Floats:
    """Where level + slope x + bend x² meets `level`, (draws, 2), NaN where it does not."""
    c = path.level - level
    with np.errstate(all="ignore"):
        root = np.sqrt(path.slope**2 - 4 * path.bend * c)
        q = -0.5 * (path.slope + np.copysign(root, path.slope))
        return np.stack([q / path.bend, c / q], -1)


def _solve_intervals(path: Path, low: Floats, high: Floats, speeds: tuple[float, float]) -> tuple[Floats, Floats]:
    ends = np.concatenate([np.broadcast_to(speeds, (len(low), 2)), _roots(path, low), _roots(path, high)], 1)
    ends = np.sort(np.clip(np.where(np.isfinite(ends), ends, speeds[0]), *speeds), axis=1)
    middle = (ends[:, 1:] + ends[:, :-1]) / 2
    value = path.level[:, None] + path.slope[:, None] * middle + path.bend[:, None] * middle**2
    good = (value >= low[:, None]) & (value <= high[:, None])
    best_low, best_high = np.full(len(low), np.inf), np.full(len(low), -np.inf)
    start = np.full(len(low), np.nan)
    for i in range(good.shape[1]):
        start = np.where(good[:, i], np.where(np.isnan(start), ends[:, i], start), np.nan)
        wider = good[:, i] & ((ends[:, i + 1] - start) > (best_high - best_low))
        best_low, best_high = np.where(wider, start, best_low), np.where(wider, ends[:, i + 1], best_high)
    return best_low, best_high


def _cross(x: Floats, shares: Floats, share: float) -> tuple[Floats, Floats]:
    """Ends of the interval about each draw's best speed, crossed straight on the probit scale."""
    n, v = shares.shape
    over = ndtri(np.clip(shares, 1e-9, 1 - 1e-9)) - ndtri(share)
    rows, best = np.arange(n), over.argmax(1)
    place, short = np.arange(v), over < 0
    left = np.where(short & (place < best[:, None]), place, -1).max(1)
    right = np.where(short & (place > best[:, None]), place, v).min(1)

    def cross(out: np.ndarray, inn: np.ndarray) -> Floats:
        a, b = over[rows, out], over[rows, inn]
        return x[out] + (x[inn] - x[out]) * np.clip(-a / np.where(b == a, 1, b - a), 0, 1)

    low = np.where(left < 0, x[0], cross(np.maximum(left, 0), np.minimum(left + 1, v - 1)))
    high = np.where(right >= v, x[-1], cross(np.minimum(right, v - 1), np.maximum(right - 1, 0)))
    possible = over[rows, best] >= 0
    return np.where(possible, low, np.inf), np.where(possible, high, -np.inf)


def worst_shares(promise: Promise, x: Floats) -> Floats:
    """Least share over positions and sheet ages in each draw at each speed, (draws, len(x))."""
    table = None if promise.radius_alone else _tables(promise)
    worst = np.ones((len(promise.node), len(x)))
    for position, age in _corners(promise):
        share = (_radius_share_at(promise, x, position, age) if table is None else
                 _share_at(promise, table, x, position, age))
        worst = np.minimum(worst, share)
    return worst


def shares_along(promise: Promise, x: Floats, hours: Floats) -> Floats:
    """Share at the first position at pairs of speed and sheet age, (draws, len(x))."""
    table = _tables(promise)
    out = np.empty((len(promise.node), len(x)))
    first = np.zeros(len(promise.node), np.intp)
    for age in np.unique(hours):
        here = hours == age
        out[:, here] = _share_at(promise, table, x[here], first, np.full(len(first), age))
    return out


def _corners(promise: Promise) -> list[tuple[np.ndarray, Floats]]:
    """Positions and ages, one of each a draw, where a limit can bind: least and greatest dose, removal, oldest sheet.

    The share is log-concave in the means (normal and Student mixtures over a box of limits; Prékopa 1973), so that
    between the least and the greatest mean no position does worse than at both.
    """
    ages = promise.ages
    columns = wear_columns(ages).T
    radius = promise.radius
    worn = radius.wear @ columns
    oldest = np.full(len(worn), ages[-1])
    least, most = radius.position.argmin(1), radius.position.argmax(1)
    corners = [(least, ages[worn.argmin(1)]), (most, ages[worn.argmax(1)])]
    if len(ages) > 1:
        corners += [(least, oldest), (most, oldest)]
    if promise.removal is not None and np.isfinite(promise.removal_limit):
        heavy = promise.removal.position.argmax(1)
        corners.append((heavy, ages[(promise.removal.wear @ columns).argmax(1)]))
    unique: list[tuple[np.ndarray, Floats]] = []
    for corner in corners:
        if not any(np.array_equal(corner[0], u[0]) and np.array_equal(corner[1], u[1]) for u in unique):
            unique.append(corner)
    return unique


@dataclass(frozen=True, eq=False)
class _Tables:
    """Chance that radius and burr are within limits given the plate's log radius, and removal given its log removal."""

    start: float
    step: float
    radius: Floats
    removal_start: float
    removal_step: float
    removal: Floats | None


def _tables(promise: Promise) -> _Tables:
    used, back = np.unique(promise.node, return_inverse=True)
    scatter, (low, high) = promise.scatter, promise.radius_limits
    edge, nu = scatter.edge[used], 1 / scatter.tail[used]
    reach = 3 * float(np.quantile(np.sqrt(scatter.shared**2 + scatter.edge**2), 0.9)) + 0.5
    middle = high if np.isfinite(high) else low if np.isfinite(low) else np.log(0.3)
    first = low if np.isfinite(low) else middle - _FAR
    last = high if np.isfinite(high) else middle + _FAR
    # Radii stand on one grid with the cells' ends, so that the Student t is needed at their distances only.
    cells = max(12, int(np.ceil((last - first) / _CELL)))
    per_cell = max(1, round((last - first) / cells / _STEP))
    inner = cells * per_cell
    step = (last - first) / inner
    beyond = int(np.ceil(reach / step))
    distance = np.arange(-(inner + beyond), inner + beyond + 1)
    below = stdtr(nu[:, None], distance * step / edge[:, None])
    grid = np.arange(-beyond, inner + beyond + 1)
    ends = np.arange(cells + 1) * per_cell
    if promise.burr is None:
        ends = ends[[0, -1]]
    # A cell's chance at a mean is that of the first cell at a mean as many steps away: one row of numbers a node.
    across = per_cell if promise.burr is not None else inner
    mass = below[:, across:] - below[:, :-across]
    cells = len(ends) - 1
    reach_of = sliding_window_view(mass, (cells - 1) * across + 1, axis=1)[:, ::-1, ::across]
    if promise.burr is None:
        radius = reach_of[back, :, 0]
        weight = np.ones((len(back), 1))
    else:
        weight = promise.burr.chance(first + (ends[1:] + ends[:-1]) / 2 * step)
        radius = np.empty((len(back), len(grid)))
        bounds = np.searchsorted(back, np.arange(len(used) + 1))
        for k in range(len(used)):
            mine = slice(bounds[k], bounds[k + 1])
            radius[mine] = weight[mine] @ reach_of[k].T
    if not np.isfinite(low):
        radius = radius + weight[:, :1] * below[back][:, inner + beyond - grid]
    if not np.isfinite(high):
        radius = radius + weight[:, -1:] * (1 - below[back][:, ends[-1] + inner + beyond - grid])
    start = first - beyond * step
    if promise.removal_scatter is None or not np.isfinite(promise.removal_limit):
        return _Tables(start, step, radius, 0.0, 1.0, None)
    own = promise.removal_scatter
    sd = own.parts(own.shared[used], used)
    far = 3 * float(np.quantile(sd, 0.9)) + 0.5
    levels = np.linspace(promise.removal_limit - far, promise.removal_limit + far, _TABLE)
    removal = ndtr((promise.removal_limit - levels[:, None]) / sd[:, None, :]) @ _W
    return _Tables(start, step, radius, levels[0], levels[1] - levels[0], removal[back])


def _look_up(table: Floats, start: float, step: float, at: Floats) -> Floats:
    """Straight between entries, held at both ends; `table` (draws, entries), `at` (draws, …)."""
    place = np.clip((at - start) / step, 0, table.shape[1] - 1.000001)
    index = place.astype(np.intp)
    part = place - index
    index += (np.arange(len(table)) * table.shape[1]).reshape(-1, *[1] * (at.ndim - 1))
    flat = table.ravel()
    return flat[index] * (1 - part) + flat[index + 1] * part


def _radius_share_at(promise: Promise, x: Floats, position: np.ndarray, age: Floats) -> Floats:
    """Share within the radius limits at one position and age a draw, (draws, len(x)): the solver's own mixture."""
    scatter, node, radius = promise.scatter, promise.node, promise.radius
    shared = np.hypot(scatter.shared[node], scatter.wear[node] * age / WEAR_HOURS)
    sd = scatter.parts(shared, node)[:, None, :]
    step = (radius.wear * wear_columns(age)).sum(1) + radius.position[np.arange(len(node)), position]
    mean = (radius.at(x) + step[:, None])[:, :, None]
    low, high = promise.radius_limits
    top = ndtr((high - mean) / sd) @ _W if np.isfinite(high) else 1.0
    return top - (ndtr((low - mean) / sd) @ _W if np.isfinite(low) else 0.0) * np.ones(mean.shape[:2])


def _share_at(promise: Promise, table: _Tables, x: Floats, position: np.ndarray, age: Floats) -> Floats:
    """Share at one position and age a draw, (draws, len(x))."""
    rows = np.arange(len(position))
    worn = wear_columns(age)
    scatter, node = promise.scatter, promise.node
    shared = np.sqrt(scatter.shared[node] ** 2 + (scatter.wear[node] * age / WEAR_HOURS) ** 2)
    radius = promise.radius
    step = (radius.wear * worn).sum(1) + radius.position[rows, position]
    mean = radius.at(x) + step[:, None]
    removal_mean = None
    if table.removal is not None and promise.removal is not None:
        path = promise.removal
        removal_mean = path.at(x) + ((path.wear * worn).sum(1) + path.position[rows, position])[:, None]
    total = np.zeros_like(mean)
    for point, weight in zip(_GH_X, _GH_W, strict=True):
        shift = (shared * point)[:, None]
        part = _look_up(table.radius, table.start, table.step, mean + shift)
        if removal_mean is not None:
            part = part * _look_up(table.removal, table.removal_start, table.removal_step,
                                   removal_mean + AREA_LAW * shift)
        total += weight * part
    return total
