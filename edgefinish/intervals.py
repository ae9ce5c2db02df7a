"""Where each draw says that enough future edges meet the limits: an interval of log feed speed, draw by draw."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.special import ndtri

from .promise import Path, Promise
from .rows import Floats
from .shares import ALL, Corner, Shares, fast_corners, slow_corners, worst_shares

_SPEEDS = 25
_FEW, _LOOKS, _SOME = 64, 9, 1024
_STEPS, _LEAP, _FLAT = 12, 0.35, 0.05
_NEAR, _SETTLED = 1e-4, 0.02  # of log speed


def _bands(promise: Promise, share: float) -> tuple[Floats, Floats]:
    """In each draw the band that level + slope x + bend x² must stay in, over all ages and positions."""
    scatter, ages = promise.scatter, promise.ages
    low, high = promise.radius_limits
    worn = promise.radius.worn(ages)
    least, most = np.full(len(promise.node), -np.inf), np.full(len(promise.node), np.inf)
    for factor, which, _ in promise.alike:
        lowest, highest = promise.radius.span(which)
        up, down = np.full(len(least), -np.inf), np.full(len(least), -np.inf)
        for distance, wear in zip(scatter.spread(factor).distances(ages, high - low, share), worn, strict=True):
            of_draw = np.repeat(distance, promise.draws_of_node)  # age by age: small enough for the processor's cache
            np.maximum(up, of_draw - wear, out=up)
            np.maximum(down, np.add(of_draw, wear, out=of_draw), out=down)
        if np.isfinite(low):
            np.maximum(least, up - (lowest - low), out=least)
        if np.isfinite(high):
            np.minimum(most, (high - highest) - down, out=most)
    return least, most


def speed_intervals(promise: Promise, share: float) -> tuple[Floats, Floats]:
    """In each draw the widest unbroken interval of x in which the worst share is at least `share`.

    (inf, −inf) where there is none. In closed form where only the radius is limited, else by Newton steps; draws whose
    dose does not fall all the way with speed are looked through at 25 speeds.
    """
    if promise.parts:
        lows, highs = zip(*(speed_intervals(part, share) for part in promise.parts), strict=True)
        low, high = np.max(lows, axis=0), np.min(highs, axis=0)
        none = low > high
        return np.where(none, np.inf, low), np.where(none, -np.inf, high)
    if promise.radius_alone:
        return _solve_intervals(promise.radius, *_bands(promise, share), promise.speeds)
    low, high, sure = _climb_in(promise, share)
    look = np.flatnonzero(~(sure & _all_fall(promise)))
    if len(look):
        x = np.linspace(*promise.speeds, _SPEEDS)
        low[look], high[look] = _cross(x, worst_shares(promise, x, look), share)
    return low, high


def speed_ranges(promise: Promise, share: float, confidence: float) -> list[tuple[float, float]]:
    """Ranges of x that may hold a window each: one, but where a law turns round and both ends will do, not the middle.

    Looked for at 25 speeds, where more draws turn round than a window may leave out.
    """
    if turning(promise) <= 1 - confidence:
        return [promise.speeds]
    x = np.linspace(*promise.speeds, _SPEEDS)
    enough = (worst_shares(promise, x, promise.few(_SOME)) >= share).mean(0)
    good = np.flatnonzero(enough >= confidence)
    gaps = [np.arange(a, b + 1) for a, b in pairwise(good) if b > a + 1]
    cuts = [float(x[gap[enough[gap] == enough[gap].min()]].mean()) for gap in gaps]
    return list(pairwise([promise.speeds[0], *cuts, promise.speeds[1]]))


def turning(promise: Promise) -> float:
    """Share of the draws in which not every dose falls all the way with speed."""
    if promise.parts:
        return max(turning(part) for part in promise.parts)

    def look() -> float:
        return float(np.mean(~_all_fall(promise)))
    return promise.radius.kept.keep(("turning", promise.speeds, promise.removal is None), look)


def _all_fall(promise: Promise) -> np.ndarray:
    """Whether all of a draw's doses fall all the way with speed, (draws,)."""
    falls = _falls(promise.radius, promise.speeds)
    return falls if promise.removal is None else falls & _falls(promise.removal, promise.speeds)


def _falls(path: Path, speeds: tuple[float, float]) -> np.ndarray:
    """Whether a response falls all the way, as laws of speed do, (draws,)."""
    return path.kept.keep(("falls", speeds), lambda: (path.slope < 0) & (
        np.maximum(path.slope + 2 * path.bend * speeds[0], path.slope + 2 * path.bend * speeds[1]) < 0))


def _climb_in(promise: Promise, share: float) -> tuple[Floats, Floats, np.ndarray]:
    """Ends by Newton steps on the probit scale, where the share is nearly straight; from where few draws have them.

    And whether they are sure: steps that leave the range say that the share is met up to its end, but where next to no
    edge meets the limits they may have gone astray. There the share at the end is looked at.
    """
    shares, n = Shares(promise), len(promise.node)
    slow, fast = slow_corners(promise), fast_corners(promise)
    x = np.linspace(*promise.speeds, _LOOKS)
    few = shares.worst(x, [*slow, *fast], promise.few(_FEW))
    ends, best = _cross(x, few, share), x[few.argmax(1)]
    starts = [float(np.median(np.where(np.isfinite(end), end, best))) for end in ends]
    low, high = np.full(n, promise.speeds[0]), np.full(n, promise.speeds[1])
    none, astray = np.zeros(n, bool), np.zeros(n, bool)
    for corner in slow:
        end, found = _root(shares, corner, starts[0], share, 1)
        none |= ~found & (end > promise.speeds[0])
        astray |= _short(shares, corner, promise.speeds[0], share, ~found & ~none)
        low = np.maximum(low, end)
    for corner in fast:
        end, found = _root(shares, corner, starts[1], share, -1)
        none |= ~found & (end < promise.speeds[1])
        astray |= _short(shares, corner, promise.speeds[1], share, ~found & ~none)
        high = np.minimum(high, end)
    none |= high < low
    return np.where(none, np.inf, low), np.where(none, -np.inf, high), ~astray


def _short(shares: Shares, corner: Corner, x: float, share: float, asked: np.ndarray) -> np.ndarray:
    """Which of the draws `asked` have a share at a corner and speed that is less than `share`, (draws,)."""
    out, rows = np.zeros(len(asked), bool), np.flatnonzero(asked)
    if len(rows):
        out[rows] = shares.at(np.full(len(rows), x), corner, rows)[0] < share
    return out


def _root(shares: Shares, corner: Corner, start: float, share: float, way: int) -> tuple[Floats, np.ndarray]:
    """Where the share at a corner crosses `share`, going up (`way` 1) or down (−1) with speed, and whether it does.

    A step over what is known to lie on the other side of the crossing goes half way there instead.
    """
    first, last = shares.promise.speeds
    x, wanted = np.full(len(shares.promise.node), start), ndtri(share)
    found, rows = np.zeros(len(x), bool), np.arange(len(x))
    before, after = np.full(len(x), -np.inf), np.full(len(x), np.inf)  # the crossing lies between, in steps of `way`
    for _ in range(_STEPS):
        got, rise = shares.at(x[rows], corner, rows if len(rows) < len(x) else ALL)
        probit = ndtri(np.clip(got, 1e-9, 1 - 1e-9))
        rise = way * rise * np.sqrt(2 * np.pi) * np.exp(0.5 * probit * probit)
        # past the top of the share there is no end on this side: back towards it
        step = np.clip(np.where(rise > _FLAT, (wanted - probit) / np.maximum(rise, _FLAT), -_LEAP), -_LEAP, _LEAP)
        place, short = way * x[rows], (probit < wanted) & (rise > _FLAT)
        before[rows] = np.where(short, np.maximum(before[rows], place), before[rows])
        after[rows] = np.where(short, after[rows], np.minimum(after[rows], place))
        ahead = place + step
        over = (np.abs(step) > _NEAR) & ((ahead <= before[rows]) | (ahead >= after[rows]))
        ahead[over] = (before[rows][over] + after[rows][over]) / 2
        x[rows] = np.clip(way * ahead, first - _LEAP, last + _LEAP)
        found[rows] = (rise > _FLAT) & (np.abs(step) < _SETTLED)
        rows = rows[(np.abs(step) > _NEAR) & (x[rows] > first - _LEAP) & (x[rows] < last + _LEAP)]
        if not len(rows):
            break
    return x, found


def _roots(path: Path, level: Floats) -> Floats:
    """Where level + slope x + bend x² meets `level`, (draws, 2), NaN where it does not."""
    c = path.level - level
    with np.errstate(all="ignore"):
        root = np.sqrt(path.slope**2 - 4 * path.bend * c)
        q = -0.5 * (path.slope + np.copysign(root, path.slope))
        return np.stack([q / path.bend, c / q], -1)


def _solve_intervals(path: Path, low: Floats, high: Floats, speeds: tuple[float, float]) -> tuple[Floats, Floats]:
    falls = _falls(path, speeds)
    if falls.all():
        return _solve_falling(path, low, high, speeds)
    starts, ends = np.empty(len(low)), np.empty(len(low))
    for some, solver in ((falls, _solve_falling), (~falls, _solve_any)):
        if some.any():
            starts[some], ends[some] = solver(path.some(some), low[some], high[some], speeds)
    return starts, ends


def _solve_falling(path: Path, low: Floats, high: Floats, speeds: tuple[float, float]) -> tuple[Floats, Floats]:
    """Where the response falls all the way, as laws of speed do: one root an end."""
    square = path.kept.keep("square", lambda: path.slope**2)
    four = path.kept.keep("four", lambda: 4 * path.bend)
    ends = []
    for bound, no_limit, last_speed in zip((high, low), (np.inf, -np.inf), speeds, strict=True):
        if bound[0] == no_limit:
            ends.append(np.full(len(bound), last_speed))
            continue
        with np.errstate(invalid="ignore"):  # a draw without any band
            c = path.level - bound
            root = four * c
            np.subtract(square, root, out=root)
            np.sqrt(np.maximum(root, 0.0, out=root), out=root)
            c *= 2
            c /= np.subtract(root, path.slope, out=root)
            ends.append(c)
    none = (ends[0] > speeds[1]) | (ends[1] < speeds[0]) | ~(ends[0] <= ends[1])
    low, high = np.maximum(ends[0], speeds[0], out=ends[0]), np.minimum(ends[1], speeds[1], out=ends[1])
    low[none], high[none] = np.inf, -np.inf
    return low, high


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
