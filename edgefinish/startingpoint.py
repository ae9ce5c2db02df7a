"""Where to start the trial of a material that was never run: a guess by the log's other materials, never a promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from . import evidence
from .explore import shuffled
from .job import Job
from .kin import ODD
from .lawfit import LawFit
from .laws import AREA_LAW, log_pressure
from .layout import NOBODY, OWN_WEAR, levelled, paths
from .linefit import LineFit, job_settings
from .promise import Path, Promise
from .rows import Floats
from .scatter import Scatter
from .shares import worst_shares
from .units import shown
from .wording import percent

_DRAWS = 1024
_SPEEDS = 25


@dataclass(frozen=True)
class StartingPoint:
    """A speed to start a trial at. No promise: nothing of the material was run.

    `share`: expected share of edges within the limits there, over what materials of this line may be; `sentence` says
    all of it.
    """

    feed_speed_m_min: float
    share: float
    sentence: str


def starting_point(model: LineFit, job: Job) -> StartingPoint | None:
    """See `LineModel.starting_point`."""
    known = set(model.log.rows["material"])
    misspelled = job.material not in known and job.material.casefold() in {name.casefold() for name in known}
    if misspelled or (model.materials == model.material_of(job)).any() or evidence.cannot_run(model, job) \
            or not _known(model, job):
        return None
    tried = evidence.Tried.of(model, job)
    fitted = model.law(removal=job.removal_um is not None, priors=model.priors_for(job))
    centre = fitted.layout.centre.feed_speed_m_min
    x = np.linspace(np.log(tried.low / centre), np.log(tried.high / centre), _SPEEDS)
    share = worst_shares(_as_another(model, job, fitted), x).mean(0)
    best = int(share.argmax())
    speed = float(np.clip(centre * np.exp(x[best]), tried.low, tried.high))
    names = sorted(model.materials.unique())
    them_all = names[0] if len(names) == 1 else f"the {len(names)} materials tried"
    them = "materials are taken to differ" if len(names) == 1 else "these differ from one another"
    burr = " Burr was not looked at." if job.residual_burr_mm is not None else ""
    return StartingPoint(speed, float(share[best]), (
        f"A starting point for its trial, no promise: about {shown('feed_speed_m_min', speed, model.units)}, where "
        f"perhaps {percent(round(float(share[best]), 1))} of edges would be within the limits if {job.material} "
        f"differs from {them_all} as {them}.{burr}"))


def _known(model: LineFit, job: Job) -> bool:
    """Whether everything but the material was run, on sheets enough, and its limits were measured."""
    rows, read = model.log.rows, evidence.measured(model, job)
    if job.edge_radius_mm is None and job.removal_um is None or not read.any():
        return False
    near = 1 + evidence.ROUNDING
    spans = ((rows["drum_pressure_kPa"], job.drum_pressure_kPa), (rows["thickness_mm"], job.thickness_mm),
             (rows["passes"], job.passes))
    wanted = [n for n in ("edge_radius_mm", "removal_um") if getattr(job, n) is not None]
    tried = evidence.Tried.of(model, job)
    return (rows["abrasive_sheet"][read].nunique() >= evidence.FEWEST_SHEETS and not tried.narrow
            and all(v.min() / near <= at <= v.max() * near for v, at in spans)
            and (rows["grit"] == job.grit).any() and job.sheet_hours[1] <= rows["contact_hours"][read].max() * near
            and all(np.isfinite(model.log.reading(n).value).sum() >= evidence.FEWEST_READINGS for n in wanted))


def _as_another(model: LineFit, job: Job, fitted: LawFit) -> Promise:
    """The job's promise if its material were one more of the line's: steps, spreads and oddity drawn as theirs are."""
    layout, priors = fitted.layout, fitted.priors
    node, coef = fitted.posterior.draws(_DRAWS)
    settings = job_settings(job)
    radius, removal = levelled(
        layout, coef, paths(layout, coef, NOBODY, range(len(layout.positions)), settings), settings, NOBODY)
    level, slope, press, worn = _steps(fitted, node).T
    level = level + press * log_pressure(settings, layout.centre)
    wear = worn[:, None] * OWN_WEAR
    radius = _stepped(radius, level, slope, wear)
    if removal is not None:
        own = priors.removal_material * _normal(7)
        removal = _stepped(removal, AREA_LAW * level + own, AREA_LAW * slope, AREA_LAW * wear)
    factor = np.exp(priors.own_spread[1] * _normal(6))
    scatter, own_scatter = (part and Scatter(part.shared[node] * factor, part.wear[node] * factor,
                                             part.edge[node] * factor, part.tail[node]) for part in fitted.scatters)
    low, high = job.edge_radius_mm or (None, None)
    return Promise(
        node=np.arange(_DRAWS), speeds=(0.0, 0.0), hours=job.sheet_hours, radius=radius, scatter=scatter,
        radius_limits=(np.log(low) if low else -np.inf, np.log(high) if high else np.inf), removal=removal,
        removal_scatter=own_scatter, removal_limit=np.log(job.removal_um) if job.removal_um else np.inf)


def _stepped(path: Path, level: Floats, slope: Floats, wear: Floats) -> Path:
    """Another law: nothing that was kept of the first one holds for it."""
    return Path(path.level + level, path.slope + slope, path.bend, path.wear + wear, path.position,
                path.own)


def _steps(fitted: LawFit, node: NDArray[np.intp]) -> Floats:
    """Steps of level, feed and pressure exponent and wear from the common law, (draws, 4)."""
    spreads = fitted.priors.material
    if len(fitted.layout.materials) > 1:
        sd = fitted.posterior.nodes.kin_sd[node]
    else:  # the common law is then that of the one material, itself a step away from what materials have in common
        sd = np.sqrt(2) * np.stack([s.median * np.exp(s.log_sd * _normal(21 + i)) for i, s in enumerate(spreads)], -1)
    odd = np.where(shuffled(_DRAWS, 14)[:, None] < ODD, fitted.priors.odd_times, 1.0)
    return sd * odd * np.stack([_normal(15 + i) for i in range(len(spreads))], -1)


def _normal(stream: int) -> Floats:
    return ndtri(shuffled(_DRAWS, stream))
