"""Every material and burr severity of a log as jobs, each at the settings that were most often run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from .abrasive import grain_um
from .job import BURR_SEVERITIES, Job
from .triallog import TrialLog
from .wording import job_name, sheet_age

EVERY = "every material and burr severity"
SETTINGS = ["thickness_mm", "drum_pressure_kPa", "grit", "passes"]
_ORDER = BURR_SEVERITIES  # lightest first; other words follow by name


def every_job(log: TrialLog, limits: Mapping[str, Any], units: str) -> tuple[tuple[Job, ...], tuple[str, ...]]:
    """One job for each material and burr severity that was run, and a sentence on each choice.

    A material cut by two processes counts as two. The settings are those of most plates; where two are level, the
    smaller ones. The ages run from 0 to the oldest sheet tried on that material with that grit. Plates of which nothing
    was measured yet count only where there are no others.
    """
    rows = log.rows
    runs = rows.drop_duplicates("run")
    frame = pd.DataFrame({
        "run": runs["run"].astype(str), "material": runs["material"].astype(str),
        "read": runs["run"].isin(rows["run"][log.measured]),
        "process": _words(runs, "cut_process"), "severity": _words(runs, "burr_severity"),
        "passes": runs["passes"].fillna(1).astype(int) if "passes" in runs else 1,
        **{name: runs[name] for name in ("thickness_mm", "drum_pressure_kPa", "grit", "contact_hours")},
    })
    jobs, told = [], []
    for material, process, severity, plates in _groups(frame):
        plates = _read(plates)
        counts = plates.groupby(SETTINGS).size().reset_index(name="plates")
        counts["coarse_first"] = [-grain_um(g) for g in counts["grit"]]
        best = counts.sort_values(["plates", "thickness_mm", "drum_pressure_kPa", "coarse_first", "passes"],
                                  ascending=[False, True, True, True, True]).iloc[0]
        same = frame[(frame["material"] == material) & (frame["grit"] == best["grit"])]
        same = same if process is None else same[same["process"] == process]
        oldest = float(_read(same)["contact_hours"].max())
        job = Job.from_mapping({
            **limits, "material": material, "cut_process": process, "burr_severity": severity,
            **{name: best[name] for name in ("thickness_mm", "drum_pressure_kPa", "grit")},
            "passes": int(best["passes"]), "sheet_hours": (0.0, oldest)})
        jobs.append(job)
        told.append(f"{job_name(job, units)}: the settings most often run ({best['plates']} of {len(plates)} plates), "
                    f"on sheets up to the oldest tried, {sheet_age(oldest, 'down')}.")
    return tuple(jobs), tuple(told)


def _read(plates: pd.DataFrame) -> pd.DataFrame:
    return plates[plates["read"]] if plates["read"].any() else plates


def _words(runs: pd.DataFrame, name: str) -> pd.Series:
    """A text column in lower case, blank where it is missing."""
    if name not in runs:
        return pd.Series("", index=runs.index, dtype=str)
    return runs[name].fillna("").astype(str).str.strip().str.casefold()


def _groups(frame: pd.DataFrame) -> Iterator[tuple[str, str | None, str | None, pd.DataFrame]]:
    """Material, cut process where it is needed, severity where one was graded, and the plates."""
    for material, of_material in sorted(frame.groupby("material"), key=lambda g: str(g[0]).casefold()):
        processes = sorted(set(of_material["process"]) - {""})
        for process in processes if len(processes) > 1 else [None]:
            plates = of_material if process is None else of_material[of_material["process"] == process]
            words = set(plates["severity"]) - {""}
            for severity in sorted(words, key=lambda w: (_ORDER.index(w) if w in _ORDER else len(_ORDER), w)) or [None]:
                yield (str(material), process, severity,
                       plates if severity is None else plates[plates["severity"] == severity])
