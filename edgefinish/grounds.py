"""What stands behind an answer: what binds a window's ends, or why there is none and what to change or run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np

from . import evidence, fromthepast, standing, unlike
from .intervals import turning
from .job import Job, SpeedWindow
from .lawfit import LawFit
from .laws import wear_columns
from .linefit import LineFit
from .promise import Promise
from .rows import Floats
from .shares import radius_shares, worst_shares
from .units import in_shown, shown
from .window import NARROWEST, Found
from .wording import POSITION_WORDS, Remark, ShownWindow, about, hours, limit, percent, refused, sheet_age, shown_span

BURR_LEFT = "burr left"
_NEARLY_FRESH = 0.05
_NEXT_TO_NONE = 1e-3
_NEARLY_ALL = 0.95
_HOPELESS = 2.0  # times as many edges outside as may be, at the least: the same plates again would not change it
_ENOUGH, _FEW, _LOOKS = 96, 8, 9  # draws that name what is lost most, or the best of some speeds: by their median
_TAIL = 384  # draws that name what ends a window: by those few that the confidence leaves out


class Ending(NamedTuple):
    """What binds one end of a window, in a word and in a sentence."""

    what: str
    sentence: str


class _Limit(NamedTuple):
    what: str
    grows: bool  # whether a greater dose makes it worse
    alone: Callable[[Promise], Promise]  # the promise of this limit and no other


def _single_limits(promise: Promise) -> list[_Limit]:
    """Each limit of a promise."""
    low, high = promise.radius_limits
    out = []
    if np.isfinite(low):
        out.append(_Limit("edge radius too small", False, lambda bare: replace(bare, radius_limits=(low, np.inf))))
    if np.isfinite(high):
        out.append(_Limit("edge radius too large", True, lambda bare: replace(bare, radius_limits=(-np.inf, high))))
    if promise.burr is not None:
        out.append(_Limit(BURR_LEFT, False, lambda bare: replace(bare, burr=promise.burr)))
    if np.isfinite(promise.removal_limit):
        out.append(_Limit("removal too great", True,
                          lambda bare: replace(bare, removal_limit=promise.removal_limit)))
    return out


def _binding(promise: Promise, x: float, slower: bool, confidence: float) -> _Limit:
    """The limit that ends a window at x, of those that a slower speed (or a faster one) makes worse.

    An end lies where too many draws have too few edges within the limits: the limit that the fewest edges meet there.
    """
    some = promise.thinned(_TAIL)
    limits = _single_limits(some)
    falls = turning(promise) < 0.5 or np.mean(promise.radius.slope + 2 * promise.radius.bend * x < 0) > 0.5
    limits = [one for one in limits if one.grows == (slower == falls)] or limits
    return limits[0] if len(limits) == 1 else _tightest(some, limits, x, 1 - confidence)[1]


def _tightest(promise: Promise, limits: list[_Limit], x: float, at: float) -> tuple[float, _Limit]:
    """The limit that the fewest edges meet at x, and how many, at the worst position and age: by the quantile `at` of
    the draws."""
    bare = replace(promise, radius_limits=(-np.inf, np.inf), removal_limit=np.inf, burr=None)
    return _fewest([worst_shares(one.alone(bare), np.array([x]))[:, 0] for one in limits], limits, at)


def _fewest(shares: Sequence[Floats], limits: list[_Limit], at: float) -> tuple[float, _Limit]:
    low = [float(np.sort(each)[int(at * len(each))]) for each in shares]
    least = int(np.argmin(low))
    return low[least], limits[least]


def _quantiles(draws: Floats) -> list[float]:
    """The 5 %, 50 % and 95 % points of some draws."""
    return np.sort(draws)[[int(q * len(draws)) for q in (0.05, 0.5, 0.95)]].tolist()


def _middle(draws: Floats) -> Floats:
    """The median over the first axis; numpy's own takes several times as long for few."""
    ordered, half = np.sort(draws, axis=0), len(draws) // 2
    return ordered[half] if len(draws) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _where(promise: Promise, one: _Limit, positions: list[str], x: float) -> str:
    """Edge position and sheet age where a limit binds at a speed, by posterior means."""
    path, ages = promise.removal if one.what == "removal too great" else promise.radius, promise.ages
    own = promise.burr.position if promise.burr is not None and one.what == BURR_LEFT else None

    def look() -> str:
        if path.own is None:
            worn = wear_columns(ages) @ path.kept.keep("mean wear", lambda: path.wear.mean(0))
            dose = worn[:, None] + path.position.mean(0)
        else:
            dose = np.stack([path.mean(x, age).mean(0) for age in ages])
        if promise.burr is not None and own is not None:
            dose = dose + (own / promise.burr.slope[:, None]).mean(0)
        of_age, place = np.unravel_index(dose.argmax() if one.grows else dose.argmin(), dose.shape)
        position, age = positions[place], float(ages[of_age])
        nearly = age < _NEARLY_FRESH * ages[-1]  # which of the few ages looked at says no more
        worn = "a nearly fresh sheet" if nearly else f"a sheet of {sheet_age(age, 'down')}"
        sheet = "a fresh sheet" if age == 0 else worn
        return f"at {POSITION_WORDS[position]} edges on {sheet}"
    if own is not None or path.own is not None:
        return look()
    return path.kept.keep(("where", ages.tobytes(), one.grows, tuple(positions)), look)


def _said(model: LineFit, job: Job, one: _Limit, may: bool = False) -> str:
    """How a limit is missed, or `may` be."""
    low, high = job.edge_radius_mm or (None, None)
    system = model.units
    if one.what == "edge radius too small":
        return f"edge radius {'may fall' if may else 'falls'} below {limit('edge_radius_mm', low, system, 'up')}"
    if one.what == "edge radius too large":
        return f"edge radius {'may exceed' if may else 'exceeds'} {limit('edge_radius_mm', high, system, 'down')}"
    if one.what == "removal too great":
        return f"removal {'may exceed' if may else 'exceeds'} {limit('removal_um', job.removal_um, system, 'down')}"
    left = "may be left" if may else "is left"
    if job.residual_burr_mm == 0:
        return f"burr {left}"
    return f"burr above {limit('residual_burr_mm', job.residual_burr_mm, system, 'down')} {left}"


def bindings(model: LineFit, job: Job, promise: Promise, tried: evidence.Tried, window: tuple[float, float],
             printed: ShownWindow) -> tuple[Ending, Ending]:
    """What binds the slow and the fast end of a window, whose ends are named as they are `printed`."""
    positions = _position_names(model, job)
    out = []
    for x, bound, last, why, at, word in (
            (window[0], promise.speeds[0], tried.low, tried.why_low, printed.low, "Below"),
            (window[1], promise.speeds[1], tried.high, tried.why_high, printed.high, "Above")):
        speed, end = f"{at} {printed.unit}", f"{in_shown('feed_speed_m_min', last, model.units):.3g}"
        if abs(x - bound) < 1e-6:
            said = f"{word} {speed} nothing is promised: {end} {printed.unit} is {why}."
            out.append(Ending(why, f"{speed} is {why}; nothing beyond it is promised." if float(end) == float(at)
                              else said))
            continue
        one = _binding(promise, x, word == "Below", job.confidence)
        out.append(Ending(one.what, f"{word} {speed}, {_said(model, job, one, may=True)} too often, "
                                    f"{_where(promise, one, positions, x)} first."))
    return out[0], out[1]


def _position_names(model: LineFit, job: Job) -> list[str]:
    layout = model.law_for(job).layout
    return [layout.positions[i] for i in model.measured_positions(layout, job)]


def refusal(model: LineFit, job: Job, fitted: LawFit, promise: Promise, possible: float) -> SpeedWindow:
    """The answer where no window can be promised: no speed will do, or the trials cannot tell.

    `possible`: share of the draws that have an interval of speeds wide enough.
    """
    x = np.linspace(*promise.speeds, _LOOKS)
    best = _best(promise, x)
    some = promise.thinned(_ENOUGH)
    limits = _single_limits(some)
    apart: list[Floats] = []
    if promise.radius_alone:  # one look at the edges tells all
        *apart, shares = radius_shares(some, x[best:best + 1])[..., 0]
    else:
        shares = worst_shares(promise, x[best:best + 1], promise.few(_ENOUGH))[:, 0]
    low, median, high = _quantiles(shares)
    at = 0.05 if median >= job.share else 0.5  # what is lost where too few are within the limits
    if apart:
        wanted = np.isfinite(promise.radius_limits)
        alone, one = _fewest([each for each, asked in zip(apart, wanted, strict=True) if asked], limits, at)
    else:
        alone, one = _tightest(some, limits, float(x[best]), at)
    centre = fitted.layout.centre.feed_speed_m_min
    speed = shown("feed_speed_m_min", centre * float(np.exp(x[best])), model.units)
    where = _where(promise, one, _position_names(model, job), float(x[best]))
    verdict: Literal["no window", "not enough evidence"] = "not enough evidence"
    if possible <= max(0.05, 1 - job.confidence):
        verdict = "no window"
    found = [Remark(f"At about the best speed, {speed}, {_beside(median, job.share)} of edges meet every limit at the "
                    f"worst position and age (90 % range {about(low)} to {about(high)}); {percent(job.share)} are "
                    "asked for.")]
    if median >= job.share:
        found.append(Remark(_too_unsure(shares, job, f"{_said(model, job, one)}, {where} first")))
    else:
        found.append(Remark(
            f"Most is lost there to this: {_said(model, job, one)}, {where} first; {about(alone)} meet that limit "
            f"alone{': check it and its unit' if alone <= _NEXT_TO_NONE else ''}."))
    alone_there = standing.alone(model, job)
    found += [*evidence.severity_unsaid(model, job), *unlike.said(model, job, fitted),
              *fromthepast.said(model, fitted), *alone_there]
    near = centre * np.exp(np.clip(x[best] + np.array([-0.2, 0.0, 0.2]), *promise.speeds))
    way = _beyond(model, job, one, best) if _alone_in_the_way(some, limits, one, float(x[best]), job.share) else None
    near = way.speeds if way and len(way.speeds) else near
    if verdict == "no window" and alone_there:
        verdict = "not enough evidence"
        found.append(Remark("None of the other speeds will do, by these trials.", "What was run there alone may: run "
                            "those plates before limits or settings are changed."))
    elif verdict == "no window":
        hopeless = 1 - high > _HOPELESS * (1 - job.share)
        found.append(Remark(_no_speed_will_do(model, job, near, way, hopeless)))
    else:
        found.append(Remark(_cannot_tell(possible, job.confidence), evidence.run_next(model, job, near, 4)))
    return refused(job, verdict, found)


def _cannot_tell(possible: float, confidence: float) -> str:
    """How likely a window is there where none can be promised, as a rough share.

    >>> _cannot_tell(0.31, 0.9).replace("\N{NO-BREAK SPACE}", " ")
    'These trials cannot tell: perhaps a window is there, in some 30 % of what they leave possible.'
    >>> _cannot_tell(0.97, 0.9)[-67:]
    'nearly all of what they leave possible, but not at the same speeds.'
    """
    may = "a window may be" if possible >= 0.5 else "perhaps a window is"
    share = "nearly all" if possible >= _NEARLY_ALL else f"some {percent(max(round(possible, 1), 0.1))}"
    where = ", but not at the same speeds" if possible >= confidence else ""
    return f"These trials cannot tell: {may} there, in {share} of what they leave possible{where}."


def _beside(median: float, asked: float) -> str:
    """How many edges meet the limits, so that it reads as less than what is asked for only where it is.

    >>> [_beside(*some).replace("\N{NO-BREAK SPACE}", " ") for some in ((0.87, 0.9), (0.9891, 0.99))]
    ['some 87 %', 'just under 99 %']
    """
    shown_enough = round(median, 2) >= asked
    if shown_enough == (median >= asked):
        return f"some {about(median)}"
    return f"just {'under' if shown_enough else 'over'} {percent(asked)}"


def _too_unsure(shares: Floats, job: Job, lost: str) -> str:
    """What stands against a window at a speed where enough edges meet every limit by the median of the draws."""
    sure = int(100 * (shares >= job.share).mean() + 1e-9) / 100
    if sure >= job.confidence:
        return ("There that is enough, and sure enough; but no two speeds "
                f"{percent(NARROWEST - 1)} apart, which a drive needs, are so together with what lies between.")
    return (f"That would be enough, were it sure: the chance that it is so is {percent(sure)}, and "
            f"{percent(job.confidence)} are asked for. Where it is not, most is lost to this: {lost}.")


class _Way(NamedTuple):
    """Where the best of the tried speeds is the last one: what lies beyond it, and what does as much by other settings.

    `speeds` (3,) or none where the line goes no further.
    """

    last: str
    settings: str
    speeds: Floats


def _alone_in_the_way(promise: Promise, limits: list[_Limit], one: _Limit, x: float, share: float) -> bool:
    """Whether enough edges meet every limit that comes the harder to meet the more is done for `one`."""
    against = [other for other in limits if other.grows != one.grows]
    return not against or _tightest(promise, against, x, 0.5)[0] >= share


def _beyond(model: LineFit, job: Job, one: _Limit, best: int) -> _Way | None:
    """What a job needs whose edges get too little even at the slowest of the tried speeds, or too much at the fastest.

    None where the best of the speeds looked at lies between, or a speed beyond makes the limit that is lost most worse.
    """
    tried, (least, most) = evidence.Tried.of(model, job), model.line.feed_speed_m_min or (0.0, np.inf)
    if best == 0 and not one.grows:
        end = max(least, tried.low / evidence.FURTHER)
        return _Way("slowest", "a higher drum pressure, a coarser grit or one pass more",
                    np.geomspace(end, tried.low, 3) if end < tried.low / NARROWEST else np.empty(0))
    if best == _LOOKS - 1 and one.grows:
        end = min(most, tried.high * evidence.FURTHER)
        fewer = " or one pass less" if job.passes > 1 else ""
        return _Way("fastest", f"a lower drum pressure{',' if fewer else ' or'} a finer grit{fewer}",
                    np.geomspace(tried.high, end, 3) if end > tried.high * NARROWEST else np.empty(0))
    return None


def _no_speed_will_do(model: LineFit, job: Job, speeds: Floats, way: _Way | None, hopeless: bool) -> str:
    """What to change, and what to run, where no tried speed will do."""
    age, plates = job.sheet_hours, evidence.plates_meant(model, job)
    shorter = f", or ask for a shorter span of sheet age than {hours(job)}" if age[1] > age[0] else ""
    if way is None and not hopeless:
        return ("By these trials no tried speed will do. Widen the limits, or ask for "
                f"{shorter.removeprefix(', or ask for ') + ', ' if shorter else ''}another pressure, grit or number of "
                f"passes. {evidence.run_next(model, job, speeds, 2).removesuffix('.')} to look again.")
    if way is None:
        middle = shown("feed_speed_m_min", float(speeds[len(speeds) // 2]), model.units)
        return ("By these trials no tried speed will do, and the same plates again would not change it. Run 3 plates "
                f"of {plates} on each of 2 new sheets at {middle} with another pressure, grit or number of "
                f"passes. Or widen the limits{shorter}.")
    if len(way.speeds):
        what = (f"the best is the {way.last}, and a {way.last.replace('est', 'er')} one may. "
                f"{evidence.run_next(model, job, speeds, 2)} Else run {way.settings}")
    else:
        last = float(speeds[0 if way.last == "slowest" else -1])
        what = (f"the best is the {way.last}. Run {way.settings}: 3 plates of {plates} on each of 2 new sheets "
                f"at {shown('feed_speed_m_min', last, model.units)}")
    return f"By these trials no tried speed will do: {what}. Or widen the limits{shorter}."


def _best(promise: Promise, x: Floats) -> int:
    """At which of some speeds the most edges meet all limits, by the median of the draws.

    Of two limits on the radius alone that is where positions and ages lie about the middle of them.
    """
    low, high = promise.radius_limits
    if not promise.radius_alone:
        shares = np.median(worst_shares(promise, x, promise.few(_FEW)), axis=0)
        return int(shares.argmax()) if shares.max() > _NEXT_TO_NONE else _least_hopeless(promise.thinned(_FEW), x)
    promise = promise.thinned(_FEW)
    radius, worn = promise.radius, promise.radius.worn(promise.ages)
    if np.isinf(high - low):
        middle = np.median(radius.at(x), axis=0)
        return int(middle.argmax() if np.isinf(high) else middle.argmin())
    ends = radius.span(np.arange(radius.position.shape[1])) + (worn.min(0), worn.max(0))
    off = np.abs(radius.at(x) + (np.add.reduce(ends) - low - high)[:, None] / 2)
    return int(_middle(off).argmin())


def _least_hopeless(promise: Promise, x: Floats) -> int:
    """Which speed to name where none will do: towards the limits that no speed comes near by themselves."""
    bare = replace(promise, radius_limits=(-np.inf, np.inf), removal_limit=np.inf, burr=None)
    far = {one.grows for one in _single_limits(promise)
           if np.median(worst_shares(one.alone(bare), x), axis=0).max() <= _NEXT_TO_NONE}
    middle = np.median(promise.radius.at(x), axis=0)
    return {(True,): int(middle.argmin()), (False,): int(middle.argmax())}.get(tuple(far), len(x) // 2)


def apart(model: LineFit, others: Sequence[Found], centre: float) -> list[Remark]:
    """The job's other windows, the slower first, where the law turns round between them."""
    ends = sorted(tuple(centre * np.exp(one.ends)) for one in others if one.ends)
    return [Remark(f"Another window lies apart, {shown_span(low, high, low, model.units)}. Each holds with the "
                   "confidence asked for by itself; between them not enough edges meet the limits.")
            for low, high in ends]
