"""Every picture: a question over it, units on the axes, readings under the fit, a text for who cannot see it."""

from __future__ import annotations

import hashlib
import html
import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from .cleared import by_speed, cleared_plates, side_by_side
from .drawing import (
    COLOURS,
    INK,
    MIME,
    MOST_READINGS,
    axis,
    band,
    curve_speeds,
    drawn,
    empty,
    extreme,
    figure_json,
    legend,
    level,
    limit_line,
    line,
    marks_said,
    nothing,
    of_material,
    positions_of,
    radius_limits,
    read_rows,
    readings,
    safe,
    shade,
    thin,
    tried_speeds,
    word,
)
from .job import Job, SpeedWindow
from .labels import SHORT, counted, short_names
from .results import Results
from .svg import svg
from .units import QUANTITIES, in_shown
from .wording import (
    POSITION_WORDS,
    POSITIONS,
    SPEED,
    answer,
    job_name,
    job_names,
    limit,
    percent,
    settings,
    sheet_age,
    speeds,
)

MOST_PLATES = 60
MARKS_ACROSS, MARKS_UP = 21, 10
"""Marks with a number in them that have room side by side in the picture of burr, and one above the other."""
MOST_NAMED, MOST_LETTERS, LONGEST_NAME = 24, 56, 14
_PAGE_WIDTH = 600  # of a drawing where a page gives it none


def show(fig: go.Figure) -> None:
    """Show a figure in a notebook, under its question: drawn offline, the same bytes on every machine.

    The words are text of the page, which wraps them at any width; a picture does not. A drawing goes with it for pages
    made of the notebook, which know nothing of plotly.

    >>> show(empty("Which?", ["<b>"], "A picture.", 200))  # doctest: +ELLIPSIS
    {'text/html': '<div><strong>Which?</strong><br>&lt;b&gt;</div>', 'text/plain': 'Which?\\n<b>'}
    {'application/vnd.plotly.v1+json': {'config': ..., 'data': [], 'layout': ...}, 'image/svg+xml': '<svg ...</svg>'}
    """
    from IPython.display import display

    question, *lines = fig.layout.meta["question"], *fig.layout.meta["lines"]
    words = "".join(f"<br>{html.escape(text)}" for text in lines)
    display({"text/html": f"<div><strong>{html.escape(question)}</strong>{words}</div>",
             "text/plain": "\n".join([question, *lines])}, raw=True)
    drawn = figure_json(fig)
    name = f"figure-{hashlib.sha256(json.dumps(drawn, sort_keys=True).encode()).hexdigest()[:12]}"
    picture = svg(fig, name).replace("<svg ", f'<svg width="{_PAGE_WIDTH}" ', 1)
    display({MIME: drawn, "image/svg+xml": picture}, raw=True)


def _verdict_lines(results: Results, window: SpeedWindow) -> list[str]:
    system = results.study.units
    return [answer(window, system), f"{settings(window.job, system)}."]


def _band_said(job: Job, issued: bool) -> str:
    """What line and band are, and how deep the promise of a window may lie in the band: it is one-sided."""
    said = "Line: the share in the middle case; band: 90 % of what it may be, 5 % lie below it."
    if not issued:
        return said
    below = round(1 - job.confidence, 6)
    so = "so the band may reach below that" if below > 0.05 else "as below the band" if below == 0.05 else (
        "so the band stays above that")
    return (f"{said} The promise is one-sided: at each speed of the window {percent(below)} at most lie below "
            f"{percent(job.share)}, {so}.")


def _name_ends(fig: go.Figure, window: SpeedWindow, system: str, tried: tuple[float, float] | None) -> None:
    """What binds each end, above the share and at that end, one above the other; narrow enough for a phone."""
    if window.verdict != "window" or tried is None:
        return
    at, (first, last) = speeds(window, system), tried
    for speed, text, lift in ((window.low_m_min, f"below {at.low} {at.unit}:\n{window.binds_low}", 38),
                              (window.high_m_min, f"above {at.high} {at.unit}:\n{window.binds_high}", 9)):
        part = (speed - first) / (last - first) if last > first else 0.5
        word(fig, float(in_shown(SPEED, speed, system)), 104, text, yanchor="bottom", yshift=lift,
             xanchor="left" if part < 0.35 else "right" if part > 0.6 else "center")


def window_figure(results: Results, window: SpeedWindow) -> go.Figure:
    """The window with the data under it: share of edges within limits, and every measured radius, against feed speed.

    `results` as from `open_study`, `window` one of `results.windows`. Where the trials cannot tell, readings alone.
    """
    job, system = window.job, results.study.units
    curve = curve_speeds(results, window)
    text = (f"Upper panel: share of edges within all limits, with its 90 % band, and the promise of "
            f"{percent(job.share)}. " * (curve is not None)
            + "Lower panel: measured edge radius by edge position; pale: run at another pressure, grit, thickness or "
            "number of passes.")
    ours = read_rows(results, job, "edge_radius_mm")
    index = thin(ours)
    fig = empty(f"At which speeds do at least {percent(job.share)} of edges meet every limit?",
                [*_verdict_lines(results, window), *drawn(len(index), len(ours)),
                 *[_band_said(job, window.verdict == "window")] * (curve is not None),
                 *marks_said(results, "edge_radius_mm", index, job)], text, 500, rows=2, cols=1,
                shared_xaxes=True, vertical_spacing=0.05, row_heights=[0.57, 0.43])
    tried = tried_speeds(results, job)
    shade(fig, window, system)
    if tried is None:
        nothing(fig, f"No run of {job.material} is in the log.")
    right = float(in_shown(SPEED, tried[1], system)) if tried else 1.0
    _name_ends(fig, window, system, tried)
    if curve is not None:
        share = results.model.share(job, curve)
        x = np.asarray(in_shown(SPEED, curve, system))
        band(fig, x, 100 * share["low"].to_numpy(float), 100 * share["high"].to_numpy(float))
        line(fig, x, 100 * share["median"].to_numpy(float))
        limit_line(fig, 100 * job.share, right, f"promised: {percent(job.share)}", above=False)
    elif tried:
        nothing(fig, "Not enough evidence: no curve is drawn.", 0.8)
    speed = np.asarray(in_shown(SPEED, results.log.rows[SPEED].to_numpy(float), system))
    readings(fig, results, "edge_radius_mm", index, speed, job, (2, 1))
    radius_limits(fig, job, system, right, (2, 1))
    fig.update_yaxes(title_text="edges within limits, %", range=[0, 154 if window.verdict == "window" else 108],
                     tickvals=list(range(0, 101, 20)),
                     ticktext=[str(v) for v in range(0, 101, 20)], row=1, col=1)
    fig.update_yaxes(title_text=axis("edge_radius_mm", system), rangemode="tozero", row=2, col=1)
    fig.update_xaxes(title_text=axis(SPEED, system), row=2, col=1)
    legend(fig, positions_of(results, job), (2, 1))
    return fig


def radius_by_position(results: Results, window: SpeedWindow) -> go.Figure:
    """Edge radius against feed speed at each edge position: what future edges do over the span of sheet age."""
    job, system = window.job, results.study.units
    positions = positions_of(results, job) or list(POSITIONS[:1])
    ages, curve = tuple(dict.fromkeys(job.sheet_hours)), curve_speeds(results, window)
    across, down = min(2, len(positions)), math.ceil(len(positions) / 2)
    rows, ours = results.log.rows, of_material(results, job)
    read = read_rows(results, job, "edge_radius_mm")
    there = [read[rows["edge_position"].to_numpy()[read] == p] for p in positions]
    picked = [thin(index, MOST_READINGS // 2) for index in there]
    later = f"; dashed: at {sheet_age(ages[-1], 'down')}" if len(ages) > 1 else ""
    lines = [f"{job_name(job, system)}; {settings(job, system)}.",
             *[f"Solid: middle edge at {sheet_age(ages[0], 'up')}{later}; band: 90 % of future edges at "
               f"{'these ages' if later else 'this age'}."] * (curve is not None),
             *drawn(sum(map(len, picked)), sum(map(len, there)))]
    fig = empty("How does the radius follow the speed at each edge position?", lines,
                "One panel for each edge position with its readings and the limits.", 210 * down,
                rows=down, cols=across, shared_xaxes="all", shared_yaxes="all",
                specs=[[{} if k < len(positions) else None for k in range(across * j, across * (j + 1))]
                       for j in range(down)], horizontal_spacing=0.05, vertical_spacing=0.1,
                subplot_titles=[POSITION_WORDS[p] for p in positions])
    shade(fig, window, system)
    speed = np.asarray(in_shown(SPEED, rows[SPEED].to_numpy(float), system))
    right = speed[ours].max() if ours.any() else 1.0
    for k, position in enumerate(positions):
        at = (k // 2 + 1, k % 2 + 1)
        readings(fig, results, "edge_radius_mm", picked[k], speed, job, at)
        if curve is not None:
            ends = [results.model.response(job, "edge_radius_mm", curve, age, position) for age in ages]
            x = np.asarray(in_shown(SPEED, curve, system))
            low, high = (np.asarray(in_shown("edge_radius_mm", f([e[c].to_numpy(float) for e in ends], axis=0), system))
                         for f, c in ((np.min, "low"), (np.max, "high")))
            band(fig, x, low, high, at)
            for frame, dash in zip(ends, ("solid", "dash"), strict=False):
                line(fig, x, in_shown("edge_radius_mm", frame["median"].to_numpy(float), system), dash, at)
        radius_limits(fig, job, system, right, at)
    limits = [float(in_shown("edge_radius_mm", v, system)) for v in job.edge_radius_mm or () if v is not None]
    highest = max([*limits, *(float(v) for trace in fig.data for v in trace.y)], default=1.0)
    fig.update_yaxes(range=[0, 1.12 * highest])  # room for a limit's name under the name of its panel
    fig.update_yaxes(title_text=axis("edge_radius_mm", system), col=1)
    for k in range(max(0, len(positions) - across), len(positions)):  # the lowest panel of each column
        fig.update_xaxes(title_text=axis(SPEED, system), title_font_size=11, showticklabels=True, row=k // 2 + 1,
                         col=k % 2 + 1)
    return fig


def removal_figure(results: Results, window: SpeedWindow) -> go.Figure:
    """Thickness lost off the face against feed speed, where removal was measured."""
    job, system = window.job, results.study.units
    name, rows = "removal_um", results.log.rows
    first, ours = job.sheet_hours[0], of_material(results, job)
    there = read_rows(results, job, name)
    index, curve = thin(there), curve_speeds(results, window) if len(there) else None
    lines = [f"{job_name(job, system)}; {settings(job, system)}.",
             *[f"Solid: middle edge where most comes off, on a sheet of {sheet_age(first, 'up')}; band: 90 % of future "
               "edges."] * (curve is not None), *drawn(len(index), len(there))]
    fig = empty("How much comes off the face beside the edge?", lines,
                "Removal against feed speed with its readings.", 270)
    shade(fig, window, system)
    speed = np.asarray(in_shown(SPEED, rows[SPEED].to_numpy(float), system))
    if not len(there):
        nothing(fig, f"No removal was measured on {job.material}.")
    else:
        readings(fig, results, name, index, speed, job, by_position=False)
        if curve is not None:
            position, fit = extreme(results, job, name, max, curve, first)
            x = np.asarray(in_shown(SPEED, curve, system))
            low, middle, high = (np.asarray(in_shown(name, fit[c].to_numpy(float), system))
                                 for c in ("low", "median", "high"))
            band(fig, x, low, high)
            line(fig, x, middle)
            word(fig, x[-1], high[-1], f"{POSITION_WORDS[position]} edges", xanchor="right", yanchor="bottom")
        if job.removal_um is not None:
            limit_line(fig, float(in_shown(name, job.removal_um, system)), float(speed[ours].max()),
                       f"limit {limit(name, job.removal_um, system, 'down')}")
    fig.update_yaxes(title_text=axis(name, system), rangemode="tozero")
    fig.update_xaxes(title_text=axis(SPEED, system))
    return fig


def burr_figure(results: Results, window: SpeedWindow) -> go.Figure:
    """Share of edges whose residual burr is within the job's limit against feed speed, with each plate's raw share."""
    job, system = window.job, results.study.units
    plates = cleared_plates(results, job)
    binned = bool(plates["plates"].sum() > MOST_PLATES)
    plates = by_speed(plates) if binned else plates
    least = float(plates["share"].min()) if binned else 0.0
    curve = None if plates.empty else curve_speeds(results, window)
    lines = [f"{job_name(job, system)}; {settings(job, system)}.",
             *["Line: fitted share at the worst position and age, with its 90 % band."] * (curve is not None),
             *[f"Points: edges cleared at such speeds, each of about {plates['plates'].mean():.0f} plates."] * binned,
             *["Circles: plates of this severity, how many in each; those that would overlap are counted together."]
             * (not binned and len(plates) > 0)]
    fig = empty("At which speeds does the burr come off?", lines,
                "Share of edges with residual burr within the limit, against feed speed.", 230)
    shade(fig, window, system)
    if job.residual_burr_mm is None or plates.empty:
        nothing(fig, "This job has no burr limit." if job.residual_burr_mm is None else
                 f"No residual burr of this severity was measured on {job.material}.")
    else:
        if curve is not None:
            alone = replace(job, edge_radius_mm=None, removal_um=None)
            fit = results.model.share(alone, curve)
            x = np.asarray(in_shown(SPEED, curve, system))
            band(fig, x, 100 * fit["low"].to_numpy(float), 100 * fit["high"].to_numpy(float))
            line(fig, x, 100 * fit["median"].to_numpy(float))
            least = min(least, float(fit["low"].min()))
        lowest = 20 * math.floor(5 * least) - 6
        if not binned:
            first, last = (float(in_shown(SPEED, v, system)) for v in tried_speeds(results, job) or (0.0, 1.0))
            plates = side_by_side(plates, (last - first) / MARKS_ACROSS, (108 - lowest) / 100 / MARKS_UP)
        # Over the line, which would strike out their numbers.
        fig.add_scatter(x=plates["speed"], y=100 * plates["share"], mode="markers" if binned else "markers+text",
                        text=plates["plates"].astype(str), textfont={"size": 10},
                        hovertemplate="%{x:.3g}: %{y:.0f} % cleared, %{text} plates<extra></extra>",
                        marker={"symbol": "circle", "size": 9 if binned else 15, "color": "#fff", "opacity": 0.85,
                                "line": {"width": 1.4, "color": COLOURS["trailing"]}}, row=1, col=1)
        limit_line(fig, 100 * job.share, float(plates["speed"].max()), f"promised: {percent(job.share)}", above=False)
        fig.update_yaxes(range=[lowest, 108])
    fig.update_yaxes(title_text="edges cleared, %")
    fig.update_xaxes(title_text=axis(SPEED, system))
    return fig


def _label(name: str) -> str:
    return QUANTITIES[name].label if name in QUANTITIES else name.replace("_", " ")


RESIDUAL_SETTINGS = (SPEED, "drum_pressure_kPa", "contact_hours", "thickness_mm", "grit", "passes", "edge_position",
                     "material", "abrasive_sheet")


def residual_figure(results: Results, law: str = "edge radius") -> go.Figure:
    """What the fit of one law leaves over, against each setting that was varied; `law` as in `residuals()`."""
    left = results.model.residuals()
    left = left[(left["law"] == law) & np.isfinite(left["residual"])]
    rows, system = results.log.rows.loc[left["row"].to_numpy(int)], results.study.units
    points = thin(np.arange(len(left)))
    varied = [n for n in RESIDUAL_SETTINGS if n in rows and rows[n].nunique() > 1]
    # Names that do not fit into half the width get all of it, under the others; so does a last panel on its own.
    wide = [n for n in varied if n not in QUANTITIES and _long(_names(rows[n], n))]
    half = [n for n in varied if n not in wide]
    wide = half[-1:] * (len(half) % 2) + wide
    half = half[:len(half) // 2 * 2]
    pairs = len(half) // 2
    panels = pairs + len(wide) or 1
    specs: list[list[Any]] = [[{}, {}]] * pairs + [[{"colspan": 2}, None]] * (panels - pairs)
    read = left[left["side"] == 0]
    outside = int((read["residual"].abs() > 2).sum())
    fig = empty(f"Does the fit of the {law} leave a pattern behind?",
                ["Standardised residuals; black line: their running middle. About 1 in 20 lies outside ±2: "
                 f"here {outside} of {len(read)}."
                 + " Triangles: readings beyond the gauge, which count as no miss." * (len(read) < len(left)),
                 *drawn(len(points), len(left))],
                f"Panels: {', '.join(_label(n) for n in [*half, *wide])}.",
                195 * panels, rows=panels, cols=2, specs=specs, shared_yaxes="all", horizontal_spacing=0.06,
                vertical_spacing=0.45 / panels)
    order = np.sort(np.abs(left["residual"].to_numpy(float)))
    reach = max(3.0, min(6.0, float(order[-1]) if len(order) else 3.0)) + 0.3
    for k, name in enumerate([*half, *wide]):
        at = (k // 2 + 1, k % 2 + 1) if k < len(half) else (pairs + k - len(half) + 1, 1)
        _residual_panel(fig, rows[name], left, points, name, system, at)
    fig.update_yaxes(range=[-reach, reach])
    fig.update_yaxes(title_text="residual / its spread", title_font_size=11, col=1)
    return fig


def _names(setting: pd.Series, name: str) -> dict[str, str]:
    """Values that have names, with what stands for each along an axis: positions as everywhere, the rest as counted."""
    there = set(setting.astype(str))
    order = [p for p in POSITIONS if p in there] if name == "edge_position" else sorted(there, key=counted)
    words = short_names((POSITION_WORDS.get(v, v) for v in order), SHORT + MOST_LETTERS // len(order))
    return dict(zip(order, words.values(), strict=True))


def _long(names: dict[str, str]) -> bool:
    """Whether names along an axis want more than half the width of the picture."""
    longest = max(map(len, names.values()))
    return longest > LONGEST_NAME or longest * len(names) > MOST_LETTERS


def _residual_panel(fig: go.Figure, setting: pd.Series, left: pd.DataFrame, points: np.ndarray, name: str, system: str,
                    at: tuple[int, int]) -> None:
    residual, side = left["residual"].to_numpy(float), left["side"].to_numpy(int)
    if name in QUANTITIES:
        x = np.asarray(in_shown(name, setting.to_numpy(float), system), float)
        title, ticks = axis(name, system), {}
    else:
        title, names = _label(name), _names(setting, name)
        x = pd.Index(list(names)).get_indexer(setting.astype(str))
        named = range(0, len(names), math.ceil(len(names) / MOST_NAMED))
        words = [safe(list(names.values())[k]) for k in named]
        ticks = {"tickvals": list(named), "ticktext": words, "automargin": True}
    spread = 0.25 * np.sin(np.arange(len(x)) * 2.4) if ticks else 0.0
    shape = np.select([side < 0, side > 0], ["triangle-down-open", "triangle-up-open"], "circle-open")
    fig.add_scatter(x=(x + spread)[points], y=residual[points], mode="markers", hoverinfo="x+y", row=at[0], col=at[1],
                    marker={"size": 5, "symbol": shape[points], "color": "#0072B2", "opacity": 0.55})
    bins = x if ticks or len(np.unique(x)) <= 8 else pd.qcut(x, 8, labels=False, duplicates="drop")
    middle = pd.DataFrame({"bin": bins, "x": x, "y": residual}).groupby("bin").median()
    fig.add_scatter(x=middle["x"], y=middle["y"], mode="markers" if ticks else "lines+markers", hoverinfo="y",
                    marker={"symbol": "line-ew-open", "size": 14, "line": {"width": 3}, "color": INK},
                    line={"width": 2, "color": INK}, row=at[0], col=at[1])
    for reach in (-2, 2):
        level(fig, reach, at, 1.0)
    fig.update_xaxes(title_text=title, title_font_size=11, row=at[0], col=at[1], **ticks)


def alike_figure(table: pd.DataFrame) -> go.Figure:
    """Quantiles of the measured radii against those of logs that the fit makes; `table` as in `Scrutiny.alike`."""
    positions = list(dict.fromkeys(table["edge_position"]))
    shares = sorted(set(table["quantile"]))
    fig = empty("Do the measured radii look like radii that the fit makes?",
                ["Radii over what settings and position give. Bar: 90 % of logs made by the fit, with other sheets, "
                 "plates and edges, and their middle. Mark: the log as measured, a cross where it lies outside.",
                 f"From left to right at each position: {', '.join(f'{100 * s:g}' for s in shares)} % of edges lie "
                 "below."],
                "Five quantiles of the edge radius at each edge position, measured and made.", 300)
    x = (table["edge_position"].map(positions.index) + 0.16 * (table["quantile"].map(shares.index) - 2)).to_numpy(float)
    observed, low, high = (table[c].to_numpy(float) for c in ("observed", "low", "high"))
    for place, first, last in zip(x, low, high, strict=True):
        line(fig, [place, place], [first, last], colour="rgba(0,114,178,0.45)", width=9)
    fig.add_scatter(x=x, y=table["median"], mode="markers", hoverinfo="y",
                    marker={"symbol": "line-ew", "size": 12, "line": {"width": 2, "color": COLOURS["leading"]}})
    fig.add_scatter(x=x, y=observed, mode="markers", hoverinfo="y",
                    marker={"symbol": np.where((observed < low) | (observed > high), "x", "circle-open"), "size": 8,
                            "color": INK, "line": {"width": 1.8, "color": INK}})
    fig.update_xaxes(tickvals=list(range(len(positions))), ticktext=[POSITION_WORDS[p] for p in positions])
    fig.update_yaxes(title_text="edge radius / what its settings give")
    return fig


def overview_figure(results: Results) -> go.Figure:
    """Every job's window as a bar with its set point; a job without one says so in its place."""
    system, windows = results.study.units, results.windows
    issued = sum(w.verdict == "window" for w in windows)
    many = (f"{issued} of {len(windows)} jobs {'has' if issued == 1 else 'have'} a window." if len(windows) > 1 else
            f"The job has {'a' if issued else 'no'} window.")
    fig = empty("Which speeds may be run on which job?",
                [many + " Bar: the window; mark: the set point; printed speeds are rounded inwards." * (issued > 0)],
                " ".join(answer(w, system) for w in windows), 60 * len(windows) + 66)
    ends = [float(in_shown(SPEED, v, system)) for w in windows for v in (w.low_m_min, w.high_m_min) if v is not None]
    tried = np.asarray(in_shown(SPEED, results.log.rows[SPEED].to_numpy(float), system), float)
    first, last = float(min([*ends, tried.min()])), float(max([*ends, tried.max()]))
    room = 0.02 * (last - first) or 0.1 * last  # a single speed may be all that was tried
    fig.update_xaxes(range=[first - room, last + room])
    names = job_names([w.job for w in windows], system)
    for k, (window, name) in enumerate(zip(windows, names, strict=True)):
        said = answer(window, system)
        for text, lift in ((name, 24), (said.removeprefix(f"{job_name(window.job, system)}: ").rstrip("."), 9)):
            word(fig, first, -k, text, xanchor="left", yanchor="bottom", yshift=lift, font={"size": 12})
        if window.verdict == "window":
            low, high = (float(in_shown(SPEED, v, system)) for v in (window.low_m_min, window.high_m_min))
            point = float(speeds(window, system).set_point)
            fig.add_scatter(x=[low, high], y=[-k, -k], mode="lines", line={"width": 9, "color": COLOURS["leading"]},
                            hovertemplate=f"{safe(said)}<extra></extra>", row=1, col=1)
            fig.add_scatter(x=[point], y=[-k], mode="markers", hoverinfo="skip", row=1, col=1,
                            marker={"symbol": "line-ns", "size": 13, "line": {"width": 4, "color": INK}})
        else:
            line(fig, [first, last], [-k, -k], dash="dot", colour="#999", width=1.5)
    fig.update_yaxes(visible=False, range=[-len(windows) + 0.6, 0.8])
    fig.update_xaxes(title_text=axis(SPEED, system))
    fig.update_layout(margin_l=16)
    return fig
