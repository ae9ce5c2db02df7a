"""The question and the answer: the job that is to run, the line it runs on, the speed window it gets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set, Sized
from dataclasses import dataclass, fields
from decimal import Decimal
from numbers import Integral, Real
from typing import Any, Literal, Self

from .abrasive import grit_name
from .errors import JobError, Problem, nearest
from .findings import as_written

MOST_NUMBER, MOST_PASSES = 1e15, 1000  # beyond reason, and beyond what can be reckoned with
CUT_PROCESSES = ("flame", "plasma", "laser")
BURR_SEVERITIES = ("light", "moderate", "heavy", "slag")  # lightest first; a shop may have words of its own
Verdict = Literal["window", "no window", "not enough evidence"]


def number(value: Any) -> float | None:
    """The value as a finite float, or None where it is no number."""
    if isinstance(value, Decimal):
        value = float(value) if value.is_finite() else None
    if isinstance(value, bool) or not isinstance(value, Real) or not abs(value) <= MOST_NUMBER:
        return None
    return float(value)


def several(value: Any) -> tuple[Any, ...] | None:
    """The values of a list, of an array or of what else has an order; None where it is none of them.

    >>> several([0, 15]), several(15), several("P80")
    ((0, 15), None, None)
    """
    if isinstance(value, (str, bytes, Mapping, Set)) or not isinstance(value, Sized) or not isinstance(value, Iterable):
        return None
    try:
        return tuple(value)
    except TypeError:  # an array of no dimension
        return None


@dataclass(frozen=True, kw_only=True)
class Job:
    """One thing that the line is asked to do, with the limits that every edge should meet.

    Sizes are true sizes. `sheet_hours` is the span of metal-contact hours over which the window must hold; (15, 15)
    is one age. Either end of `edge_radius_mm` may be None; `residual_burr_mm=0.0` means that none may be found.
    `share` of future edges meets all limits together, claimed with `confidence`.

    Raises `JobError` with every fault at once where the job is impossible by itself.

    >>> import edgefinish as ef
    >>> job = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.6))
    >>> job.grit, job.sheet_hours
    ('P80', (0.0, 15.0))
    """

    material: str
    thickness_mm: float
    drum_pressure_kPa: float
    grit: str
    passes: int = 1
    cut_process: str | None = None
    burr_severity: str | None = None
    sheet_hours: tuple[float, float] = (0.0, 15.0)
    edge_radius_mm: tuple[float | None, float | None] | None = None
    residual_burr_mm: float | None = None
    removal_um: float | None = None
    share: float = 0.90
    confidence: float = 0.95

    def __post_init__(self) -> None:
        """Check every field, and put numbers into their one form."""
        bad: list[Problem] = []

        def put(name: str, value: object) -> None:
            object.__setattr__(self, name, value)

        def fault(name: str, wanted: str, remedy: str = "") -> None:
            bad.append(Problem(None, name, as_written(getattr(self, name)), wanted, remedy))

        for name in ("material", "cut_process", "burr_severity"):
            value = getattr(self, name)
            if value is None and name != "material":
                continue
            if not isinstance(value, str) or not value.strip() or not value.isprintable():
                fault(name, "a name")
                continue
            put(name, value.strip())
        for name in ("cut_process", "burr_severity"):
            if isinstance(getattr(self, name), str):
                put(name, getattr(self, name).casefold())
        if isinstance(self.cut_process, str) and self.cut_process not in CUT_PROCESSES:
            fault("cut_process", "flame, plasma or laser", nearest(self.cut_process, CUT_PROCESSES))
        for name, unit in (("thickness_mm", "mm"), ("drum_pressure_kPa", "kPa")):
            size = number(getattr(self, name))
            if size is None or size <= 0:
                fault(name, f"a number above 0 {unit}")
            else:
                put(name, size)
        if not isinstance(self.grit, str):
            fault("grit", "a P-scale designation such as 'P80'", f"write 'P{self.grit}' if the sheet is so marked")
        else:
            try:
                put("grit", grit_name(self.grit))
            except ValueError:
                fault("grit", "a P-scale designation from P12 to P220, such as 'P80'")
        if isinstance(self.passes, bool) or not isinstance(self.passes, Integral) \
                or not 1 <= self.passes <= MOST_PASSES:
            fault("passes", f"a whole number from 1 to {MOST_PASSES}")
        else:
            put("passes", int(self.passes))
        self._check_hours(put, fault)
        self._check_limits(put, fault)
        for name in ("share", "confidence"):
            part = number(getattr(self, name))
            if part is None or not 0 < part < 1:
                fault(name, "a number between 0 and 1, such as 0.90", "write 90 % as 0.90")
            else:
                put(name, part)
        if bad:
            raise JobError(bad, "job")

    def _check_hours(self, put: Any, fault: Any) -> None:
        ends = [number(v) for v in several(self.sheet_hours) or ()]
        if len(ends) != 2 or None in ends or ends[0] < 0 or ends[0] > ends[1]:
            fault("sheet_hours", "two contact hours (from, to), 0 ≤ from ≤ to", "(15, 15) is one age")
        else:
            put("sheet_hours", (ends[0], ends[1]))

    def _check_limits(self, put: Any, fault: Any) -> None:
        band = (None, None) if self.edge_radius_mm is None else several(self.edge_radius_mm)
        if band is None or len(band) != 2:
            fault("edge_radius_mm", "two limits (low, high) in mm, either may be None",
                  "in a study file [0.2, null] is a limit to one side; numbers have a point: 0.2, not 0,2")
            band = (None, None)
        low, high = (None if v is None else number(v) for v in band)
        wrong = any(v is not None and n is None for v, n in zip(band, (low, high), strict=True))
        if wrong or (low is not None and low < 0) or (high is not None and high <= 0):
            fault("edge_radius_mm", "limits in mm that are not negative",
                  "in a study file [0.2, null] is a limit to one side")
        elif low is not None and high is not None and low >= high:
            fault("edge_radius_mm", "low below high", "swap them if they stand the wrong way round")
        else:
            put("edge_radius_mm", None if not low and high is None else (low or None, high))
        for name, least, unit in (("residual_burr_mm", 0.0, "mm"), ("removal_um", None, "µm")):
            if getattr(self, name) is None:
                continue
            most = number(getattr(self, name))
            if most is None or most < 0 or (least is None and most == 0):
                fault(name, f"an upper limit in {unit}, {'0 or more' if least is not None else 'above 0'}")
            else:
                put(name, most)
        if self.edge_radius_mm is None and self.residual_burr_mm is None and self.removal_um is None:
            fault("edge_radius_mm", "at least one limit: edge radius, residual burr or removal",
                  "a job without a limit has every speed as its window")

    @classmethod
    def from_mapping(cls, entries: Mapping[str, object]) -> Self:
        """A job from names and values; an unknown or missing name is a `JobError` with the nearest known one."""
        if not isinstance(entries, Mapping):
            raise JobError(Problem(None, None, type(entries).__name__, "names and values, such as {'material': …}"),
                           "job")
        known = [f.name for f in fields(cls)]
        bad = [Problem(None, str(k), str(k), "a field of a job", nearest(k, known))
               for k in entries if k not in known]
        meant = {problem.remedy for problem in bad}  # a misspelt name is one fault, not a missing value too
        bad += [Problem(None, n, "nothing", "a value") for n in known[:4]
                if n not in entries and f"did you mean {n}?" not in meant]
        if bad:
            raise JobError(bad, "job")
        values = {k: tuple(v) if isinstance(v, list) else v for k, v in entries.items()}
        return cls(**values)  # type: ignore[arg-type]

    @property
    def title(self) -> str:
        """The job in the words of the floor, for headings and file names.

        >>> Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", removal_um=40).title
        'S355, 10 mm'
        """
        parts = [self.material, self.cut_process, self.burr_severity and f"{self.burr_severity} burr",
                 f"{self.thickness_mm:g} mm"]
        return ", ".join(p for p in parts if p)


@dataclass(frozen=True, kw_only=True)
class Line:
    """What the line itself allows: nothing outside is ever recommended. None is no limit.

    Raises `JobError` with every fault at once.

    >>> import edgefinish as ef
    >>> ef.Line(feed_speed_m_min=(0.8, 6), grits=["p80", "P120"])
    Line(feed_speed_m_min=(0.8, 6.0), drum_pressure_kPa=None, grits=('P80', 'P120'))
    """

    feed_speed_m_min: tuple[float, float] | None = None
    drum_pressure_kPa: tuple[float, float] | None = None
    grits: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        """Check every limit, and put it into its one form."""
        bad: list[Problem] = []
        for name, unit, such in (("feed_speed_m_min", "m/min", "(0.8, 6.0)"),
                                 ("drum_pressure_kPa", "kPa", "(25, 110)")):
            given = getattr(self, name)
            ends = [number(v) for v in several(given) or ()]
            if given is None:
                continue
            if (len(ends) != 2 or ends[0] is None or ends[1] is None or not 0 <= ends[0] <= ends[1]
                    or (name == "feed_speed_m_min" and ends[0] == ends[1])):
                bad.append(Problem(None, name, as_written(given), f"two numbers in {unit}, the lower first",
                                   f"such as {such}"))
            else:
                object.__setattr__(self, name, tuple(ends))
        if self.grits is not None:
            try:
                object.__setattr__(self, "grits", tuple(grit_name(g) for g in several(self.grits) or (None,)))
            except (ValueError, TypeError, AttributeError):
                bad.append(Problem(None, "grits", as_written(self.grits), "a list of P-scale grits",
                                   "such as ['P60', 'P80']"))
        if bad:
            raise JobError(bad, "line")


@dataclass(frozen=True, kw_only=True)
class SpeedWindow:
    """The answer for one job: the window, its set point, and why it is as it is.

    `verdict` is "window", "no window" (the evidence is there, and no speed will do) or "not enough evidence".
    `reasons` are sentences to act on: why there is none and what to run, or what binds each end, then flags.
    `remedies`: what to do about each of them, as it ends that reason, "" where there is nothing to do; empty where none
    is left but to ask for something else.
    `confidence_at` is the posterior chance that the set point alone holds; None where there is no window.
    """

    job: Job
    verdict: Verdict
    low_m_min: float | None = None
    high_m_min: float | None = None
    recommended_m_min: float | None = None
    binds_low: str | None = None
    binds_high: str | None = None
    confidence_at: float | None = None
    reasons: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()
