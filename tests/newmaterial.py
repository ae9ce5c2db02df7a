"""Simulated logs in which a material is new: three known ones with 36 plates each, and a fourth with a few.

No line is real. Materials differ from one another in level, feed exponent and pressure exponent; each case is one way
in which the new one may differ from the known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from lines import POSITIONS, Plan, Truth, _as_read, _plate, _usual, _wider, oracle, run_trial

from edgefinish.job import Job

KNOWN = ("S235", "S355", "S690")
NEW = "1.4301"
RANGE = (0.9, 6.0)
AGES = (0.0, 12.0)
_DAYS = 40                                          # between the trials of two materials
_TYPICAL = (0.20, 0.08, 0.08)


@dataclass(frozen=True)
class Case:
    """SDs of the known materials' level, feed and pressure exponent, and the new one's (drawn alike if None)."""

    known: tuple[float, float, float] = _TYPICAL
    new: tuple[float, float, float] | None = None
    wider: float = 1.0                              # the new one's spreads over the known ones'
    wear: float = 1.0                               # and its wear
    positions: bool = False                         # whether its positions differ from the known ones'


ODD = (-0.4, -0.3, 0.0)
CASES: Mapping[str, Case] = {
    "typical": Case(),
    "alike": Case((0.06, 0.03, 0.03)),
    "odd": Case((0.10, 0.04, 0.04), ODD),
    "tight odd": Case((0.02, 0.01, 0.01), ODD),
    "steep": Case((0.10, 0.04, 0.04), (0.3, -0.3, 0.2)),
    "spread 1.5": Case(wider=1.5),
    "odd and spread 1.5": Case((0.10, 0.04, 0.04), ODD, wider=1.5),
    "wear 2": Case(wear=2.0, positions=True),
}


@dataclass(frozen=True)
class NewMaterial:
    """Truth of the new material, the known ones' log, its own logs of few and of many plates, a job and its oracle."""

    truth: Truth
    known: pd.DataFrame
    few: pd.DataFrame
    many: pd.DataFrame
    job: Job
    oracle: tuple[float, float]


def _own(line: Truth, name: str, step: tuple[float, float, float]) -> Truth:
    return replace(line, level=line.level + step[0], feed=line.feed + step[1], pressure=line.pressure + step[2],
                   materials={name: (0.0, 0.0)})


def planned(truth: Truth, job: Job, sheets: int, plates: int, rng: np.random.Generator) -> pd.DataFrame:
    """A trial at the job's settings: speeds in three steps and young and old sheets, each sheet seeing a mixture."""
    of_sheet = np.sort(np.arange(plates) % sheets)
    steps = np.concatenate([rng.permutation(3) for _ in range(-(-plates // 3))])[:plates]
    rows = []
    for s in range(sheets):
        here = np.flatnonzero(of_sheet == s)
        ages = np.round(np.linspace(0.2, AGES[1] + 1, len(here)), 1)
        sheet, wear = rng.normal(0, truth.sheet), rng.normal(0, truth.own_wear)
        for i, h in zip(here, ages, strict=True):
            feed = round(RANGE[0] * (RANGE[1] / RANGE[0]) ** (steps[i] / 2), 2)
            z = sheet + wear * h / 10 + rng.normal(0, truth.plate)
            rows.append({"job": replace(job, burr_severity="moderate"), "sheet": s + 1, "hours": h, "feed": feed,
                         "z": z, "burr_sheet": 0.0, "burr": 0.3, "skip": False,
                         "removal": rng.normal(0, truth.removal_plate)})
    log = pd.concat([_plate(truth, i, row, rng) for i, row in enumerate(rows)], ignore_index=True)
    return _as_read(truth, log, rng)


def _named(log: pd.DataFrame, place: int) -> pd.DataFrame:
    """The log of one material with runs, sheets and days of its own."""
    prefix = "ABCDEFG"[place]
    return log.assign(run=prefix + log["run"], abrasive_sheet=prefix + log["abrasive_sheet"],
                      date=log["date"] + pd.Timedelta(days=_DAYS * place))


def new_material(case: str, seed: int, plates: int = 8, sheets: int = 3) -> NewMaterial:
    """One trial of a case; the same seed gives the same.

    >>> trial = new_material("odd", 1)
    >>> len(trial.known), len(trial.few), len(trial.many)
    (432, 32, 144)
    """
    rng = np.random.default_rng([seed, list(CASES).index(case), 5])
    made = CASES[case]
    line = replace(_usual(rng), drift=0.0)

    def some() -> tuple[float, float, float]:
        return tuple(rng.normal(0, made.known))

    truths = [_own(line, name, some()) for name in KNOWN]
    mine = _own(_wider(line, made.wider), NEW, made.new or some())
    mine = replace(mine, wear=mine.wear * made.wear, wear_root=mine.wear_root * made.wear)
    if made.positions:
        mine = replace(mine, position={p: rng.normal(0, 0.06) for p in POSITIONS})
    known = pd.concat([_named(run_trial(t, Plan(), rng), i) for i, t in enumerate(truths)], ignore_index=True)
    job, true = _job(mine, rng)
    few = _named(planned(mine, job, sheets, plates, rng), len(KNOWN))
    many = _named(planned(mine, job, 6, 36, rng), len(KNOWN))
    return NewMaterial(mine, known, few, many, job, true)


def _job(truth: Truth, rng: np.random.Generator) -> tuple[Job, tuple[float, float]]:
    """A radius job through sheet life that the truth leaves a log-width of 0.5 or more."""
    job = Job(material=NEW, thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=AGES,
              edge_radius_mm=(0.1, 1.0))
    middle = float(truth.centre(job, np.array(2.3), np.array(4.0), None))
    half = rng.uniform(0.6, 0.8)
    for attempt in range(60):
        wide = half * (1 + attempt / 30)
        job = replace(job, edge_radius_mm=(round(math.exp(middle - wide), 3), round(math.exp(middle + wide), 3)))
        true = oracle(truth, job, *RANGE)
        if true is not None and math.log(true[1] / true[0]) >= 0.5:
            return job, true
    raise ValueError("no job has a window worth looking for")


