"""What the reader of a window that was issued should know of it."""

from __future__ import annotations

from functools import partial

import numpy as np

from . import evidence, fromthepast, standing, unlike
from .burr import score_of
from .byplates import keeps_burr
from .job import Job
from .lawfit import LawFit
from .laws import BENDS, FEED, PASSES, PRESSURE, THICKNESS
from .layout import plates_of
from .linefit import LineFit
from .units import shown
from .wording import POSITION_WORDS, Remark, about, change, count, limit

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
ENOUGH_SHEETS, MOST_NAMES = 6, 4
_FLAT = 1e-9


def flags(model: LineFit, job: Job, fitted: LawFit, tried: evidence.Tried, window: tuple[float, float]) -> list[Remark]:
    """What a reader should know of a window that was issued, its ends in m/min."""
    layout, post, rows = fitted.layout, fitted.posterior, model.log.rows
    found = [*run_together(model, job, tried)]
    found += _borrowed(model, job, tried)
    few = model._keep(("few", model.material_of(job), job.grit, job.passes), partial(_few, model, job))
    if few:
        found += [*few, Remark("", evidence.run_next(model, job, (float(np.sqrt(np.prod(tried.speeds))),), 2))]
    found += [] if model.past else _spread_flags(model, job, fitted)
    found += fromthepast.said(model, fitted)
    mean, sd = post.moments()
    for name, term in (("speed", FEED), ("drum pressure", PRESSURE), ("thickness", THICKNESS),
                       ("passes", PASSES)):
        curve = layout.names.dose.start + 1 + BENDS[term]
        if abs(mean[curve]) > 2 * sd[curve]:
            found.append(Remark(f"The law of {name} curves: it is no plain power of {name} over the range tried."))
    if layout.has_drift:
        drift = layout.names.dose.stop - 1
        if abs(mean[drift]) > 2 * sd[drift]:
            found.append(Remark(
                f"The line drifted over the log: edge radius changed by {change(float(np.exp(mean[drift])))} from the "
                "first run to the last. The window is for the line as it was at the end."))
    elif "date" in rows and rows["date"].notna().any():
        undated = int(rows["date"].isna().sum())
        found += [Remark(f"{undated} row{'s have' if undated > 1 else ' has'} no date: whether the line drifted over "
                         "the log was not looked for.")] if undated else []
    else:
        found.append(Remark("No row has a date: whether the line drifted over the log was not looked for."))
    if model.copied:
        found.append(Remark(f"On {count(model.copied, 'plate')} one radius stands at all edges, more often than the "
                            "gauge's steps explain: counted as one reading each.",
                            "Measure every edge, or leave the others blank."))
    censored = post.data.side[~layout.is_removal] != 0
    if (1 - job.share) * len(censored) < _SEEN_FAR_OUT:
        found.append(Remark(f"One edge in {1 / (1 - job.share):.0f} may fail, and {len(censored)} were measured: how "
                            "edges lie that far out is assumed, not seen."))
    if len(censored) and censored.mean() > 0.5:
        found.append(Remark(f"{about(censored.mean())} of the radii are readings below or above the gauge: the spread "
                            "rests on few."))
    found += unlike.said(model, job, fitted)
    found += standing.said(model, job, window)
    found += model._keep(("process unsaid", model.material_of(job)), partial(_process_unsaid, model, job))
    if job.cut_process and not ("cut_process" in rows and rows["cut_process"].notna().any()):
        found.append(Remark("The log names no cut process; the job's has changed nothing."))
    if job.residual_burr_mm is not None:
        found += _burr_flags(model, job)
    return found


def _process_unsaid(model: LineFit, job: Job) -> list[Remark]:
    """Where some plates of the job's material do not say how they were cut, and are taken to be cut as the others."""
    rows = model.log.rows
    if "cut_process" not in rows:
        return []
    mine = rows[(model.materials == model.material_of(job)).to_numpy()]
    blank, named = plates_of(mine[mine["cut_process"].isna()]).first, mine["cut_process"].dropna().unique()
    some = f"{len(blank)} plate{'s do' if len(blank) > 1 else ' does'}"
    return [Remark(f"{some} not say by which process {job.material} was cut: taken to be {named[0]}, as the others.")
            ] if len(blank) and len(named) else []


def run_together(model: LineFit, job: Job, tried: evidence.Tried) -> list[Remark]:
    """Where feed speed and sheet age were run together: that, and what to run; empty elsewhere."""
    together, oldest = model._keep(("together",), partial(_feed_with_age, model))
    if not together:
        return []
    slow, fast = (shown("feed_speed_m_min", v, model.units) for v in (tried.low, tried.high))
    return [Remark("Feed speed and sheet age were run together, so that wear and speed cannot be told apart.",
                   f"Run 3 plates at {slow} and 3 at {fast} on one {job.grit} sheet while fresh, and the same at "
                   f"{oldest:.3g} h, at {shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)}.")]


def _borrowed(model: LineFit, job: Job, tried: evidence.Tried) -> list[Remark]:
    """That how much sheets differ is known of other materials more than of the job's."""
    key = ("borrowed", model.material_of(job), evidence.limited(job))
    own, others, apart, listed = model._keep(key, partial(_whose_sheets, model, job))
    if own >= ENOUGH_SHEETS or apart < own:
        return []
    middle = float(np.sqrt(np.prod(tried.speeds)))
    return [Remark(f"Spread borrowed, run more sheets: {job.material} was run on {own} sheet{'s' if own > 1 else ''}"
                   f" only, so that how much sheets and plates differ is taken from {others} sheets of {listed} too.",
                   evidence.run_next(model, job, (middle,), ENOUGH_SHEETS - own))]


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


def _few(model: LineFit, job: Job) -> list[Remark]:
    """What of the job was run on one sheet only, or on few plates of its material."""
    rows, found = model.log.rows, []
    passes = f"{job.passes} pass{'es' if job.passes > 1 else ''}"
    for column, value, name in ((model.materials, model.material_of(job), job.material),
                                (rows["grit"], job.grit, job.grit), (rows["passes"], job.passes, passes)):
        sheets = rows["abrasive_sheet"][column == value].unique()
        if len(sheets) == 1 and column.nunique() > 1:
            found.append(Remark(f"Of all sheets only {sheets[0]} was run with {name}: what comes of this and what of "
                                "that sheet cannot be told apart."))
    mine = (model.materials == model.material_of(job)).to_numpy()
    plates = len(np.unique(plates_of(rows).of[mine]))
    if plates < FEW_PLATES and not mine.all():
        found.append(Remark(f"Only {plates} plate{'s' if plates > 1 else ''} of {job.material} were run: how it "
                            "answers to speed, pressure and wear is mostly taken from the log's other materials."))
    return found


def _spread_flags(model: LineFit, job: Job, fitted: LawFit) -> list[Remark]:
    """How wild sheets look, or that they are assumed to be as usual."""
    mean, learned = fitted.sheets_learned
    sheets = len(fitted.layout.sheets)
    middle = float(np.sqrt(np.prod(evidence.Tried.of(model, job).speeds)))
    if np.exp(mean) > _WILD * fitted.priors.sheet.median and sheets < ENOUGH_TO_TELL:
        return [Remark(f"Sheets differ much: about {about(np.exp(mean))} of the radius from sheet to sheet, where "
                       f"{about(fitted.priors.sheet.median)} is usual. {sheets} sheets do not show how wild they may "
                       "be: the window may fail more often than it says.",
                       evidence.run_next(model, job, (middle,), 6))]
    if learned >= LEARNED:
        return []
    return [Remark(f"How much sheets differ is assumed rather than learned from {sheets} sheets (about "
                   f"{about(np.exp(mean))} of the radius, sheet to sheet).",
                   evidence.run_next(model, job, (middle,), 3))]


def idle_burr(model: LineFit, job: Job) -> Remark:
    """Why a limit on burr ends no window."""
    top = shown("burr_height_mm", model.idle_burr(job), model.units, "up")
    burr = f"{job.burr_severity} burr" if job.burr_severity else "burr"
    most = limit("residual_burr_mm", job.residual_burr_mm, model.units, "down")
    return Remark(f"Of {burr} no more than {top} stands before the run, and {most} may be left: that limit ends no "
                  "window.")


def _burr_flags(model: LineFit, job: Job) -> list[Remark]:
    within, known = model.cleared(job.residual_burr_mm)
    left, word = known & ~within, job.burr_severity
    sheets = model.log.rows["abrasive_sheet"][left].nunique()
    found = []
    if word in model.words_alone:
        others = " beside the log's other words" if len(model.burr_fit(job).data.words) > 1 else ""
        found.append(Remark(f"How high {word} burr stands is told by the word alone: where it ends to be cleared is "
                            f"learned from plates so graded{others}.",
                            "Measure the burr before the run on each plate."))
    if left.sum() < UNCLEARED or sheets < UNCLEARED_SHEETS:
        seen = f"{count(int(left.sum()), 'edge')} of {count(sheets, 'sheet')}" if left.any() else "no edge"
        found.append(Remark(
            f"Burr was left on {seen}: where clearing ends is assumed more than learned.",
            f"Run 4 plates with heavy burr on each of 2 new {job.grit} sheets at "
            f"{shown('drum_pressure_kPa', job.drum_pressure_kPa, model.units)} and the window's fast end."))
    unread = int((~known & np.isfinite(model.log.reading('residual_burr_mm').value)).sum())
    if unread:
        some = f"{unread} burr reading{'s' if unread > 1 else ''} below or above a gauge limit"
        found.append(Remark(f"{some}: whether they are within the job's cannot be told, and nothing is learned of "
                            "them."))
    fit = model.burr_fit(job)
    age = model.log.rows["contact_hours"].to_numpy(float)[fit.data.row]
    if age.max() > age.min() and score_of(fit, age) < _WORSE:
        found.append(Remark(
            "Worn sheets leave more burr than the edge radius tells: the fast end may be too fast on an old sheet.",
            f"Ask for a shorter sheet life, or run 4 plates with {job.burr_severity or 'heavy'} burr at the window's "
            f"fast end on sheets of about {job.sheet_hours[1]:.3g} h."))
    kind = model._keep(("keeps burr", job), lambda: keeps_burr(
        model.log.rows, fit, job, (model.materials == model.material_of(job)).to_numpy()))
    found += [unlike.burr_said(model, job, *kind)] if kind else []
    if fit.data.apart:
        most = int(fit.moments()[0][-fit.data.positions:].argmin())
        edges = model.burr_edges(job)
        there, burred = edges.position == most, ~edges.cleared
        name = POSITION_WORDS[model.positions[most]]
        found.append(Remark(
            f"More burr is left at {name} edges than their edge radius tells: on {(there & burred).sum()} of "
            f"{there.sum()} there, {(~there & burred).sum()} of {(~there).sum()} elsewhere. The burr of each position "
            "is judged by its own."))
    if job.burr_severity is None:
        found.append(Remark("No burr severity is named: the promise is for burr as mixed as in the log."))
    return found

