"""What may be run at which pressure and speed: a job's window at every pressure tried, beside the settings tried."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import plotly.graph_objects as go

from .drawing import (
    INK,
    WINDOW_FILL,
    axis,
    empty,
    judged,
    limit_line,
    nothing,
    of_material,
    thin,
    word,
)
from .job import Job, SpeedWindow
from .results import Results
from .units import in_shown, shown
from .wording import SPEED, count, hours, job_name, speeds

PRESSURE = "drum_pressure_kPa"
MOST_PRESSURES = 9
NARROWEST_NAME = 0.3
"""A limit is named along an end where it binds over at least this share of the pressures."""
HEIGHT, MOST_TRIED, ROOM_ABOVE = 300, 90, 1.2
CLOSE = 0.12
"""A lower end no more than this share of the picture's height above the line's slowest speed is named above itself."""


def windows_of(results: Results, jobs: Iterable[Job]) -> tuple[SpeedWindow, ...]:
    """The windows of jobs that are not the study's own; each is computed once and kept with the model."""
    model = results.model
    return tuple(model._keep(("window", job), partial(model.window, job)) for job in jobs)


def at_pressures(results: Results, job: Job, most: int = MOST_PRESSURES) -> tuple[SpeedWindow, ...]:
    """The job's window at up to `most` pressures over the span that was tried on its material, its own among them."""
    low, high = _span(results, job)
    own = job.drum_pressure_kPa
    if not low <= own <= high:
        return windows_of(results, [job])
    grid = np.linspace(low, high, most)
    grid[int(np.abs(grid - own).argmin())] = own
    return windows_of(results, (replace(job, drum_pressure_kPa=float(p)) for p in np.unique([low, *grid, high])))


def _span(results: Results, job: Job) -> tuple[float, float]:
    """Least and greatest pressure tried on the job's material, within the line's."""
    tried = results.log.rows.loc[of_material(results, job), PRESSURE]
    if tried.empty:
        return job.drum_pressure_kPa, job.drum_pressure_kPa
    least, most = results.study.line.drum_pressure_kPa or (0.0, np.inf)
    return max(float(tried.min()), least), min(float(tried.max()), most)


def one_a_grit(results: Results, windows: Sequence[SpeedWindow]) -> tuple[SpeedWindow, ...]:
    """For each material and grit the first job that the trials could judge, one with a window before one without.

    Only where more than one pressure was tried.
    """
    chosen: dict[tuple[str, str | None, str], SpeedWindow] = {}
    for window in sorted(windows, key=lambda w: w.verdict != "window"):
        job = window.job
        low, high = _span(results, job)
        if window.verdict != "not enough evidence" and low < high:
            chosen.setdefault((job.material, job.cut_process, job.grit), window)
    return tuple(chosen.values())


def pressure_figure(results: Results, window: SpeedWindow) -> go.Figure:
    """The job's window over drum pressure, what binds each end named along it, the settings tried as circles."""
    job, system = window.job, results.study.units
    found = at_pressures(results, job) if judged(results, window) else (window,)
    passes = f"{job.passes} pass{'' if job.passes == 1 else 'es'}"
    got = any(w.verdict == "window" for w in found)
    lines = [f"{job_name(job, system)}; {passes}, sheet age {hours(job)}.",
             f"Grey: the window at each pressure, worked out at {count(len(found), 'pressure')}. " * got
             + _tried_said(results, job) + "Dotted: the job's own pressure."]
    fig = empty(f"Which speeds may be run at which pressure with {job.grit}?", lines, pressures_said(results, window),
                HEIGHT)
    _tried(fig, results, job)
    line = results.study.line.feed_speed_m_min
    slowest = float(in_shown(SPEED, line[0], system)) if line else None
    fastest = max((float(v) for trace in fig.data for v in trace.y), default=1.0)
    _windows(fig, found, system, 0.0 if slowest is None else slowest + CLOSE * fastest)
    own = float(in_shown(PRESSURE, job.drum_pressure_kPa, system))
    fig.add_vline(x=own, line={"dash": "dot", "width": 1.5, "color": "#555"}, layer="below")
    if not got:
        fig.update_yaxes(range=[0, ROOM_ABOVE * fastest])
        nothing(fig, "Not enough evidence: no window is drawn." if len(found) == 1 else
                "No pressure tried has a window.", 0.94)
    if line and slowest is not None:
        limit_line(fig, slowest, float(_shown_span(fig)[1]), f"the line's slowest, {shown(SPEED, line[0], system)}",
                   above=False)
    fig.update_xaxes(title_text=axis(PRESSURE, system))
    fig.update_yaxes(title_text=axis(SPEED, system), rangemode="tozero")
    return fig


def _shown_span(fig: go.Figure) -> tuple[float, float]:
    values = [float(v) for trace in fig.data for v in trace.x]
    return (min(values), max(values)) if values else (0.0, 1.0)


def _windows(fig: go.Figure, found: Sequence[SpeedWindow], system: str, crowded: float) -> None:
    """Each unbroken run of pressures with windows as an area, its ends as lines, what binds along them in words.

    A lower end slower than `crowded` lies close to the line's slowest speed, which has its own name: named above.
    """
    for has, run in itertools.groupby(found, key=lambda w: w.verdict == "window"):
        own = list(run)
        if not has:
            continue
        x = np.asarray(in_shown(PRESSURE, [w.job.drum_pressure_kPa for w in own], system), float)
        low, high = (np.asarray(in_shown(SPEED, [getattr(w, n) for w in own], system), float)
                     for n in ("low_m_min", "high_m_min"))
        fig.add_scatter(x=np.concatenate([x, x[::-1]]), y=np.concatenate([high, low[::-1]]), mode="lines",
                        fill="toself", fillcolor=WINDOW_FILL, line={"width": 0, "color": "#555"}, hoverinfo="skip")
        for y, name, side in ((high, "binds_high", "bottom"), (low, "binds_low", "top")):
            fig.add_scatter(x=x, y=y, mode="lines+markers", line={"width": 2, "color": INK},
                            marker={"symbol": "line-ns", "size": 5, "line": {"width": 1.5, "color": INK}},
                            hovertemplate="%{x:.3g}, %{y:.3g}<extra></extra>")
            for binds, part in itertools.groupby(range(len(own)), key=lambda k, n=name: getattr(own[k], n)):
                places = list(part)
                if binds and len(places) >= NARROWEST_NAME * len(found):
                    # On the outer side of a line that rises, and not in the middle, where the job's own readings stand.
                    at, rises = places[len(places) * 3 // 8], y[places[-1]] >= y[places[0]]
                    close = side == "top" and y[at] < crowded
                    if close:  # between both ends, where they are furthest apart
                        at = max(places, key=lambda k: high[k] - low[k])
                        rises = at > len(own) / 2
                    place = "bottom" if close else side
                    word(fig, x[at], y[at], binds, yanchor=place, yshift=3 if place == "bottom" else -3,
                         xanchor="right" if rises == (place == "bottom") else "left")


def _tried_said(results: Results, job: Job) -> str:
    """What the marks of `_tried` are, of those that there are."""
    same = results.log.rows.loc[of_material(results, job), "grit"] == job.grit
    marks = [f"circles: pressures and speeds tried with {job.grit}"] * bool(same.any())
    marks += ["small dots: with another grit" if marks else "small dots: pressures and speeds tried with another grit"
              ] * bool((~same).any())
    words = "; ".join(marks)
    return words and f"{words[0].upper()}{words[1:]}. "


def _tried(fig: go.Figure, results: Results, job: Job) -> None:
    """Every pair of pressure and speed that was run on the job's material."""
    system, rows = results.study.units, results.log.rows[of_material(results, job)]
    same = (rows["grit"] == job.grit).to_numpy(bool)
    for mask, mark in ((~same, {"symbol": "circle", "size": 3, "color": "#777"}),
                       (same, {"symbol": "circle-open", "size": 7, "color": "#0072B2", "line": {"width": 1.4}})):
        pairs = rows.loc[mask, [PRESSURE, SPEED]].drop_duplicates().sort_values([PRESSURE, SPEED])
        pairs = pairs.iloc[thin(np.arange(len(pairs)), MOST_TRIED)]
        if len(pairs):
            fig.add_scatter(x=np.asarray(in_shown(PRESSURE, pairs[PRESSURE].to_numpy(float), system)),
                            y=np.asarray(in_shown(SPEED, pairs[SPEED].to_numpy(float), system)), mode="markers",
                            hoverinfo="x+y", marker=mark)


def pressures_said(results: Results, window: SpeedWindow) -> str:
    """At which pressures the job has a window, and where it is widest by the ratio of its ends."""
    job, system = window.job, results.study.units
    found = at_pressures(results, job) if judged(results, window) else (window,)
    got = [w for w in found if w.verdict == "window"]
    name = f"{job_name(job, system)}, {job.grit}"
    if not got:
        return f"{name}: no window at any pressure tried." if len(found) > 1 else f"{name}: {window.verdict}."
    widest = max(got, key=lambda w: w.high_m_min / w.low_m_min)
    ends = [shown(PRESSURE, w.job.drum_pressure_kPa, system) for w in (got[0], got[-1])]
    span = f"at {ends[0]}" if ends[0] == ends[1] else f"from {ends[0]} to {ends[1]}"
    return (f"{name}: a window {span}; widest at {shown(PRESSURE, widest.job.drum_pressure_kPa, system)}, where its "
            f"fast end is {widest.high_m_min / widest.low_m_min:.2f} times its slow end: {speeds(widest, system)}.")
