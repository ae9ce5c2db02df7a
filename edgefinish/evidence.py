"""What the trials can carry: why a job cannot be judged, what binds a window, what it stands on, what to run next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, NamedTuple, Self

import numpy as np

from .abrasive import grain_um
from .errors import nearest
from .job import Job, SpeedWindow
from .laws import CURVATURE, TERMS, Centre, Settings, wear_columns
from .mixed import Floats
from .promise import Promise, worst_shares
from .triallog import TrialLog
from .units import QUANTITIES, shown, unit_of
from .wording import POSITION_WORDS, limit, percent

if TYPE_CHECKING:
    from .linemodel import LawFit, LineModel

FEWEST_SHEETS = 3
FEWEST_READINGS = 8
ROUNDING = 0.01
"""A setting this near to what was run counts as run: gauges and unit conversions round."""
AGE_MARGIN = 0.15
"""The youngest sheet run may be older than the job's by this share of the oldest: wear is read back that far."""
LEAN_FLAG, LEAN_MOST = 1.15, 1.5
TOGETHER = 0.8
LEARNED = 0.10
UNCLEARED, UNCLEARED_SHEETS = 20, 4
_FLAT = 1e-9
_ENOUGH = 256  # draws that name what binds: a median is all that is asked of them


class Ending(NamedTuple):
    """What binds one end of a window, in a word and in a sentence."""

    what: str
    sentence: str


@dataclass(frozen=True)
class Tried:
    """What was run of the job's material: `low`, `high` speeds that may be promised (m/min), `why_low`, `why_high` the
    words for what sets them; all `feeds` run."""

    feeds: tuple[float, ...]
    low: float
    high: float
    why_low: str
    why_high: str

    @property
    def speeds(self) -> tuple[float, float]:
        """Least and greatest speed that may be promised."""
        return self.low, self.high

    @classmethod
    def of(cls, model: LineModel, job: Job) -> Self:
        """Of the material, or of the whole log where the material was not run."""
        feed = model.log.rows["feed_speed_m_min"]
        mine = feed[model.materials == key_of(model, job)]
        feeds = tuple(sorted((mine if len(mine) else feed).unique()))
        low, high = feeds[0], feeds[-1]
        why = ["the slowest speed tried", "the fastest speed tried"]
        if model.line.feed_speed_m_min:
            least, most = model.line.feed_speed_m_min
            if least > low:
                low, why[0] = least, "the line's slowest speed"
            if most < high:
                high, why[1] = most, "the line's fastest speed"
        return cls(feeds, float(low), float(high), *why)


def key_of(model: LineModel, job: Job) -> str:
    """The job's material as the model knows it."""
    both = f"{job.material} · {job.cut_process}"
    return both if (model.materials == both).any() else job.material


def cleared(log: TrialLog, most: float) -> tuple[np.ndarray, np.ndarray]:
    """Whether each row's burr is within the limit, and whether the reading can tell."""
    reading = log.reading("residual_burr_mm")
    known = np.isfinite(reading.value)
    known &= ~((reading.side < 0) & (reading.value > most)) & ~((reading.side > 0) & (reading.value < most))
    return np.where(reading.side > 0, False, reading.value <= most), known


def run_next(model: LineModel, job: Job, speeds: Floats | tuple[float, ...], sheets: int, plates: int = 3) -> str:
    """What to run, in one sentence: plates, sheets, grit, pressure, speeds."""
    system = model.units
    # a pair that rounds to one shown speed is one
    texts = list(dict.fromkeys(shown("feed_speed_m_min", float(v), system).split()[0] for v in speeds))
    listed = texts[0] if len(texts) == 1 else ", ".join(texts[:-1]) + " and " + texts[-1]
    new = f"{sheets} new {job.grit} sheet{'s' if sheets > 1 else ''}"
    age = f"{job.sheet_hours[0]:g} to {job.sheet_hours[1]:g} contact hours" if job.sheet_hours[1] > job.sheet_hours[0] \
        else f"{job.sheet_hours[0]:g} contact hours"
    return (f"Run {plates} plates of {job.material} on each of {new} at "
            f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, system)}, {listed} "
            f"{unit_of('feed_speed_m_min', system)}, spread over {age}.")


def _three(tried: Tried) -> Floats:
    return np.geomspace(tried.low, max(tried.high, tried.low * 1.2), 3)


def gaps(model: LineModel, job: Job, tried: Tried) -> list[str]:
    """Why the job cannot be judged at all, one sentence each, the last saying what to run; empty where it can."""
    rows, system = model.log.rows, model.units
    key = key_of(model, job)
    found: list[str] = []
    sheets = rows["abrasive_sheet"].nunique()
    mine = rows[model.materials == key]
    of_name = rows[rows["material"] == job.material]
    if not len(of_name):
        known = sorted(rows["material"].unique())
        hint = nearest(job.material, known)
        found.append(f"Material {job.material} was not tried; the log holds {', '.join(known)}."
                     + (f" {hint[0].upper()}{hint[1:]}" if hint else ""))
    elif not len(mine):
        ways = ", ".join(sorted(of_name["cut_process"].dropna().unique()))
        found.append(f"{job.material} was cut by {ways} in this log: the job must say which in cut_process.")
    elif job.cut_process and "cut_process" in rows:
        ways = sorted(mine["cut_process"].dropna().unique())
        if ways and job.cut_process not in ways:
            found.append(f"{job.material} was tried cut by {', '.join(ways)}, not by {job.cut_process}.")
    if sheets < FEWEST_SHEETS:
        found.append(f"The whole log holds {sheets} abrasive sheet{'s' if sheets > 1 else ''}: how much sheets differ "
                     f"cannot be told from fewer than {FEWEST_SHEETS}.")
    if len(mine):
        found += _outside(model, job, mine) + _unread(model, job, mine)
    if not tried.low < tried.high:
        found.append(f"Only {shown('feed_speed_m_min', tried.low, system)} was tried within the line's limits."
                     if tried.low == tried.high else "No speed within the line's limits was tried.")
    word = job.burr_severity
    if word and "burr_severity" in rows and rows["burr_severity"].notna().any():
        known = sorted(rows["burr_severity"].dropna().unique())
        if word not in known:
            hint = nearest(word, known)
            found.append(f"Burr severity {word} was not tried; the log holds {', '.join(known)}."
                         + (f" {hint[0].upper()}{hint[1:]}" if hint else ""))
    if found:
        found.append(run_next(model, job, _three(tried), max(FEWEST_SHEETS - sheets, FEWEST_SHEETS)))
    return found


def _outside(model: LineModel, job: Job, mine: object) -> list[str]:
    system, line, found = model.units, model.line, []
    for name, value in (("drum_pressure_kPa", job.drum_pressure_kPa), ("thickness_mm", job.thickness_mm),
                        ("passes", job.passes)):
        low, high = float(mine[name].min()), float(mine[name].max())
        if not low * (1 - ROUNDING) <= value <= high * (1 + ROUNDING):
            span = shown(name, low, system) if low == high else f"{shown(name, low, system)} to {shown(name, high, system)}"
            label = QUANTITIES[name].label
            found.append(f"{label[0].upper()}{label[1:]} {shown(name, value, system)} was not tried on {job.material}, "
                         f"only {span}.")
    grits = sorted(mine["grit"].unique(), key=lambda g: int(g[1:]))
    if job.grit not in grits:
        found.append(f"Grit {job.grit} was not tried on {job.material}, only {', '.join(grits)}.")
    ages = model.log.rows["contact_hours"]
    young, old = float(ages.min()), float(ages.max())
    if job.sheet_hours[1] > old * (1 + ROUNDING):
        found.append(f"Sheets of {job.sheet_hours[1]:g} contact hours were not tried; the oldest run had {old:.3g} h.")
    if job.sheet_hours[0] < young - AGE_MARGIN * old:
        found.append(f"Sheets of {job.sheet_hours[0]:g} contact hours were not tried; the youngest run had {young:.3g} h.")
    if line.grits and job.grit not in line.grits:
        found.append(f"Grit {job.grit} is not among the line's: {', '.join(line.grits)}.")
    if line.drum_pressure_kPa:
        low, high = line.drum_pressure_kPa
        if not low <= job.drum_pressure_kPa <= high:
            found.append(f"Drum pressure {shown('drum_pressure_kPa', job.drum_pressure_kPa, system)} is outside the "
                         f"line's limits.")
    return found


def _unread(model: LineModel, job: Job, mine: object) -> list[str]:
    log, found = model.log, []
    here = (model.materials == key_of(model, job)).to_numpy()
    wanted = [("edge_radius_mm", job.edge_radius_mm), ("removal_um", job.removal_um)]
    for name, asked in wanted:
        if asked is None:
            continue
        reading = log.reading(name)
        count = int(((reading.side == 0) & np.isfinite(reading.value) & here).sum())
        if count < FEWEST_READINGS:
            found.append(f"{QUANTITIES[name].label.capitalize()} was measured on {count} edges of {job.material}; fewer "
                         f"than {FEWEST_READINGS} tell nothing of its spread.")
    if job.residual_burr_mm is not None:
        known = cleared(log, job.residual_burr_mm)[1]
        if (known & here).sum() < FEWEST_READINGS:
            found.append(f"Residual burr was read against {limit('residual_burr_mm', job.residual_burr_mm, model.units, 'down')}"
                         f" on {int((known & here).sum())} edges of {job.material}; fewer than {FEWEST_READINGS} tell nothing.")
        radius = log.reading("edge_radius_mm")
        if (np.isfinite(radius.value) & here).sum() < FEWEST_READINGS:
            found.append("Burr is judged through the radius of the same edge, and too few radii were measured.")
    return found


class _Limit(NamedTuple):
    what: str
    promise: Promise
    grows: bool  # whether a greater dose makes it worse


def _single_limits(promise: Promise) -> list[_Limit]:
    """The promise with one limit at a time."""
    promise = promise.thinned(_ENOUGH)
    bare = replace(promise, radius_limits=(-np.inf, np.inf), removal_limit=np.inf, burr=None)
    low, high = promise.radius_limits
    out = []
    if np.isfinite(low):
        out.append(_Limit("edge radius too small", replace(bare, radius_limits=(low, np.inf)), False))
    if np.isfinite(high):
        out.append(_Limit("edge radius too large", replace(bare, radius_limits=(-np.inf, high)), True))
    if promise.burr is not None:
        out.append(_Limit("burr left", replace(bare, burr=promise.burr), False))
    if np.isfinite(promise.removal_limit):
        out.append(_Limit("removal too great", replace(bare, removal_limit=promise.removal_limit), True))
    return out


def _binding(promise: Promise, x: float) -> tuple[_Limit, float]:
    """The limit that the fewest edges meet at x, and their share there (median of the draws, worst position and age)."""
    limits = _single_limits(promise)
    shares = [(float(np.median(worst_shares(one.promise, np.array([x]))[:, 0])), i) for i, one in enumerate(limits)]
    least, index = min(shares)
    return limits[index], least


def _where(model: LineModel, promise: Promise, one: _Limit, positions: list[str]) -> str:
    """Edge position and sheet age where a limit binds, by posterior means."""
    path = promise.removal if one.what == "removal too great" else promise.radius
    step = path.position.mean(0)
    position = positions[int(step.argmax() if one.grows else step.argmin())]
    ages = promise.ages
    worn = path.wear.mean(0) @ wear_columns(ages).T
    age = float(ages[int(worn.argmax() if one.grows else worn.argmin())])
    sheet = "a fresh sheet" if age == 0 else f"a sheet of {age:.3g} h"
    return f"at {POSITION_WORDS[position]} edges on {sheet}"


def _said(model: LineModel, job: Job, one: _Limit) -> str:
    low, high = job.edge_radius_mm or (None, None)
    system = model.units
    if one.what == "edge radius too small":
        return f"edge radius falls below {limit('edge_radius_mm', low, system, 'up')}"
    if one.what == "edge radius too large":
        return f"edge radius exceeds {limit('edge_radius_mm', high, system, 'down')}"
    if one.what == "removal too great":
        return f"removal exceeds {limit('removal_um', job.removal_um, system, 'down')}"
    if job.residual_burr_mm == 0:
        return "burr is left"
    return f"burr above {limit('residual_burr_mm', job.residual_burr_mm, system, 'down')} is left"


def bindings(model: LineModel, job: Job, promise: Promise, window: tuple[float, float], tried: Tried,
             centre: float) -> tuple[Ending, Ending]:
    """What binds the slow and the fast end of a window."""
    positions = _position_names(model, job)
    out = []
    for x, bound, why, toward, word in ((window[0], promise.speeds[0], tried.why_low, "up", "Below"),
                                        (window[1], promise.speeds[1], tried.why_high, "down", "Above")):
        speed = shown("feed_speed_m_min", centre * float(np.exp(x)), model.units, toward)
        if abs(x - bound) < 1e-6:
            out.append(Ending(why, f"{speed} is {why}; nothing beyond it is promised."))
            continue
        one, _ = _binding(promise, x)
        out.append(Ending(one.what, f"{word} {speed}, {_said(model, job, one)} too often, "
                                    f"{_where(model, promise, one, positions)} first."))
    return out[0], out[1]


def _position_names(model: LineModel, job: Job) -> list[str]:
    layout = model.law_for(job).layout
    return [layout.positions[i] for i in model.measured_positions(layout, job)]


def refusal(model: LineModel, job: Job, fitted: LawFit, promise: Promise, tried: Tried, possible: float) -> SpeedWindow:
    """The answer where no window can be promised: no speed will do, or the trials cannot tell.

    `possible`: share of the draws that have an interval of speeds wide enough.
    """
    x = np.linspace(*promise.speeds, 25)
    shares = worst_shares(promise, x)
    centre = fitted.layout.centre.feed_speed_m_min
    best = int(np.median(shares, axis=0).argmax())
    speed = shown("feed_speed_m_min", centre * float(np.exp(x[best])), model.units)
    low, median, high = np.quantile(shares[:, best], (0.05, 0.5, 0.95))
    one, alone = _binding(promise, float(x[best]))
    where = _where(model, promise, one, _position_names(model, job))
    verdict: Literal["no window", "not enough evidence"] = "not enough evidence"
    if possible <= max(0.05, 1 - job.confidence):
        verdict = "no window"
    found = [f"At the best speed, {speed}, about {median:.0%} of edges meet every limit at the worst position and age "
             f"(90 % range {low:.0%} to {high:.0%}); {percent(job.share)} are asked for.",
             f"Most is lost there to this: {_said(model, job, one)}, {where} first; {alone:.0%} meet that limit alone."]
    near = centre * np.exp(np.clip(x[best] + np.array([-0.2, 0.0, 0.2]), *promise.speeds))
    if verdict == "no window":
        age = job.sheet_hours
        change = f"a shorter span of sheet age than {age[0]:g} to {age[1]:g} h, " if age[1] > age[0] else ""
        found.append(f"No tried speed will do. Widen the limits, or ask for {change}another pressure, grit or number of "
                     f"passes. To look: {run_next(model, job, near, 2)}")
    else:
        found.append(f"These trials cannot tell: {'a' if possible >= 0.5 else 'perhaps a'} window may be there. "
                     + run_next(model, job, near, 4))
    return SpeedWindow(job=job, verdict=verdict, reasons=tuple(found))


def lean(fitted: LawFit, job: Job, material: int, window: tuple[float, float]) -> float:
    """How many times the SD of the mean at an end grows where the priors of the laws' exponents are 4 times as wide."""
    layout, post = fitted.layout, fitted.posterior
    precision = post.at_mode.chol[0] @ post.at_mode.chol[0].T
    physics = np.zeros(len(precision), bool)
    physics[layout.names.dose.start + 1:layout.names.dose.start + 1 + len(TERMS)] = True
    wide = precision - np.diag(post.data.precision * physics * (1 - 1 / 16))
    most = 1.0
    for x in window:
        for age in job.sheet_hours:
            speed = layout.centre.feed_speed_m_min * float(np.exp(x))
            settings = _at(job, speed, age)
            row = np.zeros(len(precision))
            row[layout.names.dose] = layout.dose_columns(settings, material)
            row[layout.names.position] = 1 / len(layout.positions)
            most = max(most, float(np.sqrt(row @ np.linalg.solve(wide, row) / (row @ np.linalg.solve(precision, row)))))
    return most


def _at(job: Job, speed: float, age: float) -> Settings:
    return Settings(speed, job.drum_pressure_kPa, grain_um(job.grit), job.thickness_mm, job.passes, age)


def unsupported(model: LineModel, job: Job, tried: Tried, window: tuple[float, float], centre: Centre, lean_: float,
                settled: bool) -> SpeedWindow:
    """The answer where a window comes out but rests on the priors, or the fit did not settle."""
    ends = centre.feed_speed_m_min * np.exp(np.array(window))
    found = []
    if lean_ > LEAN_MOST:
        found.append(f"The window would rest on assumed physics: with those assumptions loosened, the mean at an end is "
                     f"{lean_:.1f} times as uncertain. Speeds, pressures and ages were not varied apart.")
    if not settled:
        found.append("The fit did not settle; look at the residuals for rows that do not belong.")
    found.append(run_next(model, job, (ends[0], float(np.sqrt(ends.prod())), ends[1]), 3))
    return SpeedWindow(job=job, verdict="not enough evidence", reasons=tuple(found))


def flags(model: LineModel, job: Job, fitted: LawFit, tried: Tried, lean_: float) -> list[str]:
    """What a reader should know of a window that was issued."""
    layout, post, rows = fitted.layout, fitted.posterior, model.log.rows
    found = []
    if lean_ > LEAN_FLAG:
        found.append(f"Leans on assumed physics: with the assumptions loosened, an end is {lean_:.2f} times as uncertain.")
    plates = rows.drop_duplicates(["abrasive_sheet", "run"])
    feed, hours = np.log(plates["feed_speed_m_min"].to_numpy(float)), plates["contact_hours"].to_numpy(float)
    if feed.std() > _FLAT and hours.std() > _FLAT and abs(np.corrcoef(feed, hours)[0, 1]) > TOGETHER:
        fast, old = tried.high, float(hours.max())
        found.append(f"Feed speed and sheet age were run together, so that wear and speed cannot be told apart. Run 3 plates at "
                     f"{shown('feed_speed_m_min', tried.low, model.units)} and 3 at {shown('feed_speed_m_min', fast, model.units)} on "
                     f"one {job.grit} sheet while fresh, and the same at {old:.3g} h, at "
                     f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)}.")
    found += _spread_flags(model, job, fitted)
    mean, sd = post.moments()
    curve = layout.names.dose.start + 1 + CURVATURE
    if abs(mean[curve]) > 2 * sd[curve]:
        found.append("The law of speed curves: it is no plain power of speed over the range tried.")
    if layout.has_drift:
        drift = layout.names.dose.stop - 1
        if abs(mean[drift]) > 2 * sd[drift]:
            change = float(np.expm1(mean[drift]))
            found.append(f"The line drifted over the log: edge radius changed by {change:+.0%} from the first run to the "
                         "last. The window is for the line as it was at the end.")
    censored = post.data.side[~layout.is_removal] != 0
    if censored.mean() > 0.5:
        found.append(f"{censored.mean():.0%} of the radii are readings below or above the gauge: the spread rests on few.")
    missing = [p for p in POSITION_WORDS if p not in _position_names(model, job)]
    if missing:
        found.append(f"Not measured, so not promised: {', '.join(POSITION_WORDS[p] for p in missing)} edges.")
    if job.burr_severity and not ("burr_severity" in rows and rows["burr_severity"].notna().any()):
        found.append("The log names no burr severity; the job's has changed nothing.")
    if job.residual_burr_mm is not None:
        found += _burr_flags(model, job)
    return found


def _spread_flags(model: LineModel, job: Job, fitted: LawFit) -> list[str]:
    post = fitted.posterior
    index = len(post.data.edge_spread) + len(post.data.plate_spread)
    log_sd = np.log(post.nodes.sd[:, index])
    mean = post.weight @ log_sd
    learned = 1 - np.sqrt(post.weight @ (log_sd - mean) ** 2) / post.data.spreads[index].log_sd
    if learned >= LEARNED:
        return []
    sheets = len(fitted.layout.sheets)
    return [f"How much sheets differ is assumed rather than learned from {sheets} sheets (about {np.exp(mean):.0%} of the "
            f"radius, sheet to sheet). {run_next(model, job, (np.sqrt(np.prod(Tried.of(model, job).speeds)),), 3)}"]


def _burr_flags(model: LineModel, job: Job) -> list[str]:
    within, known = cleared(model.log, job.residual_burr_mm)
    left = known & ~within
    sheets = model.log.rows["abrasive_sheet"][left].nunique()
    found = []
    if left.sum() < UNCLEARED or sheets < UNCLEARED_SHEETS:
        found.append(f"Burr was left on {int(left.sum())} edges of {sheets} sheet{'s' if sheets != 1 else ''}: where "
                     f"clearing ends is assumed more than learned. Run 4 plates with heavy burr on each of 2 new {job.grit} "
                     f"sheets at {shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)} and the window's fast end.")
    unread = int((~known & np.isfinite(model.log.reading('residual_burr_mm').value)).sum())
    if unread:
        found.append(f"{unread} burr readings lie below a gauge limit that is above the job's; they tell nothing here.")
    if job.burr_severity is None:
        found.append("No burr severity is named: the promise is for burr as mixed as in the log.")
    return found

