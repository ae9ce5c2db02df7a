"""The laws as fitted to a log, and the draws of them that a job's promise rests on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import TypeVar

import numpy as np
import pandas as pd

from .abrasive import grain_um
from .burr import SHEET, BurrData, BurrPosterior, fit_burr, told_apart
from .burrheights import MIDDLE_HEIGHT, future_heights, usual_height
from .byburr import BurrStep, burr_step
from .byplates import kinds_apart, scatter_of
from .byposition import apart_from, own_spread_stands_out, own_steps_stand_out, spread_by_position, tilts_of
from .coupling import coupling_of
from .dose import log_dose
from .history import WEIGHT, Past, learn, pool
from .job import Job, Line
from .lawfit import LawFit
from .laws import AREA_LAW, Settings
from .layout import Layout, Tilt, lay_out, levelled, material_keys, paths, plates_of
from .pastlaw import STRANGE
from .platekind import PlateKind
from .posterior import posterior
from .priors import JOINT, STANDARD, Priors
from .promise import Burr, Promise
from .rows import Floats, Spread
from .triallog import TrialLog
from .units import System

T = TypeVar("T")
ENOUGH_REMOVAL = 24  # edges; fewer tell hardly more than the priors
DRAWS = 4096
JOINT_DRAWS = 2048
RADIUS_NODES, NODES, REFIT_NODES = 128, 256, 96  # few unknowns of one material's radius need few
BURR_NODES, BURR_REFIT_NODES = 1024, 256


@dataclass(frozen=True, eq=False)
class LineFit:
    """The fitted laws of a line.

    `line` is what the line allows, `severities` the burr heights (mm) that the shop's words mean, `units` those of the
    sentences in `reasons`. `history`: earlier logs of the line, from which laws and spreads are learned; `new_sheets`:
    but not what hangs on its sheets. `like`: the fit of nearly the same log, from which this one starts and takes its
    past; checks refit many times, on fewer nodes. `copied`: plates of which one radius was taken for all edges' (see
    `copied`); `repeated`: plates of earlier logs that are in another log too; `too_few`: earlier logs with
    too few measured radii to learn from. Posteriors are computed when first
    asked for, and kept.
    """

    log: TrialLog
    line: Line = field(default_factory=Line)
    severities: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    units: System = "metric"
    history: tuple[TrialLog, ...] = ()
    new_sheets: bool = False
    like: LineFit | None = None
    copied: int = 0
    repeated: int = 0
    too_few: int = 0
    _kept: dict[object, object] = field(default_factory=dict, repr=False)

    @cached_property
    def materials(self) -> pd.Series:
        """Material of each row of the log, a material cut by two processes being two."""
        return material_keys(self.log.rows)

    @cached_property
    def positions(self) -> list[str]:
        """Edge positions of the log, sorted."""
        return sorted(self.log.rows["edge_position"].unique())

    @cached_property
    def past(self) -> Past | None:
        """What the earlier logs show, or None without any."""
        if self.like is not None:
            return self.like.past
        return learn(self.history, self.new_sheets) if self.history else None

    @cached_property
    def tilts(self) -> tuple[Tilt, ...]:
        """Settings to which edge positions clearly answer each in its own way."""
        return self.like.tilts if self.like is not None else tilts_of(self.log)

    def tilts_for(self, material: str | None) -> tuple[Tilt, ...]:
        """The same, with those to which only one material's of several do."""
        if self.like is not None:
            return self.like.tilts_for(material)
        if material is None or len(self._materials) < 2:
            return self.tilts
        return self._keep(("tilts", material), lambda: self.tilts + tilts_of(
            self.log, (self.materials == material).to_numpy(), self.tilts))

    def law(self, *, removal: bool = False, priors: Priors = STANDARD, asked: str | None = None,
            kinds: tuple[PlateKind, ...] = ()) -> LawFit:
        """The fitted law of the edge radius, with removal beside it where asked for.

        `asked`: a material whose spreads and steps of edge positions may be other than those of the log's others;
        `kinds`: plates, of that material, each with spreads that may be others again.
        """
        def compute() -> LawFit:
            past = self.past and self.past.over(priors)
            nodes = NODES if removal or self.materials.nunique() > 1 else RADIUS_NODES
            lay = partial(lay_out, self.log, removal=removal, priors=priors, past=past, weight=WEIGHT if past else 0.0,
                          asked=asked, kinds=kinds, tilts=self.tilts_for(asked))

            def as_near(near: LawFit, own_steps: bool, own_spread: bool) -> Layout:
                layout = lay(position_spread=near.layout.position_spread, own_steps=own_steps, own_spread=own_spread,
                             coupling=near.layout.coupling)
                return self.past.law.added(layout) if self.past and near.law_as_before else layout

            if self.like is not None:
                near = self.like.law(removal=removal, priors=priors, asked=asked, kinds=kinds)
                layout = as_near(near, near.layout.own_steps, near.layout.own_spread)
                start = near.posterior.mode if near.posterior.data.family == layout.data.family else None
                return LawFit(layout, posterior(layout.data, REFIT_NODES, start), priors)
            if asked is not None or kinds:  # fewer spreads apart is near, and wanted for other answers
                near = self.law(removal=removal, priors=priors, asked=asked if kinds else None, kinds=kinds[:-1])
                layout = as_near(near, near.layout.own_steps, near.layout.own_spread)
                found = posterior(layout.data, nodes, apart_from(near.posterior, layout.data))
                stand_out = () if kinds else (own_steps_stand_out(layout, found), own_spread_stands_out(found))
                if any(stand_out):
                    layout = as_near(near, *stand_out)
                    found = posterior(layout.data, nodes, found.mode.theta)
                settled = found.mode.settled and near.posterior.settled
                return LawFit(layout, replace(found, mode=found.mode._replace(settled=settled)), priors)
            layout = lay()
            found = posterior(layout.data, nodes)
            if removal and (times := coupling_of(lay, found)) != AREA_LAW:
                lay = partial(lay, coupling=times)
                layout = lay()
                found = posterior(layout.data, nodes, found.mode.theta)
            by_position = spread_by_position(layout, found)
            if by_position:
                layout = lay(position_spread=by_position)
                found = posterior(layout.data, nodes, found.mode.theta)
            if self.past and self.past.law.chance(layout, found) >= STRANGE:
                layout = self.past.law.added(layout)
                found = posterior(layout.data, nodes, found.mode.theta)
            return LawFit(layout, found, priors)
        return self._keep(("law", removal, priors, asked, kinds), compute)

    def _keep(self, key: object, compute: Callable[[], T]) -> T:
        if key not in self._kept:
            self._kept[key] = compute()
        return self._kept[key]  # type: ignore[return-value]

    def law_for(self, job: Job) -> LawFit:
        """The law that answers a job: the radius alone, or with what else the job limits.

        Where burr is limited removal is fitted too if it was read: it tells of the dose that clears burr.
        """
        material = self.material_of(job)
        return self.law(removal=self.with_removal(job), priors=self.priors_for(job), kinds=self.kinds_for(job),
                        asked=material if len(self._materials) > 1 and material in self._materials else None)

    def kinds_for(self, job: Job) -> tuple[PlateKind, ...]:
        """Plates, of the job's material and run as it is, that scatter otherwise than the others."""
        if self.like is not None:
            return self.like.kinds_for(job)
        material = self.material_of(job)
        key = ("kinds", material, job.thickness_mm, job.drum_pressure_kPa, job.passes, job.grit, job.burr_severity,
               job.sheet_hours)
        return self._keep(key, lambda: kinds_apart(self._keep(("scatter of plates", material), lambda: scatter_of(
            self.log, (self.materials == material).to_numpy(), self.tilts_for(material))), job))

    def with_removal(self, job: Job) -> bool:
        """Whether removal is fitted for a job."""
        if self.like is not None:
            return self.like.with_removal(job)
        return job.removal_um is not None or (job.residual_burr_mm is not None and self._removal_tells)

    @cached_property
    def _removal_tells(self) -> bool:
        """Whether removal was read edge by edge on enough of them: not one number, nor copied to all edges."""
        reading = self.log.reading("removal_um")
        read = (reading.side == 0) & np.isfinite(reading.value)
        by_plate = pd.Series(reading.value[read]).groupby(plates_of(self.log.rows).of[read])
        return bool(read.sum() >= ENOUGH_REMOVAL and (by_plate.nunique() > 1).sum() > len(by_plate) / 2)

    def priors_for(self, job: Job) -> Priors:
        """Priors of the spreads that a job is judged with."""
        return STANDARD if radius_alone(job) else JOINT

    def material_of(self, job: Job) -> str:
        """The job's material as the model knows it: one cut by two processes is two."""
        both = f"{job.material} · {job.cut_process}"
        return both if both in self._materials else job.material

    @cached_property
    def _materials(self) -> frozenset[str]:
        return frozenset(self.materials.unique())

    def without(self, rows: np.ndarray) -> LineFit:
        """The line fitted again without some rows of the log; `rows` (n,) true where a row is left out."""
        log = replace(self.log, rows=self.log.rows[~rows])
        return LineFit(log, self.line, self.severities, self.units, self.history, self.new_sheets, like=self)

    def cleared(self, most: float) -> tuple[np.ndarray, np.ndarray]:
        """Whether each row's burr is within a limit, and whether the reading can tell."""
        reading = self.log.reading("residual_burr_mm")
        known = np.isfinite(reading.value)
        known &= ~((reading.side < 0) & (reading.value > most)) & ~((reading.side > 0) & (reading.value < most))
        return np.where(reading.side > 0, False, reading.value <= most), known

    def promise(self, job: Job, speeds: tuple[float, float]) -> Promise:
        """Draws of everything that the job's window rests on; `speeds` in m/min."""
        return self.promise_of(self.law_for(job), job, speeds)

    def promise_of(self, fitted: LawFit, job: Job, speeds: tuple[float, float]) -> Promise:
        """The same on a given fit."""
        layout, scatters = fitted.layout, fitted.scatters
        node, coef = self.draws_of(fitted, job)
        count, material = len(node), self.material_index(layout, job)
        positions = self.measured_positions(layout, job)
        settings = job_settings(job)
        key = ("paths", fitted.which, count, material, *positions,
               layout.tilted(settings).tobytes() if layout.tilts else b"")
        base = self._keep(key, lambda: paths(layout, coef, material, positions, settings))
        radius, removal = levelled(layout, coef, base, settings, material)
        step = self.step_of_burr(fitted, job)
        radius = replace(radius, level=radius.level + step.draws(count)) if step else radius
        (low, high), centre = job.edge_radius_mm or (None, None), layout.centre.feed_speed_m_min
        return Promise(
            node=node, speeds=(float(np.log(speeds[0] / centre)), float(np.log(speeds[1] / centre))),
            hours=job.sheet_hours, radius=radius, scatter=scatters[0],
            radius_limits=(np.log(low) if low else -np.inf, np.log(high) if high else np.inf),
            removal=removal if job.removal_um else None, removal_scatter=scatters[1] if job.removal_um else None,
            removal_limit=np.log(job.removal_um) if job.removal_um else np.inf,
            position_spread=layout.spread_of(positions), coupling=layout.coupling,
            burr=None if job.residual_burr_mm is None else self._burr(job, count))

    def step_of_burr(self, fitted: LawFit, job: Job) -> BurrStep | None:
        """How far radii of plates with the job's burr severity stand from the law; None where as far as others'."""
        key = ("step of burr", fitted.which, job.burr_severity)
        return self._keep(key, lambda: burr_step(self.log, fitted.layout, fitted.posterior, job.burr_severity))

    def draws_of(self, fitted: LawFit, job: Job) -> tuple[np.ndarray, Floats]:
        """Node and coefficients of each draw that a job's window rests on; jobs of one law share them."""
        count = DRAWS if radius_alone(job) else JOINT_DRAWS
        key = ("draws", fitted.which, count)
        return self._keep(key, lambda: fitted.posterior.draws(count))

    def material_index(self, layout: Layout, job: Job) -> int:
        """Which of the layout's materials the job is about."""
        return layout.materials.index(self.material_of(job))

    def measured_positions(self, layout: Layout, job: Job) -> list[int]:
        """Edge positions that a job is promised at, as indices into the layout's: those at which its material's radius,
        and its burr where that is limited, were read; of a job on removal alone those where that was."""
        return [i for i, p in enumerate(layout.positions) if p in self.positions_read(job)]

    def positions_read(self, job: Job) -> frozenset[str]:
        """The same by name, whatever the layout."""
        material = self.material_of(job)
        def look() -> frozenset[str]:
            rows, burr = self.log.rows, job.residual_burr_mm is not None
            alone = job.edge_radius_mm is None and not burr
            read = [np.isfinite(self.log.reading("removal_um" if alone else "edge_radius_mm").value)]
            if burr:
                read.append(self.cleared(job.residual_burr_mm)[1])
            mine = (self.materials == material).to_numpy()
            return frozenset.intersection(*(frozenset(rows["edge_position"][mine & some].unique()) for some in read))
        return self._keep(("positions", material, job.edge_radius_mm is None, job.residual_burr_mm), look)

    def _burr(self, job: Job, count: int) -> Burr:
        key = ("burr draws", *self._burr_key(job), job.burr_severity, self.material_of(job), count)
        return self._keep(key, lambda: self.burr_of(self.burr_fit(job), job, count))

    def burr_of(self, fitted: BurrPosterior, job: Job, count: int) -> Burr:
        """Draws of a job's burr on a given fit."""
        material, word = sorted(self.materials.unique()).index(self.material_of(job)), job.burr_severity
        level, slope, height = fitted.draws(count, material, word)
        span = self.severities.get(word) if word else None
        future = future_heights(self.plate_heights(word), span, count)
        if word in self.words_alone and span is None:
            future = np.full((count, 1), usual_height(word, self.severities))
        steps, layout = fitted.steps(count), self.law_for(job).layout
        at = [self.positions.index(layout.positions[i]) for i in self.measured_positions(layout, job)]
        return Burr(level, slope, height[:, None] * future, None if steps is None else steps[:, at])

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

    def idle_burr(self, job: Job) -> float | None:
        """How high, in mm, the burr of a job's plates stands at most, where as much may be left of it; else None.

        As the study tells of the severity, or with room above what was measured, where that was on enough plates; None
        where more was left of any burr of that severity: then heights before do not tell how high it stands.
        """
        if job.residual_burr_mm is None:
            return None
        limit, severity = job.residual_burr_mm, job.burr_severity
        return self._keep(("idle burr", limit, severity), lambda: self._highest_within(limit, severity))

    def _highest_within(self, limit: float, severity: str | None) -> float | None:
        heights, rows = self.plate_heights(severity), self.log.rows
        span = self.severities.get(severity) if severity else None
        within, known = self.cleared(limit)
        mine = (rows["burr_severity"] == severity) if severity and "burr_severity" in rows else True
        if (known & ~within & mine).any() or not span and len(heights) < _ENOUGH_HEIGHTS:
            return None
        seen = float(np.exp(heights.max() + MIDDLE_HEIGHT)) if len(heights) else 0.0
        top, room = (max(span[1], seen), 1.0) if span else (seen, _ROOM_ABOVE)
        return top if room * top <= limit else None

    def burr_fit(self, job: Job) -> BurrPosterior:
        """The fitted chance that burr is within the job's limit."""
        key = self._burr_key(job)
        limit = key[0]

        def compute() -> BurrPosterior:
            before = self.like and self.like.burr_fit(job)
            data = self.burr_edges(job)
            data = replace(data, sheet_prior=before.data.sheet_prior if before else self._burr_sheets(limit))
            if before is not None:
                data = replace(data, apart=before.data.apart and data.positions == before.data.positions)
                near = ((before.data.materials, before.data.words, before.data.apart)
                        == (data.materials, data.words, data.apart))
                return fit_burr(data, BURR_REFIT_NODES if near else BURR_NODES, before.mode.theta if near else None)
            found = fit_burr(data, BURR_NODES)
            if not told_apart(found):
                return found
            apart = replace(data, apart=True)
            return fit_burr(apart, BURR_NODES, np.r_[found.mode.theta, np.zeros(data.positions)])
        return self._keep(("burr", *key), compute)

    def burr_edges(self, job: Job) -> BurrData:
        """Every edge that tells whether burr is within the job's limit."""
        key = self._burr_key(job)
        return self._keep(("burr edges", *key), lambda: self._burr_data(*key))

    def _burr_key(self, job: Job) -> tuple[float, bool, bool]:
        """What a fit of the burr hangs on: limit, whether a word alone tells the job's height, and whose law."""
        if job.residual_burr_mm is None:
            raise ValueError(f"{job.title}: found no limit on residual burr, wanted one")
        return job.residual_burr_mm, job.burr_severity in self.words_alone, self.with_removal(job)

    @cached_property
    def words_alone(self) -> tuple[str, ...]:
        """Severities that plates of the log have of which no burr was measured before the run."""
        rows = self.log.rows
        if "burr_severity" not in rows:
            return ()
        of_word = pd.Series(np.isfinite(_height(self.log))).groupby(rows["burr_severity"].to_numpy()).any()
        return tuple(of_word.index[~of_word])

    def tells_burr(self, job: Job) -> np.ndarray:
        """Which rows tell whether burr is within the job's limit, (n,); of the job's severity alone where only words
        tell heights: no other tells at which settings that burr was run."""
        limit, by_words, _ = self._burr_key(job)
        known = self.cleared(limit)[1]
        return known & (self.log.rows["burr_severity"] == job.burr_severity).to_numpy() if by_words else known

    def _burr_data(self, limit: float, by_words: bool, removal: bool = False) -> BurrData:
        rows = self.log.rows
        cleared, known = self.cleared(limit)
        height, word, words = _height(self.log), np.full(len(rows), -1), self.words_alone if by_words else ()
        if "burr_severity" in rows:
            for name in {*self.severities, *words}:
                here = np.isnan(height) & (rows["burr_severity"] == name).to_numpy()
                height[here] = usual_height(name, self.severities)
            words = words if rows["burr_severity"].nunique(dropna=False) > 1 else ()
            word = pd.Index(words).get_indexer(rows["burr_severity"])
            typical = pd.Series(height).groupby(rows["burr_severity"].to_numpy()).transform("median").to_numpy()
            height = np.where(np.isnan(height), typical, height)
        height = np.where(np.isnan(height), 0.0, height)
        radius = log_dose(self.log, self.law(removal=removal, priors=JOINT))
        known &= np.isfinite(radius)
        names = sorted(self.materials.unique())
        material = pd.Index(names).get_indexer(self.materials)
        sheet = pd.factorize(rows["abrasive_sheet"], sort=True)[0]
        position = pd.Index(self.positions).get_indexer(rows["edge_position"])
        order = np.lexsort((position, cleared, radius, height, material, sheet))
        order = order[known[order]]
        return BurrData(order, cleared[order], radius[order], height[order], sheet[order], material[order], len(names),
                        position=position[order], positions=len(self.positions),
                        word=word[order], words=words)

    def _burr_sheets(self, limit: float) -> Spread:
        """Prior of the burr's own spread of sheets: the standard, or what earlier logs with burr readings show."""
        fits = [] if self.new_sheets else self._keep(("burr of the past", limit), lambda: self._past_burr(limit))
        return pool(SHEET, SHEET, fits) if fits else SHEET

    def _past_burr(self, limit: float) -> list[tuple[Floats, Floats]]:
        fits = []
        for log in self.history:
            past = LineFit(log, severities=self.severities)
            if "residual_burr_mm" in log.rows and past.cleared(limit)[1].any():
                fitted = fit_burr(past._burr_data(limit, by_words=False))
                fits.append((fitted.theta[:, 3], fitted.weight))
        return fits


_ENOUGH_HEIGHTS, _ROOM_ABOVE = 8, 1.5
"""Burr is taken to be lower than a limit where so many plates say so, with so many times the highest. Judgement."""


def radius_alone(job: Job) -> bool:
    """Whether the job limits nothing but the edge radius."""
    return job.residual_burr_mm is None and job.removal_um is None


def job_settings(job: Job) -> Settings:
    """The settings of a job, its feed speed and sheet age aside."""
    return Settings(1.0, job.drum_pressure_kPa, grain_um(job.grit), job.thickness_mm, job.passes, 0.0)


def _height(log: TrialLog) -> Floats:
    """Log height before over 0.3 mm of each row, NaN where unknown or 0."""
    if "burr_height_mm" not in log.rows:
        return np.full(len(log.rows), np.nan)
    value = log.reading("burr_height_mm").value
    return np.log(np.where(value > 0, np.maximum(value, 0.02), np.nan)) - MIDDLE_HEIGHT
