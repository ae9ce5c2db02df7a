"""Lines that could be: laws, spreads and burr drawn about what the fit starts from, and the logs that a plan would get.

Used to tell what a trial is expected to settle. Laws are drawn from priors half as wide as the fit's, spreads from the
fit's own priors. Where a line stands against a job's limits is drawn so that the job can be done somewhere inside the
planned speeds; nothing is said about lines on which it cannot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from .abrasive import GRAIN_UM
from .burrheights import MIDDLE_HEIGHT, USUAL_BURR
from .intervals import speed_intervals
from .job import Job
from .laws import AREA_LAW, BURR_OF_EDGE, CURVATURE, FEED, TERMS, WEAR, WEAR_HOURS, Centre, Settings
from .layout import OWN_WEAR, law_columns
from .planner import MATERIAL, Plan, material_of, middle
from .priors import STANDARD
from .promise import Burr, Path, Promise
from .rows import Floats
from .scatter import Scatter
from .triallog import TrialLog, read_log

NARROW = 0.5
WORTH = 0.5
"""A job counts on a line where its true window is at least so wide, in logs: fastest over slowest 1.65."""
CANDIDATES = 4096
_AS_IT_COMES = (0.1, 0.6)
_OWN = {"removal_edge": 0.12, "removal_plate": 0.04, "removal_sheet": 0.05, "burr_slope": 4.0, "burr_height": 1.6,
        "burr_sheet": 0.5}
_GAUGE_MM, _GAUGE_BURR_MM = 0.01, 0.01
_MOST_EDGES = 16


@dataclass(frozen=True, eq=False)
class Lines:
    """Imagined lines, leading axis n: coefficients of `law_columns`, positions, spreads, levels of removal and burr.

    `coef` (n, p); `position` (n, edges); `sheet`, `wear`, `plate`, `edge` (n,) SDs; `removal` (n,) log µm beyond twice
    the log radius; `burr` (n,) log radius at which half of 0.3 mm burrs are cleared.
    """

    centre: Centre
    materials: tuple[tuple[str, str | None], ...]
    coef: Floats
    position: Floats
    sheet: Floats
    wear: Floats
    plate: Floats
    edge: Floats
    removal: Floats
    burr: Floats

    def some(self, pick: NDArray[np.intp]) -> Lines:
        """Some of the lines."""
        return Lines(self.centre, self.materials, *(getattr(self, n)[pick] for n in (
            "coef", "position", "sheet", "wear", "plate", "edge", "removal", "burr")))


def imagine(plan: Plan, jobs: Sequence[Job], count: int, seed: int) -> tuple[Lines, Floats]:
    """`count` lines on which at least half of `jobs` can be done, and log widths of true windows (count, jobs).

    A width below `WORTH` is NaN: such a job is not counted on that line. Fewer lines where few are found.
    """
    lines = _draw(plan, jobs, seed)
    width = np.stack([true_widths(lines, plan, job) for job in jobs], 1)
    width = np.where(width >= WORTH, width, np.nan)
    good = np.flatnonzero(np.isfinite(width).mean(1) >= 0.5)[:count]
    return lines.some(good), width[good]


def _draw(plan: Plan, jobs: Sequence[Job], seed: int) -> Lines:
    rng, n = np.random.default_rng(seed), CANDIDATES
    materials = tuple(dict.fromkeys(map(material_of, plan.jobs)))
    centre = Centre(middle(plan.feed_speed_m_min), middle([j.drum_pressure_kPa for j in plan.jobs]),
                    middle([GRAIN_UM[j.grit] for j in plan.jobs]), middle([j.thickness_mm for j in plan.jobs]))
    mean = np.array([0.0, *[t.mean for t in TERMS]])
    sd = np.array([0.0, *[NARROW * t.sd for t in TERMS]])
    if len(materials) > 1:
        own = np.repeat([NARROW * s for s in MATERIAL], len(materials))
        mean, sd = np.r_[mean, 0 * own], np.r_[sd, own]
    coef = mean + sd * rng.standard_normal((n, len(mean)))
    job = jobs[0]
    low, high = job.edge_radius_mm or (None, None)
    aim = np.sqrt(low * high) if low and high else 1.6 * low if low else high / 1.6 if high else 0.3
    speed = np.exp(np.log(plan.feed_speed_m_min[0]) + rng.uniform(0.25, 0.75, n) * np.log(
        plan.feed_speed_m_min[1] / plan.feed_speed_m_min[0]))
    coef[:, 0] = np.log(aim) - (_columns(job, speed, sum(job.sheet_hours) / 2, centre, materials) * coef).sum(1)
    spread = {k: prior.median * np.exp(prior.log_sd * rng.standard_normal(n)) for k, prior in (
        ("sheet", STANDARD.sheet), ("wear", STANDARD.sheet_wear), ("plate", STANDARD.plate), ("edge", STANDARD.edge))}
    position = STANDARD.position * NARROW * rng.standard_normal((n, len(plan.trial.edges)))
    removal = rng.uniform(0.3, 0.9, n)
    most = min((j.removal_um for j in jobs if j.removal_um is not None), default=30.0)
    return Lines(centre, materials, coef, position, removal=np.log(most) - removal - AREA_LAW * np.log(aim),
                 burr=np.log(low or aim / 2) - rng.uniform(0.0, 0.4, n), **spread)


def _columns(job: Job, speed: Floats | float, hours: Floats | float, centre: Centre,
             materials: Sequence[tuple[str, str | None]]) -> Floats:
    settings = Settings(speed, job.drum_pressure_kPa, GRAIN_UM[job.grit], job.thickness_mm, float(job.passes), hours)
    return law_columns(settings, centre, np.array(materials.index(material_of(job))), len(materials))


def true_widths(lines: Lines, plan: Plan, job: Job) -> Floats:
    """Log width of the window that each line truly has for a job, inside the planned speeds; below 0 where none."""
    n = len(lines.coef)
    at = _columns(job, lines.centre.feed_speed_m_min, 0.0, lines.centre, lines.materials)
    level = lines.coef @ at
    slope, wear = lines.coef[:, 1 + FEED], lines.coef[:, 1 + WEAR.start:1 + WEAR.stop]
    if len(lines.materials) > 1:
        first = 1 + len(TERMS) + lines.materials.index(material_of(job))
        slope = slope + lines.coef[:, first + len(lines.materials)]
        wear = wear + lines.coef[:, first + 3 * len(lines.materials), None] * OWN_WEAR
    bend = lines.coef[:, 1 + CURVATURE]
    tail = np.full(n, 1e-6)
    radius = Path(level, slope, bend, wear, lines.position)
    scatter = Scatter(np.hypot(lines.sheet, lines.plate), lines.wear, lines.edge, tail)
    low, high = job.edge_radius_mm or (None, None)
    removal = own = burr = None
    if job.removal_um is not None:
        removal = Path(AREA_LAW * level + lines.removal, AREA_LAW * slope, AREA_LAW * bend, AREA_LAW * wear,
                       AREA_LAW * lines.position)
        shared = np.full(n, np.hypot(_OWN["removal_sheet"], _OWN["removal_plate"]))
        own = Scatter(shared, np.zeros(n), np.full(n, _OWN["removal_edge"]), tail)
    if job.residual_burr_mm is not None:
        total = np.hypot(1.0, _OWN["burr_sheet"])
        span = (plan.severities or USUAL_BURR).get(job.burr_severity or "", _AS_IT_COMES)
        heights = np.log(span[0] + (span[1] - span[0]) * (np.arange(8) + 0.5) / 8) - MIDDLE_HEIGHT
        slopes = np.full(n, _OWN["burr_slope"] / total)
        burr = Burr(-slopes * lines.burr, slopes, np.broadcast_to(-_OWN["burr_height"] / total * heights, (n, 8)))
    speeds = np.log(np.array(plan.feed_speed_m_min) / lines.centre.feed_speed_m_min)
    parts = []
    # Tables of joint limits are large: some hundred lines at a time.
    for start in range(0, n, 512):
        pick = slice(start, start + 512)
        promise = Promise(
            np.arange(len(level[pick])), (float(speeds[0]), float(speeds[1])), job.sheet_hours, radius.some(pick),
            _some(scatter, pick), (np.log(low) if low else -np.inf, np.log(high) if high else np.inf),
            removal and removal.some(pick), own and _some(own, pick),
            np.log(job.removal_um) if job.removal_um else np.inf, burr and burr.some(pick))
        a, b = speed_intervals(promise, job.share)
        parts.append(np.where(np.isfinite(a), b - a, -1.0))
    return np.concatenate(parts)


def _some(scatter: Scatter, pick: slice) -> Scatter:
    return Scatter(scatter.shared[pick], scatter.wear[pick], scatter.edge[pick], scatter.tail[pick])


def blank_log(plan: Plan, edges: pd.DataFrame) -> TrialLog:
    """The plan's edges as a log with stand-in readings, to be filled for each imagined line by `filled`."""
    rows = edges.assign(edge_radius_mm=0.3, date=pd.Timestamp("2001-01-01"))
    if any(j.removal_um is not None for j in plan.jobs):
        rows["removal_um"] = 10.0
    if any(j.residual_burr_mm is not None for j in plan.jobs):
        rows["burr_height_mm"], rows["residual_burr_mm"] = 0.3, 0.1
    return read_log(rows.drop(columns="visit"))


def filled(log: TrialLog, plan: Plan, lines: Lines, which: int, seed: Sequence[int]) -> TrialLog:
    """The log of the plan as one imagined line would give it.

    With the same seed the first sheets, plates and edges of trials of any size have the same luck: sizes are compared
    on equal terms.
    """
    rows = log.rows

    def luck(kind: int, count: int, each: int = 1) -> Floats:
        return np.random.default_rng([*seed, which, kind]).standard_normal((count, each)).T

    keys = list(zip(rows["material"], rows["cut_process"] if "cut_process" in rows else [None] * len(rows),
                    strict=True))
    index = np.array([lines.materials.index((m, None if pd.isna(c) else c)) for m, c in keys])
    number = {c: rows[c].to_numpy(float) for c in ("feed_speed_m_min", "drum_pressure_kPa", "thickness_mm", "passes",
                                                   "contact_hours")}
    settings = Settings(number["feed_speed_m_min"], number["drum_pressure_kPa"],
                        rows["grit"].map(GRAIN_UM).to_numpy(float), number["thickness_mm"], number["passes"],
                        number["contact_hours"])
    columns = law_columns(settings, lines.centre, index, len(lines.materials))
    sheet, sheets = pd.factorize(rows["abrasive_sheet"])
    plate, plates = pd.factorize(rows["run"])
    of_sheet, of_plate = luck(0, len(sheets), 4), luck(1, len(plates), 3)
    base = columns @ lines.coef[which] + lines.sheet[which] * of_sheet[0][sheet]
    base += lines.wear[which] * of_sheet[1][sheet] * number["contact_hours"] / WEAR_HOURS
    base += lines.plate[which] * of_plate[0][plate]
    on_plate = rows.groupby("run").cumcount().to_numpy()
    of_edge = luck(2, len(plates), 3 * _MOST_EDGES).reshape(_MOST_EDGES, 3, -1)[on_plate, :, plate].T
    place = np.array([plan.trial.edges.index(p) for p in rows["edge_position"]])
    edge = base + lines.position[which][place] + lines.edge[which] * of_edge[0]
    read: dict[str, Floats] = {"edge_radius_mm": np.maximum(np.round(np.exp(edge), 2), _GAUGE_MM)}
    at = base + lines.position[which][place]
    if "removal_um" in rows:
        noise = (_OWN["removal_sheet"] * of_sheet[2][sheet] + _OWN["removal_edge"] * of_edge[1]
                 + _OWN["removal_plate"] * of_plate[1][plate])
        read["removal_um"] = np.maximum(np.round(np.exp(AREA_LAW * at + lines.removal[which] + noise), 1), 0.1)
    if "residual_burr_mm" in rows:
        words = rows["burr_severity"] if "burr_severity" in rows else pd.Series([None] * len(rows))
        spans = [(plan.severities or USUAL_BURR).get(w, _AS_IT_COMES) if isinstance(w, str) else _AS_IT_COMES
                 for w in words]
        u = ndtr(of_plate[2][plate])
        height = np.round([a + (b - a) * x for (a, b), x in zip(spans, u, strict=True)], 2)
        dose = at + BURR_OF_EDGE * (edge - at)
        margin = (_OWN["burr_slope"] * (dose - lines.burr[which]) - _OWN["burr_height"] * (np.log(height)
                  - MIDDLE_HEIGHT) + _OWN["burr_sheet"] * of_sheet[3][sheet] + of_edge[2])
        left = np.round(height * -np.expm1(np.minimum(margin / _OWN["burr_slope"], 0)), 2)
        read["burr_height_mm"] = height
        read["residual_burr_mm"] = np.where(margin >= 0, 0.0, np.maximum(left, _GAUGE_BURR_MM))
    return replace(log, rows=rows.assign(**read))
