"""Where a fitted law puts the radius of each row of a log, and the dose of its burr."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtr

from .lawfit import LawFit
from .laws import BURR_OF_EDGE, WEAR_HOURS
from .layout import material_keys, plates_of, run_order, settings_of
from .rows import Floats
from .triallog import TrialLog


def fitted_log_radius(log: TrialLog, fitted: LawFit) -> Floats:
    """Fitted log radius of every row of the log that was fitted, its sheet and plate included where they were; NaN of a
    material that was not."""
    layout, at, rows = fitted.layout, fitted.posterior.at_mode, log.rows
    coef = at.coef[0]
    material = pd.Index(layout.materials).get_indexer(material_keys(rows))
    order = run_order(rows) if layout.has_drift else 0.0
    settings = settings_of(rows)
    out = layout.dose_columns(settings, material, order) @ coef[layout.names.dose]
    sheet = pd.Index(layout.sheets).get_indexer(rows["abrasive_sheet"])
    effect = at.sheet[0][sheet] * (sheet >= 0)[:, None]
    out += effect[:, 0] + effect[:, 1] * rows["contact_hours"].to_numpy(float) / WEAR_HOURS
    plate = pd.Index(layout.plates).get_indexer(plates_of(rows).of)
    out += at.plate[0][plate, 0] * (plate >= 0)
    position = pd.Index(layout.positions).get_indexer(rows["edge_position"])
    out += np.where(position >= 0, layout.steps_at(coef, position, material, settings), 0.0)
    return np.where(material >= 0, out, np.nan)


def log_dose(log: TrialLog, fitted: LawFit) -> Floats:
    """Dose of every row's burr, as a log radius: of its plate there, and a part of what sets the edge apart.

    An edge without a radius is as its plate, one below or above the gauge as the law expects of it; NaN of a material
    that no radius was read of.
    """
    reading = log.reading("edge_radius_mm")
    mean, sd = fitted_log_radius(log, fitted), fitted.posterior.at_mode_sd[0] * fitted.layout.spread_on(log.rows)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(reading.value)
        z = (value - mean) / sd
        below = mean - sd * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / np.maximum(ndtr(z), 1e-12)
        above = mean + sd * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) / np.maximum(ndtr(-z), 1e-12)
    bound = np.where(reading.side < 0, below, above)
    own = np.where(np.isnan(reading.value), mean, np.where(reading.side == 0, value, bound))
    return mean + BURR_OF_EDGE * (own - mean)
