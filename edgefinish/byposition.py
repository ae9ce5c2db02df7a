"""Whether edges scatter more at one position or of one material than elsewhere, and whether a material has its
positions otherwise."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtrc

from .layout import Layout
from .posterior import Posterior
from .rows import Floats, MixedData

SURE = 0.01
"""Positions are told apart where chance would do so more seldom than this."""
_OTHERWISE = 0.05
"""The same for a material's own steps of positions: to allow for them where there are none costs little."""
ALIKE = 0.25
"""SD, over positions, of the logarithm of how much edges scatter: the prior where they are told apart. Judgement."""
_FACTORS = np.linspace(-1.2, 1.2, 241)
_MOST_ROWS = 20_000
_TELLS = 0.01  # of the prior's variance
_FEW, _FAR = 8, 1.0  # edges of which a scatter is worth a look, and the most that is believed of it, a logarithm


def own_steps_stand_out(layout: Layout, posterior: Posterior) -> bool:
    """Whether the asked material's own steps of positions are more than their prior lets expect.

    A posterior mean varies about the prior's by what the log took off the prior's variance: chi-squared, over the
    directions of which the log tells anything.
    """
    own, at = layout.names.own_position, posterior.at_mode
    prior = posterior.data.coef_sd[own] ** 2
    half = np.linalg.inv(at.chol[0])[:, own]
    told, axes = np.linalg.eigh(np.diag(prior) - half.T @ half)
    some = told > _TELLS * prior.min()
    far = ((axes.T @ at.coef[0][own])[some] ** 2 / told[some]).sum()
    return bool(chdtrc(some.sum(), far) < _OTHERWISE)


def apart_from(near: Posterior, data: MixedData) -> Floats:
    """Where to look for the mode where the plates `data.own` may have spreads of their own: the mode that was found
    with all alike, moved by how much more their edges are seen to scatter."""
    theta = near.mode.theta
    if data.own is None:
        return theta
    own, read = data.own[data.plate], data.side == 0
    if min((own & read).sum(), (~own & read).sum()) < _FEW:
        return np.r_[theta, 0.0]
    off = np.abs(data.y - near.at_mode.eta[0]) / near.at_mode_sd[:len(data.edge_spread)][data.scale]
    mine, others = (np.log(max(float(np.median(off[some & read])), 1e-9)) for some in (own, ~own))
    factor = np.clip(mine - others, -_FAR, _FAR)
    alike = 0.5 * np.log1p(own.mean() * np.expm1(2 * factor))
    return np.r_[theta[:len(data.free)] - alike, theta[len(data.free):], factor]


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
