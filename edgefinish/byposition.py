"""Whether edges scatter more at one position or of one material than elsewhere, and whether a material has its
positions or its spreads otherwise."""

from __future__ import annotations

from typing import NamedTuple, Self

import numpy as np
import pandas as pd
from scipy.special import chdtrc, fdtrc

from .laws import Centre, columns
from .layout import ALONG, TILTING, Layout, Tilt, material_keys, plates_of, settings_of
from .posterior import Posterior
from .priors import STANDARD
from .rows import Floats, MixedData
from .triallog import TrialLog

_SURE = 0.01
"""Positions are told apart where chance would do so more seldom than this."""
_OTHERWISE = 0.05
"""The same for a material's own steps of positions, and for exponents of their own at each position: to allow for them
where there are none costs little."""
_SCATTERS = 0.40
"""The same for a material's own spreads: to miss that they are wider costs the promise."""
_ALONG = 0.02
"""The same for slopes on speed and wear of their own, which cost more."""
_ONE_OF_MANY = 0.005
"""The same for exponents that positions of one material have beyond the others', of few plates."""
ALIKE = 0.25
"""SD, over positions, of the logarithm of how much edges scatter: the prior where they are told apart. Judgement."""
_FACTORS = np.linspace(-1.2, 1.2, 241)
_MOST_ROWS = 20_000
_TELLS, _ALL_TOLD = 0.01, 0.95  # of the prior's variance
_DRAWN_IN = 3 * 1.4826  # times the median of residuals' sizes
_FLAT, _SAME, _FREE = 1e-9, 1e-9, 5
_OF_PLATES = STANDARD.plate.median / STANDARD.edge.median
"""How much plates differ, over how much edges of a plate do, while positions are looked at."""
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
    """Where to look for the mode where the last of `data.own` plates too may have spreads of their own: the mode that
    was found without, moved by how much more their edges are seen to scatter than those they were alike with."""
    theta = near.mode.theta
    if data.own is None:
        return theta
    own, read = data.own[-1][data.plate], data.side == 0
    of_material = len(data.own) > 1 and data.on_sheets[0]
    among = read & (data.own[0][data.plate] if of_material else True)
    if min((own & among).sum(), (~own & among).sum()) < _FEW:
        return np.r_[theta, 0.0]
    off = np.abs(data.y - near.at_mode.eta[0]) / near.at_mode_sd[:len(data.edge_spread)][data.scale]
    mine, others = (np.log(max(float(np.median(off[some & among])), 1e-9)) for some in (own, ~own))
    factor = np.clip(mine - others, -_FAR, _FAR)
    alike = np.zeros(len(theta))
    first = len(theta) - len(data.own) + 1  # of the factors
    which = slice(first, first + 1) if of_material else slice(len(data.free))
    alike[which] = 0.5 * np.log1p(own[among].mean() * np.expm1(2 * factor))
    return np.r_[theta - alike, factor]


def own_spread_stands_out(posterior: Posterior) -> bool:
    """Whether the asked material's spreads are more unlike the others' than their prior lets expect.

    As above, of one number: the logarithm of their factor. Where a long log tells it whatever the prior, there is
    nothing to allow for.
    """
    prior, factor = posterior.data.own_log_sd[0] ** 2, np.log(posterior.nodes.factor[:, 0])
    mean = float(posterior.weight @ factor)
    told = prior - float(posterior.weight @ (factor - mean) ** 2)
    return _TELLS * prior < told < _ALL_TOLD * prior and bool(chdtrc(1, mean**2 / told) < _SCATTERS)


class Edges(NamedTuple):
    """Measured radii of a log: rows `at` (n,) in order of their `plate`, which rises from 0; columns of `steps` of
    positions, of each material apart; of `places`, one a position."""

    at: np.ndarray
    plate: np.ndarray
    steps: np.ndarray
    places: np.ndarray

    @classmethod
    def of(cls, log: TrialLog, here: np.ndarray | bool = True, most: int | None = None) -> Self:
        """Of rows `here` (n,); of `most` or fewer, plates by turns."""
        reading = log.reading("edge_radius_mm")
        at = np.flatnonzero((reading.side == 0) & np.isfinite(reading.value) & (reading.value > 0) & here)
        of = plates_of(log.rows).of[at]
        at, plate = at[np.argsort(of, kind="stable")], np.unique(of, return_inverse=True)[1]
        plate = np.sort(plate)
        if most is not None and len(at) > most:
            some = plate % (len(at) // most + 1) == 0
            at, plate = at[some], np.unique(plate[some], return_inverse=True)[1]
        where, places = pd.factorize(log.rows["edge_position"].iloc[at])
        whose, materials = pd.factorize(material_keys(log.rows).iloc[at])
        is_place = where[:, None] == np.arange(len(places))
        steps = is_place[:, :, None] & (whose[:, None] == np.arange(len(materials)))[:, None]
        return cls(at, plate, steps.reshape(len(at), len(places) * len(materials)), is_place)

    def within(self, values: Floats) -> Floats:
        """Numbers of each row (n, …) less the mean of its plate, (n, columns)."""
        values = values.reshape(len(self.plate), int(np.prod(values.shape[1:]))).astype(float)
        first = np.flatnonzero(np.r_[True, np.diff(self.plate) != 0])
        size = np.diff(np.r_[first, len(self.plate)])
        return values - (np.add.reduceat(values, first) / size[:, None])[self.plate]

    def lessened(self, values: Floats, sheet: np.ndarray) -> Floats:
        """Numbers of each row (n, …) less as much of the mean of its plate as leaves edges that differ independently,
        and less what each `sheet` (n,) may add, (n, columns): generalised least squares of random plates (Fuller and
        Battese 1973, J. Am. Stat. Assoc. 68, 626)."""
        values = values.reshape(len(self.plate), -1).astype(float)
        own = np.sqrt(1 / (1 + np.bincount(self.plate) * _OF_PLATES**2))[self.plate]
        within = self.within(values)
        values = within + own[:, None] * (values - within)
        of_sheet = np.bincount(sheet, own**2)
        mean = np.stack([np.bincount(sheet, own * column) for column in values.T], 1) / of_sheet[:, None]
        return values - own[:, None] * mean[sheet]

    def tilted(self, log: TrialLog, tilt: Tilt) -> Floats:
        """Columns of each position's own slope on a setting, within plates; (n, positions)."""
        x = columns(settings_of(log.rows, self.at), Centre(1.0, 1.0, 1.0, 1.0))[:, tilt.term]
        return self.within(self.places * (x - x.mean())[:, None])

    def off(self, log: TrialLog, tilts: tuple[Tilt, ...]) -> Floats:
        """Log radii, of one material, less what plates and positions, tilted as told, have in common, (n,)."""
        if not len(self.at):
            return np.empty(0)
        y = self.within(np.log(log.reading("edge_radius_mm").value[self.at]))[:, 0]
        return _left_over(y, np.hstack([self.within(self.steps), *(self.tilted(log, tilt) for tilt in tilts)]))[0]


def tilts_of(log: TrialLog, mine: np.ndarray | None = None, known: tuple[Tilt, ...] = ()) -> tuple[Tilt, ...]:
    """Settings to which edge positions clearly answer each in its own way; or, more surely, only those of a material
    whose rows are `mine` (n,), beyond what is `known`.

    F tests, one a setting, of slopes of each position, beside the laws and positions of each material; plates share as
    much as is usual, sheets are left open; far residuals are drawn in. Bounds tell nothing here.
    """
    edges = Edges.of(log, most=_MOST_ROWS)
    if edges.places.shape[1] < 2:
        return ()
    settings = columns(settings_of(log.rows, edges.at), Centre(1.0, 1.0, 1.0, 1.0))
    settings = (settings - settings.mean(0)) / np.maximum(settings.std(0), _FLAT)
    sheet = pd.factorize(log.rows["abrasive_sheet"].iloc[edges.at])[0]
    y = edges.lessened(np.log(log.reading("edge_radius_mm").value[edges.at]), sheet)[:, 0]
    base = edges.lessened(np.hstack([edges.steps, settings, *(edges.places * settings[:, [k.term]] for k in known)]),
                          sheet)
    off = _left_over(y, base)[0]
    far = _DRAWN_IN * float(np.median(np.abs(off)))
    y = y - off + np.clip(off, -far, far)
    off, rank = _left_over(y, base)
    found, whose = [], 1.0 if mine is None else mine[edges.at, None]
    for term in TILTING:
        own = edges.lessened(edges.places * settings[:, [term]] * whose, sheet)
        left, more = _left_over(y, np.hstack([base, own]))
        freedom = len(y) - sheet.max() - 1 - more
        if more > rank and freedom >= _FREE:
            ratio = ((off @ off - left @ left) / (more - rank)) / max(left @ left / freedom, _FLAT**2)
            chance = fdtrc(more - rank, freedom, ratio)
            sure = _ONE_OF_MANY if mine is not None else _ALONG if term in ALONG else _OTHERWISE
            found += [Tilt(term, mine is not None)] if chance < sure else []
    return tuple(found)


def _left_over(y: Floats, x: Floats) -> tuple[Floats, int]:
    """Residuals of least squares, (n,), and how many columns it took."""
    roots, axes = np.linalg.eigh(x.T @ x)
    some = roots > _SAME * max(roots.max(), 1.0)
    axes = axes[:, some]
    return y - x @ (axes @ ((axes.T @ (x.T @ y)) / roots[some])), int(some.sum())


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
    if chdtrc(count - 1, gain) > _SURE:
        return {}
    middle = _FACTORS[together.argmax()]
    found = _FACTORS[(log_like - 0.5 * ((_FACTORS - middle) / ALIKE) ** 2).argmax(1)]
    return dict(zip(layout.positions, np.exp(found - found.mean()).tolist(), strict=True))
