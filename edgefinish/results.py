"""A study answered: the log read, the line fitted, a window for each job, and the record that makes it repeatable."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import Any

from threadpoolctl import threadpool_limits

from .explore import SEED
from .handedon import handed_on
from .job import SpeedWindow
from .linemodel import LineModel, fit
from .study import Study, demo_folder, read_study
from .triallog import TrialLog

VERSIONS_OF = ("numpy", "scipy", "pandas")


@dataclass(frozen=True)
class Results:
    """What notebooks, report and setup sheets are made from. `windows` stand in the order of the jobs.

    `record` says what the numbers hang on: versions, seed, fingerprints of log and study, parameters; no time of day.
    """

    study: Study
    log: TrialLog
    model: LineModel
    windows: tuple[SpeedWindow, ...]
    record: Mapping[str, Any]


def find_study(path: str | Path = "") -> Study:
    """The study at a path, checked; without a path the shipped demo, whose data are invented.

    >>> find_study().path.name
    'study.yaml'
    """
    return read_study(demo_folder("demo") / "study.yaml" if path == "" else path)


def open_study(path: str | Path = "") -> Results:
    """Read a study and its log, fit the line, answer every job. Deterministic. Without a path: the shipped demo.

    In a notebook of a run, what that run has worked out already. Raises `StudyError`, `LogError` or `JobError`, each
    with every fault that its stage found.
    """
    study = find_study(path)
    return handed_on(study) or answer(study, study.read_log())


def answer(study: Study, log: TrialLog) -> Results:
    """Fit the line and answer every job of a study whose log has been read."""
    jobs = study.jobs(log)
    study = replace(study, told=study.told + study.choices(log))
    history = study.read_history()
    model = fit(log, line=study.line, severities=study.severities, units=study.units, history=history,
                new_sheets=study.new_sheets)
    with one_thread():
        windows = tuple(model.window(job) for job in jobs)
    return Results(study=study, log=log, model=model, windows=windows, record=_record(study, log, history))


def one_thread() -> AbstractContextManager[object]:
    """Linear algebra in one thread, which sums in one order: the same digits on a machine of any number of cores."""
    return threadpool_limits(1)


def _record(study: Study, log: TrialLog, history: tuple[TrialLog, ...]) -> Mapping[str, Any]:
    return MappingProxyType({
        "edgefinish": version("edgefinish"), "log_sha256": log.sha256, "parameters": {"study": study.path.name},
        "python": platform.python_version(), "seed": SEED, "study": study.name, "study_sha256": study.sha256,
        "units": study.units, **({"history_sha256": [past.sha256 for past in history]} if history else {}),
        **{name: version(name) for name in VERSIONS_OF}})
