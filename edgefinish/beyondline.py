"""What a log holds that the line, by its study, cannot run, and earlier logs that are the same readings again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from .findings import Message
from .job import Line
from .layout import plates_of
from .triallog import TrialLog
from .units import QUANTITIES, System, shown

_ROUNDING = 0.01  # gauges and unit conversions round
_LISTED = 5
_SEVERAL, _MORE_THAN_CHANCE = 3, 2
_SAME = ("run", "abrasive_sheet", "edge_position", "feed_speed_m_min", "contact_hours", "edge_radius_mm")


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


def without_repeats(log: TrialLog, history: Sequence[TrialLog]) -> tuple[tuple[TrialLog, ...], int]:
    """Earlier logs without plates that the log itself or one before has too, which would count twice; and how many
    those are: the same run on the same sheet with the same radii. One plate of a log may be alike by chance."""
    seen, left, repeated = set(_by_plate(log)["what"]) if history else set(), [], 0
    for past in history:
        plates = _by_plate(past)
        again = plates["what"].isin(seen)
        seen |= set(plates["what"])
        if again.sum() < _MORE_THAN_CHANCE:
            left.append(past)
            continue
        repeated += int(again.sum())
        keep = ~np.isin(plates_of(past.rows).of, plates.index[again])
        if keep.any():
            left.append(replace(past, rows=past.rows[keep], row_numbers=past.row_numbers[keep]))
    return tuple(left), repeated


def _by_plate(log: TrialLog) -> pd.DataFrame:
    """Plates with several radii, by their number, with a number for all that was read of each, `what`."""
    read = np.isfinite(log.reading("edge_radius_mm").value)
    one = pd.util.hash_pandas_object(log.rows[list(_SAME)].astype(str), index=False).to_numpy()
    plates = pd.DataFrame({"plate": plates_of(log.rows).of[read], "what": one[read]}).groupby("plate")["what"]
    return plates.agg(["sum", "size"]).query(f"size >= {_SEVERAL}").rename(columns={"sum": "what"})
