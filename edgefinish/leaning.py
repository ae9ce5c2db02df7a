"""How much of a window rests on assumed physics more than on the trials, and the window without it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from .abrasive import grain_um
from .evidence import Tried, run_next, severity_unsaid
from .job import Job, SpeedWindow
from .lawfit import LawFit
from .laws import BENDS, FEED, RUN_IN, TERMS, Settings
from .linefit import LineFit
from .promise import Promise, ages_of
from .remarks import run_together
from .rows import Floats
from .window import LEAST_WIDTH
from .wording import Remark, refused, shown_span

EXPONENTS = tuple(k for k in range(len(TERMS)) if k != RUN_IN and k not in [b for t, b in BENDS.items() if t != FEED])
"""Places in `TERMS` of what physics says; of the others how far laws may go astray is all that is assumed."""
_TOLD, MOST = 1.3, 2.5
_CUTS = 65  # speeds of a window that are looked at


def lean_of(fitted: LawFit, job: Job, material: int, terms: Sequence[int] = EXPONENTS) -> Callable[[Floats], Floats]:
    """How many times the SD of the mean at some speeds grows where the priors of the laws' exponents are 4 times as
    wide, at the sheet age where it grows most; as a function of log speeds, (n,) of (n,)."""
    layout = fitted.layout
    as_is, loosened = fitted.covariance, fitted.loosened(terms)

    def lean(x: Floats) -> Floats:
        speed = layout.centre.feed_speed_m_min * np.exp(x)[:, None]
        at = Settings(speed, job.drum_pressure_kPa, grain_um(job.grit), job.thickness_mm, job.passes,
                      ages_of(*job.sheet_hours))
        columns = layout.dose_columns(at, material)
        rows = np.zeros((*columns.shape[:2], len(as_is)))
        rows[..., layout.names.dose] = columns
        each = len(layout.positions)
        rows[..., layout.names.position] = rows[..., layout.names.own_position] = 1 / each
        if layout.tilts:
            rows[..., layout.names.tilts] = np.repeat(layout.tilted(at), each, -1) / each
        grown = ((rows @ loosened) * rows).sum(2) / ((rows @ as_is) * rows).sum(2)
        return np.sqrt(np.maximum(grown.max(1), 1.0))
    return lean


def carried(lean: Callable[[Floats], Floats], window: tuple[float, float]) -> tuple[float, float] | None:
    """A window without what of it, towards its ends, leans on assumed physics more than `MOST`; None where too
    little is left."""
    if lean(np.array(window)).max() <= MOST:
        return window
    x = np.linspace(*window, _CUTS)
    good = np.flatnonzero(lean(x) <= MOST)
    if not len(good):
        return None

    def end(at: int, beyond: int) -> float:
        if not 0 <= beyond < _CUTS:
            return float(x[at])
        return float(brentq(lambda v: lean(np.array([v]))[0] - MOST, x[at], x[beyond]))
    low, high = end(good[0], good[0] - 1), end(good[-1], good[-1] + 1)
    return (low, high) if high - low >= LEAST_WIDTH else None


def cut(promise: Promise, tried: Tried, found: tuple[float, float], kept: tuple[float, float], centre: float
        ) -> tuple[Promise, Tried]:
    """The promise and what was tried, where a window was cut: over speeds that end where it was."""
    speeds, why = list(promise.speeds), [tried.why_low, tried.why_high]
    for i, word in enumerate(("slowest", "fastest")):
        if kept[i] != found[i]:
            speeds[i], why[i] = kept[i], f"the {word} speed that hangs on these trials more than on assumed physics"
    low, high = (centre * float(np.exp(x)) for x in speeds)
    return replace(promise, speeds=(speeds[0], speeds[1])), Tried(low, high, *why)


def cut_off(model: LineFit, job: Job, found: tuple[float, float], centre: float) -> Remark:
    """What a window would be that was cut, and what to run to have it."""
    ends = centre * np.exp(np.array(found))
    span = shown_span(ends[0], ends[1], ends[0], model.units)
    return Remark(f"With assumed physics the window would be {span}.", "To learn whether it is: " + run_next(
        model, job, (ends[0], float(np.sqrt(ends.prod())), ends[1]), 3))


def unsupported(model: LineFit, job: Job, window: tuple[float, float], fitted: LawFit) -> SpeedWindow:
    """The answer where a window comes out but rests on the priors."""
    ends, material = np.array(window), model.material_index(fitted.layout, job)
    lean = lean_of(fitted, job, material)(ends).max()
    most = max(EXPONENTS, key=lambda k: lean_of(fitted, job, material, (k,))(ends).max())
    ends = fitted.layout.centre.feed_speed_m_min * np.exp(ends)
    found = [Remark("The window would rest on assumed physics: with those assumptions loosened, the mean at an end is "
             f"{lean:.1f} times as uncertain. Most hangs on what is assumed of {TERMS[most].name}: these trials vary "
             "it too little, or together with something else.")]
    found += severity_unsaid(model, job)
    found += run_together(model, job, Tried.of(model, job)) or [
        Remark("", run_next(model, job, (ends[0], float(np.sqrt(ends.prod())), ends[1]), 3))]
    return refused(job, "not enough evidence", found)


def said(lean: float) -> list[Remark]:
    """The sentence for a window that leans on assumed physics; none where it hardly does.

    >>> [one.said for one in said(1.5)]
    ['Leans on assumed physics: with the assumptions loosened, an end is 1.50 times as uncertain.']
    """
    return [Remark(f"Leans on assumed physics: with the assumptions loosened, an end is {lean:.2f} times as uncertain.")
            ] if lean > _TOLD else []
