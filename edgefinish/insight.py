"""A fitted line from inside: fitted values, residuals, coefficients, spreads, sheets, response curves."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri, stdtrit

from .errors import JobError, Problem
from .explore import shuffled
from .job import Job
from .laws import AREA_LAW, WEAR_HOURS, wear_columns
from .layout import material_keys, run_order, settings_of
from .promise import shares_along
from .rows import Floats
from .triallog import TrialLog

if TYPE_CHECKING:
    from .linemodel import LawFit, LineModel

RADIUS, REMOVAL = "edge radius", "removal"
_BAND = (0.05, 0.5, 0.95)
_ENOUGH = 1024  # draws of a picture


def fitted_log_radius(log: TrialLog, fitted: LawFit) -> Floats:
    """Fitted log radius of every row of the log, its sheet and plate included where a radius was measured on them."""
    layout, at, rows = fitted.layout, fitted.posterior.at_mode, log.rows
    coef = at.coef[0]
    material = pd.Index(layout.materials).get_indexer(material_keys(rows))
    order = run_order(rows) if layout.has_drift else 0.0
    out = layout.dose_columns(settings_of(rows), material, order) @ coef[layout.names.dose]
    sheet = pd.Index(layout.sheets).get_indexer(rows["abrasive_sheet"])
    effect = at.sheet[0][sheet] * (sheet >= 0)[:, None]
    out += effect[:, 0] + effect[:, 1] * rows["contact_hours"].to_numpy(float) / WEAR_HOURS
    plate = layout.plates.get_indexer(pd.MultiIndex.from_arrays([rows["abrasive_sheet"], rows["run"]]))
    out += at.plate[0][plate, 0] * (plate >= 0)
    position = pd.Index(layout.positions).get_indexer(rows["edge_position"])
    return out + np.where(position >= 0, coef[layout.names.position][position], 0.0)


def best_log_radius(log: TrialLog, fitted: LawFit) -> Floats:
    """Log radius of every row: as measured, else what the fit expects, a bound taken into account."""
    reading = log.reading("edge_radius_mm")
    mean, sd = fitted_log_radius(log, fitted), float(fitted.posterior.at_mode_sd[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(reading.value)
        z = (value - mean) / sd
        below = mean - sd * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / np.maximum(ndtr(z), 1e-12)
        above = mean + sd * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / np.maximum(ndtr(-z), 1e-12)
    bound = np.where(reading.side < 0, below, above)
    return np.where(np.isnan(reading.value), mean, np.where(reading.side == 0, value, bound))


def residuals(log: TrialLog, fitted: LawFit) -> pd.DataFrame:
    """See `LineModel.residuals`: the edge about its plate, in SDs of edges (of the normal part)."""
    layout, at = fitted.layout, fitted.posterior.at_mode
    data = layout.data
    sd = fitted.posterior.at_mode_sd[data.scale]
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
                         "mean": mean, "sd": sd})


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
        rows.append({"law": law, "level": level, "prior_median": spread.median, "median": median, "low": low,
                     "high": high})
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
    plates = log.rows.drop_duplicates(["abrasive_sheet", "run"]).groupby("abrasive_sheet")["contact_hours"]
    ages = plates.agg(["size", "min", "max"]).loc[list(layout.sheets)]
    reach = ndtri(0.95)
    return pd.DataFrame({
        "abrasive_sheet": layout.sheets, "effect": np.exp(effect), "low": np.exp(effect - reach * sd),
        "high": np.exp(effect + reach * sd), "plates": ages["size"].to_numpy(), "first_hours": ages["min"].to_numpy(),
        "last_hours": ages["max"].to_numpy()})


def response(model: LineModel, job: Job, quantity: str, speed: Floats, hours: Floats, position: str | None
             ) -> pd.DataFrame:
    """See `LineModel.response`; `speed` and `hours` of one length."""
    frame = pd.DataFrame({"feed_speed_m_min": speed, "contact_hours": hours})
    if quantity == "cleared":
        return frame.assign(**_cleared(model, job, speed, hours, position))
    removal = quantity == "removal_um"
    if quantity not in ("edge_radius_mm", "removal_um"):
        raise JobError(Problem(None, "quantity", quantity, "edge_radius_mm, removal_um or cleared"))
    fitted = model.law(removal=True, priors=model.priors_for(job)) if removal else model.law_for(job)
    promise = model.promise_of(fitted, job, (float(speed.min()), float(speed.max()))).thinned(_ENOUGH)
    path, scatter = promise.radius, promise.scatter
    shared = np.hypot(scatter.shared[promise.node][:, None], scatter.wear[promise.node][:, None] * hours / WEAR_HOURS)
    if removal:
        path, own = promise.removal, promise.removal_scatter
        shared = np.hypot(AREA_LAW * shared, own.shared[promise.node][:, None])
        scatter = own
    x = np.log(speed / fitted.layout.centre.feed_speed_m_min)
    step = _position_step(model, fitted, job, path.position, position)
    mean = path.at(x) + path.wear @ wear_columns(hours).T + step[:, None]
    count = len(promise.node)
    chance = ndtri(shuffled(count, 4))[:, None] * shared
    tail = scatter.edge[promise.node] * stdtrit(1 / scatter.tail[promise.node], shuffled(count, 5))
    chance = chance + tail[:, None]
    low, median, high = np.exp(np.quantile(mean + chance, _BAND, axis=0))
    mean_low, _, mean_high = np.exp(np.quantile(mean, _BAND, axis=0))
    return frame.assign(median=median, low=low, high=high, mean_low=mean_low, mean_high=mean_high)


def _position_step(model: LineModel, fitted: LawFit, job: Job, steps: Floats, position: str | None) -> Floats:
    names = [fitted.layout.positions[i] for i in model.measured_positions(fitted.layout, job)]
    if position is None:
        return steps[np.arange(len(steps)), np.arange(len(steps)) % steps.shape[1]]
    if position not in names:
        raise JobError(Problem(None, "edge_position", position, f"a position measured on {job.material}: "
                                                                f"{', '.join(names)}"))
    return steps[:, names.index(position)]


def _cleared(model: LineModel, job: Job, speed: Floats, hours: Floats, position: str | None) -> dict[str, Floats]:
    if job.residual_burr_mm is None:
        raise JobError(Problem(None, "residual_burr_mm", "None", "a limit on residual burr"))
    full = model.promise(job, (float(speed.min()), float(speed.max())))
    fitted = model.law_for(job)
    step = _position_step(model, fitted, job, full.radius.position, position)
    one = replace(full, radius=full.radius.with_position(step), radius_limits=(-np.inf, np.inf),
                  removal_limit=np.inf).thinned(_ENOUGH)
    shares = shares_along(one, np.log(speed / fitted.layout.centre.feed_speed_m_min), hours)
    low, median, high = np.quantile(shares, _BAND, axis=0)
    return {"median": median, "low": low, "high": high, "mean_low": low, "mean_high": high}
