"""A fitted line from inside: fitted values, residuals, coefficients, spreads, sheets, response curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from .burr import priors_of
from .errors import JobError, Problem
from .explore import shuffled
from .job import Job
from .lawfit import LawFit
from .laws import WEAR_HOURS, wear_columns
from .layout import plates_of
from .linefit import LineFit
from .rows import Floats
from .shares import shares_along
from .triallog import TrialLog
from .wording import limit

RADIUS, REMOVAL = "edge radius", "removal"
_BAND = (0.05, 0.5, 0.95)
_ENOUGH = 1024  # draws of a picture


def residuals(log: TrialLog, fitted: LawFit) -> pd.DataFrame:
    """See `LineModel.residuals`: the edge about its plate, in SDs of edges (of the normal part)."""
    layout, at = fitted.layout, fitted.posterior.at_mode
    data = layout.data
    sd = fitted.posterior.at_mode_sd[data.scale] * (1.0 if data.edge_factor is None else data.edge_factor)
    frame = pd.DataFrame({
        "row": log.rows.index.to_numpy()[layout.row], "law": np.where(layout.is_removal, REMOVAL, RADIUS),
        "fitted": np.exp(at.eta[0]), "measured": np.exp(data.y), "residual": (data.y - at.eta[0]) / sd,
        "side": data.side})
    return frame.sort_values(["law", "row"], ignore_index=True)


def coefficients(fitted: LawFit) -> pd.DataFrame:
    """See `LineModel.coefficients`."""
    data = fitted.posterior.data
    mean, sd = fitted.posterior.moments()
    law, term = zip(*fitted.layout.coefficient_names(), strict=True)
    return pd.DataFrame({"law": law, "term": term, "prior_mean": data.coef_mean, "prior_sd": data.coef_sd,
                         "mean": mean, "sd": sd, "learned": (1 - sd / data.coef_sd).round(9).clip(0)})


def burr_law(model: LineFit, job: Job) -> pd.DataFrame:
    """See `LineModel.burr_law`."""
    fitted = model.burr_fit(job)
    (prior_mean, prior_sd), (mean, sd) = priors_of(fitted.data), fitted.moments()
    materials = [f"{name}: level" for name in sorted(model.materials.unique())] if fitted.data.own_levels else []
    words = [f"{name} burr" for name in fitted.data.words]
    positions = [f"{name} edges" for name in model.positions] if fitted.data.own_steps else []
    within = "burr cleared" if not job.residual_burr_mm else (
        f"burr within {limit('residual_burr_mm', job.residual_burr_mm, model.units, 'down')}")
    return pd.DataFrame({
        "law": within, "term": ["level", "edge radius, log", "burr height over edge radius", "spread of sheets, log",
                                *materials, *words, *positions],
        "prior_mean": prior_mean, "prior_sd": prior_sd, "mean": mean, "sd": sd,
        "learned": (1 - sd / prior_sd).round(9).clip(0)})


def spreads(fitted: LawFit) -> pd.DataFrame:
    """See `LineModel.spreads`."""
    post, removal = fitted.posterior, fitted.layout.has_removal
    names = [(RADIUS, "edge"), (REMOVAL, "edge"), (RADIUS, "plate"), (REMOVAL, "plate, beyond the radius"),
             (RADIUS, "sheet"), (RADIUS, "sheet's own wear per 10 h"), (REMOVAL, "sheet, beyond the radius")]
    if not removal:
        names = [n for n in names if n[0] == RADIUS]
    rows = []
    for (law, level), spread, sd in zip(names, post.data.spreads, post.nodes.sd.T, strict=True):
        low, median, high = weighted_quantiles(sd, post.weight, _BAND)
        doubt = np.sqrt(max(post.weight @ np.log(sd) ** 2 - (post.weight @ np.log(sd)) ** 2, 0.0))
        rows.append({"law": law, "level": level, "prior_median": spread.median, "median": median, "low": low,
                     "high": high, "learned": max(1 - doubt / spread.log_sd, 0.0)})
    return pd.DataFrame(rows)


def weighted_quantiles(values: Floats, weight: Floats, at: tuple[float, ...]) -> list[float]:
    """Quantiles of weighted values.

    >>> weighted_quantiles(np.array([1.0, 2.0, 3.0]), np.array([0.2, 0.6, 0.2]), (0.5,))
    [2.0]
    """
    order = np.argsort(values, kind="stable")
    middle = np.cumsum(weight[order]) - weight[order] / 2
    return [float(v) for v in np.interp(at, middle / weight.sum(), values[order])]


def sheets(log: TrialLog, fitted: LawFit) -> pd.DataFrame:
    """See `LineModel.sheets`."""
    layout, at = fitted.layout, fitted.posterior.at_mode
    effect, sd = at.sheet[0][:, 0], at.sheet_sd[0][:, 0]
    plates = log.rows.iloc[plates_of(log.rows).first].groupby("abrasive_sheet")["contact_hours"]
    ages = plates.agg(["size", "min", "max"]).loc[list(layout.sheets)]
    reach = ndtri(0.95)
    return pd.DataFrame({
        "abrasive_sheet": layout.sheets, "effect": np.exp(effect), "low": np.exp(effect - reach * sd),
        "high": np.exp(effect + reach * sd), "plates": ages["size"].to_numpy(), "first_hours": ages["min"].to_numpy(),
        "last_hours": ages["max"].to_numpy()})


def response(model: LineFit, job: Job, quantity: str, speed: Floats, hours: Floats, position: str | None
             ) -> pd.DataFrame:
    """See `LineModel.response`; `speed` and `hours` of one length."""
    frame = pd.DataFrame({"feed_speed_m_min": speed, "contact_hours": hours})
    if quantity == "cleared":
        return frame.assign(**_cleared(model, job, speed, hours, position))
    removal = quantity == "removal_um"
    if quantity not in ("edge_radius_mm", "removal_um"):
        raise JobError(Problem(None, "quantity", quantity, "edge_radius_mm, removal_um or cleared"))
    job = replace(job, removal_um=job.removal_um or 1.0) if removal else job
    fitted = model.law_for(job)
    promise = model.promise_of(fitted, job, (float(speed.min()), float(speed.max()))).thinned(_ENOUGH)
    path, scatter = promise.radius, promise.scatter
    shared = np.hypot(scatter.shared[promise.node][:, None], scatter.wear[promise.node][:, None] * hours / WEAR_HOURS)
    if removal:
        path, own = promise.removal, promise.removal_scatter
        shared = np.hypot(promise.coupling * shared, own.shared[promise.node][:, None])
        scatter = own
    x = np.log(speed / fitted.layout.centre.feed_speed_m_min)
    which, factor = _position_of_draw(model, fitted, job, len(promise.node), position)
    path = path.of_position(which)
    mean = path.at(x) + path.wear @ wear_columns(hours).T + path.position
    count = len(promise.node)
    chance = ndtri(shuffled(count, 4))[:, None] * shared
    tail = scatter.edge[promise.node] * stdtrit(1 / scatter.tail[promise.node], shuffled(count, 5))
    chance = chance + (tail if removal else tail * factor)[:, None]
    low, median, high = np.exp(np.quantile(mean + chance, _BAND, axis=0))
    mean_low, _, mean_high = np.exp(np.quantile(mean, _BAND, axis=0))
    return frame.assign(median=median, low=low, high=high, mean_low=mean_low, mean_high=mean_high)


def _position_of_draw(model: LineFit, fitted: LawFit, job: Job, count: int, position: str | None
                      ) -> tuple[np.ndarray, Floats]:
    """Which measured position each draw is about, and how many times as much edges scatter there, (count,) each; of all
    in turn for None."""
    measured = model.measured_positions(fitted.layout, job)
    names = [fitted.layout.positions[i] for i in measured]
    if position is None:
        which = np.arange(count) % len(names)
    elif position in names:
        which = np.full(count, names.index(position))
    else:
        raise JobError(Problem(None, "edge_position", position, f"a position measured on {job.material}: "
                                                                f"{', '.join(names)}"))
    spread = fitted.layout.spread_of(measured)
    return which, np.ones(count) if spread is None else spread[which]


def _cleared(model: LineFit, job: Job, speed: Floats, hours: Floats, position: str | None) -> dict[str, Floats]:
    if job.residual_burr_mm is None:
        raise JobError(Problem(None, "residual_burr_mm", "None", "a limit on residual burr"))
    full = model.promise(job, (float(speed.min()), float(speed.max())))
    fitted = model.law_for(job)
    which, factor = _position_of_draw(model, fitted, job, len(full.node), position)
    draw = np.arange(len(which))
    burr = full.burr if full.burr.position is None else full.burr.with_position(full.burr.position[draw, which])
    one = replace(full, radius=full.radius.of_position(which), burr=burr,
                  radius_limits=(-np.inf, np.inf), removal_limit=np.inf,
                  position_spread=factor[:1] if position else None).thinned(_ENOUGH)
    shares = shares_along(one, np.log(speed / fitted.layout.centre.feed_speed_m_min), hours)
    low, median, high = np.quantile(shares, _BAND, axis=0)
    return {"median": median, "low": low, "high": high, "mean_low": low, "mean_high": high}
