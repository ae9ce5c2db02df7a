"""How sheets wear: edge radius against contact hours, sheet by sheet, with the names of the sheets beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from .drawing import (
    COLOURS,
    GRID,
    INK,
    SHEET_SHAPES,
    axis,
    band,
    empty,
    extreme,
    judged,
    line,
    nothing,
    of_material,
    radius_limits,
    safe,
    thin,
    tried_speeds,
    word,
)
from .insight import response
from .job import Job, SpeedWindow
from .labels import apart, short_names
from .results import Results
from .units import in_shown, shown
from .wording import POSITION_WORDS, SPEED, job_name

HEIGHT, FOOT, NAME_HEIGHT, NAME_WIDTH = 320, 46, 13, 7
MOST_MOVED = 200
MOST_NAMED, NAMED_ENDS = 12, 3
FILLS = ("#fff", "#999", INK)


def wear_by_sheet(results: Results, window: SpeedWindow) -> go.Figure:
    """Edge radius against contact hours, sheet by sheet, each plate moved to the job's settings by the fit.

    The edge position shown is the one with the smallest radius: there a worn sheet first falls below its limit.
    """
    job, system = window.job, results.study.units
    rows, question = results.log.rows, "How fast does a sheet lose its cut, and do sheets differ?"
    ours, tried = np.flatnonzero(of_material(results, job)), tried_speeds(results, job)
    if tried is None or not judged(results, window):
        fig = empty(question, [f"{job_name(job, system)}."], "No curve.", HEIGHT)
        nothing(fig, "Not enough evidence: no curve is drawn.")
    else:
        speed = window.recommended_m_min or math.sqrt(tried[0] * tried[1])
        age = np.linspace(0.0, max(float(rows["contact_hours"].iloc[ours].max()), job.sheet_hours[1]), GRID)
        position, fit = extreme(results, job, "edge_radius_mm", min, speed, age)
        edges = _moved(results, job, position, age, fit)
        sheets = edges["sheet"].nunique()
        words = f"{shown(SPEED, speed, system)}, {POSITION_WORDS[position]} edges"
        points = ("Points: measured edges, moved to these settings by the fit"
                  + (f"; named: the {2 * NAMED_ENDS} of {sheets} sheets that end highest and lowest. "
                     if sheets > MOST_NAMED else ", each with its sheet. "))
        fig = empty(question, [f"{job_name(job, system)}, {words}.",
                               points * (sheets > 0) + "Solid: the middle edge; band: 90 % of what it may be; "
                               "dashed: 90 % of future edges."],
                    "Edge radius against metal-contact hours, one marker shape for each abrasive sheet.", HEIGHT)
        _wear_curves(fig, results, job, age, fit, edges)
    fig.update_yaxes(title_text=axis("edge_radius_mm", system), rangemode="tozero")
    fig.update_xaxes(title_text=axis("contact_hours", system), rangemode="tozero")
    return fig


def _moved(results: Results, job: Job, position: str, age: np.ndarray, fit: pd.DataFrame) -> pd.DataFrame:
    """Measured edges of the job's material at a position, as they would be at the job's settings: sheet, age, radius.

    Settings that the line does not allow are left out. Whether a job could be judged at the others is no matter here.
    """
    rows, reading, line = results.log.rows, results.log.reading("edge_radius_mm"), results.study.line
    pick = (of_material(results, job) & (rows["edge_position"] == position).to_numpy(bool)
            & ~np.isnan(reading.value) & (reading.side == 0))
    if line.grits is not None:
        pick = pick & rows["grit"].isin(line.grits).to_numpy(bool)
    if line.drum_pressure_kPa is not None:
        pick = pick & rows["drum_pressure_kPa"].between(*line.drum_pressure_kPa).to_numpy(bool)
    index = thin(np.flatnonzero(pick), MOST_MOVED)
    edges = rows.iloc[index].assign(radius=reading.value[index])
    parts = [pd.DataFrame({"sheet": [], "age": [], "radius": []})]
    for values, own in edges.groupby(["thickness_mm", "drum_pressure_kPa", "grit", "passes"], sort=True):
        setting = dict(zip(("thickness_mm", "drum_pressure_kPa", "grit", "passes"), values, strict=True))
        there = replace(job, **setting | {"passes": int(setting["passes"])})
        hours = own["contact_hours"].to_numpy(float)
        was = response(results.model, there, "edge_radius_mm", own[SPEED].to_numpy(float), hours, position)
        moved = own["radius"].to_numpy(float) / was["median"].to_numpy(float) * np.interp(hours, age, fit["median"])
        parts.append(pd.DataFrame({"sheet": own["abrasive_sheet"].to_numpy(), "age": hours, "radius": moved}))
    return pd.concat([p for p in parts if len(p)] or parts).sort_values(["sheet", "age"], kind="stable")


def _wear_curves(fig: go.Figure, results: Results, job: Job, age: np.ndarray, fit: pd.DataFrame, edges: pd.DataFrame
                 ) -> None:
    system = results.study.units

    def size(values: Any) -> np.ndarray:
        return np.asarray(in_shown("edge_radius_mm", np.asarray(values, float), system))

    edges = edges.assign(radius=size(edges["radius"]))
    many = edges["sheet"].nunique() > MOST_NAMED
    marks = {}
    for k, (sheet, own) in enumerate(edges.groupby("sheet", sort=True)):
        turn = k // len(SHEET_SHAPES)
        marks[sheet] = {"symbol": SHEET_SHAPES[k % len(SHEET_SHAPES)], "size": 8, "color": FILLS[turn % len(FILLS)],
                        "line": {"width": 1.4, "color": list(COLOURS.values())[k % len(COLOURS)]}}
        fig.add_scatter(x=own["age"], y=own["radius"], mode="markers" if many else "lines+markers", opacity=0.8,
                        hoverinfo="x+y+text", line={"width": 0.8, "color": "#555"},
                        text=[f"sheet {safe(sheet)}"] * len(own), marker=marks[sheet])
    band(fig, age, size(fit["mean_low"]), size(fit["mean_high"]))
    for column, dash in (("low", "dash"), ("median", "solid"), ("high", "dash")):
        line(fig, age, size(fit[column]), dash)
    limits = [v for v in job.edge_radius_mm or () if v is not None]
    top = 1.05 * max([*size(fit["high"]), *edges["radius"], *size(limits)])
    ends = edges.groupby("sheet", sort=True).last().sort_values("radius", kind="stable")
    if many:
        ends = pd.concat([ends.head(NAMED_ENDS), ends.tail(NAMED_ENDS)])
    _name_sheets(fig, ends, float(age[-1]), top)
    radius_limits(fig, job, system, float(age[-1]), (1, 1))


def _name_sheets(fig: go.Figure, ends: pd.DataFrame, last: float, top: float) -> None:
    """Sheets' names in a column beside the picture, in the order in which they end, a thin line to each."""
    names, right = short_names(map(str, ends.index)), 1.03 * last
    places = apart(ends["radius"], NAME_HEIGHT * top / (HEIGHT - FOOT), 0.0, top)
    for (sheet, end), place in zip(ends.iterrows(), places, strict=True):
        line(fig, [end["age"], right], [end["radius"], place], "dot", colour="#555", width=1.0)
        word(fig, 1.0, float(place), names[str(sheet)], xref="x domain", xanchor="left", xshift=3)
    fig.update_xaxes(range=[0, right])
    fig.update_yaxes(range=[0, top])
    fig.update_layout(margin_r=16 + NAME_WIDTH * max(map(len, names.values()), default=0))
