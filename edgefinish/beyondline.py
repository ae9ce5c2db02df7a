"""What a log holds that the line, by its study, cannot run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .findings import Message
from .job import Line
from .triallog import TrialLog
from .units import QUANTITIES, System, shown

_ROUNDING = 0.01  # gauges and unit conversions round
_LISTED = 5


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
