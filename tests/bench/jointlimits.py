"""All three limits through sheet life: how wide are the windows, and do they hold, by sheets, plan and burr?

    .venv/bin/python tests/bench/jointlimits.py --lines 40 --seed 9500

One line whose laws are the textbook's and one job, so that cells can be compared: what differs is how many sheets were
run, whether half of the plates carried heavy burr, and how much burr differs from sheet to sheet beyond what the edge
radius tells (`burr SD`, of log depth; the edges' own scatter is 0.25). Width is over the widest true window, on a log
scale, 0 where none is issued; `holds` is of those issued, `broken` of all trials. All is invented.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from lines import SEVERITIES, Plan, Truth, holds, oracle, run_trial

import edgefinish as ef

JOB = ef.Job(material="S355", edge_radius_mm=(0.18, 0.80), removal_um=28, residual_burr_mm=0.0,
             burr_severity="moderate", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 12))
FEED = (1.0, 8.0)
SHEETS, HEAVY, BURR_SD = (6, 12), (0.0, 0.5), (0.0, 0.12, 0.25)
Cell = tuple[int, float, float]


def trial(cell: Cell, seed: int) -> tuple[Truth, pd.DataFrame]:
    """A line and its trial: 36 plates on 6 sheets, 48 on 12."""
    sheets, heavy, burr_sd = cell
    truth = Truth(removal_um=13.7, burr_radius_mm=0.15, burr_sheet=burr_sd)
    plan = Plan(sheets=sheets, plates=24 + 2 * sheets, heavy=heavy, feed_m_min=FEED)
    return truth, run_trial(truth, plan, np.random.default_rng([seed, sheets, int(2 * heavy), 17]))


def one(cell: Cell, seed: int) -> dict[str, object]:
    """The window of one trial."""
    truth, log = trial(cell, seed)
    window = ef.fit(ef.read_log(log), severities=SEVERITIES).window(JOB)
    low, high = window.low_m_min, window.high_m_min
    row = dict(zip(("sheets", "heavy", "burr SD"), cell, strict=True)) | {"issued": window.verdict == "window"}
    if low is None or high is None:
        return row | {"holds": np.nan, "broken": False, "width": 0.0}
    kept = holds(truth, JOB, low, high)
    best = oracle(truth, JOB, *FEED)
    assert best is not None
    return row | {"holds": float(kept), "broken": not kept, "width": np.log(high / low) / np.log(best[1] / best[0])}


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--lines", type=int, default=20)
    ask.add_argument("--seed", type=int, default=9500)
    ask.add_argument("--workers", type=int, default=2)
    asked = ask.parse_args()
    cells = itertools.product(SHEETS, HEAVY, BURR_SD)
    tasks = [(cell, seed) for cell in cells for seed in range(asked.seed, asked.seed + asked.lines)]
    with ProcessPoolExecutor(asked.workers) as pool:
        table = pd.DataFrame(pool.map(one, *zip(*tasks, strict=True), chunksize=5))
    print(table.groupby(["sheets", "heavy", "burr SD"]).mean().round(3).to_string())


if __name__ == "__main__":
    main()
