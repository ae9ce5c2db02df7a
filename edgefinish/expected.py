"""What a trial is expected to settle, before anyone cuts a plate: imagined lines, fitted by what will issue windows.

The same lines are put to trials of several sizes. Between and beyond the sizes that were simulated, width and chance
follow a − b / sheets − c / plates − d / (plates · edges), which simulated trials of many sizes do closely.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import lsq_linear
from tqdm import tqdm

from .errors import JobError
from .explore import SEED
from .imagined import Lines, blank_log, filled, imagine
from .job import Job, Line
from .linefit import radius_alone
from .linemodel import fit
from .planner import Plan, plan
from .rows import Floats
from .sheetgroups import fewest_sheets
from .studytext import StudyProblem as Problem
from .trialkeys import Trial
from .triallog import TrialLog

LINES, JOINT_LINES = 64, 16
MOST_JOBS = 3
NEAR_END = 0.05
_FEWEST_LINES = 8
_RESAMPLED = 100
_AT_ONCE = 4  # imagined trials that a worker is given


@dataclass(frozen=True)
class Size:
    """How large a trial is: plates, sheets, edges measured on a plate."""

    plates: int
    sheets: int
    edges: int


@dataclass(frozen=True, eq=False)
class Expected:
    """What trials of several sizes are expected to settle.

    `simulated`: one row a size that was simulated; `table`: sizes about the plan's own. Columns `plates`, `sheets`,
    `edges`, `width` (share of the true window's log width that is issued, none counting 0), `chance` of a window,
    `error` (standard error of `width`: Monte Carlo, and in `table` what the curve misses of simulated sizes), and in
    `table` `hours` of line time and `cost` (NaN if not asked).
    `lines`: how many were imagined; `jobs`: which jobs were asked of them; `own` the plan's own size.
    """

    simulated: pd.DataFrame
    table: pd.DataFrame
    own: Size
    lines: int
    jobs: tuple[Job, ...]
    said: tuple[str, ...]


def expect(planned: Plan, *, workers: int = 1, lines: int | None = None, progress: bool = False) -> Expected:
    """Simulate trials of the plan's size and of sizes about it; deterministic, whatever `workers`.

    `lines`: how many lines are imagined, by default 64, or 16 where burr or removal are promised too. Raises
    `JobError` where the jobs leave no room: hardly any line can do them.
    """
    jobs = _asked(planned.jobs)
    count = lines or (LINES if all(map(radius_alone, jobs)) else JOINT_LINES)
    imagined, true = imagine(planned, jobs, count, SEED)
    if len(true) < min(count, _FEWEST_LINES):
        raise JobError(Problem(None, "limits", f"{len(true)} lines of some thousand", "limits that lines can meet",
                               "hardly any imagined line has a true window: check limits, speeds and sheet ages"),
                       "plan")
    sizes, logs = [], []
    for size in _sizes(planned):
        try:
            logs.append(blank_log(planned, _edges(_resized(planned, size), size)))
            sizes.append(size)
        except JobError:
            continue
    tasks = [(planned, log, jobs, imagined.some(np.array([i])), i) for log in logs for i in range(len(true))]
    got = np.array(list(tqdm(_all(tasks, workers), total=len(tasks), desc="imagined trials", unit="trial", leave=False,
                             disable=None if progress else True))).reshape(len(sizes), len(true), len(jobs))
    counted = np.isfinite(true)
    width = np.where(counted, got / np.where(counted, true, 1.0), 0.0).sum(2) / counted.sum(1)
    chance = np.where(counted, got > 0, 0.0).sum(2) / counted.sum(1)
    own = Size(len(planned.runs), planned.trial.sheets, len(planned.trial.edges))
    simulated = pd.DataFrame([vars(s) for s in sizes]).assign(
        width=width.mean(1), chance=chance.mean(1), error=width.std(1, ddof=1) / np.sqrt(len(true)))
    rng = np.random.default_rng(SEED)
    picks = [rng.integers(len(true), size=len(true)) for _ in range(_RESAMPLED)]
    fits = np.array([curve(sizes, width[:, pick].mean(1)) for pick in picks])
    smooth = curve(sizes, width.mean(1))
    missed = float(np.sqrt(np.mean([(_at(s) @ smooth - w) ** 2 for s, w in zip(sizes, width.mean(1), strict=True)])))
    table = _table(planned, own, smooth, curve(sizes, chance.mean(1)), fits, missed)
    said = _said(planned.trial, own, simulated.iloc[0], smooth, fits, missed, len(true))
    return Expected(simulated, table, own, len(true), jobs, tuple(said))


def _asked(jobs: Sequence[Job]) -> tuple[Job, ...]:
    """Some jobs from all over the list."""
    index = np.unique(np.linspace(0, len(jobs) - 1, min(len(jobs), MOST_JOBS)).round().astype(int))
    return tuple(jobs[i] for i in index)


def _sizes(planned: Plan) -> list[Size]:
    """The plan's own size, and more and fewer of each; own first."""
    trial = planned.trial
    plates, sheets, edges = len(planned.runs), trial.sheets, len(trial.edges)
    fewest = sum(fewest_sheets(planned.jobs, trial))
    sizes = [Size(plates, sheets, edges), Size(plates, min(2 * sheets, plates // 2), edges),
             Size(plates, max(fewest, sheets - max(2, sheets // 3)), edges),
             Size(max(2 * sheets, plates // 2), sheets, edges), Size(2 * plates, sheets, edges),
             Size(2 * plates, 2 * sheets, edges), Size(plates, sheets, 2 * edges)]
    if edges > 1:
        sizes.append(Size(plates, sheets, edges // 2))
    return [s for s in dict.fromkeys(sizes) if s.plates >= 2 * s.sheets]


def _resized(planned: Plan, size: Size) -> Plan:
    trial = replace(planned.trial, plates=size.plates, sheets=size.sheets)
    if size.plates == len(planned.runs) and size.sheets == planned.trial.sheets:
        return planned
    return plan(planned.jobs, feed_speed_m_min=planned.feed_speed_m_min, trial=trial, severities=planned.severities,
                units=planned.units)


def _edges(planned: Plan, size: Size) -> pd.DataFrame:
    """One row an edge; with fewer edges than positions the plates take turns at them."""
    positions = planned.trial.edges
    rows = []
    for i, run in enumerate(planned.runs.to_dict("records")):
        start = (i * size.edges) % len(positions)
        rows += [run | {"edge_position": positions[(start + k) % len(positions)]} for k in range(size.edges)]
    return pd.DataFrame(rows)


Task = tuple[Plan, TrialLog, tuple[Job, ...], Lines, int]


def _one(task: Task) -> list[float]:
    """Log widths of the windows that one imagined trial gives, 0 where none."""
    planned, blank, jobs, line, which = task
    log = filled(blank, planned, line, 0, (SEED, which))
    model = fit(log, line=Line(feed_speed_m_min=planned.feed_speed_m_min), severities=planned.severities)
    out = []
    for job in jobs:
        window = model.window(job)
        out.append(float(np.log(window.high_m_min / window.low_m_min)) if window.verdict == "window" else 0.0)
    return out


def _some(tasks: list[Task]) -> list[list[float]]:
    return [_one(task) for task in tasks]


def _all(tasks: list[Task], workers: int) -> Iterator[list[float]]:
    if workers == 1:
        yield from map(_one, tasks)
        return
    # A fresh interpreter each: forking a process that has threads is not safe.
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        futures = [pool.submit(_some, tasks[at:at + _AT_ONCE]) for at in range(0, len(tasks), _AT_ONCE)]
        try:
            for future in futures:
                yield from future.result()
        finally:  # not by `pool.map`, which cancels beside the pool's own thread: a run told to end may hang
            pool.shutdown(cancel_futures=True)


def shape(plates: Floats, sheets: Floats, edges: Floats) -> Floats:
    """The columns of the curve: 1, −1 / sheets, −1 / plates, −1 / (plates · edges), (…, 4)."""
    return np.stack(np.broadcast_arrays(np.ones(1), -1 / sheets, -1 / plates, -1 / (plates * edges)), -1)


def curve(sizes: Sequence[Size], value: Floats) -> Floats:
    """Its coefficients, none but the first below 0: more of anything never tells less."""
    at = shape(*(np.array([getattr(s, n) for s in sizes], float) for n in ("plates", "sheets", "edges")))
    return lsq_linear(at, value, bounds=([-np.inf, 0, 0, 0], np.inf)).x


def _at(size: Size) -> Floats:
    return shape(np.array(float(size.plates)), np.array(float(size.sheets)), np.array(float(size.edges)))[0]


def _table(planned: Plan, own: Size, width: Floats, chance: Floats, fits: Floats, missed: float) -> pd.DataFrame:
    """Sizes about the plan's own by the curves of width and chance; `fits` are curves of width of resampled lines,
    `missed` what the curve misses of simulated widths."""
    fewest = sum(fewest_sheets(planned.jobs, planned.trial))
    plates = sorted({max(own.plates // 2, 2 * fewest), own.plates * 3 // 4, own.plates, own.plates * 3 // 2,
                     2 * own.plates})
    sheets = sorted({max(fewest, own.sheets - 2), own.sheets, own.sheets + 2, own.sheets + own.sheets // 2,
                     2 * own.sheets})
    edges = sorted({max(1, own.edges // 2), own.edges})
    sizes = [Size(p, s, e) for e in reversed(edges) for p in plates for s in sheets if p >= 2 * s]
    at = np.array([_at(s) for s in sizes])
    cost = [planned.trial.cost_of(s.plates, s.sheets) for s in sizes]
    return pd.DataFrame([vars(s) for s in sizes]).assign(
        width=np.clip(at @ width, 0, 1), chance=np.clip(at @ chance, 0, 1),
        error=np.hypot((at @ fits.T).std(1), missed), hours=[c[0] for c in cost],
        cost=[np.nan if c[1] is None else c[1] for c in cost])


def percent_said(share: float) -> str:
    """A share in per cent: that of a few lines, or by a curve that knows no ends, is never told to be nothing, or all.

    >>> percent_said(0.0), percent_said(0.27), percent_said(1.0)
    ('under 5', '27', 'over 95')
    """
    return "under 5" if share < NEAR_END else "over 95" if share > 1 - NEAR_END else f"{100 * share:.0f}"


def _said(trial: Trial, own: Size, here: pd.Series, smooth: Floats, fits: Floats, missed: float, lines: int
          ) -> Iterator[str]:
    """What the simulation comes to; `here`: what it gave at the plan's own size, `smooth` and `fits`: curves of all
    lines, as in the table, and of resampled ones."""
    if here["chance"] < 0.5:
        yield "Most likely this trial is too small for its jobs: more often than not it ends without a window."
    yield (f"{own.plates} plates on {own.sheets} sheets with {own.edges} edges each are expected to settle "
           f"{percent_said(here['width'])} % of the true window (of its ratio, on the log scale), and a job that the "
           f"line can do gets a window in {percent_said(here['chance'])} of 100 trials. From {lines} imagined lines, "
           + (f"good to ± {200 * here['error']:.0f} % of the true window (two standard errors)." if here["chance"] > 0
              else "none of which got a window.")
           + " They are lines of unknown kind: nothing that is known of your own goes into them.")
    sheets, plates = replace(own, sheets=2 * own.sheets), replace(own, plates=2 * own.plates)
    gains = [100 * (_at(s) - _at(own)) @ fits.T for s in (sheets, plates)]
    hours = [trial.cost_of(s.plates, s.sheets)[0] - trial.cost_of(own.plates, own.sheets)[0] for s in (sheets, plates)]
    a, b = (100 * float((_at(s) - _at(own)) @ smooth) for s in (sheets, plates))
    unsure = 2 * float(np.hypot((gains[0] - gains[1]).std(), 100 * missed))
    verdict = ("Sheets decide, not plates" if a > b + unsure else "Plates tell more than sheets here" if b > a + unsure
               else "Twice the sheets tell about as much as twice the plates")
    yield (f"{verdict}: twice the sheets for the same plates would add {a:.0f} % of the true window "
           f"({hours[0]:.1f} h of line time), twice the plates on the same sheets {b:.0f} % ({hours[1]:.1f} h); "
           f"the difference is good to ± {unsure:.0f} %.")
    few, many = replace(own, edges=max(1, own.edges // 2)), replace(own, edges=2 * own.edges)
    less, more = (100 * float((_at(s) - _at(own)) @ smooth) for s in (few, many))
    yield (f"{few.edges} edge{'s' if few.edges > 1 else ''} a plate instead of {own.edges} would cost "
           f"{-less:.0f} % of the true window, {many.edges} would add {more:.0f} %.")
    yield ("The table of sizes is smoothed over all that were simulated. What is said above of the plan itself was "
           "simulated at its own size alone, so that its row in the table may differ: in width by about the ± beside "
           "it, in chance by as much or more.")
