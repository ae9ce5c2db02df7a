"""Seconds to read and check a long trial log, beside a bare pandas.read_csv of the same file.

    python tests/bench/bench_read.py [--rows 100000] [--repeats 5]

Prints the medians, their ratio, and how far the goal (100,000 rows read and checked in under 5 s) is away. The dirty
log has the same rows with semicolons, decimal commas, feet and inches, spellings and censored readings.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from edgefinish.triallog import read_log

GOAL_S = 5.0


def long_log(rows: int) -> pd.DataFrame:
    """An invented log: four edges a run, sheets of 40 runs, three materials, dates."""
    rng = np.random.default_rng(11)
    runs = rows // 4
    run = np.repeat(np.arange(runs), 4)
    n = len(run)
    return pd.DataFrame({
        "run": [f"{r:06}" for r in run], "material": np.array(["S355", "S690", "304"])[run % 3],
        "thickness_mm": np.array([6, 8, 10, 12])[run % 4],
        "feed_speed_m_min": rng.lognormal(0.5, 0.3, runs).round(2)[run],
        "drum_pressure_kPa": np.array([40, 60, 80])[run % 3], "grit": np.array(["P60", "P80"])[run // 40 % 2],
        "abrasive_sheet": [f"A{s}" for s in run // 40], "contact_hours": (run % 40 * 0.4).round(1),
        "edge_position": np.tile(["leading", "trailing", "lateral", "cutout"], runs),
        "edge_radius_mm": rng.lognormal(-1, 0.3, n).round(3), "residual_burr_mm": rng.exponential(0.02, n).round(2),
        "removal_um": rng.lognormal(3, 0.3, n).round(1),
        "date": (pd.Timestamp("2026-01-01") + pd.to_timedelta(run // 20, unit="D")).strftime("%Y-%m-%d"),
    })


def dirty(frame: pd.DataFrame) -> pd.DataFrame:
    """The same rows as a shop floor keeps them."""
    out = frame.rename(columns={"feed_speed_m_min": "Feed speed [ft/min]", "thickness_mm": "Thickness (in)"})
    out["Feed speed [ft/min]"] = (frame["feed_speed_m_min"] / 0.3048).round(2)
    out["Thickness (in)"] = (frame["thickness_mm"] / 25.4).round(4)
    for name in ("Feed speed [ft/min]", "Thickness (in)", "edge_radius_mm", "removal_um", "contact_hours"):
        out[name] = out[name].astype(str).str.replace(".", ",")
    out.loc[::50, "edge_radius_mm"] = "<0,10"
    out.loc[::7, "edge_position"] = out.loc[::7, "edge_position"].str.upper() + " "
    out["grit"] = frame["grit"].str[1:]
    return out


def median_seconds(work: Callable[[], object], repeats: int) -> float:
    """Median wall time of some calls."""
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Seconds to read and check a long trial log.")
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    frame = long_log(options.rows)
    with tempfile.TemporaryDirectory() as folder:
        clean_csv, dirty_csv = Path(folder, "clean.csv"), Path(folder, "dirty.csv")
        frame.to_csv(clean_csv, index=False)
        dirty(frame).to_csv(dirty_csv, index=False, sep=";")
        bare = median_seconds(lambda: pd.read_csv(clean_csv), options.repeats)
        print(f"{len(frame)} rows, medians of {options.repeats}")
        print(f"{'pandas.read_csv':24}{bare:8.3f} s")
        for name, source in (("read_log, clean csv", clean_csv), ("read_log, dirty csv", dirty_csv),
                             ("read_log, DataFrame", frame)):
            seconds = median_seconds(lambda source=source: read_log(source), options.repeats)
            print(f"{name:24}{seconds:8.3f} s{seconds / bare:8.1f} times bare{GOAL_S - seconds:8.2f} s under the goal")


if __name__ == "__main__":
    main()
