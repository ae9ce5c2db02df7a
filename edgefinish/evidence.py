"""What the trials can carry: what was run of a job's material, why a job cannot be judged, what to run next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple, Self

import numpy as np
import pandas as pd

from .beyondline import beyond_line
from .errors import nearest
from .job import Job
from .layout import plates_of
from .linefit import LineFit
from .rows import Floats
from .units import QUANTITIES, shown, unit_of
from .window import LEAST_WIDTH, NARROWEST
from .wording import Remark, count, hours, limit, listed, percent

FEWEST_SHEETS = 3
FEWEST_READINGS = 8
COARSE = 0.5
"""Where more than this share of readings are one and the same number, the gauge's steps hide how they spread."""
MOST_SHARE, MOST_CONFIDENCE = 0.999, 0.995
"""Beyond them windows rest on the far tail that is assumed of edges, and on the few draws that lie farthest out: asked
for a confidence of 0.999, windows failed in up to 2.4 times as many of a hundred thousand draws as they may, for 0.995
in 1.2 times as many."""
SLOWEST, FASTEST = "the slowest speed tried", "the fastest speed tried"
FURTHER = 1.5
"""So many times beyond the last tried speed, and no farther, goes what is run next."""
SETTINGS = ("drum_pressure_kPa", "thickness_mm", "passes")
ROUNDING = 0.01
"""A setting this near to what was run counts as run: gauges and unit conversions round."""
FAR_APART = 1.8
"""Between tried settings farther apart than this ratio a law may bend by some percent. The window allows for it."""
ENOUGH_PLATES = 8
"""Of so many plates one alone that stands `FAR_APART` from all others, at either end of the speeds, carries no window:
a slip of the decimal point looks like that. Judgement, no source."""
_ALIKE = 3  # edges with the burr height of another on their plate that look copied
AGE_MARGIN = 0.15
"""The youngest sheet run may be older than the job's by this share of the oldest: wear is read back that far."""


@dataclass(frozen=True)
class Tried:
    """What was run of the job's material.

    `low`, `high`: speeds that may be promised (m/min); `why_low`, `why_high`: what sets them, in words.
    """

    low: float
    high: float
    why_low: str
    why_high: str

    @property
    def speeds(self) -> tuple[float, float]:
        """Least and greatest speed that may be promised."""
        return self.low, self.high

    @property
    def narrow(self) -> bool:
        """Whether no window can lie within, as wide as one has to be."""
        return bool(np.log(self.high / self.low) < LEAST_WIDTH)

    @classmethod
    def of(cls, model: LineFit, job: Job) -> Self:
        """Of the material, or of the whole log where the material was not run."""
        def look() -> tuple[float, float, bool, bool]:
            rows = model.log.rows[measured(model, job) & (model.materials == model.material_of(job)).to_numpy()]
            rows = rows if len(rows) else model.log.rows
            feed = np.sort(rows["feed_speed_m_min"].to_numpy(float)[plates_of(rows).first])
            enough = len(feed) >= ENOUGH_PLATES
            slow = enough and bool(feed[1] > FAR_APART * feed[0])
            fast = enough and bool(feed[-1] > FAR_APART * feed[-2])
            return float(feed[int(slow)]), float(feed[-1 - int(fast)]), slow, fast
        low, high, *alone = model._keep(("speeds", limited(job), model.material_of(job)), look)
        more = " on more than one plate"
        why = [f"{SLOWEST}{more * alone[0]}", f"{FASTEST}{more * alone[1]}"]
        if model.line.feed_speed_m_min:
            least, most = model.line.feed_speed_m_min
            if least > low:
                low, why[0] = least, "the line's slowest speed"
            if most < high:
                high, why[1] = most, "the line's fastest speed"
        return cls(low, high, *why)


def measured(model: LineFit, job: Job) -> np.ndarray:
    """Rows with a reading of anything that the job limits, (n,): the others tell nothing, and count as not run."""
    names = limited(job)

    def look() -> np.ndarray:
        return np.any([np.isfinite(model.log.reading(n).value) for n in names], axis=0)
    return model._keep(("measured", names), look)


def limited(job: Job) -> tuple[str, ...]:
    """Columns of the readings that the job limits."""
    return tuple(n for n in ("edge_radius_mm", "residual_burr_mm", "removal_um") if getattr(job, n) is not None)


def run_next(model: LineFit, job: Job, speeds: Floats | tuple[float, ...], sheets: int, plates: int = 3) -> str:
    """What to run, in one sentence: which plates, sheets, grit, pressure, speeds."""
    system = model.units
    # a pair that rounds to one shown speed is one
    texts = list(dict.fromkeys(shown("feed_speed_m_min", float(v), system).split()[0] for v in speeds))
    new = f"each of {sheets} new {job.grit} sheets" if sheets > 1 else f"1 new {job.grit} sheet"
    passes = f"{count(job.passes, 'pass', 'passes')}, " if job.passes > 1 or _else_in_log(model, job, "passes") else ""
    where = "spread over" if job.sheet_hours[1] > job.sheet_hours[0] else "at"
    ages = f"{where} {hours(job).removesuffix(' h')} contact hours" if job.sheet_hours[1] else "while fresh"
    return (f"Run {plates} plates of {plates_meant(model, job)} on {new} at "
            f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, system)}, {listed(texts)} "
            f"{unit_of('feed_speed_m_min', system)}, {passes}{ages}.")


def plates_meant(model: LineFit, job: Job) -> str:
    """Which plates a job is about: its material, and of cut, thickness and burr whatever the log has not, or not alone.
    """
    parts = [f"cut by {job.cut_process}" if _else_in_log(model, job, "cut_process") else "",
             f"{shown('thickness_mm', job.thickness_mm, model.units)} thick"
             if _else_in_log(model, job, "thickness_mm") else "",
             f"with {job.burr_severity} burr" if _else_in_log(model, job, "burr_severity") else ""]
    return ", ".join(filter(None, (job.material, *parts))) + ("," if any(parts) else "")


def _else_in_log(model: LineFit, job: Job, name: str) -> bool:
    """Whether the job says something that not every row of the log says too."""
    asked, rows = getattr(job, name), model.log.rows

    def look() -> bool:
        if name not in rows:
            return True
        if isinstance(asked, str):
            return not bool((rows[name] == asked).all())
        return bool((np.abs(rows[name].to_numpy(float) / asked - 1) > ROUNDING).any())
    return asked is not None and model._keep(("else in log", name, asked), look)


def _three(model: LineFit, tried: Tried) -> Floats:
    """Three speeds over what was tried; where that is hardly a span, about the nearest one that the line can run."""
    low, high = tried.speeds
    if tried.narrow:
        least, most = model.line.feed_speed_m_min or (0.0, np.inf)
        near = min(max(low, least), most)
        low, high = max(near / FURTHER, least), min(near * FURTHER, most)
    return np.geomspace(low, high, 3)


@dataclass(frozen=True)
class _Run:
    """What the log says of a job's material, whatever its settings: sentences first and last, and what was run."""

    first: tuple[str, ...]
    last: tuple[str, ...]
    spans: dict[str, tuple[float, float]]
    grits: tuple[str, ...]
    ages: tuple[float, float]
    sheets: int


def gaps(model: LineFit, job: Job, tried: Tried) -> list[str]:
    """Why the job cannot be judged at all, one sentence each, the last saying what to run; empty where it can.

    What no trial can tell or the line cannot run is no matter for a trial: that comes first, with what to change, and
    ends it.
    """
    beyond = unable(model, job)
    key = ("run", job.material, job.cut_process, limited(job), job.residual_burr_mm, job.burr_severity)
    run = model._keep(key, partial(_look, model, job))
    last = run.last or _not_read_there(model, job, model._keep(("read", *key), partial(_readings, model, job)))
    found = [*beyond, *run.first, *(_outside(model, job, run) if run.spans else []), *last]
    if tried.low > tried.high:
        found.append("No speed within the line's limits was tried.")
    elif tried.low == tried.high:
        found.append(f"Only {shown('feed_speed_m_min', tried.low, model.units)} was tried within the line's limits.")
    elif tried.narrow:
        apart = percent(round(tried.high / tried.low - 1, 3))
        found.append(f"The speeds tried within the line's limits lie within {apart}, about "
                     f"{shown('feed_speed_m_min', tried.low, model.units)}: less than the {percent(NARROWEST - 1)} "
                     "that a window has to span for a drive to hold it.")
    if found:
        found += [one.text for one in severity_unsaid(model, job)]
    if found and not beyond:
        found.append(run_next(model, job, _three(model, tried), max(FEWEST_SHEETS - run.sheets, FEWEST_SHEETS)))
    return found


def unable(model: LineFit, job: Job) -> list[str]:
    """What of a job no trial can tell, or the line cannot run: one sentence each, with what to do."""
    return [*_beyond_any_trial(job), *cannot_run(model, job)]


def unsettled(model: LineFit, job: Job, tried: Tried) -> list[str]:
    """Why a job cannot be judged where the fit did not settle, and what to run."""
    return ["The fit did not settle; look at the residuals for rows that do not belong.",
            *(one.text for one in severity_unsaid(model, job)),
            run_next(model, job, _three(model, tried), FEWEST_SHEETS)]


def _look(model: LineFit, job: Job) -> _Run:
    rows, key, read = model.log.rows, model.material_of(job), measured(model, job)
    first: list[str] = []
    sheets = rows["abrasive_sheet"][read].nunique()
    run = rows[model.materials == key]
    mine = run[read[model.materials == key]]
    of_name = rows[rows["material"] == job.material]
    if not len(of_name):
        known = sorted(rows["material"].unique())
        hint = nearest(job.material, known)
        first.append(f"Material {job.material} was not tried; the log holds {', '.join(known)}."
                     + (f" {hint[0].upper()}{hint[1:]}" if hint else ""))
    elif not len(run):
        ways = ", ".join(sorted(of_name["cut_process"].dropna().unique()))
        first.append(f"{job.material} was tried cut by {ways}, not by {job.cut_process}." if job.cut_process else
                     f"{job.material} was cut by {ways} in this log: the job must say which in cut_process.")
    elif job.cut_process and "cut_process" in rows:
        ways = sorted(run["cut_process"].dropna().unique())
        if ways and job.cut_process not in ways:
            first.append(f"{job.material} was tried cut by {', '.join(ways)}, not by {job.cut_process}.")
    if sheets < FEWEST_SHEETS:
        what = " with readings" if sheets < rows["abrasive_sheet"].nunique() else ""
        first.append(f"The whole log holds {sheets} abrasive sheet{'' if sheets == 1 else 's'}{what}: how much sheets "
                     f"differ cannot be told from fewer than {FEWEST_SHEETS}.")
    last = untried_severity(model, job) + (unread(model, job) if len(run) else [])
    spans = {n: (float(mine[n].min()), float(mine[n].max())) for n in SETTINGS} if len(mine) else {}
    ages = rows["contact_hours"][read]
    return _Run(tuple(first), tuple(last), spans, tuple(sorted(mine["grit"].unique(), key=lambda g: int(g[1:]))),
                (float(ages.min()), float(ages.max())) if read.any() else (0.0, 0.0), sheets)


def severity_unsaid(model: LineFit, job: Job) -> list[Remark]:
    """That a job names a burr severity and the log none, and what then is known of the job's burr."""
    rows, word = model.log.rows, job.burr_severity
    if not word or ("burr_severity" in rows and rows["burr_severity"].notna().any()):
        return []
    grade = "Grade each plate before it is run, in a column burr_severity"
    if job.residual_burr_mm is None:
        return [Remark("The log names no burr severity; the job's has changed nothing.")]
    if not np.isfinite(model.log.reading("burr_height_mm").value).any():
        return [Remark("The log names no burr severity and no burr height: what burr its plates had is unknown, and "
                       f"that {word} burr comes off is not promised.", f"{grade}, or measure its burr_height_mm.")]
    if word in model.severities:
        low, high = (shown("burr_height_mm", v, model.units) for v in model.severities[word])
        return [Remark(f"The log names no burr severity: {word} burr is taken to be {low} to {high} high before the "
                       "run, as the study says.")]
    return [Remark(f"The log names no burr severity: this is for burr of all heights in the log; that all {word} burr "
                   "comes off is not promised.", f"{grade}.")]


def untried_severity(model: LineFit, job: Job) -> list[str]:
    """Why a job's burr severity cannot be judged: not in the log, or not on its material."""
    rows, word = model.log.rows, job.burr_severity
    if not word or "burr_severity" not in rows or rows["burr_severity"].isna().all():
        return []
    known = sorted(rows["burr_severity"].dropna().unique())
    if word not in known:
        hint = nearest(word, known)
        return [f"Burr severity {word} was not tried; the log holds {', '.join(known)}."
                + (f" {hint[0].upper()}{hint[1:]}" if hint else "")]
    here = sorted(rows["burr_severity"][model.materials == model.material_of(job)].dropna().unique())
    if here and word not in here:
        return [f"Burr severity {word} was not tried on {job.material}, only {', '.join(here)}."]
    return []


class _Readings(NamedTuple):
    """Of what settings one of several readings that a job limits was taken, and of what its material was run."""

    label: str
    read: dict[str, tuple[float, float]]
    run: dict[str, tuple[float, float]]
    grits_read: frozenset[str]
    grits_run: frozenset[str]


def _readings(model: LineFit, job: Job) -> list[_Readings]:
    here, found = (model.materials == model.material_of(job)).to_numpy(), []
    run = model.log.rows[here]
    for name in limited(job) if len(limited(job)) > 1 else ():
        read = np.isfinite(model.log.reading(name).value)
        read = read & model.tells_burr(job) if name == "residual_burr_mm" else read
        there = run[read[here]]
        spans = ({n: (float(rows[n].min()), float(rows[n].max())) for n in SETTINGS} for rows in (there, run))
        found.append(_Readings(QUANTITIES[name].label.capitalize(), *spans, frozenset(there["grit"].unique()),
                               frozenset(run["grit"].unique())))
    return found


def _not_read_there(model: LineFit, job: Job, readings: Sequence[_Readings]) -> list[str]:
    """Of several readings that the job limits, which were taken of its material at other settings only.

    Each law has a part of its own that no other reading tells.
    """
    found = []
    for label, read, run, grits_read, grits_run in readings:
        for setting in SETTINGS:
            value, tried, (least, most) = getattr(job, setting), read[setting], run[setting]
            if not tried[0] * (1 - ROUNDING) <= value <= tried[1] * (1 + ROUNDING) and least <= value <= most:
                ends = list(dict.fromkeys(shown(setting, v, model.units) for v in tried))
                found.append(f"{label} of {job.material} was read at {QUANTITIES[setting].label} {' to '.join(ends)} "
                             f"only, not at {shown(setting, value, model.units)}: read it there.")
        if job.grit not in grits_read and job.grit in grits_run:
            found.append(f"{label} of {job.material} was not read with {job.grit}: read it there.")
    return found


def _outside(model: LineFit, job: Job, run: _Run) -> list[str]:
    system, found = model.units, []
    for name, (low, high) in run.spans.items():
        value = getattr(job, name)
        if not low * (1 - ROUNDING) <= value <= high * (1 + ROUNDING):
            span = shown(name, low, system)
            span += f" to {shown(name, high, system)}" if low < high else ""
            label = QUANTITIES[name].label
            found.append(f"{label[0].upper()}{label[1:]} {shown(name, value, system)} was not tried on {job.material}, "
                         f"only {span}.")
    if job.grit not in run.grits:
        found.append(f"Grit {job.grit} was not tried on {job.material}, only {', '.join(run.grits)}.")
    young, old = run.ages
    if job.sheet_hours[1] > old * (1 + ROUNDING):
        found.append(f"Sheets of {job.sheet_hours[1]:g} contact hours were not tried; the oldest run had {old:.3g} h.")
    if job.sheet_hours[0] < young - AGE_MARGIN * old:
        found.append(f"Sheets of {job.sheet_hours[0]:g} contact hours were not tried; the youngest run had "
                     f"{young:.3g} h.")
    return found


def _beyond_any_trial(job: Job) -> list[str]:
    """What is asked for with more certainty than edges by the hundred, and some thousand draws of a fit, can tell."""
    asked = (("share of edges", job.share, MOST_SHARE), ("confidence", job.confidence, MOST_CONFIDENCE))
    return [f"A {what} of {value:g} is more than any trial of this kind can tell: ask for {most:g} at most."
            for what, value, most in asked if value > most]


def cannot_run(model: LineFit, job: Job) -> list[str]:
    """What the job asks and the line, by its study, cannot run: one sentence each, with what to do."""
    words = {"grit": "The line has no grit", "drum_pressure_kPa": "The line cannot run a drum pressure of"}
    return [f"{words[one.name]} {one.asked}, only {one.able}: {one.remedy}."
            for one in beyond_line(model.line, job, model.units)]


def unread(model: LineFit, job: Job) -> list[str]:
    """What the job limits and too few edges of its material were measured for; empty where all is there."""
    log, found = model.log, []
    here = (model.materials == model.material_of(job)).to_numpy()
    wanted = [("edge_radius_mm", job.edge_radius_mm), ("removal_um", job.removal_um)]
    for name, asked in wanted:
        if asked is None:
            continue
        reading = log.reading(name)
        read = int(((reading.side == 0) & np.isfinite(reading.value) & here).sum())
        if read < FEWEST_READINGS:
            found.append(f"{QUANTITIES[name].label.capitalize()} was measured on {count(read, 'edge')} of "
                         f"{job.material}; fewer than {FEWEST_READINGS} tell nothing of its spread. Measure it on "
                         "each edge.")
        else:
            at = np.flatnonzero((reading.side == 0) & np.isfinite(reading.value) & here)
            found += model._keep(("alike", name, model.material_of(job)), partial(_alike, model, job, name, at))
    if job.residual_burr_mm is not None and not untried_severity(model, job):
        known = int((model.tells_burr(job) & here).sum())
        if known < FEWEST_READINGS:
            most = limit("residual_burr_mm", job.residual_burr_mm, model.units, "down")
            of = f"{job.material} with {job.burr_severity} burr" if job.burr_severity else job.material
            found.append(f"Residual burr was read against {most} on {known} edges of {of}; fewer than "
                         f"{FEWEST_READINGS} tell nothing. Measure it on each edge; 0: no burr found.")
        else:
            key = ("burr alike", model.material_of(job), job.residual_burr_mm)
            found += model._keep(key, partial(_burr_copied, model, job, here))
        radius = log.reading("edge_radius_mm")
        if (np.isfinite(radius.value) & here).sum() < FEWEST_READINGS:
            found.append("Burr is judged through the edge radius, and too few radii were measured. Measure both on "
                         "each edge.")
    if not found and not model.positions_read(job):
        found.append("At no edge position were burr and edge radius both read. Measure both on each edge.")
    return found


def burr_limits(model: LineFit, jobs: Iterable[Job]) -> list[Job]:
    """One job for each limit on residual burr that the log can judge, the tightest first."""
    limits = {job.residual_burr_mm: job for job in jobs if job.residual_burr_mm is not None
              and not unread(model, job) and not untried_severity(model, job)}
    return [job for _, job in sorted(limits.items())]


def _burr_copied(model: LineFit, job: Job, here: np.ndarray) -> list[str]:
    """Residual burr of which one height was copied to all edges: they would count for as many plates."""
    reading, within = model.log.reading("residual_burr_mm"), model.cleared(job.residual_burr_mm)[0]
    at = np.flatnonzero((reading.side == 0) & np.isfinite(reading.value) & here)
    if not within[at].any():  # then it matters to nothing
        return []
    plates = pd.Series(reading.value[at]).groupby(plates_of(model.log.rows).of[at])
    left = (plates.size() > 1) & (plates.max() > 0)
    same = left & (plates.nunique() == 1)
    more = int((plates.size()[same] - 1).sum())  # edges that are alike, beyond one a plate
    if more < _ALIKE or not (same.sum() == left.sum() or (same.sum() >= FEWEST_SHEETS and
                                                          same.sum() > COARSE * left.sum())):
        return []
    return [f"On {same.sum()} of {left.sum()} plates of {job.material} on which burr was left, all edges have one "
            "height of it: how edges of a plate differ cannot be told. Read each edge; where one reading was copied to "
            "all, enter it once and leave the others blank."]


def _alike(model: LineFit, job: Job, name: str, at: np.ndarray) -> list[str]:
    """Readings, at rows `at`, that do not show how edges differ: too coarse a gauge, or one copied to all edges."""
    rows, label = model.log.rows.iloc[at], QUANTITIES[name].label
    value = pd.Series(model.log.reading(name).value[at])
    most = value.value_counts()
    if most.iloc[0] > COARSE * len(value):
        return [f"{most.iloc[0]} of {len(value)} readings of {label} on {job.material} are "
                f"{shown(name, float(most.index[0]), model.units)}: too coarse to tell how much edges differ. Read "
                "them with a finer gauge."]
    plates = value.groupby([rows["abrasive_sheet"].to_numpy(), rows["run"].to_numpy()])
    several = plates.size() > 1
    if several.sum() >= FEWEST_SHEETS and (plates.nunique()[several] == 1).all():
        return [f"On every plate of {job.material} all edges have one {label}: how much edges of a plate differ cannot "
                "be told. Measure each edge; where one reading was copied to all, enter it once and leave the others "
                "blank."]
    return []
