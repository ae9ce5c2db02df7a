"""Is heavy burr worth what is told of it, as a way of going on? Lines that are not the model, a job that promises burr.

    python tests/bench/heavyburr.py --lines 40 --workers 1

After 16 plates on 4 sheets four more follow, on 0, 1 or 2 new sheets, with the job's own burr or with heavy burr on
every second plate. `foretold` and `got` are mean gains in log width, a refused window counting 0; `told over got` their
ratio, `order` the share of pairs of ways told in the order of their mean gains. Two kinds of first trial: planned, so
that half of it carries heavy burr already, and with nothing but the job's own burr. All is invented.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import planning  # noqa: F401, I001 (finds the tests' own modules, and gives each process one thread)
from lines import FAMILIES, SEVERITIES, Truth, oracle
from planning import BROKEN, FEED, OLDEST, WORTH, and_then, asked, plan_of, run, trial_log, width_of

import edgefinish as ef
from edgefinish.nextplates import with_heavy_burr

FIRST = ("planned", "own burr")
PLATES = 4


def line_and_job(seed: int) -> tuple[Truth, ef.Job]:
    """A line, and a job that limits radius and residual burr, on which it has a window worth looking for."""
    base = asked("one")[0]
    for attempt in range(80):
        rng = np.random.default_rng([seed, attempt, 6])
        truth = FAMILIES[BROKEN[(seed + attempt) % len(BROKEN)]](rng)[0]
        truth = replace(truth, burr_sheet=rng.uniform(0.05, 0.25), burr_own_edge=float(rng.choice([1.0, 0.5])),
                        burr_radius_mm=rng.uniform(0.14, 0.24))
        middle, half = 0.37 * math.exp(rng.normal(0, 0.08)), rng.uniform(0.6, 0.8)
        job = replace(base, residual_burr_mm=0.0, burr_severity="moderate",
                      edge_radius_mm=tuple(round(middle * math.exp(s * half), 3) for s in (-1, 1)))
        true = oracle(truth, job, *FEED)
        if true is not None and math.log(true[1] / true[0]) >= WORTH:
            return truth, job
    raise ValueError(f"seed {seed}: no line with a job that it can do")


def ways_on(seed: int, kind: str) -> list[dict]:
    """What each way of going on was foretold to gain, and what it gained."""
    truth, job = line_and_job(seed)
    trial = ef.Trial(plates=16, sheets=4, sheet_hours=(0, OLDEST))
    first = ef.plan([job], feed_speed_m_min=FEED, trial=trial, seed=plan_of(seed)).runs
    if kind == "own burr":
        first = first.assign(burr_severity=job.burr_severity)
    first["burr_severity"] = first["burr_severity"].replace("", job.burr_severity)
    before = ef.fit(ef.read_log(trial_log(truth, first, seed)), severities=SEVERITIES)
    had, rows = width_of(before.window(job)), []
    for new in range(3):
        told = ef.next_plates(before, [job], plates=PLATES, only_new=new)
        own = told.plates.assign(burr_severity=job.burr_severity) if len(told.plates) else None
        for way in told.options.itertuples():
            more = with_heavy_burr(own) if way.heavy_burr else own
            after = ef.fit(ef.read_log(trial_log(truth, and_then(first, more), seed)), severities=SEVERITIES)
            rows.append({"new_sheets": new, "heavy": way.heavy_burr, "line": seed, "had": had,
                         "foretold": way.gain_log, "got": width_of(after.window(job)) - had})
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a way of going on."""
    groups = rows.groupby(["new_sheets", "heavy"])
    table = groups[["had", "foretold", "got"]].mean().assign(
        se=groups["got"].std() / np.sqrt(groups.size()), lines=groups.size())
    by_line = rows.pivot_table(index="line", columns=["new_sheets", "heavy"], values="foretold").to_numpy()
    got = table["got"].to_numpy()
    pairs = [(i, j) for i in range(len(got)) for j in range(i)]
    right = [np.sign(by_line[:, i] - by_line[:, j]) == np.sign(got[i] - got[j]) for i, j in pairs]
    return table.assign(told_over_got=table["foretold"] / table["got"], order=float(np.mean(right)))


def main() -> None:
    """The command line; see `--help`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="first line")
    parser.add_argument("--first", choices=FIRST, default=FIRST[0])
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", metavar="FILE.csv", help="every way, one row each")
    args = parser.parse_args()
    seeds = range(args.seed, args.seed + args.lines)
    frame = pd.DataFrame([r for rows in run(seeds, args.first, args.workers, ways_on) for r in rows])
    if args.out:
        frame.to_csv(args.out, index=False)
    print(summary(frame).round(4).to_string())


if __name__ == "__main__":
    main()
