"""Do windows hold, and how wide are they? Simulated lines with known truth, every method on the same logs.

    python tests/bench/calibration.py --families usual,"wild sheets" --campaigns 60 --jobs "one age" --workers 2

`holds` is the share of issued windows that keep the job's share at every speed, sheet age and measured position of the
truth, with its standard error over campaigns; `all` counts a refusal as held. `width` is the log-width over the
oracle's, 0 where refused. Seconds are CPU seconds a window, the fit shared among a campaign's jobs. The same seed gives
the same table, seconds apart.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import math
import os
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"                      # before numpy: workers share few cores

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import pandas as pd  # noqa: E402
from lines import FAMILIES, KINDS, SEVERITIES, Campaign, campaign, holds  # noqa: E402
from rivals import NEEDS, RIVALS  # noqa: E402

from edgefinish.job import Job  # noqa: E402

Windows = list[tuple[float, float] | None]


def ours(trial: Campaign, jobs: list[Job]) -> Windows:
    """The windows of `edgefinish.fit`, by the same door as a user's."""
    import edgefinish as ef
    model = ef.fit(ef.read_log(trial.log), severities=SEVERITIES)
    answers = [model.window(job) for job in jobs]
    return [(w.low_m_min, w.high_m_min) if w.verdict == "window" else None for w in answers]


def rival(name: str, trial: Campaign, jobs: list[Job]) -> Windows:
    """The windows of one of `RIVALS`."""
    return [RIVALS[name](trial.log, job) for job in jobs]


def reference(folder: str, trial: Campaign, jobs: list[Job]) -> Windows:
    """The windows of a reference kept outside: `posterior.window_for` in `folder`, for jobs that limit radius alone."""
    if folder not in sys.path:
        sys.path.append(folder)
    module = importlib.import_module("posterior")
    answers: Windows = []
    for job in jobs:
        low, high = job.edge_radius_mm
        asked = {"material": job.material, "pressure": job.drum_pressure_kPa, "grit": int(job.grit[1:]),
                 "thickness": job.thickness_mm, "passes": job.passes, "rmin": low, "rmax": high,
                 "hours": job.sheet_hours[:1] if job.sheet_hours[0] == job.sheet_hours[1] else job.sheet_hours}
        answers.append(module.window_for(trial.log, asked, job.confidence, job.share))
    return [w if w is None or w[1] / w[0] >= 1.05 else None for w in answers]


def one_campaign(task: tuple[str, int], kinds: list[str], methods: list[str], folder: str | None,
                 confidence: float) -> list[dict]:
    """Every method's windows for one campaign, judged by its truth."""
    family, seed = task
    trial = campaign(family, seed)
    asked = {kind: trial.job(kind, confidence) for kind in kinds}
    rows = []
    for method in methods:
        ask: Callable[[Campaign, list[Job]], Windows] = (
            ours if method == "edgefinish" else
            partial(reference, folder) if method == "reference" else partial(rival, method))
        mine = {k: v for k, v in asked.items() if method != "reference" or v[0].residual_burr_mm is None}
        jobs = [job for job, _ in mine.values()]
        started = time.process_time()
        try:
            answers = ask(trial, jobs)
        except Exception as error:
            raise RuntimeError(f"{method} on family {family!r}, seed {seed}: {error}") from error
        seconds = (time.process_time() - started) / max(len(jobs), 1)
        for (kind, (job, true)), got in zip(mine.items(), answers, strict=True):
            rows.append({"family": family, "job": kind, "method": method, "seed": seed, "seconds": seconds,
                         "issued": got is not None,
                         "holds": got is not None and holds(trial.truth, job, *got, trial.positions),
                         "width": 0.0 if got is None else math.log(got[1] / got[0]) / math.log(true[1] / true[0]),
                         "low": got and got[0], "high": got and got[1], "true_low": true[0], "true_high": true[1]})
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One line for each family, job kind and method; `se` is the Monte-Carlo standard error of `holds`."""
    rows = rows.assign(kept=rows["holds"] | ~rows["issued"])
    out = []
    for (family, kind, method), part in rows.groupby(["family", "job", "method"], sort=False):
        n = int(part["issued"].sum())
        held = float(part.loc[part["issued"], "holds"].mean()) if n else math.nan
        # Half a miss is added on each side: 60 of 60 has an error too.
        near = (held * n + 0.5) / (n + 1) if n else math.nan
        out.append({"family": family, "job": kind, "method": method, "campaigns": len(part), "issued": n / len(part),
                    "holds": held, "se": math.sqrt(near * (1 - near) / n) if n else math.nan,
                    "all": float(part["kept"].mean()), "width": float(part["width"].mean()),
                    "seconds": float(part["seconds"].mean())})
    return pd.DataFrame(out)


WAYS: Mapping[str, str] = {
    "edgefinish": "**edgefinish**", "reference": "reference",
    "at its word": "least squares, fitted values at their word",
    "tolerance": "least squares, tolerance limits, edges as independent",
    "mixed model": "mixed model (statsmodels, REML), at its word",
    "Gaussian process": "Gaussian process (scikit-learn), predictive", "conformal": "split conformal",
    "conformal with confidence": "split conformal, with confidence on top",
    "sampler": "general sampler (bambi, NUTS), its default priors, whole window"}


def markdown(rows: pd.DataFrame) -> str:
    """The table for the README: one line a method, over all families and jobs."""
    lines = ["| way | issued | holds | in its worst family | width | seconds a window |",
             "| --- | --- | --- | --- | --- | --- |"]
    for method, part in rows.groupby("method", sort=False):
        given = part[part["issued"]]
        held, n = float(given["holds"].mean()), len(given)
        # Windows of one trial fail together: the error is that of trials.
        by_trial = (given["holds"] - held).groupby([given["family"], given["seed"]]).sum()
        near = (held * n + 0.5) / (n + 1)
        error = math.sqrt(max(float((by_trial**2).sum()), n * near * (1 - near))) / n
        lines.append(f"| {WAYS[method]} | {part['issued'].mean():.2f} | {held:.2f} ± {error:.2f} | "
                     f"{given.groupby('family')['holds'].mean().min():.2f} | {part['width'].mean():.2f} | "
                     f"{part['seconds'].mean():.2f} |")
    return "\n".join(lines)


def run(tasks: Iterable[tuple[str, int]], workers: int, **options: object) -> pd.DataFrame:
    """All campaigns, in the order given whatever the number of workers."""
    work = partial(one_campaign, **options)
    if workers == 1:
        return pd.DataFrame([row for task in tasks for row in work(task)])
    with ProcessPoolExecutor(workers) as pool:
        return pd.DataFrame([row for rows in pool.map(work, tasks) for row in rows])


def main() -> None:
    """The command line; see `--help`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--families", default="usual", help=f"comma list, or all: {', '.join(FAMILIES)}")
    parser.add_argument("--campaigns", type=int, default=20, help="trials of each family (default 20)")
    parser.add_argument("--seed", type=int, default=0, help="first seed (default 0)")
    parser.add_argument("--jobs", default=",".join(KINDS), help="comma list of job kinds: " + ", ".join(KINDS))
    parser.add_argument("--methods", default="edgefinish", help=f"comma list: edgefinish, {', '.join(RIVALS)}; or all")
    parser.add_argument("--reference", metavar="DIR", help="folder with posterior.py, compared on radius jobs")
    parser.add_argument("--confidence", type=float, default=0.95)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--markdown", action="store_true", help="print the table of the README")
    parser.add_argument("--out", metavar="FILE.csv", help="every window, one row each")
    args = parser.parse_args()
    families = list(FAMILIES) if args.families == "all" else [f.strip() for f in args.families.split(",")]
    kinds = [k.strip() for k in args.jobs.split(",")]
    methods = ["edgefinish", *RIVALS] if args.methods == "all" else [m.strip() for m in args.methods.split(",")]
    for method, package in NEEDS.items():
        if method in methods and not importlib.util.find_spec(package):
            print(f"{method} left out: {package} is not installed; pip install '.[bench]'", file=sys.stderr)
            methods.remove(method)
    methods += ["reference"] if args.reference else []
    for found, known in ((families, list(FAMILIES)), (kinds, list(KINDS)),
                         (methods, ["edgefinish", "reference", *RIVALS])):
        for unknown in set(found) - set(known):
            parser.error(f"{unknown!r} is not one of {', '.join(known)}")
    tasks = [(f, args.seed + i) for f in families for i in range(args.campaigns)]
    rows = run(tasks, args.workers, kinds=kinds, methods=methods, folder=args.reference, confidence=args.confidence)
    if args.out:
        rows.to_csv(args.out, index=False)
    if args.markdown:
        print(markdown(rows))
        return
    total = summary(rows)
    if len(families) > 1:
        total = pd.concat([total, summary(rows.assign(family="— all —"))])
    print(total.to_string(index=False, float_format=lambda v: f"{v:.3f}"))


if __name__ == "__main__":
    main()
