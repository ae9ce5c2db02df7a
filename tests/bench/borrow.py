"""What does a new material gain from the known ones, and do its windows hold? Simulated lines with known truth.

    python tests/bench/borrow.py --cases typical,odd --trials 24 --workers 1

Three known materials of 36 plates on 6 sheets, a new one of 8 plates on 3 sheets, planned: each case is a way in which
the new one differs. `width` is its mean log-width over that of 36 plates on 6 sheets of it alone, 0 where no window is
issued; `holds` the share of issued windows in which the true share is the job's at every speed, sheet age and position;
`few alone` the same few plates by themselves. Seconds are CPU seconds of fit and window. The same seed gives the same
table. `--ideal`: no fit, but what both trials of the new material would give at best, if nothing but its level and feed
exponent were unknown: the ratio of mean widths at 95 % confidence.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"                      # before numpy: workers share few cores

sys.path[:0] = [str(Path(__file__).parents[1])]

from dataclasses import replace  # noqa: E402

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from lines import Truth, holds, oracle  # noqa: E402
from newmaterial import CASES, NEW, RANGE, NewMaterial, new_material  # noqa: E402
from scipy.stats import norm  # noqa: E402

import edgefinish as ef  # noqa: E402

WAYS = ("borrowed", "36 alone", "few alone")


def one_trial(task: tuple[str, int], plates: int, sheets: int, ways: tuple[str, ...]) -> list[dict]:
    """The windows of each way for one simulated line, judged by its truth."""
    case, seed = task
    trial = new_material(case, seed, plates, sheets)
    logs = {"borrowed": pd.concat([trial.known, trial.few], ignore_index=True), "36 alone": trial.many,
            "few alone": trial.few}
    rows = []
    for way in ways:
        log = ef.read_log(logs[way])
        started = time.process_time()
        window = ef.fit(log).window(trial.job)
        seconds = time.process_time() - started
        issued = window.verdict == "window"
        rows.append({
            "case": case, "seed": seed, "way": way, "issued": issued, "seconds": seconds,
            "holds": issued and holds(trial.truth, trial.job, window.low_m_min, window.high_m_min),
            "width": math.log(window.high_m_min / window.low_m_min) if issued else 0.0,
            "oracle": math.log(trial.oracle[1] / trial.oracle[0]), "low": window.low_m_min, "high": window.high_m_min,
            "true_low": trial.oracle[0], "true_high": trial.oracle[1], "why": "" if issued else window.reasons[0],
            "borrowed": any(r.startswith("Spread borrowed") for r in window.reasons)})
    return rows


def level_sd(truth: Truth, log: pd.DataFrame, speeds: tuple[float, float]) -> list[float]:
    """SD of log radius at some speeds by generalised least squares of plate means, level and feed exponent unknown."""
    plates = log.groupby(["abrasive_sheet", "run"]).agg(
        feed=("feed_speed_m_min", "first"), hours=("contact_hours", "first"), edges=("run", "size")).reset_index()
    sheet, age = plates["abrasive_sheet"].to_numpy(), plates["hours"].to_numpy() / 10
    columns = np.column_stack([np.ones(len(plates)), np.log(plates["feed"] / 2)])
    own = np.diag(truth.plate**2 + truth.edge**2 / plates["edges"])
    shared = (sheet[:, None] == sheet) * (truth.sheet**2 + truth.own_wear**2 * np.outer(age, age))
    cov = np.linalg.inv(columns.T @ np.linalg.solve(shared + own, columns))
    return [float(np.sqrt(x @ cov @ x)) for x in (np.array([1, math.log(v / 2)]) for v in speeds)]


def at_best(trial: NewMaterial, log: pd.DataFrame) -> float:
    """Log-width of the window if each end stood back by what is not known there, and by no more; 0 for none."""
    ends = trial.oracle
    for _ in range(2):
        back = [float(norm.ppf(trial.job.confidence)) * sd for sd in level_sd(trial.truth, log, ends)]
        slow = oracle(replace(trial.truth, level=trial.truth.level + back[0]), trial.job, *RANGE)
        fast = oracle(replace(trial.truth, level=trial.truth.level - back[1]), trial.job, *RANGE)
        if slow is None or fast is None or fast[1] <= slow[0]:
            return 0.0
        ends = slow[0], fast[1]
    return math.log(ends[1] / ends[0])


def ideal(cases: list[str], seeds: range, plates: int, sheets: int) -> pd.DataFrame:
    """One row a case: mean log-width at best of the few plates and of 36, and their ratio."""
    out = []
    for case in cases:
        trials = [new_material(case, seed, plates, sheets) for seed in seeds]
        few, many = (np.mean([at_best(t, log(t)) for t in trials]) for log in (lambda t: t.few, lambda t: t.many))
        out.append({"case": case, "trials": len(trials), "few": few, "36": many, "ratio": few / many})
    return pd.DataFrame(out)


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One line a case: width and holds of each way, and width over that of 36 plates alone."""
    out = []
    for case, part in rows.groupby("case", sort=False):
        line: dict[str, object] = {"case": case, "trials": part["seed"].nunique()}
        many = part.loc[part["way"] == "36 alone", "width"].mean()
        for way, mine in part.groupby("way", sort=False):
            line |= {f"{way}: width": mine["width"].mean() / (1 if way == "36 alone" else many),
                     f"{way}: holds": mine.loc[mine["issued"], "holds"].mean(), f"{way}: issued": mine["issued"].mean(),
                     f"{way}: s": mine["seconds"].mean()}
        line["flagged"] = part.loc[(part["way"] == "borrowed") & part["issued"], "borrowed"].mean()
        out.append(line)
    return pd.DataFrame(out)


def markdown(table: pd.DataFrame) -> str:
    """The table for people: one line a case."""
    lines = [f"| {NEW} is | lines | width over that of 36 plates alone | holds | holds, 36 alone |",
             "| --- | --- | --- | --- | --- |"]
    lines += [f"| {r['case']} | {r['trials']} | {r['borrowed: width']:.2f} | {r['borrowed: holds']:.3f} | "
              f"{r['36 alone: holds']:.3f} |" for r in table.to_dict("records")]
    return "\n".join(lines)


def main() -> None:
    """The command line; see `--help`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", default="all", help=f"comma list, or all: {', '.join(CASES)}")
    parser.add_argument("--trials", type=int, default=24, help="lines of each case (default 24)")
    parser.add_argument("--seed", type=int, default=0, help="first seed (default 0)")
    parser.add_argument("--plates", type=int, default=8, help="of the new material (default 8)")
    parser.add_argument("--sheets", type=int, default=3, help="of the new material (default 3)")
    parser.add_argument("--ways", default=",".join(WAYS[:2]), help=f"comma list: {', '.join(WAYS)}")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--ideal", action="store_true", help="what the trials could give at best; fits nothing")
    parser.add_argument("--markdown", action="store_true")
    parser.add_argument("--out", metavar="FILE.csv", help="every window, one row each")
    args = parser.parse_args()
    cases = list(CASES) if args.cases == "all" else args.cases.split(",")
    ways = tuple(args.ways.split(","))
    for found, known in ((cases, list(CASES)), (ways, WAYS)):
        for unknown in set(found) - set(known):
            parser.error(f"{unknown!r} is not one of {', '.join(known)}")
    if args.ideal:
        found = ideal(cases, range(args.seed, args.seed + args.trials), args.plates, args.sheets)
        print(found.to_string(index=False, float_format=lambda v: f"{v:.3f}"))
        return
    tasks = [(case, args.seed + i) for case in cases for i in range(args.trials)]
    work = partial(one_trial, plates=args.plates, sheets=args.sheets, ways=ways)
    with ProcessPoolExecutor(args.workers) as pool:
        rows = pd.DataFrame([row for some in pool.map(work, tasks) for row in some])
    if args.out:
        rows.to_csv(args.out, index=False)
    table = summary(rows)
    print(markdown(table) if args.markdown else table.to_string(index=False, float_format=lambda v: f"{v:.3f}"))


if __name__ == "__main__":
    main()
