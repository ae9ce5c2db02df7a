"""Where the uncertainty comes from: sheet, plate, edge, gauge, and what the trials leave unknown of the laws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np
import plotly.graph_objects as go

from . import evidence
from .drawing import COLOURS, axis, empty, judged, line, nothing, word
from .insight import weighted_quantiles
from .intervals import speed_intervals
from .job import SpeedWindow
from .laws import WEAR_HOURS
from .results import Results
from .rows import Floats
from .triallog import TrialLog
from .units import convert, in_shown, shown
from .wording import SPEED, job_name, percent, settings

STEPS = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
"""Steps of gauges, in mm or in inches; common practice, no source."""
_ROW, _ENOUGH = 44, 2048


@dataclass(frozen=True)
class Part:
    """One part of the variance of a future edge's log radius: its share, and the middle 90 % of what it may be."""

    name: str
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class Origins:
    """Of one job: the parts of the variance at one speed and sheet age; and three spans of speed, each within the last.

    `half`: half of the edges are within limits, in the middle draw of the laws. `known`: the promised share is, in the
    middle draw. `promised`: the window. Each (low, high) in m/min, or None where there is none.
    """

    feed_speed_m_min: float
    contact_hours: float
    parts: tuple[Part, ...]
    half: tuple[float, float] | None
    known: tuple[float, float] | None
    promised: tuple[float, float] | None

    @property
    def law_costs(self) -> float | None:
        """Share of the width lost, as a ratio of speeds on a log scale, that goes to what is not known of the laws."""
        if self.half is None or self.known is None or self.promised is None:
            return None
        half, known, promised = (math.log(high / low) for low, high in (self.half, self.known, self.promised))
        return (known - promised) / (half - promised) if half > promised else None


def origins(results: Results, window: SpeedWindow) -> Origins | None:
    """Where a job's uncertainty comes from, at its set point and in the middle of its sheet ages.

    None where the trials cannot judge the job. The variance is that of the logarithm of the radius that a future edge
    will have: of what is not known of the law's mean, of a new sheet (with its own wear), plate and edge. A Student t
    of scale s with ν degrees of freedom has variance s² ν / (ν − 2) (Johnson, Kotz, Balakrishnan, Continuous Univariate
    Distributions 2, chapter 28).
    """
    if not judged(results, window):
        return None
    return results.model._keep(("origins", window.job), partial(_origins, results, window))


def _origins(results: Results, window: SpeedWindow) -> Origins:
    model, job = results.model, window.job
    fitted, tried = model.law_for(job), evidence.Tried.of(model, job).speeds
    centre = fitted.layout.centre.feed_speed_m_min
    promise = model.promise(job, tried).thinned(_ENOUGH)
    speed, age = window.recommended_m_min or math.sqrt(tried[0] * tried[1]), float(np.mean(job.sheet_hours))
    mean = promise.radius.mean(math.log(speed / centre), age)
    law = float(mean.var(0).mean())
    post = fitted.posterior
    sd, tail = fitted.spreads, post.nodes.tail[:, 0]
    names = ("edge", "plate", "sheet", "wear") if not fitted.layout.has_removal else (
        "edge", "", "plate", "", "sheet", "wear", "")
    of = {name: column for name, column in zip(names, sd.T, strict=True) if name}
    sheet = of["sheet"] ** 2 + (of["wear"] * age / WEAR_HOURS) ** 2
    apart = 1.0 if promise.position_spread is None else float(np.mean(np.square(promise.position_spread)))
    edge = apart * of["edge"] ** 2 / (1 - 2 * tail)
    gauge = np.minimum(_gauge_variance(results.log, float(np.median(mean))), edge)
    parts = _shares(post.weight, {"sheet to sheet": sheet, "plate to plate": of["plate"] ** 2,
                                  "edge to edge": edge - gauge, "steps of the gauge": gauge,
                                  "laws not fully known": np.full(len(sheet), law)})

    def middle(share: float) -> tuple[float, float] | None:
        low, high = (float(np.median(end)) for end in speed_intervals(promise, share))
        return (centre * math.exp(low), centre * math.exp(high)) if low < high else None

    promised = (window.low_m_min, window.high_m_min) if window.low_m_min and window.high_m_min else None
    return Origins(speed, age, parts, middle(min(0.5, job.share)), middle(job.share), promised)


def _shares(weight: Floats, variances: dict[str, Floats]) -> tuple[Part, ...]:
    """Mean share of each part over the nodes, and its middle 90 %."""
    total = np.sum(list(variances.values()), axis=0)
    out = []
    for name, variance in variances.items():
        share = variance / total
        low, high = weighted_quantiles(share, weight, (0.05, 0.95))
        out.append(Part(name, float(weight @ share), low, high))
    return tuple(out)


def gauge_step_mm(log: TrialLog) -> float:
    """The step in which the edge radii were read, mm or parts of an inch; 0 where no step is seen.

    >>> import edgefinish as ef
    >>> round(gauge_step_mm(ef.open_study().log), 4)
    0.01
    """
    reading = log.reading("edge_radius_mm")
    values = reading.value[(reading.side == 0) & np.isfinite(reading.value)]
    if not len(values):
        return 0.0
    seen = [0.0]
    for unit in ("mm", "in"):
        sizes = np.asarray(convert(values, "mm", unit), float)
        seen += [float(convert(step, unit, "mm")) for step in STEPS
                 if np.abs(sizes / step - np.round(sizes / step)).max() < 1e-4]
    return max(seen)


def _gauge_variance(log: TrialLog, log_radius: float) -> float:
    """Variance of the log radius by a gauge's step: step²/12 (JCGM 100:2008, F.2.2.1) over the radius squared."""
    return gauge_step_mm(log) ** 2 / 12 / math.exp(2 * log_radius)


def origins_said(results: Results, window: SpeedWindow) -> str:
    """What spreads a future edge's radius most, and what more trials could win."""
    job, system, told = window.job, results.study.units, origins(results, window)
    name = job_name(job, system)
    if told is None:
        return f"{name}: {window.verdict}."
    largest = max(told.parts, key=lambda p: p.share)
    law = told.parts[-1].share
    said = (f"{name}: of the variance of a future edge's radius {_whole(largest.share)} comes from {largest.name}"
            + (f", {_whole(law)} from laws not fully known." if largest is not told.parts[-1] else "."))
    if told.law_costs is None:
        return said
    return (f"{said} Of the width that the window loses within the speeds tried, {_whole(told.law_costs)} goes to what "
            "these trials leave unknown: more trials can win that back. The rest goes to how sheets, plates and edges "
            "differ.")


def _whole(share: float) -> str:
    return percent(round(share, 2))


def origins_figure(results: Results, window: SpeedWindow) -> go.Figure:
    """Above, the parts of the variance of a future edge's radius; below, what they cost the window."""
    job, system, told = window.job, results.study.units, origins(results, window)
    lines = [f"{job_name(job, system)}; {settings(job, system)}."]
    question = "Where does the uncertainty come from, and what does it cost?"
    if told is None:
        fig = empty(question, lines, "No curve.", 200)
        nothing(fig, "Not enough evidence: nothing is drawn.")
        return fig
    lines += [f"Above: parts of the variance of a future edge's radius (its logarithm) at "
              f"{shown(SPEED, told.feed_speed_m_min, system)} on a sheet of {told.contact_hours:.3g} h; thin line: "
              "90 % range. The gauge's part is its step alone.",
              "Below: speeds, each bar within the one above it; middle case: laws and spreads in the middle of what "
              "the trials allow."]
    spans = (("half of the edges within limits", told.half),
             (f"{percent(job.share)} within, in the middle case", told.known),
             (f"the window, with {percent(job.confidence)} confidence", told.promised))
    height = _ROW * (len(told.parts) + len(spans))
    fig = empty(question, lines, origins_said(results, window), height + 60, rows=2, cols=1,
                row_heights=[len(told.parts), len(spans)], vertical_spacing=60 / (height + 60))
    for k, part in enumerate(told.parts):
        line(fig, [0.0, 100 * part.share], [-k, -k], colour=COLOURS["leading"], width=9)
        line(fig, [100 * part.low, 100 * part.high], [-k, -k], width=1.5)
        word(fig, 0.0, -k, f"{part.name}: {_whole(part.share)}", xanchor="left", yanchor="bottom", yshift=5)
    most = max(100 * p.high for p in told.parts)
    fig.update_xaxes(title_text="share of the variance, %", range=[0, min(100.0, 1.05 * most)], row=1, col=1)
    fig.update_yaxes(visible=False, range=[0.4 - len(told.parts), 0.9], row=1, col=1)
    ends = [float(in_shown(SPEED, v, system)) for _, span in spans if span for v in span]
    left, right = (min(ends), max(ends)) if ends else (0.0, 1.0)
    for k, (text, span) in enumerate(spans):
        if span:
            line(fig, [float(in_shown(SPEED, v, system)) for v in span], [-k, -k], at=(2, 1), width=9,
                 colour=(COLOURS["leading"] if k == len(spans) - 1 else "#999"))
        word(fig, left, -k, text if span else f"{text}: none", (2, 1), xanchor="left", yanchor="bottom", yshift=5)
    room = 0.03 * (right - left)
    fig.update_xaxes(title_text=axis(SPEED, system), range=[left - room, right + room], row=2, col=1)
    fig.update_yaxes(visible=False, range=[0.4 - len(spans), 0.9], row=2, col=1)
    fig.update_layout(margin_l=16)
    return fig
