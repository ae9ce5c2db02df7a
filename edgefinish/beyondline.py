"""What a log holds, or a job asks, that the line, by its study, cannot run."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from .findings import Message
from .job import Job, Line
from .triallog import TrialLog
from .units import QUANTITIES, System, shown

_ROUNDING = 0.01  # gauges and unit conversions round
_LISTED = 5


class Beyond(NamedTuple):
    """A setting of a job that the line cannot run: its name, what the job asks, what the line can, what to do."""

    name: str
    asked: str
    able: str
    remedy: str


def beyond_line(line: Line, job: Job, system: System = "metric") -> list[Beyond]:
    """The settings of a job that the line cannot run.

    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> [(one.name, one.asked, one.able) for one in beyond_line(Line(grits=("P36",)), job)]
    [('grit', 'P80', 'P36')]
    """
    found = []
    if line.grits and job.grit not in line.grits:
        found.append(Beyond("grit", job.grit, ", ".join(line.grits), f"change the job's grit, or add {job.grit} to the "
                            "line's grits in the study if it can be run"))
    if line.drum_pressure_kPa:
        low, high = line.drum_pressure_kPa
        if not low <= job.drum_pressure_kPa <= high:
            asked, *able = (shown("drum_pressure_kPa", v, system) for v in (job.drum_pressure_kPa, low, high))
            found.append(Beyond("drum_pressure_kPa", asked, " to ".join(able), "change the job's drum pressure, or "
                                "correct the line's limits in the study"))
    return found


def told_beyond_line(log: TrialLog, line: Line, system: System = "metric") -> TrialLog:
    """The log with a message for each run whose speed or pressure lies outside what the line can do."""
    found: list[Message] = []
    for name, span in (("feed_speed_m_min", line.feed_speed_m_min), ("drum_pressure_kPa", line.drum_pressure_kPa)):
        if span is None:
            continue
        value = log.rows[name].to_numpy(float)
        outside = (value < span[0] * (1 - _ROUNDING)) | (value > span[1] * (1 + _ROUNDING))
        runs = log.rows["run"][outside]
        first = np.flatnonzero(outside)[~runs.duplicated().to_numpy()]
        able = f"{shown(name, span[0], system)} to {shown(name, span[1], system)}"
        for at in first[:_LISTED]:
            found.append(Message(int(log.row_numbers[at]), name, "told",
                                 f"run {log.rows['run'].iloc[at]}: {shown(name, value[at], system)}, and the line's "
                                 f"{QUANTITIES[name].label} goes from {able} by the study; a slip of the pen?"))
        if len(first) > _LISTED:
            found.append(Message(int(log.row_numbers[first[_LISTED]]), name, "told",
                                 f"{len(first) - _LISTED} more runs outside {able}"))
    return replace(log, messages=(*log.messages, *found)) if found else log
