"""What draws of the laws promise: in each draw the share of future edges that meet the limits, and where it is enough.

A future edge lies on a new plate run under a new sheet. Its log radius is the path's mean plus a normal (sheet, its own
wear, plate) plus a Student t (edge); its log removal moves twice with the same sheet and plate, and has a part of its
own; its burr goes with its radius. One draw of sheet, plate and edge meets all limits together or fails.
Works on draws; knows no log.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import ndtr, ndtri, stdtr

from .laws import AREA_LAW, WEAR_HOURS, wear_columns
from .rows import Floats
from .scatter import WEIGHTS, Scatter

_AGES = 7
_SPEEDS = 25
_GH_X, _GH_W = np.polynomial.hermite_e.hermegauss(11)
_GH_W = _GH_W / _GH_W.sum()
_TABLE = 160
_CELL = 0.07
_STEP = 0.02
_FAR = 2.4


@dataclass(frozen=True, eq=False)
class Path:
    """Log response of a job in each draw: level + slope x + bend x² + wear + position, x = log feed over the centre.

    `level`, `slope`, `bend` (draws,); `wear` (draws, 2) for `laws.wear_columns`; `position` (draws, positions), and its
    `lowest` and `highest` (draws,). Made by `Path.of`.
    """

    level: Floats
    slope: Floats
    bend: Floats
    wear: Floats
    position: Floats
    lowest: Floats
    highest: Floats

    @classmethod
    def of(cls, level: Floats, slope: Floats, bend: Floats, wear: Floats, position: Floats) -> Path:
        """A path from what it is made of."""
        return cls(level, slope, bend, wear, position, position.min(1), position.max(1))

    def at(self, x: Floats) -> Floats:
        """Without wear and position, (draws, len(x))."""
        return self.level[:, None] + self.slope[:, None] * x + self.bend[:, None] * x * x

    def some(self, pick: slice | np.ndarray) -> Path:
        """Some of the draws."""
        return Path(self.level[pick], self.slope[pick], self.bend[pick], self.wear[pick], self.position[pick],
                    self.lowest[pick], self.highest[pick])

    def with_position(self, step: Floats) -> Path:
        """The same path at one position alone, its step (draws,)."""
        return replace(self, position=step[:, None], lowest=step, highest=step)


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


def _bands(promise: Promise, share: float) -> tuple[Floats, Floats]:
    """In each draw the band that level + slope x + bend x² must stay in, over all ages and positions."""
    scatter, ages = promise.scatter, promise.ages
    low, high = promise.radius_limits
    distance = scatter.distances(ages, high - low, share)[:, promise.node]
    worn = wear_columns(ages).reshape(len(ages), -1) @ promise.radius.wear.T
    least = low + (distance - worn).max(0) if np.isfinite(low) else np.full(len(promise.node), -np.inf)
    most = high - (distance + worn).max(0) if np.isfinite(high) else np.full(len(promise.node), np.inf)
    return least - promise.radius.lowest, most - promise.radius.highest


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
    steepest = np.minimum(-path.slope - 2 * path.bend * speeds[0], -path.slope - 2 * path.bend * speeds[1])
    falls = (steepest > 0) & (path.slope < 0)
    if falls.all():
        return _solve_falling(path, low, high, speeds)
    starts, ends = np.empty(len(low)), np.empty(len(low))
    for some, solver in ((falls, _solve_falling), (~falls, _solve_any)):
        starts[some], ends[some] = solver(path.some(some), low[some], high[some], speeds)
    return starts, ends


def _solve_falling(path: Path, low: Floats, high: Floats, speeds: tuple[float, float]) -> tuple[Floats, Floats]:
    """Where the response falls all the way, as laws of speed do: one root an end."""
    ends = []
    for bound, last_speed in zip((high, low), speeds, strict=True):
        c = path.level - bound
        with np.errstate(invalid="ignore"):
            root = np.sqrt(np.maximum(path.slope**2 - 4 * path.bend * c, 0.0))
            end = 2 * c / (root - path.slope)
        # Without a limit on this side there is no root.
        ends.append(np.clip(np.where(np.isnan(end), last_speed, end), *speeds))
    first = path.level + path.slope * speeds[0] + path.bend * speeds[0] ** 2
    last = path.level + path.slope * speeds[1] + path.bend * speeds[1] ** 2
    none = (first < low) | (last > high) | (ends[1] < ends[0])
    return np.where(none, np.inf, ends[0]), np.where(none, -np.inf, ends[1])


def _solve_any(path: Path, low: Floats, high: Floats, speeds: tuple[float, float]) -> tuple[Floats, Floats]:
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
    removal = ndtr((promise.removal_limit - levels[:, None]) / sd[:, None, :]) @ WEIGHTS
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
    top = ndtr((high - mean) / sd) @ WEIGHTS if np.isfinite(high) else 1.0
    return top - (ndtr((low - mean) / sd) @ WEIGHTS if np.isfinite(low) else 0.0) * np.ones(mean.shape[:2])


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
