"""A job's promise under other assumptions of how much sheets differ, in their cut and in the burr they leave.

Nodes are weighed anew, nothing is fitted again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from .evidence import Tried
from .job import Job
from .lawfit import LawFit
from .linemodel import LineModel
from .promise import Promise
from .rows import Spread, weight_of_second
from .wording import percent

CUT, BURR = "sheets", "burr of sheets"
PRIOR_FACTORS = (2 / 3, 1.0, 3 / 2)
"""Medians of the prior of the spread of sheets, against the one used, under which windows are worked out again."""


class Other(NamedTuple):
    """A window under another prior: how much sheets are assumed to differ, what the log makes of it, what comes out."""

    assumed: float
    found: float
    nodes: float
    promise: Promise


def others_of(model: LineModel, job: Job, what: str) -> list[Other]:
    """A job's promise with each of `PRIOR_FACTORS` in what is assumed of how much sheets differ."""
    fitted, tried = model.law_for(job), Tried.of(model, job).speeds
    if what == CUT:
        laws = [reweighed(fitted, factor) for factor in PRIOR_FACTORS]
        return [Other(law.priors.sheet.median,
                      float(np.exp(law.posterior.weight @ np.log(law.posterior.nodes.sd[:, _sheet_column(fitted)]))),
                      1 / (law.posterior.weight**2).sum(), model.promise_of(law, job, tried)) for law in laws]
    promise = model.promise_of(fitted, job, tried)
    burrs = [model.burr_fit(job).with_sheets(factor) for factor in PRIOR_FACTORS]
    return [Other(burr.data.sheet_prior.median, float(np.exp(burr.weight @ burr.theta[:, 3])),
                  1 / (burr.weight**2).sum(),
                  replace(promise, burr=model.burr_of(burr, job, len(promise.node)))) for burr in burrs]


def said(what: str, *spreads: float) -> str:
    """What is assumed of how much sheets differ, in words.

    >>> said(BURR, 0.4)
    "0.40 times the burr's scatter from edge to edge"
    """
    if what == CUT:
        return " to ".join(percent(round(v, 3)) for v in spreads) + " of the radius"
    return " to ".join(f"{v:.2f}" for v in spreads) + " times the burr's scatter from edge to edge"


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
