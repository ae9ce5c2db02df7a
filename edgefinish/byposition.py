"""Whether edges scatter more at one position than at another, and how many times as much."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtrc

from .layout import Layout
from .posterior import Posterior

SURE = 0.01
"""Positions are told apart where chance would do so more seldom than this."""
ALIKE = 0.25
"""SD, over positions, of the logarithm of how much edges scatter: the prior where they are told apart. Judgement."""
_FACTORS = np.linspace(-1.2, 1.2, 241)
_MOST_ROWS = 20_000
_FAR = 3.0  # SDs beyond which an edge counts as if it lay there: tails and slips move no mean


def steps_apart(layout: Layout, posterior: Posterior, of_material: np.ndarray) -> tuple[str, float] | None:
    """The position that lies farthest from where the whole log puts it on one material, and how many times as large
    its edges come out there; None where chance would do as much more often than in `SURE`.

    `of_material` (n,): which rows of the fit are of the material. The fit has the same positions for all materials.
    """
    data, count = posterior.data, len(layout.positions)
    measured = ~layout.is_removal & (data.side == 0)
    rows = np.flatnonzero(measured & of_material)
    if count < 2 or len(rows) < 2 or len(rows) == measured.sum():
        return None
    position = data.row_columns[rows, :count].argmax(1)
    sd = posterior.at_mode_sd[0] * (np.ones(len(rows)) if data.edge_factor is None else data.edge_factor[rows])
    z = np.clip((data.y[rows] - posterior.at_mode.eta[0][rows]) / sd, -_FAR, _FAR)
    there, place, seen = np.unique(position, return_inverse=True, return_counts=True)
    mean = np.bincount(place, z) / seen
    mean = mean - np.average(mean, weights=seen)
    if len(there) < 2 or chdtrc(len(there) - 1, float((mean**2 * seen).sum() / z.var())) > SURE:
        return None
    most = int(np.abs(mean).argmax())
    return layout.positions[there[most]], float(np.exp(mean[most] * sd[place == most].mean()))


def spread_by_position(layout: Layout, posterior: Posterior) -> dict[str, float]:
    """Factors of the edges' spread of radius by position, their geometric mean 1; empty where all are alike.

    A likelihood ratio test on what edges differ from their plate, with the fit's own tail; factors are drawn towards
    each other by the prior `ALIKE`. Bounds tell nothing here.
    """
    data = posterior.data
    rows = np.flatnonzero(~layout.is_removal & (data.side == 0))
    rows = rows[np.linspace(0, len(rows) - 1, min(len(rows), _MOST_ROWS)).astype(int)]
    count = len(layout.positions)
    if count < 2 or len(rows) < 2 * count:
        return {}
    position = data.row_columns[rows, :count].argmax(1)
    sd, nu = posterior.at_mode_sd[0], 1 / posterior.at_mode_tail[0]
    z = np.abs(data.y[rows] - posterior.at_mode.eta[0][rows]) / sd
    by_row = np.empty((len(rows), len(_FACTORS)))
    for k, factor in enumerate(_FACTORS):
        by_row[:, k] = -(nu + 1) / 2 * np.log1p((z * np.exp(-factor)) ** 2 / nu) - factor
    log_like = np.stack([by_row[position == p].sum(0) for p in range(count)])
    together = log_like.sum(0)
    gain = 2 * (log_like.max(1).sum() - together.max())
    if chdtrc(count - 1, gain) > SURE:
        return {}
    middle = _FACTORS[together.argmax()]
    found = _FACTORS[(log_like - 0.5 * ((_FACTORS - middle) / ALIKE) ** 2).argmax(1)]
    return dict(zip(layout.positions, np.exp(found - found.mean()).tolist(), strict=True))
