"""Where a window ends with the speeds that were tried and the line goes on: how far it may go, what to run there."""

from __future__ import annotations

import numpy as np

from .evidence import FASTEST, FURTHER, SLOWEST, Tried, run_next
from .job import Job
from .linefit import LineFit
from .promise import Promise
from .shares import worst_shares
from .units import shown
from .wording import Remark, listed

_LOOKS, _FEW = 9, 96
_WORTH, _HALFWAY = np.log((1.1, 1.2))  # so far beyond, and plates there are worth it; and a speed between is run too


def said(model: LineFit, job: Job, promise: Promise, tried: Tried, window: tuple[float, float]) -> list[Remark]:
    """What to run beyond the ends of a window (log speeds) that the last speed tried sets, and no limit.

    All of it is a remedy: who runs the line keeps to the window.
    """
    least, most = model.line.feed_speed_m_min or (0.0, np.inf)
    ends = (("slower", tried.low, tried.why_low == SLOWEST, max(least, tried.low / FURTHER)),
            ("faster", tried.high, tried.why_high == FASTEST, min(most, tried.high * FURTHER)))
    words, reached, speeds = [], [], []
    for (word, last, by_speed, far), x, bound in zip(ends, window, promise.speeds, strict=True):
        if not by_speed or abs(x - bound) > 1e-6:
            continue
        step = _reach(promise, bound, float(np.log(far / last)), job.share)
        if abs(step) >= _WORTH:
            words.append(word)
            speeds += [last * float(np.exp(part * step)) for part in ((0.5, 1.0) if abs(step) > _HALFWAY else (1.0,))]
            reached.append(shown("feed_speed_m_min", speeds[-1], model.units))
    if not words:
        return []
    able = "" if model.line.feed_speed_m_min else ", if the line can"
    return [Remark("", f"{listed(words).capitalize()} speeds were not tried, and by the law the window may go on to "
                       f"about {listed(reached)}{able}. {run_next(model, job, tuple(sorted(speeds)), 2)}")]


def _reach(promise: Promise, bound: float, far: float, share: float) -> float:
    """How far beyond a log speed, `far` at the most, enough edges meet every limit at even odds."""
    way = np.linspace(0.0, far, _LOOKS)
    enough = np.median(worst_shares(promise.thinned(_FEW), bound + way), axis=0) >= share
    return float(way[max(int(np.logical_and.accumulate(enough).sum()) - 1, 0)])
