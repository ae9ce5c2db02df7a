"""Whether removal goes with what sheets and plates do to the radius as the area law has it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from .laws import AREA_LAW
from .layout import Layout
from .mixed import solve
from .posterior import Posterior
from .rows import nodes_at

_STEP = 0.5  # of the coupling, between those that are tried
_DOUBT = 1.0  # prior SD of the coupling where the log speaks against the area law. Judgement, no source
_APART = 1.92  # of log chance: as much as one in twenty of logs that go by the area law gain by another


def coupling_of(lay: Callable[..., Layout], found: Posterior) -> float:
    """How many times removal goes with the effects of sheets and plates on log radius, by the spreads of `found`.

    `AREA_LAW`, by which `found` was fitted, unless the log clearly speaks for less. Removal read on a plate would else
    be taken for the better gauge of its dose, and sheets and plates for more alike than they are. More does no harm:
    removal has effects of its own.
    """
    at_mode = found.mode.theta[None]

    @cache
    def chance(coupling: float) -> float:
        if coupling == AREA_LAW:
            return float(found.at_mode.log_post[0])
        data = lay(coupling=coupling).data
        return float(solve(data, nodes_at(data, at_mode), found.at_mode.eta).log_post[0])
    best = AREA_LAW
    while best - _STEP >= 0 and chance(best - _STEP) > chance(best):
        best -= _STEP
    if chance(best) - chance(AREA_LAW) < _APART:
        return AREA_LAW
    low, middle, high = (chance(best + k * _STEP) for k in (-1, 0, 1))
    bend = max(2 * middle - low - high, 1e-9) / _STEP**2
    seen = best + np.clip((high - low) / (2 * _STEP * bend), -_STEP, _STEP)
    return float(np.round((seen * bend + AREA_LAW / _DOUBT**2) / (bend + 1 / _DOUBT**2), 3))
