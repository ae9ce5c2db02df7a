"""Does planning pay? Planned trials against ordinary ways of running one, on lines that are not the planner's model.

    python tests/bench/planning.py --lines 60 --jobs one --workers 2

Every way gets the same lines and jobs, and its first sheets, plates and edges the same luck. `width` is the log-width
over the oracle's, 0 where no window is issued; `holds` the share of issued windows that keep their promise on the
truth; `over` the paired difference in width to the best ordinary way, with its standard error; `kept` the width with a
window that breaks its promise counted as 0: ordinary trials seldom meet a fresh sheet, and some of their windows are
wide for what they did not see; `own − library` the paired difference in width at equal plates and sheets. Planned
trials are averaged over five plans.

Ordinary ways: a grid of speeds stepped up at one pressure, random settings, a face-centred composite of speed and
pressure, all with sheets in blocks and ages as they come; careful: the grid (of many jobs: the composite) in random
order, ages spread evenly; library: split plots of a library of designs (`splitplots.py`). All is invented.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path

for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from lines import FAMILIES, POSITIONS, SEVERITIES, Truth, _as_read, _plate, holds, oracle  # noqa: E402

import edgefinish as ef  # noqa: E402

FEED, OLDEST = (0.9, 6.0), 20.0
# Lines whose laws or spreads the planner does not know.
BROKEN = ("plateau", "break-in", "collapse late in life", "pressure with feed", "position with feed", "law that curves",
          "pre-rounded edges", "heavy tails t4", "sheets at their own pace", "spread by position")
WORTH = 0.5
PLANS = 5
STOP_AT = (0.3, 0.5, 0.7)


def asked(kind: str) -> list[ef.Job]:
    """The jobs of a study: one, or six over pressures, grits and thicknesses."""
    def job(pressure: float, grit: str, thickness: float, last: float) -> ef.Job:
        return ef.Job(material="S355", thickness_mm=thickness, drum_pressure_kPa=pressure, grit=grit,
                      sheet_hours=(0, last), edge_radius_mm=(0.2, 0.7))
    if kind == "one":
        return [job(60, "P80", 10, 15)]
    return [job(45, "P60", 6, 15), job(45, "P80", 10, 10), job(60, "P80", 16, 15), job(60, "P120", 6, 15),
            job(75, "P80", 10, 10), job(75, "P120", 16, 15)]


@cache
def own(kind: str, plates: int, sheets: int, seed: int) -> pd.DataFrame:
    """One planned trial; another seed ends in another plan of nearly the same worth."""
    trial = ef.Trial(plates=plates, sheets=sheets, sheet_hours=(0, OLDEST))
    return ef.plan(asked(kind), feed_speed_m_min=FEED, trial=trial, seed=seed).runs


@cache
def _split_plots() -> pd.DataFrame:
    return pd.read_csv(Path(__file__).with_name("splitplots.csv"))


@cache
def library(kind: str, plates: int, sheets: int, seed: int) -> pd.DataFrame:
    """One split plot of the library at the jobs' settings, its sheets growing older, else in random order."""
    every = _split_plots()
    coded = every[(every["kind"] == kind) & (every["plates"] == plates) & (every["sheets"] == sheets)
                  & (every["seed"] == seed)]
    jobs = asked(kind)

    def level(what: str, values: list[float]) -> pd.Series:
        return coded[what].fillna(0).astype(int).add(1).map(dict(enumerate(values)))
    pressure, thickness = ([60.0] * 3, [10.0] * 3) if kind == "one" else ([45.0, 60.0, 75.0], [6.0, 10.0, 16.0])
    runs = pd.DataFrame({
        "feed_speed_m_min": level("speed", np.geomspace(*FEED, 3).round(2).tolist()),
        "drum_pressure_kPa": level("pressure", pressure), "thickness_mm": level("thickness", thickness),
        "grit": coded["grit"].fillna(jobs[0].grit), "contact_hours": level("age", [0.0, OLDEST / 2, OLDEST]),
        "abrasive_sheet": "A" + coded["sheet"].astype(str), "turn": np.random.default_rng(seed).permutation(plates)})
    runs = runs.assign(sheet=coded["sheet"]).sort_values(["sheet", "contact_hours", "turn"], ignore_index=True)
    return runs.drop(columns=["sheet", "turn"])


def plan_of(seed: int) -> int:
    """Which of the plans a line gets: lines of one family get them in turn."""
    return seed // len(BROKEN) % PLANS


def shop(kind: str, way: str, plates: int, sheets: int, rng: np.random.Generator) -> pd.DataFrame:
    """One trial as shops run it."""
    several = kind != "one"
    grits = ("P80", "P60", "P80", "P120") if several else ("P80",)
    sheet = np.sort(np.arange(plates) % sheets)
    grid = np.geomspace(*FEED, 6)
    pressure, feed = np.full(plates, 60.0), grid[np.arange(plates) % 6]
    thickness = rng.choice((6.0, 10.0, 16.0), plates) if several else np.full(plates, 10.0)
    if way == "random":
        feed = np.exp(rng.uniform(*np.log(FEED), plates))
        pressure = rng.choice((45.0, 60.0, 75.0), plates)
    elif way in ("composite", "careful") and (several or way == "composite"):
        speeds = (FEED[0], math.sqrt(FEED[0] * FEED[1]), FEED[1])
        points = [(v, p) for v in speeds for p in (45.0, 60.0, 75.0)] + [(speeds[1], 60.0)] * 3
        order = rng.permutation(np.resize(np.arange(len(points)), plates))
        feed, pressure = np.array([points[i] for i in order]).T
    elif way == "careful":
        feed = rng.permutation(feed)
    ages = np.empty(plates)
    for s in range(sheets):
        mine = sheet == s
        n = int(mine.sum())
        ages[mine] = np.linspace(0, OLDEST, n) if way == "careful" else np.sort(rng.uniform(0, OLDEST, n))
    return pd.DataFrame({"feed_speed_m_min": feed.round(2), "drum_pressure_kPa": pressure, "thickness_mm": thickness,
                         "grit": [grits[s % len(grits)] for s in sheet], "contact_hours": ages.round(1),
                         "abrasive_sheet": [f"A{s + 1}" for s in sheet]})


def trial_log(truth: Truth, runs: pd.DataFrame, seed: int) -> pd.DataFrame:
    """The log that a line gives for some runs; the first sheets and plates of any trial have the same luck. Burr is
    read where the runs say which they carry."""
    rng = np.random.default_rng([seed, 1])
    of_sheet, of_plate = rng.standard_normal((40, 2)), rng.standard_normal(200)
    burr_of_sheet, burr_of_plate = rng.standard_normal(40), rng.uniform(size=200)
    sheets = {name: k for k, name in enumerate(dict.fromkeys(runs["abrasive_sheet"]))}
    plates = []
    for i, run in enumerate(runs.to_dict("records")):
        severity = run.get("burr_severity", "moderate")
        job = ef.Job(material="S355", thickness_mm=run["thickness_mm"], drum_pressure_kPa=run["drum_pressure_kPa"],
                     grit=run["grit"], residual_burr_mm=0.0, burr_severity=severity)
        s, h, (low, high) = sheets[run["abrasive_sheet"]], run["contact_hours"], SEVERITIES[severity]
        z = truth.sheet * of_sheet[s, 0] + truth.own_wear * of_sheet[s, 1] * h / 10 + truth.plate * of_plate[i]
        row = {"job": job, "sheet": s + 1, "hours": h, "feed": run["feed_speed_m_min"], "z": z, "removal": 0.0,
               "skip": False, "burr_sheet": truth.burr_sheet * burr_of_sheet[s],
               "burr": round(float(low + (high - low) * burr_of_plate[i]), 2)}
        plates.append(_plate(truth, i, row, np.random.default_rng([seed, 2, i])))
    log = _as_read(truth, pd.concat(plates, ignore_index=True), np.random.default_rng([seed, 3]))
    burr = ["residual_burr_mm", "burr_height_mm", "burr_severity"]
    return log.drop(columns=["removal_um", *(burr if "burr_severity" not in runs else [])])


def line_and_jobs(kind: str, seed: int) -> tuple[Truth, list[tuple[ef.Job, float]]]:
    """A line, and the jobs on which it truly has a window worth looking for, with its log width."""
    for attempt in range(50):
        family = BROKEN[(seed + attempt) % len(BROKEN)]
        rng = np.random.default_rng([seed, attempt, 5])
        truth = FAMILIES[family](rng)[0]
        middle, half = 0.37 * math.exp(rng.normal(0, 0.08)), rng.uniform(0.6, 0.8)
        found = []
        for job in asked(kind):
            centre = float(truth.centre(job, np.array(2.3), np.array(8.0), None))
            shift = math.exp(centre - math.log(0.37)) if kind != "one" else 1.0
            limits = tuple(round(middle * shift * math.exp(s * half), 3) for s in (-1, 1))
            job = ef.Job(material="S355", thickness_mm=job.thickness_mm, drum_pressure_kPa=job.drum_pressure_kPa,
                         grit=job.grit, sheet_hours=job.sheet_hours, edge_radius_mm=limits)
            true = oracle(truth, job, *FEED)
            if true is not None and math.log(true[1] / true[0]) >= WORTH:
                found.append((job, math.log(true[1] / true[0])))
        if found:
            return truth, found
    raise ValueError(f"seed {seed}: no line with a job that it can do")


WAYS: dict[str, tuple[Callable[..., pd.DataFrame] | str, int, int]] = {
    "own 27 on 6": (own, 27, 6), "own 18 on 9": (own, 18, 9), "own 36 on 6": (own, 36, 6),
    "grid 36 on 6": ("grid", 36, 6), "random 36 on 6": ("random", 36, 6), "composite 36 on 6": ("composite", 36, 6),
    "careful 36 on 6": ("careful", 36, 6), "library 27 on 6": (library, 27, 6), "library 18 on 9": (library, 18, 9),
    "library 36 on 6": (library, 36, 6)}
ORDINARY = ("grid 36 on 6", "random 36 on 6", "composite 36 on 6")


def one_line(seed: int, kind: str) -> list[dict]:
    """Every way on one line."""
    truth, jobs = line_and_jobs(kind, seed)
    rows = []
    for name, (way, plates, sheets) in WAYS.items():
        runs = (way(kind, plates, sheets, plan_of(seed)) if callable(way) else
                shop(kind, way, plates, sheets, np.random.default_rng([seed, 4])))
        model = ef.fit(ef.read_log(trial_log(truth, runs, seed)))
        for job, true in jobs:
            w = model.window(job)
            issued = w.verdict == "window"
            rows.append({"way": name, "line": seed, "jobs": len(jobs), "issued": issued,
                         "holds": issued and holds(truth, job, w.low_m_min, w.high_m_min, POSITIONS),
                         "width": math.log(w.high_m_min / w.low_m_min) / true if issued else 0.0})
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a way; lines count alike, however many jobs each can do."""
    both = rows.assign(kept=rows["width"] * rows["holds"]).pivot_table(
        index="line", columns="way", values=["width", "kept"], sort=False)
    by_line, kept = both["width"], both["kept"]
    best = by_line[list(ORDINARY)].mean().idxmax()
    out = []
    for way in WAYS:
        part = rows[rows["way"] == way]
        row = {"way": way, "lines": len(by_line), "issued": part["issued"].mean(),
               "holds": part.loc[part["issued"], "holds"].mean(), "width": by_line[way].mean(),
               **_paired(f"over {best}", by_line[way] - by_line[best]), "kept": kept[way].mean(),
               **_paired("kept over it", kept[way] - kept[best])}
        if way.startswith("own"):
            row |= _paired("own − library", by_line[way] - by_line[way.replace("own", "library")])
        out.append(row)
    return pd.DataFrame(out)


def _paired(name: str, over: pd.Series) -> dict[str, str]:
    """A mean difference with its standard error."""
    return {name: f"{over.mean():+.3f} ± {over.std() / math.sqrt(len(over)):.3f}"}


def more_plates(seed: int, kind: str) -> list[dict]:
    """What 3 and 6 more plates were foretold to gain after 16 on 4, and what they gained, for 0, 1 and 2 new sheets.

    A job without a window has width 0, before and after.
    """
    truth, jobs = line_and_jobs(kind, seed)
    first = own(kind, 16, 4, plan_of(seed))
    before = ef.fit(ef.read_log(trial_log(truth, first, seed)))
    asked_for = [job for job, _ in jobs]
    had = [width_of(before.window(job)) for job in asked_for]
    rows = []
    for plates, new in ((p, n) for p in (3, 6) for n in range(3)):
        told = ef.next_plates(before, asked_for, plates=plates, only_new=new)
        if told.options.empty:
            continue
        runs = and_then(first, told.plates)
        after = ef.fit(ef.read_log(trial_log(truth, runs, seed)))
        gains = np.array([width_of(after.window(job)) for job in asked_for]) - had
        # Gains are told of the jobs that have a window at even odds; the others' are nothing, foretold and got alike.
        share = len(told.gains) / len(asked_for)
        rows.append({"plates": plates, "new_sheets": new, "line": seed, "had": float(np.mean(had)),
                     "foretold": share * float(told.options["gain_log"].iloc[0]), "got": float(np.mean(gains))})
    return rows


def and_then(runs: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """The runs, and further ones after them; sheets that were run before keep the name that they have in `runs`."""
    before = list(dict.fromkeys(runs["abrasive_sheet"]))
    names = {f"A{k + 1:02d}": name for k, name in enumerate(before)}
    names |= {f"new {k}": f"A{len(before) + k}" for k in (1, 2)}
    both = pd.concat([runs, more.assign(abrasive_sheet=more["abrasive_sheet"].map(names))], ignore_index=True)
    assert both["abrasive_sheet"].notna().all()
    return both.assign(run=[f"R{i:02d}" for i in range(len(both))])


def width_of(window: ef.SpeedWindow) -> float:
    return math.log(window.high_m_min / window.low_m_min) if window.verdict == "window" else 0.0


def gains_summary(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a way of going on; `order` is the share of pairs of ways told in the order of their mean gains got."""
    groups = rows.groupby(["plates", "new_sheets"])
    table = groups[["foretold", "got"]].mean().assign(se=groups["got"].std() / np.sqrt(groups.size()),
                                                      lines=groups.size())
    by_line = rows.pivot_table(index="line", columns=["plates", "new_sheets"], values="foretold").to_numpy()
    got, pairs = table["got"].to_numpy(), [(i, j) for i in range(len(table)) for j in range(i)]
    right = [np.sign(by_line[:, i] - by_line[:, j]) == np.sign(got[i] - got[j]) for i, j in pairs]
    return table.assign(told_over_got=table["foretold"] / table["got"], order=float(np.mean(right)))


def sequential(seed: int, kind: str) -> list[dict]:
    """A trial that goes on by four plates at a time, from 12 on 4, until the window has the log width asked for."""
    truth, jobs = line_and_jobs(kind, seed)
    job, true = jobs[0]
    runs, wanted = own(kind, 12, 4, plan_of(seed)), iter(STOP_AT)
    width, rows, window = next(wanted), [], None
    while len(runs) <= 44:
        model = ef.fit(ef.read_log(trial_log(truth, runs, seed)))
        window = model.window(job)
        got = math.log(window.high_m_min / window.low_m_min) if window.verdict == "window" else 0.0
        while width is not None and got >= width:
            rows.append({"stop_at": width, "line": seed, "plates": len(runs), "width": got / true,
                         "holds": holds(truth, job, window.low_m_min, window.high_m_min, POSITIONS)})
            width = next(wanted, None)
        if width is None:
            break
        told = ef.next_plates(model, [job], plates=4)
        if told.plates.empty:
            break
        runs = and_then(runs, told.plates)
    return rows


def run(seeds: range, kind: str, workers: int, work: Callable[..., list[dict]]) -> Iterator[list[dict]]:
    """Every line, in order."""
    if workers == 1:
        yield from map(partial(work, kind=kind), seeds)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(partial(work, kind=kind), seeds)


def main() -> None:
    """The command line; see `--help`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0, help="first line")
    parser.add_argument("--jobs", choices=["one", "six"], default="one")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", metavar="FILE.csv", help="every window, one row each")
    parser.add_argument("--next", action="store_true", help="what more plates were foretold to gain, and gained")
    parser.add_argument("--sequential", action="store_true", help="trials that stop when the window is wide enough")
    args = parser.parse_args()
    seeds = range(args.seed, args.seed + args.lines)
    work = more_plates if args.next else sequential if args.sequential else one_line
    frame = pd.DataFrame([r for rows in run(seeds, args.jobs, args.workers, work) for r in rows])
    if args.out:
        frame.to_csv(args.out, index=False)
    if args.sequential:
        groups = frame.groupby("stop_at")
        reached = groups.size() / args.lines
        print(groups[["plates", "width", "holds"]].mean().assign(reached=reached).round(3).to_string())
        return
    if args.next:
        print(gains_summary(frame).round(4).to_string())
        return
    print(summary(frame).to_string(index=False, float_format=lambda v: f"{v:.3f}"))


if __name__ == "__main__":
    main()
