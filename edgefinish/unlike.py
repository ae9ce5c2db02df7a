"""What is told of edges, positions and plates that are not like the log's others, where a window goes by them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .byburr import BurrStep
from .job import Job
from .lawfit import LawFit
from .laws import AREA_LAW, FEED, TERMS, WEAR
from .layout import Tilt
from .linefit import LineFit, job_settings
from .platekind import PlateKind
from .units import QUANTITIES, shown
from .wording import POSITION_WORDS, Remark, change, count, percent

_MIDDLE = "in the middle of what was run"
_ANSWERS = {FEED: ("feed speed", "where it is doubled", "if they did"),
            WEAR.start: ("wear of the sheet", "at the job's oldest sheet age", "if they did")}
_HARDLY = 0.05  # of spread, or of a radius: less is not worth a sentence


def said(model: LineFit, job: Job, fitted: LawFit) -> list[Remark]:
    """One sentence for each way in which a job's edges are not like the log's others."""
    layout, found = fitted.layout, []
    wild = max(layout.position_spread, key=lambda p: layout.position_spread[p], default=None)
    if wild is not None:
        found.append(f"Edges do not scatter alike at all positions: most at {POSITION_WORDS[wild]} edges, "
                     f"{layout.position_spread[wild] / min(layout.position_spread.values()):.1f} times as much as "
                     "where they scatter least. Each position is judged by its own.")
    found += [_own_steps(job, fitted)] if layout.own_steps else []
    found += _tilted(job, fitted) if layout.tilts else []
    if layout.coupling != AREA_LAW:
        found.append("Removal does not follow what sheets and plates do to the edge radius as the area that is rounded "
                     f"off would, but {layout.coupling / AREA_LAW:.1f} times as much: it is counted so.")
    if layout.kinds:
        found += _kinds(model, fitted)
    return [Remark(text) for text in found + _step_of_burr(job, model.step_of_burr(fitted, job))]


def _step_of_burr(job: Job, step: BurrStep | None) -> list[str]:
    """How far radii of plates with the job's burr stand from the law."""
    if step is None:
        return []
    off, way = percent(round(abs(float(np.expm1(step.mean))), 2)), "below" if step.mean < 0 else "above"
    return [f"Radii of plates with {job.burr_severity} burr lie {off} {way} what all plates together tell, seen on "
            f"{count(step.plates, 'plate')}: the job is judged by theirs."]


def _own_steps(job: Job, fitted: LawFit) -> str:
    """Where the job's material has its edge positions otherwise than the log's others."""
    own = fitted.posterior.moments()[0][fitted.layout.names.own_position]
    own = own - own.mean()
    most = int(np.abs(own).argmax())
    where = POSITION_WORDS[fitted.layout.positions[most]]
    return (f"Edge positions of {job.material} do not lie to each other as in the log's other materials: radii at "
            f"{where} edges stand {change(float(np.exp(own[most])))} apart. The job is judged by {job.material}'s own.")


def _tilted(job: Job, fitted: LawFit) -> list[str]:
    """Settings to which positions answer each in its own way, where that counts at the job's."""
    layout, mean = fitted.layout, fitted.posterior.moments()[0]
    oldest = replace(job_settings(job), feed_speed_m_min=2 * layout.centre.feed_speed_m_min,
                     contact_hours=job.sheet_hours[1])
    steps, found = dict.fromkeys((tilt.term for tilt in layout.tilts), 0.0), []
    for slopes, tilt, column in zip(layout.slopes(mean), layout.tilts, layout.tilted(oldest), strict=True):
        steps[tilt.term] += (slopes - slopes.mean()) * column
    for term, step in steps.items():
        most = int(np.abs(step).argmax())
        if abs(step[most]) > _HARDLY:
            where, far = POSITION_WORDS[layout.positions[most]], change(float(np.exp(step[most])))
            what, at, otherwise = _ANSWERS.get(term, (TERMS[term].name, "at the job's", _MIDDLE))
            whose = f" of {job.material}" if Tilt(term, own=True) in layout.tilts else ""
            found.append(f"Edge positions{whose} do not answer alike to {what}: {at}, radii at {where} edges stand "
                         f"{far} from where they would {otherwise}. Each position is judged by its own.")
    return found


def _kinds(model: LineFit, fitted: LawFit) -> list[str]:
    """Plates run as the job's are that scatter otherwise than the others."""
    post, kinds = fitted.posterior, fitted.layout.kinds
    factors = np.exp(post.weight @ np.log(post.nodes.factor))[-len(kinds):]
    plates = fitted.layout.data.own[-len(kinds):].sum(1)
    return [f"Edges scatter {factor:.2g} times as much {_words(model, kind)} ({count(int(n), 'plate')}) as on others: "
            "the job is judged by these plates."
            for kind, factor, n in zip(kinds, factors, plates, strict=True) if abs(factor - 1) >= 2 * _HARDLY]


def burr_said(model: LineFit, job: Job, kind: PlateKind, plates: int) -> Remark:
    """Plates run as the job's are that keep more burr than their dose tells."""
    burr = job.burr_severity or "heavy"
    return Remark(f"More burr is left {_words(model, kind)} ({count(plates, 'plate')}) than the edge radius tells: the "
                  "fast end may be too fast there.",
                  f"Run 4 more such plates with {burr} burr at the window's fast end.")


def _words(model: LineFit, kind: PlateKind) -> str:
    """Where plates of a kind are met, in words.

    >>> _words(LineFit(None), PlateKind("grit", word="P120"))
    'with P120'
    """
    if kind.word is not None:
        return f"with {kind.word}" + (" burr" if kind.column == "burr_severity" else "")
    if kind.column == "contact_hours":
        return f"on sheets of {kind.low:.3g} contact hours and more"
    middle = float(np.sqrt(kind.low * kind.high))
    if kind.column == "passes":
        return f"with {count(round(middle), 'pass', 'passes')}"
    return f"at {QUANTITIES[kind.column].label} {shown(kind.column, middle, model.units)}"
