"""Coated-abrasive grit: the P scale and the size of its grain."""

from __future__ import annotations

import re
from types import MappingProxyType

from .errors import nearest

# Customary mean grain size of the macrogrits, micrometres: P12 to P220 are defined by sieve fractions (ISO 6344,
# FEPA 43); the mean size is the figure of the trade's comparison tables, no tolerance of the standard.
GRAIN_UM = MappingProxyType({
    "P12": 1815.0, "P16": 1324.0, "P20": 1000.0, "P24": 764.0, "P30": 642.0, "P36": 538.0, "P40": 425.0,
    "P50": 336.0, "P60": 269.0, "P80": 201.0, "P100": 162.0, "P120": 125.0, "P150": 100.0, "P180": 82.0, "P220": 68.0,
})
BARE_UP_TO = 220
_GRIT = re.compile(r"\s*[Pp]\s*(\d{1,4})\s*")


def grit_name(text: str) -> str:
    """The P-scale name in its one spelling.

    Raises `ValueError` for anything that is not one of P12 to P220; finer grades are defined by sedimentation and
    are not used on such drums.

    >>> grit_name(" p80 ")
    'P80'
    """
    match = _GRIT.fullmatch(str(text))
    name = f"P{int(match.group(1))}" if match else str(text).strip()
    if not match or name not in GRAIN_UM:
        hint = nearest(name, tuple(GRAIN_UM))
        raise ValueError(f"found {text!r}, wanted a P-scale grit from P12 to P220{'; ' + hint if hint else ''}")
    return name


def grain_um(grit: str) -> float:
    """Mean grain size of a P-scale grit, micrometres.

    >>> grain_um("P80")
    201.0
    """
    return GRAIN_UM[grit_name(grit)]
