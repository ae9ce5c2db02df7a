"""How long windows take, in CPU seconds of one core beside a stock mixed model on the same log.

    python tests/bench/speed.py --jobs 10000
    python tests/bench/speed.py --rows 100000 --materials 3

Medians over some runs: read log to radius window, with readings below the gauge too; to a window of all limits; many
random radius jobs of one fit; and the yardstick, statsmodels MixedLM by REML on the same rows, which gives no window.
With `--rows`, instead: reading, radius window and window of all limits of one long log, 60 sheets, several materials.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from lines import SEVERITIES, Plan, Truth, campaign, run_trial  # noqa: E402
from rivals import mixed_model  # noqa: E402

import edgefinish as ef  # noqa: E402


def median_seconds(runs: int, work: Callable[..., object], *given: object) -> float:
    """CPU seconds of one call, median over `runs` after one to warm up."""
    work(*given)
    taken = []
    for _ in range(runs):
        started = time.process_time()
        work(*given)
        taken.append(time.process_time() - started)
    return float(np.median(taken))


def window(log: ef.TrialLog, job: ef.Job) -> ef.SpeedWindow:
    """From a read log to a window."""
    return ef.fit(log, severities=SEVERITIES).window(job)


def random_jobs(job: ef.Job, log: ef.TrialLog, count: int) -> list[ef.Job]:
    """Radius jobs all over what was run: limits, pressure, thickness, grit and sheet ages at random."""
    rng = np.random.default_rng(1)
    tried = {n: (log.rows[n].min(), log.rows[n].max()) for n in ("drum_pressure_kPa", "thickness_mm")}
    grits = sorted(log.rows["grit"].unique())
    out = []
    for _ in range(count):
        least = rng.uniform(0.15, 0.3)
        out.append(replace(
            job, edge_radius_mm=(round(least, 3), round(least * rng.uniform(1.8, 4), 3)), grit=str(rng.choice(grits)),
            sheet_hours=(0.0, float(rng.choice([4.0, 8.0, 12.0]))),
            **{n: float(rng.uniform(*span)) for n, span in tried.items()}))
    return out


def long_log(rows: int, materials: int) -> None:
    """Print how long a long log takes, from its rows to windows."""
    rng = np.random.default_rng(1)
    truth = Truth(materials={f"M{i}": (rng.normal(0, 0.1), rng.normal(0, 0.08)) for i in range(materials)})
    frame = run_trial(truth, Plan(sheets=60, plates=rows // len(truth.position)), rng)
    if "date" in frame:  # plates as close together as they have to be for a million rows to end in this century
        minute = np.arange(len(frame)) // len(truth.position)
        frame["date"] = pd.Timestamp("2026-01-05") + pd.to_timedelta(minute, "min")
    radius = ef.Job(material="M0", edge_radius_mm=(0.2, 0.7), sheet_hours=(0.0, 12.0), thickness_mm=10.0,
                    drum_pressure_kPa=60.0, grit="P80")
    joint = replace(radius, residual_burr_mm=0.0, burr_severity="moderate", removal_um=35.0)
    started = time.process_time()
    log = ef.read_log(frame)
    print(f"{len(frame)} rows, {materials} materials: read in {time.process_time() - started:.2f} s")
    for what, job in (("radius", radius), ("all limits", joint)):
        started = time.process_time()
        found = window(log, job)
        print(f"{what}: {found.verdict} {found.low_m_min} to {found.high_m_min} m/min in "
              f"{time.process_time() - started:.2f} s")


def main() -> None:
    """The command line; see `--help`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=10_000, help="jobs of one fit (default 10,000)")
    parser.add_argument("--runs", type=int, default=7, help="runs whose median is told (default 7)")
    parser.add_argument("--rows", type=int, default=0, help="rows of a long log, instead of all else (default none)")
    parser.add_argument("--materials", type=int, default=1, help="materials of the long log (default 1)")
    args = parser.parse_args()
    if args.rows:
        return long_log(args.rows, args.materials)
    for family in ("usual", "below the gauge"):
        trial = campaign(family, 5)
        log = ef.read_log(trial.log)
        radius, joint = trial.job("sheet life")[0], trial.job("all limits")[0]
        seconds = [median_seconds(args.runs, window, log, job) for job in (radius, joint)]
        stock = median_seconds(max(1, args.runs // 3), mixed_model, trial.log, radius)
        print(f"{family}, {len(log.rows)} rows: radius {seconds[0]:.3f} s, all limits {seconds[1]:.3f} s, mixed model "
              f"alone {stock:.3f} s")
    model = ef.fit(log)
    jobs = random_jobs(radius, log, args.jobs)
    model.window(radius)
    started = time.process_time()
    found = model.windows(jobs)
    seconds = time.process_time() - started
    print(f"{len(jobs)} radius jobs of one fit: {seconds:.1f} s, {(found['verdict'] == 'window').sum()} windows")


if __name__ == "__main__":
    main()
