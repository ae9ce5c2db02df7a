"""What stands behind an answer: what binds a window's ends, why there is none, and what its reader should know."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal, NamedTuple

import numpy as np

from . import evidence, fromthepast, standing, unlike
from .burr import score_of
from .byplates import keeps_burr
from .intervals import turning
from .job import Job, SpeedWindow
from .lawfit import LawFit
from .laws import BENDS, FEED, PASSES, PRESSURE, THICKNESS, wear_columns
from .layout import plates_of
from .linefit import LineFit
from .promise import Promise
from .rows import Floats
from .shares import radius_shares, worst_shares
from .units import in_shown, shown
from .window import Found
from .wording import POSITION_WORDS, ShownWindow, change, count, hours, limit, percent, shown_span

_WILD, ENOUGH_TO_TELL = 1.4, 12
"""Sheets that differ so many times as much as is usual are told of, on fewer sheets than that. Judgement, no source."""
_WORSE = -1.96
"""Burr that goes with sheet age so many SDs of chance worse than its dose tells is told of."""
_SEEN_FAR_OUT = 3
"""With fewer measured edges than that among the share that may fail, how they lie there is told to be assumed."""
TOGETHER = 0.8
LEARNED = 0.10
UNCLEARED, UNCLEARED_SHEETS = 20, 4
FEW_PLATES = 6
BURR_LEFT = "burr left"
ENOUGH_SHEETS, MOST_NAMES = 6, 4
_NEARLY_FRESH = 0.05
_FLAT, _NEXT_TO_NONE = 1e-9, 1e-3
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


def _about(fraction: float) -> str:
    return percent(round(float(fraction), 2))


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
        sheet = "a fresh sheet" if age == 0 else "a nearly fresh sheet" if nearly else f"a sheet of {age:.2g} h"
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
    if promise.radius_alone:  # one look at the edges tells all
        *apart, shares = radius_shares(some, x[best:best + 1])[..., 0]
        wanted = np.isfinite(promise.radius_limits)
        alone, one = _fewest([each for each, asked in zip(apart, wanted, strict=True) if asked], limits, 0.5)
    else:
        shares = worst_shares(promise, x[best:best + 1], promise.few(_ENOUGH))[:, 0]
        alone, one = _tightest(some, limits, float(x[best]), 0.5)
    centre = fitted.layout.centre.feed_speed_m_min
    speed = shown("feed_speed_m_min", centre * float(np.exp(x[best])), model.units)
    low, median, high = _quantiles(shares)
    where = _where(promise, one, _position_names(model, job), float(x[best]))
    verdict: Literal["no window", "not enough evidence"] = "not enough evidence"
    if possible <= max(0.05, 1 - job.confidence):
        verdict = "no window"
    found = [f"At about the best speed, {speed}, some {_about(median)} of edges meet every limit at the worst position "
             f"and age (90 % range {_about(low)} to {_about(high)}); {percent(job.share)} are asked for.",
             f"Most is lost there to this: {_said(model, job, one)}, {where} first; {_about(alone)} meet that limit "
             f"alone{': check it and its unit' if alone <= _NEXT_TO_NONE else ''}."]
    found += unlike.said(model, job, fitted) + fromthepast.said(model, fitted)
    alone_there = standing.alone(model, job)
    found += alone_there
    near = centre * np.exp(np.clip(x[best] + np.array([-0.2, 0.0, 0.2]), *promise.speeds))
    if verdict == "no window" and alone_there:
        verdict = "not enough evidence"
        found.append("None of the other speeds will do, by these trials. What was run there alone may: run those "
                     "plates before limits or settings are changed.")
    elif verdict == "no window":
        age = job.sheet_hours
        shorter = f"a shorter span of sheet age than {hours(job)}, " if age[1] > age[0] else ""
        found.append(f"By these trials no tried speed will do. Widen the limits, or ask for {shorter}another pressure, "
                     f"grit or number of passes. {evidence.run_next(model, job, near, 2).removesuffix('.')} to look "
                     "again.")
    else:
        may = "a window may be" if possible >= 0.5 else "perhaps a window is"
        found.append(f"These trials cannot tell: {may} there. {evidence.run_next(model, job, near, 4)}")
    return SpeedWindow(job=job, verdict=verdict, reasons=tuple(found))


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


def apart(model: LineFit, others: Sequence[Found], centre: float) -> list[str]:
    """The job's other windows, the slower first, where the law turns round between them."""
    ends = sorted(tuple(centre * np.exp(one.ends)) for one in others if one.ends)
    return [f"Another window lies apart, {shown_span(low, high, low, model.units)}. Each holds with the confidence "
            "asked for by itself; between them not enough edges meet the limits." for low, high in ends]


def flags(model: LineFit, job: Job, fitted: LawFit, tried: evidence.Tried, window: tuple[float, float]) -> list[str]:
    """What a reader should know of a window that was issued, its ends in m/min."""
    layout, post, rows = fitted.layout, fitted.posterior, model.log.rows
    found = [*run_together(model, job, tried)]
    found += _borrowed(model, job, tried)
    few = model._keep(("few", model.material_of(job), job.grit, job.passes), partial(_few, model, job))
    found += [*few, evidence.run_next(model, job, (float(np.sqrt(np.prod(tried.speeds))),), 2)] if few else []
    found += [] if model.past else _spread_flags(model, job, fitted)
    found += fromthepast.said(model, fitted)
    mean, sd = post.moments()
    for name, term in (("speed", FEED), ("drum pressure", PRESSURE), ("thickness", THICKNESS),
                       ("passes", PASSES)):
        curve = layout.names.dose.start + 1 + BENDS[term]
        if abs(mean[curve]) > 2 * sd[curve]:
            found.append(f"The law of {name} curves: it is no plain power of {name} over the range tried.")
    if layout.has_drift:
        drift = layout.names.dose.stop - 1
        if abs(mean[drift]) > 2 * sd[drift]:
            found.append(f"The line drifted over the log: edge radius changed by {change(float(np.exp(mean[drift])))} "
                         "from the first run to the last. The window is for the line as it was at the end.")
    elif "date" in rows and rows["date"].notna().any():
        undated = int(rows["date"].isna().sum())
        found += [f"{undated} row{'s have' if undated > 1 else ' has'} no date: whether the line drifted over the log "
                  "was not looked for."] if undated else []
    else:
        found.append("No row has a date: whether the line drifted over the log was not looked for.")
    if model.copied:
        found.append(f"On {count(model.copied, 'plate')} one radius stands at all edges, more often than the gauge's "
                     "steps explain: counted as one reading each. Measure every edge, or leave the others blank.")
    censored = post.data.side[~layout.is_removal] != 0
    if (1 - job.share) * len(censored) < _SEEN_FAR_OUT:
        found.append(f"One edge in {1 / (1 - job.share):.0f} may fail, and {len(censored)} were measured: how edges "
                     "lie that far out is assumed, not seen.")
    if len(censored) and censored.mean() > 0.5:
        found.append(f"{_about(censored.mean())} of the radii are readings below or above the gauge: the spread rests "
                     "on few.")
    found += unlike.said(model, job, fitted)
    found += standing.said(model, job, window)
    found += model._keep(("process unsaid", model.material_of(job)), partial(_process_unsaid, model, job))
    if job.burr_severity and not ("burr_severity" in rows and rows["burr_severity"].notna().any()):
        found.append("The log names no burr severity; the job's has changed nothing.")
    if job.cut_process and not ("cut_process" in rows and rows["cut_process"].notna().any()):
        found.append("The log names no cut process; the job's has changed nothing.")
    if job.residual_burr_mm is not None:
        found += _burr_flags(model, job)
    return found


def _process_unsaid(model: LineFit, job: Job) -> list[str]:
    """Where some plates of the job's material do not say how they were cut, and are taken to be cut as the others."""
    rows = model.log.rows
    if "cut_process" not in rows:
        return []
    mine = rows[(model.materials == model.material_of(job)).to_numpy()]
    blank, named = plates_of(mine[mine["cut_process"].isna()]).first, mine["cut_process"].dropna().unique()
    some = f"{len(blank)} plate{'s do' if len(blank) > 1 else ' does'}"
    return [f"{some} not say by which process {job.material} was cut: taken to be {named[0]}, as the others."
            ] if len(blank) and len(named) else []


def run_together(model: LineFit, job: Job, tried: evidence.Tried) -> list[str]:
    """Where feed speed and sheet age were run together: that, and what to run; empty elsewhere."""
    together, oldest = model._keep(("together",), partial(_feed_with_age, model))
    if not together:
        return []
    slow, fast = (shown("feed_speed_m_min", v, model.units) for v in (tried.low, tried.high))
    return [f"Feed speed and sheet age were run together, so that wear and speed cannot be told apart. Run 3 plates at "
            f"{slow} and 3 at {fast} on one {job.grit} sheet while fresh, and the same at {oldest:.3g} h, at "
            f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)}."]


def _borrowed(model: LineFit, job: Job, tried: evidence.Tried) -> list[str]:
    """That how much sheets differ is known of other materials more than of the job's."""
    key = ("borrowed", model.material_of(job), evidence.limited(job))
    own, others, apart, listed = model._keep(key, partial(_whose_sheets, model, job))
    if own >= ENOUGH_SHEETS or apart < own:
        return []
    middle = float(np.sqrt(np.prod(tried.speeds)))
    return [f"Spread borrowed, run more sheets: {job.material} was run on {own} sheet{'s' if own > 1 else ''}"
            f" only, so that how much sheets and plates differ is taken from {others} sheets of {listed} too. "
            + evidence.run_next(model, job, (middle,), ENOUGH_SHEETS - own)]


def _whose_sheets(model: LineFit, job: Job) -> tuple[int, int, int, str]:
    """Sheets of the job's material, of other materials, of other materials alone, and whose the others are."""
    read, key = evidence.measured(model, job), model.material_of(job)
    sheets, names = model.log.rows["abrasive_sheet"][read], model.materials[read]
    own, others = (set(sheets[one].unique()) for one in (names == key, names != key))
    whose = sorted(set(names.unique()) - {key})
    listed = ", ".join(whose) if len(whose) <= MOST_NAMES else f"{len(whose)} other materials"
    return len(own), len(others), len(others - own), listed


def _feed_with_age(model: LineFit) -> tuple[bool, float]:
    """Whether feed speed and sheet age went together over the log's plates, and the oldest sheet's hours."""
    rows, first = model.log.rows, plates_of(model.log.rows).first
    feed, hours = (rows[name].to_numpy(float)[first] for name in ("feed_speed_m_min", "contact_hours"))
    feed = np.log(feed)
    flat = feed.std() <= _FLAT or hours.std() <= _FLAT
    return not flat and abs(np.corrcoef(feed, hours)[0, 1]) > TOGETHER, float(hours.max())


def _few(model: LineFit, job: Job) -> list[str]:
    """What of the job was run on one sheet only, or on few plates of its material."""
    rows, found = model.log.rows, []
    passes = f"{job.passes} pass{'es' if job.passes > 1 else ''}"
    for column, value, name in ((model.materials, model.material_of(job), job.material),
                                (rows["grit"], job.grit, job.grit), (rows["passes"], job.passes, passes)):
        sheets = rows["abrasive_sheet"][column == value].unique()
        if len(sheets) == 1 and column.nunique() > 1:
            found.append(f"Of all sheets only {sheets[0]} was run with {name}: what comes of this and what of that "
                         "sheet cannot be told apart.")
    mine = (model.materials == model.material_of(job)).to_numpy()
    plates = len(np.unique(plates_of(rows).of[mine]))
    if plates < FEW_PLATES and not mine.all():
        found.append(f"Only {plates} plate{'s' if plates > 1 else ''} of {job.material} were run: how it answers "
                     "to speed, pressure and wear is mostly taken from the log's other materials.")
    return found


def _spread_flags(model: LineFit, job: Job, fitted: LawFit) -> list[str]:
    mean, learned = fitted.sheets_learned
    sheets = len(fitted.layout.sheets)
    middle = float(np.sqrt(np.prod(evidence.Tried.of(model, job).speeds)))
    if np.exp(mean) > _WILD * fitted.priors.sheet.median and sheets < ENOUGH_TO_TELL:
        return [f"Sheets differ much: about {_about(np.exp(mean))} of the radius from sheet to sheet, where "
                f"{_about(fitted.priors.sheet.median)} is usual. {sheets} sheets do not show how wild they may be: the "
                f"window may fail more often than it says. {evidence.run_next(model, job, (middle,), 6)}"]
    if learned >= LEARNED:
        return []
    return [f"How much sheets differ is assumed rather than learned from {sheets} sheets (about {_about(np.exp(mean))} "
            f"of the radius, sheet to sheet). {evidence.run_next(model, job, (middle,), 3)}"]


def _burr_flags(model: LineFit, job: Job) -> list[str]:
    within, known = model.cleared(job.residual_burr_mm)
    left = known & ~within
    sheets = model.log.rows["abrasive_sheet"][left].nunique()
    found = []
    if left.sum() < UNCLEARED or sheets < UNCLEARED_SHEETS:
        seen = f"{count(int(left.sum()), 'edge')} of {count(sheets, 'sheet')}" if left.any() else "no edge"
        found.append(f"Burr was left on {seen}: where clearing ends is assumed more than learned. Run 4 plates with "
                     "heavy burr on each of 2 new "
                     f"{job.grit} sheets at {shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)} and the "
                     "window's fast end.")
    unread = int((~known & np.isfinite(model.log.reading('residual_burr_mm').value)).sum())
    if unread:
        some = f"{unread} burr reading{'s' if unread > 1 else ''} below or above a gauge limit"
        found.append(f"{some}: whether they are within the job's cannot be told, and nothing is learned of them.")
    fit = model.burr_fit(job)
    age = model.log.rows["contact_hours"].to_numpy(float)[fit.data.row]
    if age.max() > age.min() and score_of(fit, age) < _WORSE:
        found.append("Worn sheets leave more burr than the edge radius tells: the fast end may be too fast on an old "
                     f"sheet. Ask for a shorter sheet life, or run 4 plates with {job.burr_severity or 'heavy'} burr "
                     f"at the window's fast end on sheets of about {job.sheet_hours[1]:.3g} h.")
    kind = model._keep(("keeps burr", job), lambda: keeps_burr(
        model.log.rows, fit, job, (model.materials == model.material_of(job)).to_numpy()))
    found += [unlike.burr_said(model, job, *kind)] if kind else []
    if fit.data.apart:
        most = int(fit.moments()[0][-fit.data.positions:].argmin())
        edges = model.burr_edges(job)
        there, burred = edges.position == most, ~edges.cleared
        name = POSITION_WORDS[model.positions[most]]
        found.append(f"More burr is left at {name} edges than their edge radius tells: on "
                     f"{(there & burred).sum()} of {there.sum()} there, {(~there & burred).sum()} of {(~there).sum()} "
                     "elsewhere. The burr of each position is judged by its own.")
    if job.burr_severity is None:
        found.append("No burr severity is named: the promise is for burr as mixed as in the log.")
    return found

