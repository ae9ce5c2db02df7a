"""The line as the trials show it: the laws fitted over all materials together, and the windows that follow."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Literal, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from . import evidence, grounds, insight
from .abrasive import grain_um
from .burr import CAUTIOUS_SHEET, MIDDLE_HEIGHT, BurrData, BurrPosterior, fit_burr, future_heights
from .errors import JobError, Problem
from .job import Job, Line, SpeedWindow
from .laws import Settings
from .layout import CAUTIOUS, STANDARD, Layout, Priors, lay_out, material_keys, paths
from .posterior import Posterior, posterior
from .promise import Burr, Promise, Scatter, confidence_at, set_point, speed_intervals, widest, worst_shares
from .rows import Floats
from .triallog import TrialLog
from .units import System

T = TypeVar("T")
DRAWS = 8192
JOINT_DRAWS = 2048
NARROWEST = 1.05
"""A window whose ends stand closer than this ratio is none: no drive holds it."""


@dataclass(frozen=True, eq=False)
class LawFit:
    """One fitted posterior with the layout that gives it meaning."""

    layout: Layout
    posterior: Posterior
    priors: Priors

    def scatters(self) -> tuple[Scatter, Scatter | None]:
        """Spreads of future edges at each node: of the edge radius, and of what removal adds of its own."""
        sd, tail = self.posterior.nodes.sd, self.posterior.nodes.tail
        if not self.layout.has_removal:
            edge, plate, sheet, wear = sd.T
            return Scatter(np.hypot(sheet, plate), wear, edge, tail[:, 0]), None
        edge, removal_edge, plate, removal_plate, sheet, wear, removal_sheet = sd.T
        return (Scatter(np.hypot(sheet, plate), wear, edge, tail[:, 0]),
                Scatter(np.hypot(removal_sheet, removal_plate), np.zeros_like(wear), removal_edge, tail[:, 1]))


@dataclass(frozen=True, eq=False)
class LineModel:
    """The fitted line. Made by `fit`; answers are the same for the same log, in any order of its rows.

    `line` is what the line allows, `severities` the burr heights (mm) that the shop's words mean, `units` those of the
    sentences in `reasons`. Posteriors are computed when first asked for, and kept.
    """

    log: TrialLog
    line: Line = field(default_factory=Line)
    severities: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    units: System = "metric"
    _kept: dict[object, object] = field(default_factory=dict, repr=False)

    @cached_property
    def materials(self) -> pd.Series:
        """Material of each row of the log, a material cut by two processes being two."""
        return material_keys(self.log.rows)

    def law(self, *, removal: bool = False, priors: Priors = STANDARD) -> LawFit:
        """The fitted law of the edge radius, with removal beside it where asked for."""
        def compute() -> LawFit:
            layout = lay_out(self.log, removal=removal, priors=priors)
            return LawFit(layout, posterior(layout.data), priors)
        return self._keep(("law", removal, priors), compute)

    def _keep(self, key: object, compute: Callable[[], T]) -> T:
        if key not in self._kept:
            self._kept[key] = compute()
        return self._kept[key]  # type: ignore[return-value]

    def law_for(self, job: Job) -> LawFit:
        """The law that answers a job: the radius alone, or with what else the job limits."""
        return self.law(removal=job.removal_um is not None, priors=self.priors_for(job))

    def priors_for(self, job: Job) -> Priors:
        """Priors of the spreads that a job is judged with."""
        return STANDARD if _radius_alone(job) else CAUTIOUS

    def window(self, job: Job) -> SpeedWindow:
        """The widest speed window that may be promised for a job, or why there is none.

        >>> import edgefinish as ef
        >>> model = ef.open_study().model
        >>> model.window(ef.Job(material="unheard of", thickness_mm=8, drum_pressure_kPa=60, grit="P80",
        ...                     edge_radius_mm=(0.2, 0.6))).verdict
        'not enough evidence'
        """
        tried, gaps = self._evidence(job)
        if gaps:
            return SpeedWindow(job=job, verdict="not enough evidence", reasons=tuple(gaps))
        fitted = self.law_for(job)
        promise = self.promise(job, tried.speeds)
        low, high = speed_intervals(promise, job.share)
        allowed = np.isfinite(low)
        found = widest(low, high, job.confidence) if allowed.mean() >= job.confidence else None
        if found is None or found[1] - found[0] < np.log(NARROWEST):
            possible = float(np.mean(high - low >= np.log(NARROWEST)))
            return grounds.refusal(self, job, fitted, promise, possible)
        lean = grounds.lean(fitted, job, self.material_index(fitted.layout, job), found)
        if lean > grounds.LEAN_MOST or not fitted.posterior.settled:
            return grounds.unsupported(self, job, found, fitted.layout.centre, lean, fitted.posterior.settled)
        point = set_point(low, high, found)
        centre = fitted.layout.centre.feed_speed_m_min
        ends = grounds.bindings(self, job, promise, found, tried, centre)
        speeds = [float(centre * np.exp(v)) for v in (*found, point)]
        speeds[0], speeds[1] = max(speeds[0], tried.low), min(speeds[1], tried.high)
        return SpeedWindow(
            job=job, verdict="window", low_m_min=speeds[0], high_m_min=speeds[1],
            recommended_m_min=float(np.clip(speeds[2], speeds[0], speeds[1])), binds_low=ends[0].what,
            binds_high=ends[1].what, confidence_at=float(confidence_at(low, high, np.array([point]))[0]),
            reasons=(ends[0].sentence, ends[1].sentence, *grounds.flags(self, job, fitted, tried, lean)))

    def windows(self, jobs: Iterable[Job]) -> pd.DataFrame:
        """One row a job in the order given: every field of the job, then verdict, ends, set point and reasons."""
        rows = []
        for job in jobs:
            answer = self.window(job)
            rows.append({f.name: getattr(job, f.name) for f in fields(Job)} | {
                f.name: getattr(answer, f.name) for f in fields(SpeedWindow) if f.name != "job"})
        names = [f.name for f in fields(Job)] + [f.name for f in fields(SpeedWindow) if f.name != "job"]
        frame = pd.DataFrame(rows, columns=names)
        numbers = ["low_m_min", "high_m_min", "recommended_m_min", "confidence_at"]
        return frame.astype({n: float for n in numbers})

    def share(self, job: Job, feed_speed_m_min: ArrayLike) -> pd.DataFrame:
        """Share of future edges within every limit at the worst position and sheet age, speed by speed.

        Columns `feed_speed_m_min`; `median`, `low`, `high` of the share (central 90 % of the posterior); `confidence`,
        the posterior chance that the share is at least the job's over all its sheet ages, 0 outside tried speeds.
        Raises `JobError` for a job that cannot be judged from this log; its window says why.
        """
        speeds = _speeds(feed_speed_m_min)
        tried = self._judged(job)
        promise = self.promise(job, tried.speeds)
        centre = self.law_for(job).layout.centre.feed_speed_m_min
        shares = worst_shares(promise, np.log(speeds / centre))
        low, median, high = np.quantile(shares, (0.05, 0.5, 0.95), axis=0)
        inside = (speeds >= tried.low * (1 - 1e-12)) & (speeds <= tried.high * (1 + 1e-12))
        return pd.DataFrame({"feed_speed_m_min": speeds, "median": median, "low": low, "high": high,
                             "confidence": np.where(inside, (shares >= job.share).mean(0), 0.0)})

    def _evidence(self, job: Job) -> tuple[evidence.Tried, list[str]]:
        def look() -> tuple[evidence.Tried, list[str]]:
            tried = evidence.Tried.of(self, job)
            return tried, evidence.gaps(self, job, tried)
        return self._keep(("evidence", job), look)

    def _judged(self, job: Job) -> evidence.Tried:
        tried, gaps = self._evidence(job)
        if gaps:
            raise JobError(Problem(None, None, job.title, "a job that these trials can judge", gaps[0]), "job")
        return tried

    def promise(self, job: Job, speeds: tuple[float, float]) -> Promise:
        """Draws of everything that the job's window rests on; `speeds` in m/min."""
        return self.promise_of(self.law_for(job), job, speeds)

    def promise_of(self, fitted: LawFit, job: Job, speeds: tuple[float, float]) -> Promise:
        """The same on a given fit."""
        layout, scatters = fitted.layout, fitted.scatters()
        count = DRAWS if _radius_alone(job) else JOINT_DRAWS
        node, coef = self._keep(("draws", layout.has_removal, fitted.priors, count),
                                lambda: fitted.posterior.draws(count))
        material = self.material_index(layout, job)
        radius, removal = paths(layout, coef, _settings(job), material, self.measured_positions(layout, job))
        low, high = job.edge_radius_mm or (None, None)
        centre = layout.centre.feed_speed_m_min
        return Promise(
            node=node, speeds=(float(np.log(speeds[0] / centre)), float(np.log(speeds[1] / centre))),
            hours=job.sheet_hours, radius=radius, scatter=scatters[0],
            radius_limits=(np.log(low) if low else -np.inf, np.log(high) if high else np.inf), removal=removal,
            removal_scatter=scatters[1], removal_limit=np.log(job.removal_um) if job.removal_um else np.inf,
            burr=None if job.residual_burr_mm is None else self._burr(job, layout, count))

    def material_index(self, layout: Layout, job: Job) -> int:
        """Which of the layout's materials the job is about."""
        return layout.materials.index(evidence.key_of(self, job))

    def measured_positions(self, layout: Layout, job: Job) -> list[int]:
        """Edge positions measured on the job's material, as indices into the layout's."""
        mine = (self.materials.iloc[layout.row] == evidence.key_of(self, job)).to_numpy()
        seen = set(self.log.rows["edge_position"].to_numpy()[layout.row[mine]])
        return [i for i, p in enumerate(layout.positions) if p in seen]

    def _burr(self, job: Job, layout: Layout, count: int) -> Burr:
        fitted = self.burr_fit(job)
        names = sorted(self.materials.unique())
        level, slope, height = fitted.draws(count, names.index(evidence.key_of(self, job)))
        span = self.severities.get(job.burr_severity) if job.burr_severity else None
        future = future_heights(self.plate_heights(job.burr_severity), span, count)
        return Burr(level, slope, height[:, None] * future)

    def plate_heights(self, severity: str | None) -> Floats:
        """Log height before (over 0.3 mm) of the log's plates of a severity, or of all."""
        rows = self.log.rows
        if "burr_height_mm" not in rows:
            return np.empty(0)
        height = pd.Series(_height(self.log), index=rows.index)
        mine = height.notna()
        if severity and "burr_severity" in rows:
            mine &= rows["burr_severity"] == severity
        plates = height[mine].groupby([rows["abrasive_sheet"][mine], rows["run"][mine]]).mean()
        return np.sort(plates.to_numpy(float))

    def burr_fit(self, job: Job) -> BurrPosterior:
        """The fitted chance that burr is within the job's limit."""
        limit, severity = job.residual_burr_mm, job.burr_severity
        if limit is None:
            raise ValueError(f"{job.title}: found no limit on residual burr, wanted one")
        rows = self.log.rows
        known = np.isfinite(_height(self.log))
        by_word = bool(severity) and "burr_severity" in rows and not known[(rows["burr_severity"] == severity)].any()
        return self._keep(("burr", limit, severity if by_word else None),
                          lambda: fit_burr(self._burr_data(limit, severity if by_word else None)))

    def _burr_data(self, limit: float, severity: str | None) -> BurrData:
        rows = self.log.rows
        cleared, known = evidence.cleared(self.log, limit)
        if severity:
            known &= (rows["burr_severity"] == severity).to_numpy()
        height = _height(self.log)
        if "burr_severity" in rows:
            for word, (low, high) in self.severities.items():
                here = np.isnan(height) & (rows["burr_severity"] == word).to_numpy()
                height[here] = np.log((low + high) / 2) - MIDDLE_HEIGHT
            typical = pd.Series(height).groupby(rows["burr_severity"].to_numpy()).transform("median").to_numpy()
            height = np.where(np.isnan(height), typical, height)
        height = np.where(np.isnan(height), 0.0, height)
        radius = insight.best_log_radius(self.log, self.law(priors=CAUTIOUS))
        known &= np.isfinite(radius)
        names = sorted(self.materials.unique())
        material = pd.Index(names).get_indexer(self.materials)
        sheet = pd.factorize(rows["abrasive_sheet"], sort=True)[0]
        order = np.lexsort((cleared, radius, height, material, sheet))
        order = order[known[order]]
        return BurrData(cleared[order], radius[order], height[order], sheet[order], material[order], len(names),
                        CAUTIOUS_SHEET)

    def response(self, job: Job, quantity: Literal["edge_radius_mm", "removal_um", "cleared"],
                 feed_speed_m_min: ArrayLike | None = None, contact_hours: ArrayLike | None = None,
                 edge_position: str | None = None) -> pd.DataFrame:
        """What a job's settings give, over feed speed or over sheet age; the other a number, or in the job's middle.

        `quantity` "edge_radius_mm", "removal_um", or "cleared": the share of edges with burr within the job's limit.
        Columns `feed_speed_m_min`, `contact_hours`; `median`, `low`, `high` of future edges (central 90 %; sheet, plate
        and edge); `mean_low`, `mean_high`, 90 % band of the median. Without a position: all that were measured.
        """
        tried = self._judged(job)
        speed = np.sqrt(tried.low * tried.high) if feed_speed_m_min is None else feed_speed_m_min
        hours = np.mean(job.sheet_hours) if contact_hours is None else contact_hours
        return insight.response(self, job, quantity, *np.broadcast_arrays(_speeds(speed), _hours(hours)), edge_position)

    def residuals(self) -> pd.DataFrame:
        """One row a reading: `row` of the log, `law`, `fitted` and `measured`, standardised `residual`, `side`."""
        return insight.residuals(self.log, self._whole)

    def coefficients(self) -> pd.DataFrame:
        """Each coefficient, prior against posterior: `law`, `term`, `prior_mean`, `prior_sd`, `mean`, `sd`."""
        return insight.coefficients(self._whole)

    def spreads(self) -> pd.DataFrame:
        """Each spread: `law`, `level`, `prior_median`, `median`, `low`, `high` (90 %), as fractions (0.08 = 8 %)."""
        return insight.spreads(self._whole)

    def sheets(self) -> pd.DataFrame:
        """Each sheet: `abrasive_sheet`, `effect` (factor on the radius), `low`, `high` (90 %), plates and ages run."""
        return insight.sheets(self.log, self._whole)

    @property
    def _whole(self) -> LawFit:
        measured = "removal_um" in self.log.rows and np.isfinite(self.log.reading("removal_um").value).any()
        return self.law(removal=bool(measured), priors=CAUTIOUS if measured else STANDARD)


def fit(log: TrialLog, *, line: Line | None = None, severities: Mapping[str, tuple[float, float]] | None = None,
        units: System = "metric") -> LineModel:
    """Fit every material of the log, together; deterministic.

    `line`: what the line allows; `severities`: burr heights before (mm, from, to) that the shop's words mean; `units`
    of the sentences in `reasons`.
    """
    if not isinstance(log, TrialLog):
        raise TypeError(f"found {type(log).__name__}, wanted a TrialLog: read it with read_log first")
    return LineModel(log, line or Line(), dict(severities or {}), units)


def _radius_alone(job: Job) -> bool:
    return job.residual_burr_mm is None and job.removal_um is None


def _settings(job: Job) -> Settings:
    return Settings(1.0, job.drum_pressure_kPa, grain_um(job.grit), job.thickness_mm, job.passes, 0.0)


def _height(log: TrialLog) -> Floats:
    """Log height before over 0.3 mm of each row, NaN where unknown or 0."""
    if "burr_height_mm" not in log.rows:
        return np.full(len(log.rows), np.nan)
    value = log.reading("burr_height_mm").value
    return np.log(np.where(value > 0, np.maximum(value, 0.02), np.nan)) - MIDDLE_HEIGHT


def _speeds(values: ArrayLike) -> Floats:
    return _positive(values, "feed_speed_m_min", "m/min", 1e-9)


def _hours(values: ArrayLike) -> Floats:
    return _positive(values, "contact_hours", "h", 0.0)


def _positive(values: ArrayLike, name: str, unit: str, least: float) -> Floats:
    try:
        numbers = np.atleast_1d(np.asarray(values, float))
    except (TypeError, ValueError):
        numbers = np.array([np.nan])
    if numbers.ndim != 1 or not (np.isfinite(numbers) & (numbers >= least)).all():
        raise JobError(Problem(None, name, str(values), f"numbers in {unit}, {'above 0' if least else '0 or more'}"))
    return numbers
