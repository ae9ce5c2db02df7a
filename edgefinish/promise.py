"""What draws of the laws promise of future edges: how each draw says that they come out, and what is asked of them.

A future edge lies on a new plate run under a new sheet. Its log radius is the path's mean plus a normal (sheet, its own
wear, plate) plus a Student t (edge); its log removal moves twice with the same sheet and plate, and has a part of its
own; its burr goes with its dose: that of its plate there, and the part `laws.BURR_OF_EDGE` of what sets the edge apart.
One draw of sheet, plate and edge meets all limits together or fails.
Works on draws; knows no log.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, partial
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from .laws import AREA_LAW, STRAIGHT_WEAR, wear_columns
from .rows import Floats, Store
from .scatter import Scatter

_AGES = 7


@dataclass(frozen=True, eq=False)
class Path:
    """Log response of a job in each draw: level + slope x + bend x² + wear + position, x = log feed over the centre.

    `level`, `slope`, `bend` (draws,); `wear` (draws, 3) for `laws.wear_columns`; `position` (draws, positions).
    `own`: what each position adds to slope and straight wear, (2, draws, positions), None where all answer alike.
    `kept`: what does not hang on the level, for all jobs of one law; `tables`: the same where it is large.
    """

    level: Floats
    slope: Floats
    bend: Floats
    wear: Floats
    position: Floats
    own: Floats | None = None
    kept: Store = field(default_factory=partial(Store, 40), repr=False)
    tables: Store = field(default_factory=partial(Store, 6), repr=False)

    def span(self, which: np.ndarray) -> tuple[Floats, Floats]:
        """Least and greatest step of some positions, (draws,) each."""
        return self.kept.keep(("span", which.tobytes()),
                              lambda: (self.position[:, which].min(1), self.position[:, which].max(1)))

    def ends(self, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which of some positions has the least step in each draw, and which the greatest."""
        return self.kept.keep(("ends", which.tobytes()), lambda: (which[self.position[:, which].argmin(1)],
                                                                   which[self.position[:, which].argmax(1)]))

    def worn(self, ages: Floats) -> Floats:
        """What wear adds at some sheet ages, (ages, draws)."""
        return self.kept.keep(("worn", ages.tobytes()), lambda: wear_columns(ages).reshape(len(ages), -1) @ self.wear.T)

    def rise(self, x: float) -> Floats:
        """slope x + bend x², (draws,)."""
        return self.kept.keep(("rise", x), lambda: self.slope * x + self.bend * x**2)

    def at(self, x: Floats) -> Floats:
        """Without wear and position, (draws, len(x))."""
        return self.level[:, None] + self.slope[:, None] * x + self.bend[:, None] * x * x

    def some(self, pick: slice | np.ndarray) -> Path:
        """Some of the draws; of a slice of them too all is kept that does not hang on the level."""
        def look() -> Path:
            return Path(self.level[pick], self.slope[pick], self.bend[pick], self.wear[pick], self.position[pick],
                        None if self.own is None else self.own[:, pick])
        if not isinstance(pick, slice):
            return look()
        return replace(self.kept.keep(("some", pick.start, pick.stop, pick.step), look), level=self.level[pick])

    def of_position(self, which: np.ndarray) -> Path:
        """The same path at one position alone, `which` (draws,) of them."""
        draw = np.arange(len(which))
        step = self.position[draw, which][:, None]
        if self.own is None:
            return Path(self.level, self.slope, self.bend, self.wear, step, tables=self.tables)
        slope, wear = self.own[:, draw, which]
        return Path(self.level, self.slope + slope, self.bend, self.wear + wear[:, None] * STRAIGHT_WEAR, step,
                    tables=self.tables)

    @cached_property
    def of_positions(self) -> list[Path]:
        """The path of each position alone."""
        return [self.of_position(np.full(len(self.level), i)) for i in range(self.position.shape[1])]

    def mean(self, x: float, hours: float) -> Floats:
        """At one speed and sheet age, (draws, positions)."""
        worn = wear_columns(hours)
        return np.stack([path.at(np.array([x]))[:, 0] + path.wear @ worn + path.position[:, 0]
                         for path in self.of_positions], 1)


@dataclass(frozen=True, eq=False)
class Burr:
    """Chance that the burr is within its limit, given the dose of the edge as a log radius, in each draw.

    Φ(`level` + `slope` · log radius + height part), averaged over the heights before: `height` (draws, nodes) is that
    part, each node of equal weight. `position` (draws, positions): steps of their own of the positions of the radius,
    None where they are alike. All in units that include the own scatter of burr.
    """

    level: Floats
    slope: Floats
    height: Floats
    position: Floats | None = None

    def some(self, pick: slice | np.ndarray) -> Burr:
        """Some of the draws."""
        return Burr(self.level[pick], self.slope[pick], self.height[pick],
                    None if self.position is None else self.position[pick])

    @cached_property
    def by_position(self) -> list[Burr]:
        """The burr of each position that has a step of its own."""
        return [] if self.position is None else [self.with_position(step) for step in self.position.T]

    def with_position(self, step: Floats) -> Burr:
        """The burr of one position, its step (draws,)."""
        return Burr(self.level + step, self.slope, self.height)

    def chance(self, log_radius: Floats) -> Floats:
        """(draws, len(log_radius))."""
        line = self.level[:, None] + self.slope[:, None] * log_radius
        total = ndtr(line + self.height[:, :1])
        for k in range(1, self.height.shape[1]):
            total += ndtr(line + self.height[:, k:k + 1])
        return total / self.height.shape[1]


class Alike(NamedTuple):
    """Positions `which` (indices) whose edges scatter `factor` times as much as usual, and their burr."""

    factor: float
    which: np.ndarray
    burr: Burr | None


@lru_cache(maxsize=256)
def ages_of(low: float, high: float) -> Floats:
    """Sheet ages of a span at which a promise is looked at: closer on a young sheet, where wear is fast."""
    ages = np.array([low]) if low == high else low + (high - low) * np.linspace(0, 1, _AGES) ** 2
    ages.setflags(write=False)
    return ages


@dataclass(frozen=True, eq=False)
class Promise:
    """Everything that one job's draws say. `node` (draws,), rising, tells which node of the scatters a draw belongs to.

    `speeds`: least and greatest x (log feed over centre) that may be promised; `hours` the span of sheet age;
    `radius_limits` log mm, ±inf where there is none; `removal_limit` log µm, inf where there is none.
    `position_spread` (positions,): how many times as much edges scatter at each position; None where all are alike;
    `coupling`: how many times removal goes with what sheets and plates do to the radius.
    """

    node: np.ndarray
    speeds: tuple[float, float]
    hours: tuple[float, float]
    radius: Path
    scatter: Scatter
    radius_limits: tuple[float, float]
    removal: Path | None = None
    removal_scatter: Scatter | None = None
    removal_limit: float = np.inf
    burr: Burr | None = None
    position_spread: Floats | None = None
    coupling: float = AREA_LAW

    def few(self, count: int) -> slice:
        """About `count` of the draws, evenly spread over the nodes."""
        return slice(None, None, max(1, len(self.node) // count))

    def thinned(self, count: int) -> Promise:
        """The same on about `count` of its draws."""
        return self.some(self.few(count))

    def some(self, pick: slice | np.ndarray) -> Promise:
        """The same on some of its draws."""
        return replace(self, node=self.node[pick], radius=self.radius.some(pick),
                       removal=self.removal and self.removal.some(pick), burr=self.burr and self.burr.some(pick))

    @property
    def ages(self) -> Floats:
        """Sheet ages at which the promise is looked at."""
        return ages_of(*self.hours)

    @cached_property
    def alike(self) -> list[Alike]:
        """Positions whose edges scatter alike and keep burr alike but for their dose."""
        count = self.radius.position.shape[1]
        spread = np.ones(count) if self.position_spread is None else self.position_spread
        if self.burr is not None and self.burr.by_position:
            return [Alike(float(f), np.array([i]), self.burr.by_position[i]) for i, f in enumerate(spread)]
        return [Alike(float(f), np.flatnonzero(spread == f), self.burr) for f in np.unique(spread)]

    @cached_property
    def parts(self) -> list[Promise]:
        """Each position alone, where positions answer otherwise to speed or wear; else none."""
        if self.radius.own is None:
            return []
        burrs = [] if self.burr is None else self.burr.by_position
        spread = self.position_spread
        return [replace(self, radius=path, removal=self.removal and self.removal.of_positions[i],
                        burr=burrs[i] if burrs else self.burr,
                        position_spread=None if spread is None else spread[[i]])
                for i, path in enumerate(self.radius.of_positions)]

    @property
    def draws_of_node(self) -> np.ndarray:
        """How many draws each node has, (K,)."""
        return self.radius.kept.keep("nodes", lambda: np.bincount(self.node, minlength=len(self.scatter.shared)))

    @property
    def radius_alone(self) -> bool:
        """Whether nothing but the edge radius is limited."""
        return self.burr is None and not np.isfinite(self.removal_limit)
