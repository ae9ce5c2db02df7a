"""What a window stands on: gaps between what was run, settings and positions of which little was seen."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from .evidence import ENOUGH_PLATES, FAR_APART, ROUNDING, SETTINGS, measured
from .job import Job
from .layout import plates_of
from .linefit import LineFit
from .rows import Floats
from .units import QUANTITIES, shown
from .window import LEAST_WIDTH
from .wording import POSITION_WORDS, Remark, count, limit, listed

_UNCOVERED = 1 / 3
"""Share of a window, on a log scale, that may lie beyond the speeds run with a job's own setting before it is told."""
_NEAR = 0.2  # log speed beyond what was run that is no matter
_GAP_OF_AGE, _GAP_OF_HOURS = 0.5, 2.0  # share of the oldest age, and contact hours
_WORN = 2 / 3  # of the job's sheet life
_OLDER = 1.25  # times the oldest age of the job's own material
_FEW_PLATES = 3


class _Run(NamedTuple):
    """Plates of a job's material that tell of what it limits: name of the run and each setting, (n,) each; rising
    speeds and sheet ages."""

    name: np.ndarray
    settings: dict[str, np.ndarray]
    feed: Floats
    hours: Floats
    speeds: Floats
    ages: Floats
    oldest_of_all: float


def said(model: LineFit, job: Job, window: tuple[float, float]) -> list[Remark]:
    """One sentence for each part of a window (m/min) that little or nothing was run at, with what to run."""
    run = _run(model, job)
    return [*_between(model, job, run), *alone(model, job), *_gap_in_speed(model, job, run, window),
            *_gap_in_age(job, run), *_own_speeds(model, job, run, window), *_own_ages(job, run),
            *_worn(model, job, run, window),
            *_below_gauge(model, job),
            *model._keep(("positions run", *_kind(model, job)), partial(_positions, model, job))]


def _run(model: LineFit, job: Job) -> _Run:
    return model._keep(("plates run", *_kind(model, job)), partial(_plates, model, job))


def _kind(model: LineFit, job: Job) -> tuple[object, ...]:
    return (model.material_of(job), job.edge_radius_mm is None, job.residual_burr_mm, job.removal_um is None)


def _plates(model: LineFit, job: Job) -> _Run:
    rows, read = model.log.rows, measured(model, job)
    mine = rows[read & (model.materials == model.material_of(job)).to_numpy()]
    plates = mine.iloc[plates_of(mine).first]
    feed = plates["feed_speed_m_min"].to_numpy(float)
    settings = {name: plates[name].to_numpy() for name in (*SETTINGS, "grit")}
    hours = plates["contact_hours"].to_numpy(float)
    return _Run(plates["run"].to_numpy(str), settings, feed, hours, np.sort(feed), np.sort(hours),
                float(rows["contact_hours"][read].max()))


def _between(model: LineFit, job: Job, run: _Run) -> list[Remark]:
    """What of the job's settings lies between tried ones that stand far apart."""
    system, found = model.units, []
    for name in SETTINGS:
        value, tried = getattr(job, name), run.settings[name].astype(float)
        below, above = tried[tried < value], tried[tried > value]
        if (np.abs(tried / value - 1) <= ROUNDING).any() or not len(below) or not len(above):
            continue
        if above.min() > below.max() * FAR_APART:
            what, label = shown(name, value, system), QUANTITIES[name].label.capitalize()
            found.append(Remark(f"{label} {what} was not run, only {shown(name, below.max(), system)} and "
                                f"{shown(name, above.min(), system)} about it: the window is narrower for a law that "
                                "may bend between them.", f"Run 3 plates at {what} to have it wider."))
    return found


def alone(model: LineFit, job: Job) -> list[Remark]:
    """Plates that stand apart from all others at an end of the speeds: `evidence.Tried` goes without them."""
    run = _run(model, job)
    if len(run.speeds) < ENOUGH_PLATES:
        return []
    ends = [(run.feed.argmin(), run.speeds[1] / run.speeds[0]), (run.feed.argmax(), run.speeds[-1] / run.speeds[-2])]
    return [Remark(f"Run {run.name[at]} alone was run at {shown('feed_speed_m_min', run.feed[at], model.units)}, far "
                   "from all others: nothing is promised there.",
                   "Check that speed; if it is right, run 2 more plates there.")
            for at, apart in ends if apart > FAR_APART]


def _gap_in_speed(model: LineFit, job: Job, run: _Run, window: tuple[float, float]) -> list[Remark]:
    """The widest gap between speeds that were run, where the window lies over it."""
    below, above = run.speeds[:-1], run.speeds[1:]
    over = np.log(np.minimum(above, window[1]) / np.maximum(below, window[0]))
    wide = np.where(over > LEAST_WIDTH, above / below, 1.0)
    if not len(wide) or wide.max() <= FAR_APART:
        return []
    at = int(wide.argmax())
    slow, middle, fast = (shown("feed_speed_m_min", float(v), model.units)
                          for v in (below[at], np.sqrt(below[at] * above[at]), above[at]))
    return [Remark(f"No speed between {slow} and {fast} was run on {job.material} in this log: there the window goes "
                   "by the form of the law alone.", f"Run 3 plates at {middle}.")]


def _gap_in_age(job: Job, run: _Run) -> list[Remark]:
    """The widest gap between sheet ages that were run, where the job's sheet life lies over it."""
    below, above = run.ages[:-1], run.ages[1:]
    first, last = job.sheet_hours
    over = np.minimum(above, last) - np.maximum(below, first)
    gap = np.where(over > 0, above - below, 0.0)
    if not len(gap) or gap.max() <= max(_GAP_OF_AGE * run.ages[-1], _GAP_OF_HOURS):
        return []
    at = int(gap.argmax())
    beyond = len(run.ages) - 1 - at
    alone = f", and beyond them {count(beyond, 'plate')} only" if beyond < _FEW_PLATES else ""
    return [Remark(f"Between {below[at]:.3g} and {above[at]:.3g} contact hours no sheet was run on {job.material} in "
                   f"this log{alone}: there wear is taken to go on evenly.",
                   f"Run 3 plates at about {(below[at] + above[at]) / 2:.2g} h.")]


def _own_speeds(model: LineFit, job: Job, run: _Run, window: tuple[float, float]) -> list[Remark]:
    """Settings of the job that were run over a part of the window's speeds only, the others over all of it."""
    system, found = model.units, []
    for name in (*SETTINGS, "grit"):
        value, tried = getattr(job, name), run.settings[name]
        mine = tried == value if name == "grit" else np.abs(tried.astype(float) / value - 1) <= ROUNDING
        if not mine.any() or mine.all():
            continue
        if _covered(run.feed[mine], window):
            continue
        far = window[int(window[1] / run.feed[mine].max() > run.feed[mine].min() / window[0])]
        what = (job.grit if name == "grit" else count(job.passes, "pass", "passes") if name == "passes" else
                f"{QUANTITIES[name].label} {shown(name, value, system)}")
        found.append(Remark(f"With {what} {job.material} was run at {_span(model, run.feed[mine])} only: beyond, the "
                            "window goes by plates of other settings.",
                            f"Run 3 plates at {shown('feed_speed_m_min', far, system)}."))
    return found


def _span(model: LineFit, feed: Floats) -> str:
    """From the slowest to the fastest of some speeds; once, where they look alike."""
    return " to ".join(dict.fromkeys(shown("feed_speed_m_min", v, model.units) for v in (feed.min(), feed.max())))


def _own_ages(job: Job, run: _Run) -> list[Remark]:
    """Sheets older than the job's material was run on, where other materials were."""
    own, last = run.ages[-1], min(job.sheet_hours[1], run.oldest_of_all)
    if last <= _OLDER * own or last - own <= _GAP_OF_HOURS / 2:
        return []
    return [Remark(f"{job.material} was run on sheets of {run.ages[0]:.3g} to {own:.3g} contact hours only: how older "
                   "ones do is taken from the log's other materials.", f"Run 3 plates at {last:.3g} h.")]


def _worn(model: LineFit, job: Job, run: _Run, window: tuple[float, float]) -> list[Remark]:
    """Where worn sheets were run over a part of the window's speeds only: whether speed does the same there is open."""
    first, last = job.sheet_hours
    from_age = first + _WORN * (last - first)
    worn = run.hours >= from_age
    if last - first < _GAP_OF_HOURS or not worn.any() or _covered(run.feed[worn], window):
        return []
    far = max(window, key=lambda v: np.abs(np.log(run.feed[worn] / v)).min())
    return [Remark(f"On sheets of {from_age:.2g} contact hours and more {job.material} was run at "
                   f"{_span(model, run.feed[worn])} only: beyond, worn sheets are taken to answer to speed as fresh "
                   "ones do.", f"Run 3 plates at {shown('feed_speed_m_min', far, model.units)}.")]


def _covered(feed: Floats, window: tuple[float, float]) -> bool:
    """Whether speeds that were run span enough of a window."""
    short = np.log(np.maximum([feed.min() / window[0], window[1] / feed.max()], 1.0)).sum()
    return bool(short <= max(_UNCOVERED * np.log(window[1] / window[0]), _NEAR))


def _positions(model: LineFit, job: Job) -> list[Remark]:
    """Positions that are promised on few readings, and limits that are not promised, or not read, at some."""
    rows = model.log.rows
    mine = (model.materials == model.material_of(job)).to_numpy()

    def at(read: np.ndarray) -> pd.DataFrame:
        return rows[mine & read]

    def words(which: Callable[[str], bool]) -> str:
        return listed([word for name, word in POSITION_WORDS.items() if which(name)])
    promised, found = model.positions_read(job), []
    radius = at(np.isfinite(model.log.reading("edge_radius_mm").value))
    reads_radius = job.edge_radius_mm is not None or job.residual_burr_mm is not None
    seen = set(radius["edge_position"].unique()) if reads_radius else promised
    missing = words(lambda name: name not in seen)
    if missing:
        found.append(Remark(f"Not measured, so not promised: {missing} edges.",
                            "Measure them on each plate, if the part has such edges."))
    unread = words(lambda name: name in seen and name not in promised)
    if unread:
        found.append(Remark(f"Residual burr was not read at {unread} edges of {job.material}, so nothing is promised "
                            "there.", "Read it at every position."))
    if job.removal_um is not None:
        taken = set(at(np.isfinite(model.log.reading("removal_um").value))["edge_position"].unique())
        assumed = words(lambda name: name in promised and name not in taken)
        if assumed:
            found.append(Remark(f"Removal was not read at {assumed} edges of {job.material}: taken to go with the edge "
                                "radius there as at the others."))
    plates = plates_of(rows[mine]).first.size
    for name in [p for p in POSITION_WORDS if p in promised and reads_radius]:
        here = radius[radius["edge_position"] == name]
        n, sheets = plates_of(here).first.size, here["abrasive_sheet"].nunique()
        if 2 * n < plates and (n < _FEW_PLATES or sheets == 1):
            found.append(Remark(f"{POSITION_WORDS[name].capitalize()} edges were measured on {count(n, 'plate')} of "
                                f"{count(sheets, 'sheet')} only: what is promised there rests on how much positions "
                                "usually differ.", "Measure them on each plate."))
    return found


def _below_gauge(model: LineFit, job: Job) -> list[Remark]:
    """Where the lower limit lies below what the gauge resolves."""
    least = job.edge_radius_mm[0] if job.edge_radius_mm else None
    if least is None:
        return []

    def look() -> Floats:
        reading = model.log.reading("edge_radius_mm")
        return reading.value[(reading.side < 0) & (model.materials == model.material_of(job)).to_numpy()]
    bounds = model._keep(("gauge", model.material_of(job)), look)
    bounds = bounds[bounds > least]
    if not len(bounds):
        return []
    floor, asked = shown("edge_radius_mm", bounds.max(), model.units), limit("edge_radius_mm", least, model.units, "up")
    return [Remark(f"{count(len(bounds), 'radius is', 'radii are')} known of {job.material} only as below {floor}, and "
                   f"{asked} is asked for: how many met that was not seen.", "Use a finer gauge there.")]
