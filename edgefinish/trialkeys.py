"""What the study file says of a trial that is still to be run: how much of it, where it is measured, what it costs."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from .errors import nearest
from .words import EDGE_POSITIONS, position_hint

TRIAL_KEYS = ("plates", "sheets", "edges", "sheet_hours", "cost", "minutes", "apart")


class Cost(NamedTuple):
    """What one plate, one abrasive sheet and one hour of the line cost, in the shop's own money."""

    plate: float = 0.0
    sheet: float = 0.0
    hour: float = 0.0


class Minutes(NamedTuple):
    """Line time of one plate with its readings, and of one change of the sheet: common practice, no source."""

    plate: float = 10.0
    sheet: float = 30.0


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What a trial may use: plates, abrasive sheets, the edges measured on each plate, the span of sheet age (h).

    `sheet_hours` None: that of the jobs. `cost` None: not asked. `apart`: groups of materials that never share a sheet;
    materials that no group names are one more.

    >>> import edgefinish as ef
    >>> ef.Trial(cost=ef.Cost(plate=20, sheet=60, hour=90)).cost_of(18, 6)
    (6.0, 1260.0)
    """

    plates: int = 24
    sheets: int = 6
    edges: tuple[str, ...] = EDGE_POSITIONS
    sheet_hours: tuple[float, float] | None = None
    cost: Cost | None = None
    minutes: Minutes = Minutes()
    apart: tuple[tuple[str, ...], ...] = ()

    def cost_of(self, plates: int, sheets: int) -> tuple[float, float | None]:
        """Hours of line time, and money where `cost` says any, of so many plates and sheets."""
        hours = (plates * self.minutes.plate + sheets * self.minutes.sheet) / 60
        if self.cost is None:
            return hours, None
        return hours, plates * self.cost.plate + sheets * self.cost.sheet + hours * self.cost.hour


Fault = Callable[..., None]
Pair = Callable[[str, Any, str], tuple[float, float] | None]


def read_trial(given: Mapping[str, Any], fault: Fault, pair: Pair) -> Trial | None:
    """The trial of a study file, None where there is none; `fault(key, found, wanted, remedy)` takes each fault."""
    if not given:
        return None
    made: dict[str, Any] = {}
    for key in ("plates", "sheets"):
        count = given.get(key, getattr(Trial, key))
        if isinstance(count, bool) or not isinstance(count, int) or count < 1:
            fault(f"trial.{key}", count, "a whole number from 1")
        made[key] = count
    if "edges" in given:
        edges = given["edges"] if isinstance(given["edges"], list) else [given["edges"]]
        for edge in edges:
            if edge not in EDGE_POSITIONS:
                fault("trial.edges", edge, f"positions among {', '.join(EDGE_POSITIONS)}", position_hint(str(edge)))
        if not edges:
            fault("trial.edges", edges, f"positions among {', '.join(EDGE_POSITIONS)}")
        made["edges"] = tuple(dict.fromkeys(map(str, edges)))
    if "sheet_hours" in given:
        made["sheet_hours"] = pair("trial.sheet_hours", given["sheet_hours"], "contact hours")
    for key, kind in (("cost", Cost), ("minutes", Minutes)):
        if given.get(key) is not None:
            made[key] = kind(**_numbers(key, given[key], kind._fields, fault))
    if given.get("apart") is not None:
        made["apart"] = _groups(given["apart"], fault)
    return Trial(**made)


def _groups(given: Any, fault: Fault) -> tuple[tuple[str, ...], ...]:
    """Groups of materials, each material in one of them."""
    if not isinstance(given, list) or not given or not all(
            isinstance(group, list) and group and all(isinstance(m, str) and m.strip() for m in group)
            for group in given):
        fault("trial.apart", given, "groups of materials that never share a sheet", "such as [[304], [S355, S235]]")
        return ()
    groups = tuple(tuple(" ".join(m.split()) for m in group) for group in given)
    names = [m for group in groups for m in group]
    for name in dict.fromkeys(n for n in names if names.count(n) > 1):
        fault("trial.apart", name, "each material once, in one group", "leave it where it belongs")
    return groups


def _numbers(name: str, given: Any, known: tuple[str, ...], fault: Fault) -> dict[str, float]:
    """Numbers from 0 under known names; what is none is a fault, and left out."""
    if not isinstance(given, Mapping):
        fault(f"trial.{name}", given, f"numbers for {', '.join(known)}", f"such as {{{known[0]}: 20}}")
        return {}
    good: dict[str, float] = {}
    for key, value in given.items():
        if isinstance(value, str) and re.fullmatch(r"\d+(\.\d+)?([eE][+-]?\d+)?", value):
            value = float(value)  # under `sheet` the study file keeps text as it stands: elsewhere it names one
        if key not in known:
            fault(f"trial.{name}.{key}", key, f"one of {', '.join(known)}", nearest(str(key), known))
        elif isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            fault(f"trial.{name}.{key}", value, "a number from 0")
        else:
            good[key] = float(value)
    return good
