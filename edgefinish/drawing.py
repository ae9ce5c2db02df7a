"""The parts that pictures are drawn from: questions, bands, limits, the window's shade, raw readings.

Marker shapes and line dashes carry every distinction that a colour carries, so that a grey print says the same.
"""

from __future__ import annotations

import base64
import html
import math
import textwrap
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from .errors import JobError
from .job import Job, SpeedWindow
from .results import Results
from .units import QUANTITIES, System, in_shown, shown, unit_of
from .wording import POSITION_WORDS, POSITIONS, SPEED, limit, speeds

MIME = "application/vnd.plotly.v1+json"
# Not "responsive": JupyterLab fits figures to its window by itself, and where both do, figures vanish.
CONFIG = {"displaylogo": False, "modeBarButtons": [["zoom2d", "pan2d", "resetScale2d", "toImage"]]}
# Okabe and Ito's colours for the colour-blind (2008): blue, vermilion, bluish green, black.
COLOURS = dict(zip(POSITIONS, ("#0072B2", "#D55E00", "#009E73", "#000000"), strict=True))
SHAPES = dict(zip(POSITIONS, ("circle", "square", "diamond", "x-thin"), strict=True))
SHEET_SHAPES = ("circle", "square", "diamond", "cross", "star", "hexagon", "pentagon", "bowtie")
INK, BAND, WINDOW_FILL = "#222222", "rgba(0,114,178,0.18)", "rgba(120,120,120,0.16)"
MOST_READINGS, DENSE = 600, 250
"""Readings drawn in one panel; from how many on their marks are smaller and paler."""
GRID = 41


def figure_json(fig: go.Figure) -> dict[str, Any]:
    """The figure as plain lists with numbers of six significant digits, without the template.

    >>> figure_json(go.Figure(go.Scatter(y=[2 / 3])))["data"]
    [{'type': 'scatter', 'y': [0.666667]}]
    """
    bare = fig.to_plotly_json()
    layout = {k: v for k, v in bare["layout"].items() if k != "template"}
    return {"config": _plain(CONFIG), "data": _plain(bare["data"]), "layout": _plain(layout)}


def _plain(value: Any) -> Any:
    if isinstance(value, dict) and "bdata" in value:  # plotly's own packing of arrays, which keeps every last bit
        value = np.frombuffer(base64.b64decode(value["bdata"]), dtype=value["dtype"])
    if isinstance(value, dict):
        return {k: _plain(value[k]) for k in sorted(value)}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return 0.0 if abs(value) < 1e-9 else float(f"{value:.6g}")
    return value


def safe(value: object) -> str:
    """A name as text: plotly reads tags and its own placeholders in every label."""
    return html.escape(str(value), quote=False).replace("%{", "%&#123;").replace("$", "&#36;")


def empty(question: str, lines: Iterable[str], text: str, height: int, **subplots: Any) -> go.Figure:
    """An empty figure that carries its question, smaller lines and description: the page writes and wraps them.

    At its top is room for the buttons of a notebook, and for the names of panels.
    """
    lines = list(lines)
    top = 48 if "subplot_titles" in subplots else 30
    fig = make_subplots(figure=go.Figure(layout={"template": {}}), **subplots)
    fig.update_annotations(font_size=12)
    fig.update_layout(
        height=height + top, margin={"t": top, "l": 58, "r": 16, "b": 46}, showlegend=False, hovermode="closest",
        font={"family": "system-ui, sans-serif", "size": 12, "color": INK}, paper_bgcolor="#fff", plot_bgcolor="#fff",
        meta={"question": question, "lines": lines, "text": " ".join([question, *lines, text])})
    lines_on = {"gridcolor": "#e3e3e3", "linecolor": "#777", "showline": True, "zeroline": False, "ticks": "outside",
                "title_standoff": 6, "hoverformat": ".3g"}
    fig.update_xaxes(**lines_on)
    fig.update_yaxes(**lines_on)
    return fig


def axis(name: str, system: System) -> str:
    """The label of an axis: quantity and unit shown."""
    unit = unit_of(name, system)
    return f"{QUANTITIES[name].label}, {unit}" if unit else QUANTITIES[name].label


def of_material(results: Results, job: Job) -> np.ndarray:
    """Which rows of the log are of the job's material, cut as it says where it does, and measured."""
    rows = results.log.rows
    mask = (rows["material"] == job.material).to_numpy(bool) & results.log.measured
    if job.cut_process is not None and "cut_process" in rows:
        mask = mask & (rows["cut_process"] == job.cut_process).to_numpy(bool)
    return mask


def burr_said(results: Results, job: Job) -> str:
    """The burr that a job is for, with its height before: as the study says its word, or as it was run."""
    if job.burr_severity is None:
        return "burr as in the trials"
    span = (results.study.severities or {}).get(job.burr_severity)
    rows = results.log.rows
    if span is None and {"burr_severity", "burr_height_mm"} <= set(rows):
        mine = of_material(results, job) & (rows["burr_severity"] == job.burr_severity).to_numpy(bool)
        height = results.log.reading("burr_height_mm").value[mine]
        height = height[np.isfinite(height)]
        span = (float(height.min()), float(height.max())) if len(height) else None
    words = f"{job.burr_severity} burr"
    if span is None:
        return words
    low, high = (shown("burr_height_mm", v, results.study.units) for v in span)
    return f"{words}, {low} to {high} high"


def read_rows(results: Results, job: Job, name: str) -> np.ndarray:
    """Which rows of the job's material have a reading of a quantity."""
    if name not in results.log.rows:
        return np.empty(0, int)
    return np.flatnonzero(of_material(results, job) & ~np.isnan(results.log.reading(name).value))


def _as_in_job(rows: pd.DataFrame, job: Job) -> np.ndarray:
    """Rows that were run at the job's own grit and passes and within a tenth of its pressure and thickness."""
    same = (rows["grit"] == job.grit).to_numpy(bool)
    if "passes" in rows:
        same = same & (rows["passes"] == job.passes).to_numpy(bool)
    for name in ("drum_pressure_kPa", "thickness_mm"):
        same = same & np.isclose(rows[name].to_numpy(float), getattr(job, name), rtol=0.1)
    return same


def thin(index: np.ndarray, most: int = MOST_READINGS) -> np.ndarray:
    """At most `most` of the rows, evenly picked."""
    if len(index) <= most:
        return index
    return index[np.linspace(0, len(index) - 1, most).round().astype(int)]


def drawn(shown: int, there: int, what: str = "readings") -> list[str]:
    """A line of a picture that does not show everything.

    >>> drawn(600, 4000), drawn(7, 7)
    (['600 of 4000 readings are drawn, picked evenly.'], [])
    """
    return [f"{shown} of {there} {what} are drawn, picked evenly."] if shown < there else []


def tried_speeds(results: Results, job: Job) -> tuple[float, float] | None:
    """The speeds that were run on the job's material, in m/min; None where none was."""
    values = results.log.rows.loc[of_material(results, job), SPEED].to_numpy(float)
    return (float(values.min()), float(values.max())) if len(values) else None


def curve_speeds(results: Results, window: SpeedWindow) -> np.ndarray | None:
    """The speeds over which the fit is drawn; None where the trials cannot tell."""
    tried = tried_speeds(results, window.job)
    if tried is None or tried[0] == tried[1] or not judged(results, window):
        return None
    return np.linspace(*tried, GRID)


def judged(results: Results, window: SpeedWindow) -> bool:
    """Whether the fit can answer the job at all: it may, and yet be too unsure for a window."""
    if window.verdict != "not enough evidence":
        return True
    try:
        results.model.share(window.job, [1.0])
    except JobError:
        return False
    return True


def positions_of(results: Results, job: Job) -> list[str]:
    """The edge positions that were run on the job's material: those with a measured radius, if any has one."""
    place, ours = results.log.rows["edge_position"].to_numpy(), of_material(results, job)
    measured = set(place[ours & ~np.isnan(results.log.reading("edge_radius_mm").value)])
    return [p for p in POSITIONS if p in (measured or set(place[ours]))]


def extreme(results: Results, job: Job, quantity: str, choose: Any, speed: Any, age: Any) -> tuple[str, pd.DataFrame]:
    """The measured edge position whose fitted response is the least or the greatest, and that response."""
    fits = [(p, results.model.response(job, quantity, speed, age, p)) for p in positions_of(results, job)]
    return choose(fits, key=lambda f: float(f[1]["median"].mean()))


def line(fig: go.Figure, x: Any, y: Any, dash: str = "solid", at: tuple[int, int] = (1, 1), colour: str = INK,
         width: float = 2.0) -> None:
    """A fitted line in panel `at`."""
    fig.add_scatter(x=x, y=y, mode="lines", line={"dash": dash, "color": colour, "width": width}, hoverinfo="x+y",
                    showlegend=False, row=at[0], col=at[1])


def band(fig: go.Figure, x: np.ndarray, low: np.ndarray, high: np.ndarray, at: tuple[int, int] = (1, 1)) -> None:
    """The area between two lines, outlined so that it shows in grey."""
    fig.add_scatter(x=np.concatenate([x, x[::-1]]), y=np.concatenate([high, low[::-1]]), mode="lines", fill="toself",
                    fillcolor=BAND, line={"width": 0.5, "color": "#0072B2"}, hoverinfo="skip",
                    showlegend=False, row=at[0], col=at[1])


def word(fig: go.Figure, x: float, y: float, text: str, at: tuple[int, int] = (1, 1), **place: Any) -> None:
    """A label on the picture itself, in one or more lines, on white so that it is read over points."""
    fig.add_annotation(x=x, y=y, text=safe(text).replace("\n", "<br>"), showarrow=False,
                       bgcolor="rgba(255,255,255,0.75)", borderpad=1,
                       **({"font": {"size": 11}} | place), row=at[0], col=at[1])


def level(fig: go.Figure, value: float, at: tuple[int, int], width: float = 1.5) -> None:
    """A dashed line right across panel `at`."""
    panel = fig.get_subplot(*at)
    fig.add_shape(type="line", x0=0, x1=1, xref=f"{panel.xaxis.plotly_name.replace('axis', '')} domain", y0=value,
                  y1=value, yref=panel.yaxis.plotly_name.replace("axis", ""),
                  line={"dash": "dash", "color": INK, "width": width})


def limit_line(fig: go.Figure, value: float, x: float, text: str, at: tuple[int, int] = (1, 1),
               above: bool = True) -> None:
    """A dashed line across panel `at`, named at its right end."""
    level(fig, value, at)
    word(fig, x, value, text, at, xanchor="right", yanchor="bottom" if above else "top")


def shade(fig: go.Figure, window: SpeedWindow, system: System) -> None:
    """The window behind every panel, its set point as a thin line, where it is printed."""
    if window.verdict != "window":
        return
    low, high = (float(in_shown(SPEED, v, system)) for v in (window.low_m_min, window.high_m_min))
    point = float(speeds(window, system).set_point)
    every = {"layer": "below", "row": "all", "col": "all", "exclude_empty_subplots": False}
    fig.add_vrect(x0=low, x1=high, fillcolor=WINDOW_FILL, line={"width": 1, "color": "#555"}, **every)
    fig.add_vline(x=point, line={"dash": "dot", "width": 1.5, "color": "#555"}, **every)


def readings(fig: go.Figure, results: Results, name: str, index: np.ndarray, x: np.ndarray, job: Job,
             at: tuple[int, int] = (1, 1), by_position: bool = True) -> None:
    """Raw readings of rows `index` at `x`: a shape for each position, open triangles at the limit for censored ones.

    Readings at other pressures, grits, thicknesses or passes than the job's are pale.
    """
    system, rows = results.study.units, results.log.rows
    reading = results.log.reading(name)
    y = np.asarray(in_shown(name, reading.value, system), float)
    same = _as_in_job(rows, job)
    where = rows["edge_position"].to_numpy()
    label = (rows["run"].astype(str) + ", sheet " + rows["abrasive_sheet"].astype(str)).to_numpy()
    size, strong, weak = (7, 0.9, 0.28) if len(index) <= DENSE else (5, 0.65, 0.2)
    for position in POSITIONS:
        for side, shape in ((0, SHAPES[position]), (-1, "triangle-down-open"), (1, "triangle-up-open")):
            pick = index[(where[index] == position) & (reading.side[index] == side) & ~np.isnan(y[index])]
            if not len(pick):
                continue
            words = "" if side == 0 else ", below what the gauge resolves" if side < 0 else ", above the gauge"
            colour = COLOURS[position] if by_position else INK
            fig.add_scatter(
                x=x[pick], y=y[pick], mode="markers", legendgroup=position, showlegend=False,
                marker={"symbol": shape, "size": size if side == 0 else size + 3, "color": colour,
                        "opacity": np.where(same[pick], strong, weak), "line": {"width": 1.2, "color": colour}},
                customdata=[safe(t) for t in label[pick]],
                hovertemplate=f"%{{x:.3g}}, %{{y:.3g}}<br>{POSITION_WORDS[position]}{words}<br>run %{{customdata}}"
                              "<extra></extra>", row=at[0], col=at[1])


def marks_said(results: Results, name: str, index: np.ndarray, job: Job) -> list[str]:
    """A line on what pale and open marks of `readings` mean, where there are such."""
    pale = not _as_in_job(results.log.rows, job)[index].all()
    beyond = bool((results.log.reading(name).side[index] != 0).any())
    said = ["Pale: run at another pressure, grit, thickness or number of passes."] * pale
    return [" ".join(said + ["Open triangles: beyond what the gauge resolves."] * beyond)] if pale or beyond else []


def legend(fig: go.Figure, positions: Iterable[str], at: tuple[int, int]) -> None:
    """Name the positions' marks under the picture, each at full strength."""
    for position in positions:
        fig.add_scatter(x=[None], y=[None], mode="markers", name=POSITION_WORDS[position], legendgroup=position,
                        marker={"symbol": SHAPES[position], "size": 8, "color": COLOURS[position],
                                "line": {"width": 1.4, "color": COLOURS[position]}}, row=at[0], col=at[1])
    fig.update_layout(showlegend=True, margin_b=98, legend={
        "orientation": "h", "yref": "container", "y": 0, "yanchor": "bottom", "x": 0.5, "xanchor": "center"})


def nothing(fig: go.Figure, text: str, height: float | None = None) -> None:
    """Say in the picture why there is no curve in it: at a height from 0 to 1 over what else it shows.

    Without a height it shows nothing else, and its axes have no numbers.
    """
    if height is None:
        for update in (fig.update_xaxes, fig.update_yaxes):
            update(tickvals=[], ticktext=[])
    fig.add_annotation(x=0.5, y=0.5 if height is None else height, xref="paper", yref="paper", showarrow=False,
                       bgcolor="#fff", borderpad=4, bordercolor="#555", font={"size": 13},
                       text="<br>".join(safe(t) for t in textwrap.wrap(text, 40)))


def radius_limits(fig: go.Figure, job: Job, system: System, right: float, at: tuple[int, int]) -> None:
    """The job's limits on the edge radius in panel `at`; `right` is where their names end."""
    low, high = job.edge_radius_mm or (None, None)
    for value, toward in ((low, "up"), (high, "down")):
        if value is not None:
            text = f"limit {limit('edge_radius_mm', value, system, toward)}"
            limit_line(fig, float(in_shown("edge_radius_mm", value, system)), right, text, at, above=toward == "down")
