"""A job's promise under other assumptions of how much sheets differ, in their cut and in the burr they leave.

Nodes are weighed anew, nothing is fitted again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from .evidence import Tried
from .explore import pick
from .intervals import speed_intervals
from .job import Job
from .lawfit import LawFit
from .linemodel import LineModel
from .rows import Floats, Spread, weight_of_second
from .window import wide_enough
from .wording import percent

CUT, BURR = "sheets", "burr of sheets"
PRIOR_FACTORS = (2 / 3, 1.0, 3 / 2)
"""Medians of the prior of the spread of sheets, against the one used, under which windows are worked out again."""


class Other(NamedTuple):
    """A window under another prior: how much sheets are assumed to differ, what the log makes of it, how many nodes
    carry that, and the ends of the window, m/min; None where there is none."""

    assumed: float
    found: float
    nodes: float
    ends: tuple[float, float] | None


def others_of(model: LineModel, job: Job, what: str) -> list[Other]:
    """A job's window with each of `PRIOR_FACTORS` in what is assumed of how much sheets differ."""
    fitted = model.law_for(job)
    promise = model.promise_of(fitted, job, Tried.of(model, job).speeds)
    low, high = speed_intervals(promise, job.share)
    middle = (np.arange(len(low)) + 0.5) / len(low)

    def other(assumed: float, log_spread: Floats, weight: Floats, used: Floats, node: np.ndarray) -> Other:
        some = pick(weight[node] / used[node], middle)  # a node without weight is never drawn
        ends = window_of(low[some], high[some], job.confidence, fitted.layout.centre.feed_speed_m_min)
        return Other(assumed, float(np.exp(weight @ log_spread)), 1 / (weight**2).sum(), ends)
    if what == CUT:
        post = fitted.posterior
        log_sd = np.log(post.nodes.sd[:, _sheet_column(fitted)])
        laws = [reweighed(fitted, factor) for factor in PRIOR_FACTORS]
        return [other(law.priors.sheet.median, log_sd, law.posterior.weight, post.weight, promise.node)
                for law in laws]
    burr = model.burr_fit(job)
    return [other(one.data.sheet_prior.median, one.theta[:, 3], one.weight, burr.weight, burr.node_of(len(low)))
            for one in map(burr.with_sheets, PRIOR_FACTORS)]


def window_of(low: Floats, high: Floats, confidence: float, centre: float) -> tuple[float, float] | None:
    """The window, m/min, of draws' intervals of log speed over `centre`; None where there is none."""
    found = wide_enough(low, high, confidence)
    return found and (float(centre * np.exp(found[0])), float(centre * np.exp(found[1])))


def said(what: str, *spreads: float) -> str:
    """What is assumed of how much sheets differ, in words.

    >>> said(BURR, 0.4)
    "0.40 times the burr's scatter from edge to edge"
    """
    if what == CUT:
        return " to ".join(percent(round(v, 3)) for v in spreads) + " of the radius"
    return " to ".join(f"{v:.2f}" for v in spreads) + " times the burr's scatter from edge to edge"


def assumed_otherwise(what: str, which: int) -> str:
    """What another of `PRIOR_FACTORS` assumes, in words.

    >>> assumed_otherwise(BURR, -1)
    'were sheets to differ half as much again in the burr that they leave'
    """
    how = "by a third less" if PRIOR_FACTORS[which] < 1 else "half as much again"
    return f"were sheets to differ {how} in {'their cut' if what == CUT else 'the burr that they leave'}"


def _sheet_column(fitted: LawFit) -> int:
    data = fitted.posterior.data
    return len(data.edge_spread) + len(data.plate_spread)


def reweighed(fitted: LawFit, factor: float) -> LawFit:
    """The fit under a prior of the spread of sheets whose median is `factor` times as large: its nodes weighed anew.

    Where earlier logs of the line are a part of the prior, only the other part changes.
    """
    post, column = fitted.posterior, _sheet_column(fitted)
    used = post.data.spreads[column]
    other = Spread(used.median * factor, used.log_sd)
    at = np.log(post.nodes.sd[:, column])
    ratio = np.exp(0.5 * ((at - np.log(used.median)) / used.log_sd) ** 2
                   - 0.5 * ((at - np.log(other.median)) / other.log_sd) ** 2)
    if post.data.second_prior:
        past = weight_of_second(post.data, post.nodes.sd)
        ratio = past + (1 - past) * ratio
    weight = post.weight * ratio
    return LawFit(fitted.layout, replace(post, weight=weight / weight.sum()), replace(fitted.priors, sheet=other))
