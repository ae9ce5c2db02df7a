"""Sheets and plates left out of the fit and predicted by the rest of the log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtr

from .burr import MIDDLE_RADIUS
from .explore import SEED
from .job import Job
from .lawfit import LawFit
from .laws import AREA_LAW, WEAR_HOURS
from .layout import plates_of, run_order, settings_of
from .linefit import LineFit, radius_alone
from .priors import JOINT, STANDARD, Priors
from .results import Results
from .rows import Floats
from .seensheets import seen_sheets
from .wording import count, listed

BAND = 0.90
"""Share of future readings that a predictive band holds."""
GROUPS, FOLDS = 8, 5
MOST_NAMED = 3
"""Materials of one sheet that are named; of more, how many."""
MOST_ROWS = 5000
_DRAWS = 512


@dataclass(frozen=True, eq=False)
class Left:
    """What was left out: `rows` (n,) true where a row of the log was, and the line fitted without them."""

    rows: np.ndarray
    fit: LineFit


def priors_used(results: Results) -> Priors:
    """Priors under which the radius is fitted for these checks: those that most jobs of the study need anyway."""
    return STANDARD if all(radius_alone(w.job) for w in results.windows) else JOINT


def _measured(model: LineFit, what: str = "edge_radius_mm") -> np.ndarray:
    value = model.log.reading(what).value
    return np.isfinite(value) & (value > 0)


def main_materials(model: LineFit, names: pd.Series) -> pd.Series:
    """The material that each of `names` (sheets or runs, one a row) was mostly run on."""
    return model.materials.groupby(names.to_numpy()).agg(lambda m: m.value_counts().sort_index().idxmax())


def sheet_groups(model: LineFit) -> list[np.ndarray]:
    """Rows of each group of sheets: one sheet each, or, where sheets are many, sheets of different materials."""
    sheet = model.log.rows["abrasive_sheet"]
    main = main_materials(model, sheet)
    rank = main.groupby(main).cumcount()
    order = pd.DataFrame({"rank": rank, "material": main}).sort_values(["rank", "material"], kind="stable").index
    groups = np.array_split(order.to_numpy(), min(GROUPS, len(order)))
    return [sheet.isin(group).to_numpy() for group in groups] if len(order) > 1 else []


def plate_folds(model: LineFit) -> list[np.ndarray]:
    """Rows of each fold of plates; every sheet's plates go over all folds."""
    plate = plates_of(model.log.rows).of
    folds = min(FOLDS, int(plate.max()) + 1)
    return [plate % folds == k for k in range(folds)] if folds > 1 else []


def left_out(model: LineFit, groups: Sequence[np.ndarray]) -> tuple[Left, ...]:
    """The line fitted without each group of rows, where something is left to fit and to predict."""
    measured = _measured(model)
    return tuple(Left(rows, model.without(rows)) for rows in groups
                 if (measured & ~rows).any() and (measured & rows).any())


def evenly(index: np.ndarray, most: int) -> np.ndarray:
    """At most `most` of the entries, evenly picked.

    >>> evenly(np.arange(9), 3).tolist()
    [0, 4, 8]
    """
    return index if len(index) <= most else index[np.linspace(0, len(index) - 1, most).round().astype(int)]


def unseen(results: Results, left: Sequence[Left], unit: str, what: str = "edge_radius_mm") -> pd.DataFrame:
    """One row a left-out sheet or plate: `unit` (its name), `material` (all that it ran), `readings`, `inside`,
    `shift`, `sd`.

    `what`: radius, or, of sheets, "removal_um".
    """
    parts = [part for one in left for part in _predict(results, one, unit, what)]
    return pd.DataFrame(parts, columns=["unit", "material", "readings", "inside", "shift", "sd"])


def _predict(results: Results, left: Left, unit: str, what: str) -> list[dict[str, object]]:
    """Left-out readings in the predictive distribution of the line fitted without them.

    A reading below or above the gauge counts by the share of what it allows that lies in the band. `shift` is the mean
    log of measured over predicted on a sheet or plate, a bound counting only where it contradicts; `sd` what new
    sheets, plates and edges and the fit's own doubt let it vary.
    """
    model = results.model
    rows, reading, removal = model.log.rows, model.log.reading(what), what == "removal_um"
    if not _measured(left.fit, what).any():
        return []
    fitted = left.fit.law(removal=removal, priors=JOINT if removal else priors_used(results))
    layout = fitted.layout
    known = model.materials.isin(layout.materials) & rows["edge_position"].isin(layout.positions)
    index = np.flatnonzero(left.rows & _measured(model, what) & known.to_numpy())
    if not len(index):
        return []
    here = rows.iloc[index]
    order = np.lexsort((here["edge_position"], here["run"], here["abrasive_sheet"]))
    index = evenly(index[order], MOST_ROWS)
    here = rows.iloc[index]
    node, mean = (_predicted_removal if removal else _predicted_means)(model, fitted, index)
    sd = fitted.posterior.nodes.sd[node][:, int(removal):]
    tail = fitted.posterior.nodes.tail[node, int(removal)]
    y, side = np.log(reading.value[index]), reading.side[index]
    factor = np.ones(len(here)) if removal else layout.spread_on(here)
    below = stdtr(1 / tail[:, None], (y - mean) / (sd[:, :1] * factor)).mean(0)
    middle = np.median(mean, axis=0)
    gap = np.where(side < 0, np.minimum(y - middle, 0), np.where(side > 0, np.maximum(y - middle, 0), y - middle))
    edge_variance = float(np.mean(sd[:, 0] ** 2 / (1 - 2 * tail))) * float(np.mean(factor**2))
    frame = pd.DataFrame({"unit": here[unit].to_numpy(), "material": model.materials.iloc[index].to_numpy(),
                          "inside": _in_band(below, side), "gap": gap})
    out = []
    for name, mine in frame.groupby("unit", sort=True):
        among = mean[:, mine.index.to_numpy()].mean(1)
        out.append({"unit": name, "material": _materials(mine["material"]), "readings": len(mine),
                    "inside": float(mine["inside"].mean()), "shift": float(mine["gap"].mean()),
                    "sd": float(np.sqrt(among.var() + edge_variance / len(mine)))})
    return out


def _materials(readings: pd.Series) -> str:
    """Every material that was read on a sheet, or how many, where there are many.

    >>> _materials(pd.Series(["S355", "304", "S355"])), _materials(pd.Series(["A", "B", "C", "D"]))
    ('304 and S355', '4 materials')
    """
    names = sorted(readings.unique())
    return listed(names) if len(names) <= MOST_NAMED else count(len(names), "material")


def _in_band(below: Floats, side: np.ndarray) -> Floats:
    """Share of what each reading allows that lies in the band; `below` is the predictive chance of less."""
    low, high = (1 - BAND) / 2, (1 + BAND) / 2
    first, last = np.where(side < 0, 0.0, below), np.where(side > 0, 1.0, below)
    within = np.maximum(np.minimum(last, high) - np.maximum(first, low), 0) / np.maximum(last - first, 1e-12)
    return np.where(side == 0, (below >= low) & (below <= high), within)


def _predicted_means(model: LineFit, fitted: LawFit, index: np.ndarray) -> tuple[np.ndarray, Floats]:
    """Draws of the log radius at some rows before the edge's own chance: node (D,), means (D, len(index)).

    A sheet that the fit has seen has its posterior effect there, another one a new effect; plates are new.
    """
    layout, post, here = fitted.layout, fitted.posterior, model.log.rows.iloc[index]
    node, coef = post.draws(_DRAWS)
    sd = post.nodes.sd[node]
    material = pd.Index(layout.materials).get_indexer(model.materials.iloc[index])
    order = run_order(model.log.rows)
    settings, position = settings_of(here), pd.Index(layout.positions).get_indexer(here["edge_position"])
    columns = layout.dose_columns(settings, material, 0.0 if order is None else order[index])
    mean = coef[:, layout.names.dose] @ columns.T + layout.steps_at(coef, position, material, settings)
    rng = np.random.default_rng(SEED)
    sheets, of = np.unique(here["abrasive_sheet"].to_numpy(str), return_inverse=True)
    chance = rng.standard_normal((2, len(node), len(sheets)))
    effect = chance * sd[:, 2:4].T[:, :, None]
    seen = pd.Index(layout.sheets).get_indexer(sheets)
    if (seen >= 0).any():
        known = seen_sheets(fitted, seen[seen >= 0])
        root = np.linalg.cholesky(known.covariance + 1e-12 * np.eye(2))
        effect[:, :, seen >= 0] = known.given(coef).T + np.einsum("sqr,rds->qds", root, chance[:, :, seen >= 0])
    age = here["contact_hours"].to_numpy(float) / WEAR_HOURS
    mean += effect[0][:, of] + effect[1][:, of] * age
    plate = plates_of(here).of
    return node, mean + (sd[:, 1:2] * rng.standard_normal((len(node), plate.max() + 1)))[:, plate]


def _predicted_removal(model: LineFit, fitted: LawFit, index: np.ndarray) -> tuple[np.ndarray, Floats]:
    """The same of log removal, at rows whose sheets the fit has not seen."""
    layout, post, here = fitted.layout, fitted.posterior, model.log.rows.iloc[index]
    node, coef = post.draws(_DRAWS)
    _, _, plate_sd, own_plate, sheet_sd, wear_sd, own_sheet = post.nodes.sd[node].T
    material = pd.Index(layout.materials).get_indexer(model.materials.iloc[index])
    order = run_order(model.log.rows)
    settings, position = settings_of(here), pd.Index(layout.positions).get_indexer(here["edge_position"])
    dose = layout.dose_columns(settings, material, 0.0 if order is None else order[index])
    mean = AREA_LAW * (coef[:, layout.names.dose] @ dose.T + layout.steps_at(coef, position, material, settings))
    mean += coef[:, layout.names.removal] @ layout.removal_columns(settings, material).T
    mean += coef[:, layout.names.removal_position][:, position]
    rng, times = np.random.default_rng(SEED), layout.coupling
    sheets, of = np.unique(here["abrasive_sheet"].to_numpy(str), return_inverse=True)
    plate = plates_of(here).of
    level, wear, own = rng.standard_normal((3, len(sheets), len(node)))
    age = here["contact_hours"].to_numpy(float) / WEAR_HOURS
    mean += (times * level * sheet_sd + own * own_sheet).T[:, of] + times * (wear * wear_sd).T[:, of] * age
    level, own = rng.standard_normal((2, plate.max() + 1, len(node)))
    return node, mean + (times * level * plate_sd + own * own_plate).T[:, plate]


def burr_foreseen(results: Results, left: Left, job: Job) -> tuple[int, int, Floats] | None:
    """Edges on left-out sheets that kept more burr than the job allows: how many, of how many, and draws of how many
    the rest of the log foresees, (draws,). None where nothing can be foreseen."""
    model, rest = results.model, left.fit
    data, known = model.burr_edges(job), sorted(rest.materials.unique())
    names = np.array(sorted(model.materials.unique()))[data.material]
    mine = left.rows[data.row] & np.isin(names, known)
    if not mine.any() or not len(rest.burr_edges(job).row):
        return None
    fitted = rest.burr_fit(job)
    theta = fitted.theta[fitted.node_of(_DRAWS)]
    level, log_slope, ratio, log_sd = theta[:, :4].T
    slope = np.exp(log_slope)[:, None]
    line = level[:, None] + slope * (data.log_radius[mine] - MIDDLE_RADIUS + ratio[:, None] * data.height[mine])
    if fitted.data.own_levels:
        line += theta[:, 4 + pd.Index(known).get_indexer(names[mine])]
    if data.words:
        own = pd.Index(fitted.data.words).get_indexer(np.array([*data.words, ""])[data.word[mine]])
        line += np.where(own < 0, 0.0, theta[:, fitted.data.first_word + own])
    if fitted.data.own_steps:
        line += theta[:, fitted.data.first_step + data.position[mine]]
    rng = np.random.default_rng(SEED)
    sheets, of = np.unique(data.sheet[mine], return_inverse=True)
    line += (np.exp(log_sd) * rng.standard_normal((len(sheets), _DRAWS))).T[:, of]
    return int((~data.cleared[mine]).sum()), int(mine.sum()), (rng.standard_normal(line.shape) > line).sum(1)
