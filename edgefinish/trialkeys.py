"""What the study file says of a trial that is still to be run: how much of it, where it is measured, what it costs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from .errors import nearest
from .words import EDGE_POSITIONS

TRIAL_KEYS = ("plates", "sheets", "edges", "sheet_hours", "cost", "minutes")
COST_KEYS = ("plate", "sheet", "hour")
MINUTE_KEYS = ("plate", "sheet")
USUAL_MINUTES: Mapping[str, float] = MappingProxyType({"plate": 10.0, "sheet": 30.0})
"""Minutes of line time for a plate with its readings, and for a change of the sheet: common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What a trial may use: plates, abrasive sheets, the edges measured on each plate, the span of sheet age (h).

    `sheet_hours` None: that of the jobs. `cost` of one plate, one sheet and one hour of the line, in the shop's own
    money; `minutes` of line time for one plate and one change of the sheet.

    >>> Trial(plates=18, sheets=6, cost={"plate": 20, "sheet": 60, "hour": 90}).cost_of(18, 6)
    (6.0, 1260.0)
    """

    plates: int = 24
    sheets: int = 6
    edges: tuple[str, ...] = EDGE_POSITIONS
    sheet_hours: tuple[float, float] | None = None
    cost: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    minutes: Mapping[str, float] = field(default_factory=lambda: USUAL_MINUTES)

    def cost_of(self, plates: int, sheets: int) -> tuple[float, float | None]:
        """Hours of line time, and money where `cost` says any, of so many plates and sheets."""
        hours = (plates * self.minutes["plate"] + sheets * self.minutes["sheet"]) / 60
        if not self.cost:
            return hours, None
        each = {key: self.cost.get(key, 0.0) for key in COST_KEYS}
        return hours, plates * each["plate"] + sheets * each["sheet"] + hours * each["hour"]


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
                fault("trial.edges", edge, f"positions among {', '.join(EDGE_POSITIONS)}",
                      nearest(str(edge), EDGE_POSITIONS))
        if not edges:
            fault("trial.edges", edges, f"positions among {', '.join(EDGE_POSITIONS)}")
        made["edges"] = tuple(dict.fromkeys(map(str, edges)))
    if "sheet_hours" in given:
        made["sheet_hours"] = pair("trial.sheet_hours", given["sheet_hours"], "contact hours")
    made["cost"] = _numbers("cost", given.get("cost"), COST_KEYS, fault)
    made["minutes"] = MappingProxyType(USUAL_MINUTES | _numbers("minutes", given.get("minutes"), MINUTE_KEYS, fault))
    return Trial(**made)


def _numbers(name: str, given: Any, known: tuple[str, ...], fault: Fault) -> Mapping[str, float]:
    if given is None:
        return MappingProxyType({})
    wanted = f"numbers for {', '.join(known)}"
    if not isinstance(given, Mapping):
        fault(f"trial.{name}", given, wanted, f"such as {{{known[0]}: 20}}")
        return MappingProxyType({})
    good: dict[str, float] = {}
    for key, value in given.items():
        if key not in known:
            fault(f"trial.{name}.{key}", key, f"one of {', '.join(known)}", nearest(str(key), known))
        elif isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            fault(f"trial.{name}.{key}", value, "a number from 0")
        else:
            good[key] = float(value)
    return MappingProxyType(good)
