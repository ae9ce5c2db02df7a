"""What to run next: the few plates that widen the windows most, whether a new sheet is worth it, and when to stop.

Plates are searched for by a quick measure, and what they gain is told by `foreseen`. The measure: what is not known of
a job's window end is how well the law is known there and how well the spreads are. With x the law's columns at an end,
Σ the covariance of its coefficients, V that of the log spreads and g their weight in the whole spread, an end moves by
about z(confidence) · √(x'Σx + z(share)² g'V g) over the slope of the law there. Plates on old sheets leave the spread
from sheet to sheet as unknown as it was: that is what makes a new sheet worth its price.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from .abrasive import GRAIN_UM
from .errors import JobError, Problem
from .evidence import Tried, gaps
from .exchange import information
from .foreseen import Asked, gains
from .handedin import check_new_plates, of_kind, the_groups, the_jobs
from .job import Job, SpeedWindow
from .laws import CURVATURE, FEED, TERMS, Centre, Settings
from .layout import law_columns, settings_of
from .linefit import LineFit
from .linemodel import LineModel
from .nextsaid import next_said
from .planner import AGES, HEAVY, middle, prior_precision, speed_levels
from .rows import Floats
from .sheetgroups import group_of
from .units import QUANTITIES
from .wording import job_names

MOST_PLATES, MOST_NEW = 6, 2
SAFE = 0.75
"""Gains are told this much smaller than foreseen, so as not to promise too much: on simulated lines that are not the
model, the foreseen were 0.8 to 1.3 times those got."""
WORTH = 1.3
"""A new sheet is proposed where it gains this many times what an old one does."""
HEAVY_WORTH = 1.1
"""Heavy burr is proposed where it gains this many times what the jobs' own burr does."""
AT_RANGE = 0.25
"""An end at the edge of the tried speeds moves less: its weight against one that a limit sets."""
_LEAST_SLOPE = 0.15
_MOST_KINDS = 6
_ROUNDS = 2


@dataclass(frozen=True, eq=False)
class NextPlates:
    """Made by `next_plates`.

    `plates`: the best that were found, one row each in the order of running; an `abrasive_sheet` that starts with "new"
    is one. They are to be run unless `stop`.
    `options`: for each count of new sheets `new_sheets`, and for every second plate with heavy burr where burr is to be
    promised (`heavy_burr`), the gain of all jobs' windows together `gain_log` (mean log width) and `gain_m_min` (mean
    width). `gains`: for each job that can gain, `job` and `gain_m_min`, a mean over what may come out. `stop`: whether
    `plates` are worth less than can be set on the line. `said`: all of it in sentences, and first how many jobs and
    windows ask for plates of their own.
    """

    plates: pd.DataFrame
    options: pd.DataFrame
    gains: pd.DataFrame
    stop: bool
    said: str


class _End(NamedTuple):
    """One end of a job's window: columns there, log SD units to log speed, speed (m/min), levels of trust, job."""

    columns: Floats
    weight: float
    speed: float
    confidence: float
    share: float
    job: int


class _Spot(NamedTuple):
    """A plate that could be run: its sheet, its setting among the jobs' own, speed, sheet age, columns."""

    sheet: NDArray[np.intp]
    kind: NDArray[np.intp]
    speed: Floats
    hours: Floats
    columns: Floats


def next_plates(model: LineModel, jobs: Sequence[Job], *, plates: int = 4, most_new: int = MOST_NEW,
                only_new: int | None = None, enough: float | None = None,
                apart: Sequence[Sequence[str]] = ()) -> NextPlates:
    """The next plates for the windows of `jobs`, what they are expected to buy, and when to stop; deterministic.

    `plates` from 1 to 6; `most_new`: new sheets that may be used; `only_new`: so many of them and no other count;
    `apart`: groups of materials that never share a sheet; `enough`: a window whose fastest speed is this many times its
    slowest asks for no more. Decide it beforehand and as a number: windows keep their promise when the trial ends on
    seeing one so wide. Raises `JobError` for counts that cannot be.

    >>> import edgefinish as ef
    >>> results = ef.open_study()
    >>> told = ef.next_plates(results.model, [w.job for w in results.windows][:1], plates=1)
    >>> len(told.plates) <= 1, told.options["new_sheets"].tolist()[:2]
    (True, [0, 1])
    """
    if isinstance(plates, bool) or not isinstance(plates, int) or not 1 <= plates <= MOST_PLATES:
        raise JobError(Problem(None, "plates", str(plates), f"a whole number from 1 to {MOST_PLATES}",
                               "look again after these: what to run next changes with what was read"), "next plates")
    of_kind(LineModel, model, "fit one with ef.fit(log): ef.next_plates(model, jobs)", "next plates")
    jobs, apart = the_jobs(jobs), the_groups(apart)
    check_new_plates(most_new, only_new, enough)
    windows = [model.window(job) for job in jobs]
    open_jobs = [w for w in windows if not _wide(w, enough)]
    judged = [(w, Asked.of(model, w.job)) for w in open_jobs if not gaps(model, w.job, Tried.of(model, w.job))]
    # what has a width and is not issued rests on more than the draws: no width of theirs tells when it will be
    judged = [(w, a) for w, a in judged if w.verdict == "window" or not a.now.log]
    asked = [a for _, a in judged]
    state = _State.of(model, [w for w, _ in judged], asked, apart)
    if not state.ends:
        return _nothing(model, windows, bool(windows) and not open_jobs, enough)
    counts = (min(only_new, plates, MOST_NEW),) if only_new is not None else range(min(most_new, plates, MOST_NEW) + 1)
    asked = [asked[j] for j in dict.fromkeys(e.job for e in state.ends)]
    ways = {(new, False): state.table(_choose(state, plates, new)[0]) for new in counts}
    told = {way: _gains(model, asked, table) for way, table in ways.items()}
    chosen = (counts[0], False)
    for new in counts[1:]:
        if told[new, False]["log"].sum() > WORTH * told[chosen]["log"].sum():
            chosen = (new, False)
    heavy = with_heavy_burr(ways[chosen])
    if heavy is not None:
        way = (chosen[0], True)
        ways[way], told[way] = heavy, _gains(model, asked, heavy)
        chosen = way if told[way]["log"].sum() > HEAVY_WORTH * told[chosen]["log"].sum() else chosen
    options = pd.DataFrame([{"new_sheets": new, "heavy_burr": burr, "gain_log": got["log"].mean(),
                             "gain_m_min": got["m_min"].mean()} for (new, burr), got in told.items()])
    name = dict(zip(jobs, job_names(jobs, model.units), strict=True))
    gained = pd.DataFrame({"job": [name[j.job] for j in asked],
                           "gain_m_min": told[chosen]["m_min"].to_numpy()})
    step = 0.1**QUANTITIES["feed_speed_m_min"].metric_decimals  # in whichever units it is shown: the line is one
    stop = bool(gained["gain_m_min"].max() < step)
    table = ways[chosen]
    said = next_said(model, windows, gained, options, chosen, table, step if stop else None)
    if any(not one.now.log for one in asked):
        said += " A job without a window counts as 0, before and after: it may have none after them either."
    return NextPlates(table, options, gained, stop, said)


def _gains(model: LineModel, asked: Sequence[Asked], plates: pd.DataFrame) -> pd.DataFrame:
    """What each job's window is told to gain, `log` and `m_min`, never less than nothing."""
    return pd.DataFrame(gains(model, asked, plates)).clip(lower=0.0) * SAFE


def with_heavy_burr(plates: pd.DataFrame) -> pd.DataFrame | None:
    """The same plates, every second with heavy burr; None where burr is not to be promised, or all of it is heavy."""
    if "burr_severity" not in plates or (plates["burr_severity"] == HEAVY).all():
        return None
    return plates.assign(burr_severity=[HEAVY if i % 2 == 0 else s for i, s in enumerate(plates["burr_severity"])])


def _wide(window: SpeedWindow, enough: float | None) -> bool:
    return (enough is not None and window.low_m_min is not None and window.high_m_min is not None
            and window.high_m_min / window.low_m_min >= enough)


@dataclass(frozen=True, eq=False)
class _State:
    """What a log tells by plates: precision of the law, the sheets, the ends that are to be settled, what could be run.

    `weight` (R,) 1 / variance of each plate mean on its sheet; `sheet` (R,); `sd` of sheet, plate, edge; `group` of
    each of the `spots`: no sheet gets plates of two.
    """

    model: LineFit
    columns: Floats
    sheet: NDArray[np.intp]
    weight: Floats
    edges: float
    sd: Floats
    log_sd: Floats
    ends: tuple[_End, ...]
    names: tuple[str, ...]
    spots: _Spot
    group: NDArray[np.intp]
    kinds: tuple[Job, ...]
    grits: tuple[str, ...]
    prior: Floats

    @classmethod
    def of(cls, model: LineModel, windows: Sequence[SpeedWindow], asked: Sequence[Asked],
           apart: Sequence[Sequence[str]] = ()) -> _State:
        """From the plates with a measured radius, and the windows that are to be wider."""
        log, jobs = model.log, [w.job for w in windows]
        read = np.isfinite(log.reading("edge_radius_mm").value)
        rows = log.rows[read].assign(y=np.log(log.reading("edge_radius_mm").value[read]), key=model.materials[read])
        plates = rows.groupby(["abrasive_sheet", "run"], sort=True).agg(
            y=("y", "mean"), edges=("y", "size"), key=("key", "first"), **{n: (n, "first") for n in (
                "feed_speed_m_min", "drum_pressure_kPa", "thickness_mm", "passes", "contact_hours", "grit")})
        names, sheet = np.unique(plates.index.get_level_values(0).astype(str), return_inverse=True)
        materials = sorted(plates["key"].unique())
        centre = Centre(*(middle(v) for v in (
            plates["feed_speed_m_min"], plates["drum_pressure_kPa"], plates["grit"].map(GRAIN_UM),
            plates["thickness_mm"])))
        index = pd.Index(materials).get_indexer(plates["key"])
        columns = law_columns(settings_of(plates), centre, index, len(materials))
        sd, log_sd = _spreads(model, jobs)
        weight = 1 / (sd[1] ** 2 + sd[2] ** 2 / plates["edges"].to_numpy(float))
        prior = prior_precision(len(materials))
        precision = prior + information(columns, sheet, float(sd[0]), 1 / weight)
        mean = _law(columns, sheet, weight, float(sd[0]), plates["y"].to_numpy(), prior, precision)
        ends = tuple(end for j, (w, a) in enumerate(zip(windows, asked, strict=True))
                     for end in _ends(model, w, a, j, mean, centre, materials))
        kinds = tuple(jobs[j] for j in dict.fromkeys(e.job for e in ends))[:_MOST_KINDS]
        last = plates.groupby(sheet)["contact_hours"].max()
        grit = plates.groupby(sheet)["grit"].first()
        new = tuple(sorted({k.grit for k in kinds}))
        spots = _spots(model, kinds, centre, materials, last.to_numpy(float), grit.tolist(), new)
        group = np.array([group_of(kind.material, apart) for kind in kinds], np.intp)
        met = log.rows["material"].map(lambda m: group_of(m, apart)).groupby(log.rows["abrasive_sheet"].astype(str))
        met_by = met.agg(set)
        kept = [s >= len(names) or group[k] in met_by[names[s]] for s, k in zip(spots.sheet, spots.kind, strict=True)]
        spots = _Spot(*(values[kept] for values in spots))
        return cls(model, columns, sheet, weight, float(plates["edges"].median()), sd, log_sd, ends, tuple(names),
                   spots, group[spots.kind.astype(np.intp)], kinds, tuple(grit) + new * MOST_NEW, prior)

    @property
    def precision(self) -> Floats:
        """Of the coefficients, as the log stands."""
        return self.prior + information(self.columns, self.sheet, float(self.sd[0]), 1 / self.weight)

    @property
    def sheets(self) -> int:
        """How many sheets were run."""
        return len(self.names)

    @property
    def count(self) -> int:
        """How many plates were run."""
        return len(self.sheet)

    def losses(self, precision: Floats, sheets: int, plates: int) -> Floats:
        """How far each end stands back from where it would be, in logs of speed, (…, ends)."""
        cov = np.linalg.inv(precision)
        x = np.array([e.columns for e in self.ends])
        law = np.einsum("tp,...pq,tq->...t", x, cov, x)
        own = self._spread_part(sheets, plates)
        z, q = (ndtri([getattr(e, n) for e in self.ends]) for n in ("confidence", "share"))
        return z * np.array([e.weight for e in self.ends]) * np.sqrt(law + q**2 * own)

    def _spread_part(self, sheets: int, plates: int) -> float:
        """Variance of the whole spread that comes from not knowing its parts: g'V g."""
        sheet, plate, edge = self.sd**2
        per = max(plates / sheets, 1.0)
        on = plate + edge / self.edges
        parts = [(plates * (self.edges - 1), np.array([0, 0, 1.0])),
                 (plates - sheets, np.array([0, plate, edge / self.edges]) / on),
                 (sheets - 1, np.array([sheet, plate / per, edge / self.edges / per]) / (sheet + on / per))]
        known = np.diag(1 / self.log_sd**2)
        for freedom, share in parts:
            known = known + 2 * max(freedom, 0.0) * np.outer(share, share)
        slope = self.sd**2 / np.sqrt((self.sd**2).sum())
        return float(slope @ np.linalg.inv(known) @ slope)

    def table(self, chosen: Sequence[int]) -> pd.DataFrame:
        """The chosen spots as plates to run, sheet after sheet, each growing older."""
        rows, fresh = [], {}
        for i in chosen:
            s, kind = int(self.spots.sheet[i]), self.kinds[self.spots.kind[i]]
            if s >= self.sheets:
                fresh.setdefault(s, f"new {len(fresh) + 1}")
            rows.append({
                "material": kind.material, "cut_process": kind.cut_process, "thickness_mm": kind.thickness_mm,
                "feed_speed_m_min": float(self.spots.speed[i]), "drum_pressure_kPa": kind.drum_pressure_kPa,
                "passes": kind.passes, "grit": self.grits[s], "contact_hours": float(self.spots.hours[i]),
                "abrasive_sheet": fresh[s] if s >= self.sheets else self.names[s]})
            if any(k.residual_burr_mm is not None for k in self.kinds):
                rows[-1]["burr_severity"] = kind.burr_severity
        frame = pd.DataFrame(rows).sort_values(["abrasive_sheet", "contact_hours", "feed_speed_m_min"],
                                               ignore_index=True)
        return frame.drop(columns="cut_process") if frame["cut_process"].isna().all() else frame


def _spreads(model: LineFit, jobs: Sequence[Job]) -> tuple[Floats, Floats]:
    """Geometric means of sheet, plate and edge SD, and the log SDs of their priors."""
    fitted = model.law(priors=model.priors_for(jobs[0])) if jobs else model.law()
    data, weight = fitted.posterior.data, fitted.posterior.weight
    order = [len(data.edge_spread) + len(data.plate_spread), len(data.edge_spread), 0]
    sd = np.exp(weight @ np.log(np.maximum(fitted.posterior.nodes.sd[:, order], 1e-6)))
    return sd, np.array([data.spreads[i].log_sd for i in order])


def _law(columns: Floats, sheet: NDArray[np.intp], weight: Floats, sheet_sd: float, y: Floats, prior: Floats,
         precision: Floats) -> Floats:
    """The coefficients, from plate means."""
    mean = np.zeros(len(prior))
    mean[:1 + len(TERMS)] = [0.0, *[t.mean for t in TERMS]]
    left = y - y.mean() - columns @ mean
    right = columns.T @ (weight * left)
    for s in np.unique(sheet):
        mine = sheet == s
        sums = weight[mine] @ columns[mine]
        right -= sums * (weight[mine] @ left[mine]) * sheet_sd**2 / (1 + sheet_sd**2 * weight[mine].sum())
    return mean + np.linalg.solve(precision, right)


def _ends(model: LineModel, window: SpeedWindow, asked: Asked, number: int, law: Floats, centre: Centre,
          materials: list[str]) -> list[_End]:
    """Both ends of a job's window; none where not even an even chance gives one."""
    job, likely = window.job, asked.likely()
    if likely is None or model.material_of(job) not in materials:
        return []
    tried, m = Tried.of(model, job), materials.index(model.material_of(job))
    own = law[1 + len(TERMS) + len(materials) + m] if len(materials) > 1 else 0.0
    issued = (window.low_m_min or likely[0], window.high_m_min or likely[1])
    found = []
    for speed, now, hours, limit in ((likely[0], issued[0], job.sheet_hours[0], tried.low),
                                     (likely[1], issued[1], job.sheet_hours[1], tried.high)):
        settings = Settings(speed, job.drum_pressure_kPa, GRAIN_UM[job.grit], job.thickness_mm, float(job.passes),
                            hours)
        x = np.log(speed / centre.feed_speed_m_min)
        slope = max(abs(law[1 + FEED] + own + 2 * law[1 + CURVATURE] * x), _LEAST_SLOPE)
        at_range = abs(np.log(speed / limit)) < 1e-6
        found.append(_End(law_columns(settings, centre, np.array(m), len(materials)),
                          (AT_RANGE if at_range else 1.0) / slope, now, job.confidence, job.share, number))
    return found


def _spots(model: LineFit, kinds: Sequence[Job], centre: Centre, materials: list[str], last: Floats,
           grit: Sequence[str], new: Sequence[str]) -> _Spot:
    """Every plate that could be run: old sheets only grow older; a new sheet has a grit that is promised."""
    rows: list[tuple[int, int, float, float, str]] = []
    youngest, oldest = (f(k.sheet_hours[i] for k in kinds) if kinds else 0.0 for i, f in ((0, min), (1, max)))
    ages = np.unique(np.round(np.linspace(youngest, oldest, AGES) * 2) / 2)
    sheets = [(s, g, first) for s, (g, first) in enumerate(zip(grit, last, strict=True))]
    sheets += [(len(last) + i, g, 0.0) for i, g in enumerate(list(new) * MOST_NEW)]
    for k, job in enumerate(kinds):
        tried = Tried.of(model, job)
        speeds = speed_levels(tried.low, tried.high, model.units)
        for s, g, first in sheets:
            of_sheet = {float(a) for a in ages if a >= first} | ({float(first)} if s < len(last) else set())
            rows += [(s, k, float(v), a, g) for v in speeds for a in sorted(of_sheet)]
    sheet, kind, speed, hours = (np.array([r[i] for r in rows]) for i in range(4))
    settings = Settings(
        speed, np.array([kinds[r[1]].drum_pressure_kPa for r in rows]), np.array([GRAIN_UM[r[4]] for r in rows]),
        np.array([kinds[r[1]].thickness_mm for r in rows]), np.array([float(kinds[r[1]].passes) for r in rows]), hours)
    index = np.array([materials.index(model.material_of(kinds[r[1]])) for r in rows], np.intp)
    return _Spot(sheet, kind, speed, hours, law_columns(settings, centre, index, len(materials)))


def _choose(state: _State, plates: int, new: int) -> tuple[list[int], Floats]:
    """The spots of the best plates found with so many new sheets, and the losses after them.

    One spot at a time, then each once more against all others; every new sheet gets a plate first.
    """
    spots, on = state.spots, 1 / (state.sd[1] ** 2 + state.sd[2] ** 2 / state.edges)
    grits, s2 = len(state.grits) - state.sheets, float(state.sd[0]) ** 2
    each = grits // MOST_NEW
    groups = [range(state.sheets + i * each, state.sheets + (i + 1) * each) for i in range(new)]
    chosen: list[int] = []

    def allowed(slot: int, others: list[int]) -> NDArray[np.intp]:
        """The first plates open a new sheet each, in any grit; the later ones lie on old sheets or on those opened."""
        opened = {int(spots.sheet[o]) for o in others if spots.sheet[o] >= state.sheets}
        if slot < new:
            mine = set(groups[slot])
            return np.flatnonzero(np.isin(spots.sheet, list(opened & mine or mine)))
        return np.flatnonzero((spots.sheet < state.sheets) | np.isin(spots.sheet, list(opened)))

    def best(slot: int, others: list[int]) -> tuple[int, Floats]:
        pick = allowed(slot, others)
        for o in others:
            pick = pick[(spots.sheet[pick] != spots.sheet[o]) | (state.group[pick] == state.group[o])]
        precision = _with(state, others, pick, on, s2)
        loss = state.losses(precision, state.sheets + new, state.count + len(others) + 1)
        k = int(loss.sum(-1).argmin())
        return int(pick[k]), loss[k]

    for slot in range(plates):
        chosen.append(best(slot, chosen)[0])
    loss = None
    for _ in range(_ROUNDS):
        for slot in range(plates):
            others = chosen[:slot] + chosen[slot + 1:]
            chosen[slot], loss = best(slot, others)
    assert loss is not None
    return chosen, loss


def _with(state: _State, others: Sequence[int], pick: NDArray[np.intp], on: float, s2: float) -> Floats:
    """Precision with some plates run, and one of the picked ones more, (picked, p, p)."""
    spots, p = state.spots, len(state.prior)
    out = np.empty((len(pick), p, p))
    of_sheets: dict[int, tuple[Floats, Floats, float]] = {}
    for s in {*range(state.sheets), *(int(v) for v in spots.sheet[list(others)]), *(int(v) for v in spots.sheet[pick])}:
        mine, more = state.sheet == s, [o for o in others if spots.sheet[o] == s]
        x = np.concatenate([state.columns[mine], spots.columns[more]])
        w = np.r_[state.weight[mine], np.full(len(more), on)]
        of_sheets[s] = (x.T * w) @ x, w @ x, float(w.sum())

    def one(cross: Floats, sums: Floats, total: float) -> Floats:
        return cross - sums[..., :, None] * sums[..., None, :] * (s2 / (1 + s2 * total))

    whole = state.prior + sum(one(*v) for v in of_sheets.values())
    for s in {int(v) for v in spots.sheet[pick]}:
        here = np.flatnonzero(spots.sheet[pick] == s)
        x = spots.columns[pick[here]]
        cross, sums, total = of_sheets[s]
        after = one(cross + on * x[:, :, None] * x[:, None, :], sums + on * x, total + on)
        out[here] = whole - one(cross, sums, total) + after
    return out


def _nothing(model: LineModel, windows: Sequence[SpeedWindow], wide: bool, enough: float | None) -> NextPlates:
    """The answer where no plate can be proposed."""
    if wide:
        said = f"Stop: every window is as wide as was asked for (fastest over slowest {enough:g})."
    else:
        said = ("No plate is proposed: no job has a window at even odds that more plates could widen. What each job "
                "lacks stands with its verdict.")
    empty = pd.DataFrame(columns=["job", "gain_m_min"])
    return NextPlates(pd.DataFrame(), pd.DataFrame(columns=["new_sheets", "gain_log", "gain_m_min"]), empty, True, said)
