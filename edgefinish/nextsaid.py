"""What is said of plates to run next: what comes before them, what they are expected to gain, when to stop."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from .job import SpeedWindow
from .linefit import LineFit
from .sheetgroups import SHARED, meet_anew
from .units import System, in_shown, unit_of
from .wording import count, listed


def asked_besides(windows: Sequence[SpeedWindow]) -> str:
    """That jobs without a window, and windows, ask for plates of their own, "" where none does.

    What is looked for to be run next is width within the speeds that were tried: that is not all they lack.

    >>> from edgefinish import Job
    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> asked_besides([SpeedWindow(job=job, verdict="not enough evidence", remedies=("", "Run 3 plates."))])
    '1 job without a window asks for plates of its own: those stand with it, and come first.'
    """
    asking = [w.verdict == "window" for w in windows if any("plates" in remedy for remedy in w.remedies)]
    refused, issued, found = asking.count(False), asking.count(True), []
    if refused:
        ask = "asks for plates of its" if refused == 1 else "ask for plates of their"
        found.append(f"{count(refused, 'job')} without a window {ask} own")
    if issued:
        found.append(f"{count(issued, 'window')} {'asks' if issued == 1 else 'ask'} for plates of what was not run, or "
                     "seldom")
    them = "it" if len(asking) == 1 else "them"
    return f"{listed(found)}: those stand with {them}, and come first." if found else ""


def next_said(model: LineFit, windows: Sequence[SpeedWindow], gained: pd.DataFrame, options: pd.DataFrame,
              chosen: tuple[int, bool], plates: pd.DataFrame, too_little: float | None) -> str:
    """All that is said of some plates; `too_little`: where they are not worth it, what can be set on the line (m/min).

    `gained`, `options`: as in `NextPlates`; `chosen`: the count of new sheets, and whether every second has heavy burr.
    """
    besides = asked_besides(windows)
    what = count(len(plates), "more plate")
    ways = "; ".join(f"{count(w.new_sheets, 'new sheet') if w.new_sheets else 'no new sheets'}"
                     f"{', heavy burr on every second plate' if w.heavy_burr else ''} "
                     f"{_shown(w.gain_m_min, model.units)}" for w in options.itertuples())
    expected = (f"Expected of {what}, as mean gain of a window's width: {ways}. These are means over all that may come "
                "out: a single trial may gain more, or nothing; a window that was too wide comes out narrower, or is "
                "lost.")
    if too_little is not None:
        some = f" for {len(gained)} of {len(windows)} jobs, with a window or an even chance of one"
        stop = f"{'Beyond those plates, stop' if besides else 'Stop'}{some if len(gained) < len(windows) else ''}"
        return " ".join(filter(None, (
            besides, f"{stop}: from plates at the speeds tried no window is expected to gain what can be set on the "
                     f"line, {_shown(too_little, model.units)}.", expected)))
    best, (new, heavy) = gained.loc[gained["gain_m_min"].idxmax()], chosen
    sheets = f"with {count(new, 'new sheet')}" if new else "on the old sheets"
    burr = ", every second with heavy burr" if heavy else ""
    run = (f"{'For wider windows run' if besides else 'Run'} {what} {sheets}{burr}; {best['job']} gains most, on "
           f"average about {_shown(best['gain_m_min'], model.units)}.")
    return " ".join(filter(None, (
        besides, run, expected,
        "Fit again after them, and stop when the windows are as wide as you decided beforehand.",
        SHARED if meet_anew(model.log.rows, plates) else "")))


def _shown(m_min: float, units: System) -> str:
    return f"{round(float(in_shown('feed_speed_m_min', m_min, units)), 2):.2g} {unit_of('feed_speed_m_min', units)}"
