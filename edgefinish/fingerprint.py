"""The fingerprint of a setup sheet: it leads back to the log, the study file and the window that the sheet shows."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from .job import Job, SpeedWindow
from .results import Results

DIGITS = 12
SPEEDS = ("low_m_min", "high_m_min", "recommended_m_min")


def fingerprint(results: Results, window: SpeedWindow) -> str:
    """Three groups of 12 hexadecimal digits: of the log, of the study file, of the job with its window.

    Whatever was changed changes its own group: another log the first, an edited study file the second, other
    settings, limits or speeds the third.
    """
    row = asdict(window.job) | {name: getattr(window, name) for name in SPEEDS}
    return "-".join((results.log.sha256[:DIGITS], results.study.sha256[:DIGITS], window_mark(row)))


def window_mark(row: Mapping[str, Any]) -> str:
    """The third group, from the fields of the job and the speeds of its window, as `windows.json` has them.

    Speeds count to six digits. Entries besides are not looked at.

    >>> job = Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40)
    >>> row = asdict(job) | {"low_m_min": 1.43, "high_m_min": 2.57, "recommended_m_min": 1.5}
    >>> mark, other = window_mark(row), window_mark(row | {"low_m_min": 1.44})
    >>> len(mark), mark == other, window_mark(json.loads(json.dumps(row)) | {"reasons": []}) == mark
    (12, False, True)
    """
    kept = {name: _six(row[name]) for name in (*(f.name for f in fields(Job)), *SPEEDS)}
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:DIGITS]


def _six(value: Any) -> Any:
    """Numbers in one form, as text: 10 and 10.0 are one thickness."""
    if isinstance(value, (list, tuple)):
        return [_six(v) for v in value]
    return f"{value:.6g}" if isinstance(value, (int, float)) else value
