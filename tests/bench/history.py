"""What earlier logs of the same line buy, and what they cost where the line has changed since.

    .venv/bin/python tests/bench/history.py --campaigns 48 --seed 6000

Three earlier logs of 36 plates on 7 sheets, then the trial, on simulated lines whose truth is known and is not the
model's: windows with that history and without, of the same trial. Width is over the widest true window, on a log
scale, 0 where none is issued; `said` is how often the page says that the line has changed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from lines import FAMILIES, Campaign, Plan, Truth, _wider, holds, run_trial

import edgefinish as ef

SIX, THREE = Plan(), Plan(sheets=3, plates=30)
CASES: Mapping[str, tuple[str, Plan, Callable[[Truth], Truth], Callable[[Truth], Truth]]] = {
    # family, plan, the line in the past, the line now
    "as before": ("usual", SIX, lambda t: t, lambda t: t),
    "as before, 3 sheets": ("usual", THREE, lambda t: t, lambda t: t),
    "wild sheets": ("wild sheets", SIX, lambda t: t, lambda t: t),
    "spreads half as much again": ("usual", SIX, lambda t: t, lambda t: _wider(t, 1.5)),
    "only the sheets changed": ("usual", SIX, lambda t: replace(t, sheet=0.07), lambda t: replace(t, sheet=0.12)),
    "another level": ("usual", SIX, lambda t: t, lambda t: replace(t, level=t.level - 0.3)),
    "another law of speed": ("usual", SIX, lambda t: t, lambda t: replace(t, feed=t.feed - 0.2)),
    "wear twice": ("usual", SIX, lambda t: t, lambda t: replace(t, wear=2 * t.wear, wear_root=2 * t.wear_root)),
    "edge positions moved": ("usual", SIX, lambda t: t, lambda t: replace(
        t, position={p: v + s for (p, v), s in zip(t.position.items(), (0.1, -0.1, 0.05, -0.05), strict=True)})),
}


def one(case: str, seed: int) -> list[dict[str, object]]:
    """Windows of one trial, with its history and without."""
    family, plan, before, now = CASES[case]
    rng = np.random.default_rng([seed, 991])
    truth = FAMILIES[family](rng)[0]
    past = tuple(ef.read_log(run_trial(replace(before(truth), level=truth.level + rng.normal(0, 0.1)),
                                       Plan(sheets=7, plates=36), rng)) for _ in range(3))
    campaign = Campaign(case, seed, now(truth), plan, run_trial(now(truth), plan, rng))
    log = ef.read_log(campaign.log)
    models = {"without": ef.fit(log), "with": ef.fit(log, history=past)}
    found = []
    for kind in ("one age", "sheet life"):
        job, (low, high) = campaign.job(kind)
        for name, model in models.items():
            w = model.window(job)
            given = w.low_m_min is not None and w.high_m_min is not None
            found.append({
                "case": case, "job": kind, "history": name, "issued": given,
                "holds": float(holds(campaign.truth, job, w.low_m_min, w.high_m_min, campaign.positions))
                if given else np.nan,
                "width": np.log(w.high_m_min / w.low_m_min) / np.log(high / low) if given else 0.0,
                "said": any("has changed" in reason for reason in w.reasons)})
    return found


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--cases", nargs="+", default=list(CASES), choices=list(CASES))
    ask.add_argument("--campaigns", type=int, default=24)
    ask.add_argument("--seed", type=int, default=6000)
    ask.add_argument("--workers", type=int, default=2)
    asked = ask.parse_args()
    tasks = [(case, seed) for case in asked.cases for seed in range(asked.seed, asked.seed + asked.campaigns)]
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = [row for got in pool.map(one, *zip(*tasks, strict=True)) for row in got]
    table = pd.DataFrame(rows).groupby(["case", "job", "history"], sort=False).agg(
        trials=("issued", "size"), issued=("issued", "mean"), holds=("holds", "mean"), width=("width", "mean"),
        said=("said", "mean"))
    print(table.round(3).to_string())


if __name__ == "__main__":
    main()
