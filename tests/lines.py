"""Simulated lines whose truth is known, for holding windows to what they promise.

None of the lines is real. A line has laws, spreads and a gauge (`Truth`), a shop's way of running the trial (`Plan`),
and with a seed both give a trial log and jobs (`Campaign`). The truth is deliberately not the fitted model: exponents
vary by line, and each family departs from the usual in one way. All sizes are natural logs of mm inside.

The share of future edges that meet a job is integrated numerically, never simulated; `test_lines.py` checks it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtr
from scipy.stats import gamma

from edgefinish.abrasive import grain_um
from edgefinish.job import Job

POSITIONS = ("leading", "trailing", "lateral", "cutout")
SEVERITIES: Mapping[str, tuple[float, float]] = {"light": (0.05, 0.2), "moderate": (0.2, 0.6), "heavy": (0.6, 1.1)}
KINDS = ("one age", "sheet life", "all limits")
_Z, _ZW = np.polynomial.legendre.leggauss(64)
_Q, _QW = np.polynomial.legendre.leggauss(48)
_SKEW = 4.0                                         # gamma shape of the skewed edges: skewness 1


@dataclass(frozen=True)
class Edges:
    """Chance of one edge about its plate: "normal", "t" with `df`, or "skewed", its long tail above (+1) or below."""

    kind: str = "normal"
    df: float = 4.0
    sign: int = 1

    def cdf(self, x: np.ndarray) -> np.ndarray:
        """Distribution function at unit scale (unit SD for normal and skewed, the t's own scale for t)."""
        if self.kind == "t":
            return stdtr(self.df, x)
        if self.kind == "skewed":
            low = gamma.cdf(_SKEW + self.sign * x * math.sqrt(_SKEW), _SKEW)
            return low if self.sign > 0 else 1 - low
        return ndtr(x)

    def pdf(self, x: np.ndarray) -> np.ndarray:
        """Density at unit scale."""
        if self.kind == "t":
            c = math.exp(math.lgamma((self.df + 1) / 2) - math.lgamma(self.df / 2)) / math.sqrt(self.df * math.pi)
            return c * (1 + x * x / self.df) ** (-(self.df + 1) / 2)
        if self.kind == "skewed":
            return gamma.pdf(_SKEW + self.sign * x * math.sqrt(_SKEW), _SKEW) * math.sqrt(_SKEW)
        return np.exp(-x * x / 2) / math.sqrt(2 * math.pi)

    def draw(self, rng: np.random.Generator, size: int) -> np.ndarray:
        """Random edges at unit scale."""
        if self.kind == "t":
            return rng.standard_t(self.df, size)
        if self.kind == "skewed":
            return self.sign * (rng.gamma(_SKEW, size=size) - _SKEW) / math.sqrt(_SKEW)
        return rng.standard_normal(size)


@dataclass(frozen=True)
class Truth:
    """Laws and spreads of one line. SDs are of log radius; wear terms are per 10 contact hours (root: of √(h/10))."""

    level: float = math.log(0.40)                   # 2 m/min, 60 kPa, P80, 10 mm, one pass, new sheet
    feed: float = -0.50
    feed_curve: float = 0.0
    pressure: float = 0.45
    pressure_feed: float = 0.0                      # log pressure × log feed
    grain: float = 0.40
    thickness: float = -0.05
    passes: float = 0.50
    wear: float = -0.08
    wear_root: float = -0.07
    break_in: float = 0.0                           # extra cut of a new sheet, gone after some 3 h
    collapse: float = 0.0                           # loss that sets in at 7 h and grows with the square
    cap_mm: float | None = None                     # radius that no dose exceeds
    pre_rounded_mm: float = 0.0                     # radius left by the cut: r² = r0² + cut²
    position: Mapping[str, float] = field(
        default_factory=lambda: {"leading": 0.05, "trailing": -0.04, "lateral": 0.02, "cutout": -0.06})
    position_feed: Mapping[str, float] = field(default_factory=dict)
    position_wear: Mapping[str, float] = field(default_factory=dict)  # beyond the others', per 10 h
    position_spread: Mapping[str, float] = field(default_factory=dict)
    materials: Mapping[str, tuple[float, float]] = field(default_factory=lambda: {"S355": (0.0, 0.0)})  # level, feed
    sheet: float = 0.08
    own_wear: float = 0.02
    lots: tuple[float, ...] = (0.0,)
    plate: float = 0.06
    edge: float = 0.10
    edges: Edges = Edges()
    drift: float = 0.0                              # over the log; jobs run at its end
    slips: float = 0.0                              # share of readings written down wrong
    gauge_mm: float = 0.0
    unread: float = 0.0                             # share of the log's radii below what the gauge resolves
    removal_um: float = 15.0
    removal_feed: float = 0.0                       # beyond twice the exponent of the radius
    removal_sheet: float = 0.05
    removal_plate: float = 0.05
    removal_edge: float = 0.12
    burr_slope: float = 1.0                         # log depth cut per log radius
    burr_height: float = 0.35                       # log depth wanted per log burr height
    burr_radius_mm: float = 0.17                    # radius at which half of the 0.3 mm burrs are gone
    burr_sheet: float = 0.12
    burr_edge: float = 0.25
    burr_plate: float = 0.0                         # burrs of one plate are alike
    burr_position: Mapping[str, float] = field(default_factory=dict)  # log depth that burr of a position needs more
    burr_own_edge: float = 1.0                      # 1: burr goes with the radius of its own edge, 0: with its plate's

    def centre(self, job: Job, feed: np.ndarray, hours: np.ndarray, position: str | None) -> np.ndarray:
        """Log radius cut on an edge without chance; no position is the plate's base."""
        x, p, h = np.log(feed / 2.0), math.log(job.drum_pressure_kPa / 60), np.asarray(hours) / 10
        offset, own = self.materials[job.material]
        eta = (self.level + offset + (self.feed + own) * x + self.feed_curve * x * x + self.pressure * p
               + self.pressure_feed * p * x + self.grain * math.log(grain_um(job.grit) / 201)
               + self.thickness * math.log(job.thickness_mm / 10) + self.passes * math.log(job.passes)
               + self.wear * h + self.wear_root * np.sqrt(h) + self.break_in * np.exp(-h / 0.12)
               - self.collapse * np.maximum(h - 0.7, 0) ** 2)
        if self.cap_mm is not None:
            eta = eta - 0.5 * np.log1p(np.exp(2 * eta) / self.cap_mm**2)
        if position is not None:
            eta = eta + self.position[position] + self.position_feed.get(position, 0.0) * x
            eta = eta + self.position_wear.get(position, 0.0) * h
        return eta

    def removal_centre(self, job: Job, feed: np.ndarray, hours: np.ndarray) -> np.ndarray:
        """Log removal, µm, without chance: twice the radius's logs, as area goes, and what departs from it."""
        return (math.log(self.removal_um) + 2 * (self.centre(job, feed, hours, None) - self.level)
                + self.removal_feed * np.log(feed / 2.0))

    def margin(self, q: np.ndarray, height_mm: np.ndarray) -> np.ndarray:
        """Log depth cut over log depth wanted; above 0 the burr is gone."""
        return self.burr_slope * (q - math.log(self.burr_radius_mm)) - self.burr_height * np.log(height_mm / 0.3)

    def _burr(self, job: Job, q: np.ndarray, position: str) -> np.ndarray:
        """Share of a position's burrs within the job's limit at log radius q, over heights, sheets and edges."""
        low, high = SEVERITIES[job.burr_severity or "moderate"]
        b = low + (high - low) * (_Q + 1) / 2
        left = np.clip(job.residual_burr_mm / b, 0, 0.999)
        grid = np.linspace(-6, 4, 2001)
        spread = math.hypot(self.burr_sheet, self.burr_edge, self.burr_plate)
        margin = self.margin(grid[:, None], b) - self.burr_position.get(position, 0.0)
        table = ndtr((margin - np.log1p(-left)) / spread) @ (_QW / 2)
        return np.interp(q, grid, table)

    def share(self, job: Job, feed: np.ndarray, hours: np.ndarray, position: str) -> np.ndarray:
        """Share of future edges at `position` that meet every limit together; `feed` and `hours` broadcast.

        Over a new sheet, a new plate and a new edge. Accurate to about 1e-5 where both radius limits are given.
        """
        feed, hours = np.broadcast_arrays(np.asarray(feed, float), np.asarray(hours, float))
        total = sum(self._share(job, feed, hours, position, lot) for lot in self.lots)
        return total / len(self.lots)

    def _share(self, job: Job, feed: np.ndarray, hours: np.ndarray, position: str, lot: float) -> np.ndarray:
        mu = self.centre(job, feed, hours, position)[..., None]
        sd = np.sqrt(self.sheet**2 + (self.own_wear * hours / 10) ** 2 + self.plate**2)[..., None]
        z = 6.5 * sd * _Z + lot                     # sheet and plate together
        weight = 6.5 * _ZW * np.exp(-((6.5 * _Z) ** 2) / 2) / math.sqrt(2 * math.pi)
        if job.removal_um is not None:
            noise = math.sqrt(self.removal_sheet**2 + self.removal_plate**2 + self.removal_edge**2)
            mean = self.removal_centre(job, feed, hours)[..., None] + 2 * z
            weight = weight * ndtr((math.log(job.removal_um) - mean) / noise)
        scale = self.edge * self.position_spread.get(position, 1.0)
        low, high = self._cut_limits(job)
        if job.residual_burr_mm is None:
            inside = self.edges.cdf((high - mu - z) / scale) - self.edges.cdf((low - mu - z) / scale)
            return (inside * weight).sum(-1)
        low, high = np.maximum(low, mu - 2), np.minimum(high, mu + 2)
        half = np.maximum(high - low, 0) / 2
        q = (low + half * (1 + _Q))[..., None, :]   # …, 1, q
        base = (mu + z)[..., None]                  # …, z, 1
        dense = self.edges.pdf((q - base) / scale) / scale
        burr = self._burr(job, base + self.burr_own_edge * (q - base), position)
        return ((dense * burr) @ _QW * half * weight).sum(-1)

    def _cut_limits(self, job: Job) -> tuple[float, float]:
        """The radius limits as logs of what the line itself has to cut."""
        low, high = job.edge_radius_mm or (None, None)
        cut = [None if v is None else v * v - self.pre_rounded_mm**2 for v in (low, high)]
        return (-np.inf if cut[0] is None or cut[0] <= 0 else math.log(cut[0]) / 2,
                np.inf if cut[1] is None else math.log(cut[1]) / 2 if cut[1] > 0 else -np.inf)


def worst(truth: Truth, job: Job, feed: np.ndarray, positions: tuple[str, ...] = POSITIONS,
          ages: int = 9) -> np.ndarray:
    """The least share over positions and over `ages` sheet ages of the job's span, at each speed."""
    first, last = job.sheet_hours
    hours = np.array([first]) if first == last else np.linspace(first, last, ages)
    feed = np.asarray(feed, float)
    return np.min([truth.share(job, feed[:, None], hours, p).min(1) for p in positions], axis=0)


def holds(truth: Truth, job: Job, low: float, high: float, positions: tuple[str, ...] = POSITIONS) -> bool:
    """Whether the window keeps its promise: 41 speeds × 9 ages × every position, all at the job's share or above."""
    return bool((worst(truth, job, np.geomspace(low, high, 41), positions) >= job.share - 1e-4).all())


def oracle(truth: Truth, job: Job, low: float, high: float,
           positions: tuple[str, ...] = POSITIONS) -> tuple[float, float] | None:
    """The widest true interval of conforming speeds inside the tried ones, by ratio; None where there is none."""
    speed = np.geomspace(low, high, 61)
    gap = worst(truth, job, speed, positions) - job.share
    good = np.r_[False, gap >= 0, False]
    starts, ends = np.flatnonzero(~good[:-1] & good[1:]), np.flatnonzero(good[:-1] & ~good[1:]) - 1
    if not len(starts):
        return None
    best = np.argmax(ends - starts)
    a, b = starts[best], ends[best]

    def cross(inside: int, outside: int) -> float:
        if not 0 <= outside < len(speed):
            return float(speed[inside])
        x, y = np.log(speed[[inside, outside]])
        return float(np.exp(x + (y - x) * gap[inside] / (gap[inside] - gap[outside])))

    return cross(a, a - 1), cross(b, b + 1)


@dataclass(frozen=True)
class Plan:
    """How the shop ran its trial: sheet after sheet, each growing older, four edges a plate."""

    sheets: int = 6
    plates: int = 36
    feed_m_min: tuple[float, float] = (0.9, 6.0)
    pressures_kPa: tuple[float, ...] = (45.0, 60.0, 75.0)
    grits: tuple[str, ...] = ("P80", "P60", "P80", "P120")
    thicknesses_mm: tuple[float, ...] = (6.0, 10.0, 16.0)
    oldest_h: float = 14.0
    feed_with_age: float = 0.0                      # rank correlation wanted between speed and sheet age
    heavy: float = 0.0                              # share of plates with heavy burr, else moderate
    unmeasured: float = 0.0                         # share of plates on which two positions were skipped


def run_trial(truth: Truth, plan: Plan, rng: np.random.Generator) -> pd.DataFrame:
    """The trial log of one trial on this line, in the contract's columns, in the order of running."""
    of_sheet = np.sort(np.arange(plan.plates) % plan.sheets)
    rows: list[dict[str, object]] = []
    skill = plan.feed_with_age
    for s in range(plan.sheets):
        count = int((of_sheet == s).sum())
        ages = np.sort(rng.uniform(0, plan.oldest_h, count))
        ages[0] *= 0.3
        ages = np.round(np.append(ages[:-1], plan.oldest_h - rng.uniform(0, 1)) if count > 1 else ages, 1)
        grit = plan.grits[s % len(plan.grits)]
        sheet, wear, burr_sheet, removal_sheet = rng.standard_normal(4) * (
            truth.sheet, truth.own_wear, truth.burr_sheet, truth.removal_sheet)
        sheet += truth.lots[s * len(truth.lots) // plan.sheets]
        for h in ages:
            u = skill * h / plan.oldest_h + (1 - skill) * rng.uniform()
            feed = round(plan.feed_m_min[0] * (plan.feed_m_min[1] / plan.feed_m_min[0]) ** u, 2)
            severity = "heavy" if rng.uniform() < plan.heavy else "moderate"
            job = Job(material=str(rng.choice(list(truth.materials))), residual_burr_mm=0.0, grit=grit,
                      thickness_mm=float(rng.choice(plan.thicknesses_mm)),
                      drum_pressure_kPa=float(rng.choice(plan.pressures_kPa)), burr_severity=severity)
            z = sheet + wear * h / 10 + rng.normal(0, truth.plate)
            z += truth.drift * (len(rows) / plan.plates - 1)
            rows.append({"job": job, "sheet": s + 1, "hours": h, "feed": feed, "z": z,
                         "burr_sheet": burr_sheet + (rng.normal(0, truth.burr_plate) if truth.burr_plate else 0.0),
                         "burr": round(rng.uniform(*SEVERITIES[severity]), 2),
                         "removal": removal_sheet + rng.normal(0, truth.removal_plate),
                         "skip": rng.uniform() < plan.unmeasured})
    log = pd.concat([_plate(truth, i, row, rng) for i, row in enumerate(rows)], ignore_index=True)
    return _as_read(truth, log, rng)


def _plate(truth: Truth, i: int, row: Mapping, rng: np.random.Generator) -> pd.DataFrame:
    """The measured edges of one plate, true sizes."""
    job, n = row["job"], len(POSITIONS)
    feed, hours = np.array(row["feed"]), np.array(row["hours"])
    base = np.array([float(truth.centre(job, feed, hours, p)) for p in POSITIONS]) + row["z"]
    scale = truth.edge * np.array([truth.position_spread.get(p, 1.0) for p in POSITIONS])
    q = base + scale * truth.edges.draw(rng, n)
    margin = (truth.margin(base + truth.burr_own_edge * (q - base), row["burr"]) + row["burr_sheet"]
              - np.array([truth.burr_position.get(p, 0.0) for p in POSITIONS]) + rng.normal(0, truth.burr_edge, n))
    left = np.where(margin >= 0, 0.0, np.maximum(np.round(row["burr"] * -np.expm1(np.minimum(margin, 0)), 2), 0.01))
    removal = np.exp(truth.removal_centre(job, feed, hours) + 2 * row["z"] + row["removal"]
                     + rng.normal(0, truth.removal_edge, n))
    plate = pd.DataFrame({
        "run": f"R{i + 1:03d}", "material": job.material, "thickness_mm": job.thickness_mm,
        "feed_speed_m_min": float(feed), "drum_pressure_kPa": job.drum_pressure_kPa, "grit": job.grit,
        "abrasive_sheet": f"A{row['sheet']:02d}", "contact_hours": float(hours), "edge_position": POSITIONS,
        "edge_radius_mm": np.sqrt(truth.pre_rounded_mm**2 + np.exp(2 * q)), "passes": 1,
        "burr_severity": job.burr_severity, "burr_height_mm": row["burr"], "residual_burr_mm": left,
        "removal_um": np.round(removal, 1),
        "date": pd.Timestamp("2031-03-03 07:00") + pd.Timedelta(hours=3 * i)})
    return plate.iloc[np.sort(rng.permutation(n)[:2])] if row["skip"] else plate


def _as_read(truth: Truth, log: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """What the gauge and the clerk make of the true radii."""
    radius = log["edge_radius_mm"].to_numpy() + rng.normal(0, truth.gauge_mm, len(log))
    slip = rng.uniform(size=len(log)) < truth.slips
    radius = np.maximum(np.where(slip, radius * rng.choice([0.4, 2.2], len(log)), radius), 0.01)
    read = np.maximum(np.round(radius, 2), 0.01)
    if not truth.unread:
        return log.assign(edge_radius_mm=read)
    least = round(float(np.quantile(read, truth.unread)), 2)
    cells = [f"<{least:.2f}" if r < least else float(r) for r in read]
    return log.assign(edge_radius_mm=pd.Series(cells, dtype=object))


@dataclass(frozen=True)
class Campaign:
    """One trial of one family: its truth, its log, and the jobs that are asked of it."""

    family: str
    seed: int
    truth: Truth
    plan: Plan
    log: pd.DataFrame

    @cached_property
    def _rows(self) -> pd.DataFrame:
        return self.log[self.log["material"] == self.log["material"].iloc[0]]

    @cached_property
    def tried(self) -> tuple[float, float]:
        """Slowest and fastest speed at which the jobs' material was run, m/min."""
        speed = self._rows["feed_speed_m_min"]
        return float(speed.min()), float(speed.max())

    @cached_property
    def positions(self) -> tuple[str, ...]:
        """Edge positions that the log measured."""
        return tuple(p for p in POSITIONS if (self.log["edge_position"] == p).any())

    def job(self, kind: str, confidence: float = 0.95) -> tuple[Job, tuple[float, float]]:
        """A job of one of `KINDS` and its oracle, of log-width 0.8 or more where that is soon found, else 0.35.

        Settings are among those run; limits are drawn until the truth leaves a window worth looking for.
        """
        rng = np.random.default_rng([self.seed, KINDS.index(kind), 77])
        run = {c: self._rows[c].unique() for c in ("material", "thickness_mm", "drum_pressure_kPa", "grit")}
        oldest = float(self._rows["contact_hours"].max())
        for attempt in range(60):
            age = round(rng.uniform(1, 0.9 * oldest), 1)
            span = (age, age) if kind == "one age" else (0.0, float(np.floor(min(12.0, oldest))))
            joint = kind == "all limits"
            easing = 1 + attempt / 60               # a hard line is asked for less
            middle, half = 0.37 * math.exp(rng.normal(0, 0.08)), rng.uniform(0.6, 0.8) * easing
            job = Job(material=str(run["material"][0]), sheet_hours=span, grit=str(rng.choice(run["grit"])),
                      thickness_mm=float(rng.choice(run["thickness_mm"])),
                      drum_pressure_kPa=float(rng.choice(run["drum_pressure_kPa"])),
                      edge_radius_mm=(round(middle * math.exp(-half), 3), round(middle * math.exp(half), 3)),
                      burr_severity="moderate" if joint else None, residual_burr_mm=0.0 if joint else None,
                      removal_um=round(rng.uniform(25, 45) * easing, 1) if joint else None, confidence=confidence)
            wanted = max(0.35, 0.8 - attempt / 40)
            few = np.geomspace(*self.tried, 16)
            good = worst(self.truth, job, few, self.positions, ages=2) >= job.share
            if (good.sum() + 1) * math.log(few[1] / few[0]) < wanted:
                continue                            # no interval can be that wide: spares most of the searching
            true = oracle(self.truth, job, *self.tried, self.positions)
            if true is not None and math.log(true[1] / true[0]) >= wanted:
                return job, true
        raise ValueError(f"{self.family}, seed {self.seed}: no job of kind {kind!r} has a window worth looking for")


def _usual(rng: np.random.Generator) -> Truth:
    """A line as lines are: every law a little different from the textbook's."""
    return Truth(level=math.log(0.40) + rng.normal(0, 0.06), feed=-0.5 + rng.normal(0, 0.10),
                 feed_curve=rng.normal(0, 0.03), pressure=0.45 + rng.normal(0, 0.08), grain=0.4 + rng.normal(0, 0.08),
                 thickness=rng.normal(0, 0.05), wear=-0.08 + rng.normal(0, 0.03), wear_root=-0.07 + rng.normal(0, 0.03),
                 position={p: rng.normal(0, 0.06) for p in POSITIONS}, sheet=rng.uniform(0.07, 0.09),
                 own_wear=rng.uniform(0.01, 0.03), plate=rng.uniform(0.05, 0.07), edge=rng.uniform(0.09, 0.11),
                 burr_slope=rng.uniform(0.8, 1.3), burr_sheet=rng.uniform(0.05, 0.15), removal_feed=rng.normal(0, 0.08))


def _wider(t: Truth, factor: float) -> Truth:
    spreads = ("sheet", "own_wear", "plate", "edge", "removal_sheet", "removal_plate", "removal_edge")
    return replace(t, **{name: getattr(t, name) * factor for name in spreads})


def _any(rng: np.random.Generator) -> tuple[Truth, Plan]:
    """A line, a plan and a shop drawn at random from all that is here."""
    kind = rng.choice(["normal", "normal", "t", "skewed"])
    t = replace(_wider(_usual(rng), rng.uniform(0.8, 1.3)), own_wear=rng.uniform(0, 0.04),
                edges=Edges(str(kind), df=rng.uniform(3, 8), sign=int(rng.choice([-1, 1]))),
                pre_rounded_mm=float(rng.choice([0.0, 0.0, 0.1])), cap_mm=rng.choice([None, None, 0.9]),
                break_in=max(0.0, rng.normal(0, 0.08)), drift=rng.normal(0, 0.05), pressure_feed=rng.normal(0, 0.06),
                slips=float(rng.choice([0.0, 0.0, 0.01])), gauge_mm=rng.uniform(0, 0.01),
                position_feed={p: rng.normal(0, 0.03) for p in POSITIONS},
                position_spread={p: rng.uniform(0.85, 1.2) for p in POSITIONS},
                removal_sheet=rng.uniform(0.03, 0.09), burr_own_edge=float(rng.choice([1.0, 0.5])))
    if kind == "t":
        t = replace(t, edge=t.edge * 0.8)
    sheets = int(rng.integers(4, 11))
    plan = Plan(sheets=sheets, plates=sheets * int(rng.integers(4, 8)), oldest_h=rng.uniform(10, 18),
                feed_with_age=float(rng.choice([0.0, 0.0, 0.5])), heavy=float(rng.choice([0.0, 0.3, 0.5])),
                unmeasured=float(rng.choice([0.0, 0.0, 0.3])))
    return t, plan


def _family(plan: Plan | None = None, **changes: object) -> Callable[[np.random.Generator], tuple[Truth, Plan]]:
    return lambda rng: (replace(_usual(rng), **changes), plan or Plan())


FAMILIES: Mapping[str, Callable[[np.random.Generator], tuple[Truth, Plan]]] = {
    "usual": _family(),
    "law that curves": _family(feed_curve=-0.12),
    "plateau": _family(cap_mm=0.75, level=math.log(0.46)),
    "pre-rounded edges": _family(pre_rounded_mm=0.14),
    "break-in": _family(break_in=0.18),
    "collapse late in life": _family(collapse=0.6),
    "heavy tails t3": _family(edge=0.075, edges=Edges("t", 3.0)),
    "heavy tails t4": _family(edge=0.08, edges=Edges("t", 4.0)),
    "skewed up": _family(edges=Edges("skewed", sign=1)),
    "skewed down": _family(edges=Edges("skewed", sign=-1)),
    "gross slips": _family(slips=0.015),
    "gauge error": _family(gauge_mm=0.02),
    "three sheets": _family(Plan(sheets=3, plates=30)),
    "four sheets": _family(Plan(sheets=4, plates=32)),
    "twelve sheets": _family(Plan(sheets=12, plates=48)),
    "wild sheets": _family(sheet=0.15, own_wear=0.06),
    "sheets at their own pace": _family(own_wear=0.09),
    "two lots": _family(lots=(-0.07, 0.07), sheet=0.05),
    "drift down": _family(drift=-0.12),
    "drift up": _family(drift=0.12),
    "below the gauge": lambda rng: (replace(_usual(rng), unread=rng.uniform(0.15, 0.30)), Plan()),
    "pressure with feed": _family(pressure_feed=0.20),
    "position with feed": _family(position_feed={"leading": 0.06, "cutout": -0.08}),
    "spread by position": _family(position_spread={"leading": 0.8, "trailing": 1.0, "lateral": 0.7, "cutout": 1.4}),
    "feed with age": _family(Plan(feed_with_age=0.75)),
    "positions missing": _family(Plan(unmeasured=0.4)),
    "three materials": _family(Plan(sheets=7, plates=49),
                               materials={"S355": (0.0, 0.0), "S690": (-0.12, 0.12), "1.4301": (-0.2, -0.12)}),
    "spreads half as much again": lambda rng: (_wider(_usual(rng), 1.5), Plan()),
    "burr the same on every sheet": _family(burr_sheet=0.0),
    "burr by sheet": _family(burr_sheet=0.12),
    "burr wild by sheet": _family(burr_sheet=0.25),
    "burr goes with the plate": _family(burr_own_edge=0.0),
    "removal by its own sheet": _family(removal_sheet=0.12, removal_plate=0.10, removal_feed=0.2),
    "half heavy burr": _family(Plan(heavy=0.5)),
    "any": _any,
    "burr by plate": _family(burr_plate=0.2),
}


def campaign(family: str, seed: int) -> Campaign:
    """One trial of a family; the same seed gives the same line, log and jobs.

    >>> campaign("usual", 1).log.shape
    (144, 16)
    """
    rng = np.random.default_rng([seed, list(FAMILIES).index(family)])
    truth, plan = FAMILIES[family](rng)
    return Campaign(family, seed, truth, plan, run_trial(truth, plan, rng))
