"""The laws of the line: how speed, pressure, grit, plate, passes and wear of the sheet make removal and edge radius.

Removal by abrasion goes as pressure times sliding path (Preston 1927, J. Soc. Glass Technol. 11, 214): on a conveyor
one pass removes in proportion to pressure over feed speed, and N passes N times that. Rounding a square edge to radius
r takes an area of 0.2146 r², so that the radius goes as the square root of that dose. Compliant drums depart from
both: hence these exponents are where the fit starts, with room about them, and not what it must return.

Both laws are straight in the logarithm of each setting but for curvatures in those of feed speed, pressure, thickness
and passes, and the wear of a sheet is averaged over forms between a straight line in contact hours and one in their
square root, beside a running in of the fresh sheet. Change a law here, and the fit, the windows and the pages follow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
AREA_LAW = 2.0
"""Exponents of removal are this many times those of the radius: dose goes as the area that is rounded off."""
WEAR_HOURS = 10.0
"""Contact hours of the wear coefficients' unit."""
RUN_IN_HOURS = 1.0
"""Contact hours in which most of a fresh sheet's running in is over. Judgement, no source."""
BURR_OF_EDGE = 0.5
"""How much of what sets an edge's radius apart from its plate counts for its burr.

A radius is read at one spot of an edge, burr is judged along all of it. Where the two do not go together, all (1) makes
the law of burr too flat; where they do, nothing (0) forgoes a little. Judgement, no source: half does well on simulated
lines of both kinds."""


@dataclass(frozen=True)
class Settings:
    """What the line was set to, arrays or numbers that broadcast together, in the units of their names."""

    feed_speed_m_min: ArrayLike
    drum_pressure_kPa: ArrayLike
    grain_um: ArrayLike
    thickness_mm: ArrayLike
    passes: ArrayLike
    contact_hours: ArrayLike


@dataclass(frozen=True)
class Centre:
    """The settings about which logarithms are taken: the middle of what was run."""

    feed_speed_m_min: float
    drum_pressure_kPa: float
    grain_um: float
    thickness_mm: float


@dataclass(frozen=True)
class Term:
    """One term of the law of log edge radius: prior mean and SD of its coefficient, and its column.

    `slack` is how far removal may depart from `AREA_LAW` times the coefficient (SD). A curvature has no column of its
    own: it is the square of what it bends, see `BENDS`.
    """

    name: str
    mean: float
    sd: float
    slack: float
    column: Callable[[Settings, Centre], ArrayLike] | None = None


def log_feed(settings: Settings, centre: Centre) -> Floats:
    """Logarithm of feed speed over the centre."""
    return np.log(np.asarray(settings.feed_speed_m_min, float) / centre.feed_speed_m_min)


def log_pressure(settings: Settings, centre: Centre) -> Floats:
    """Logarithm of drum pressure over the centre."""
    return np.log(np.asarray(settings.drum_pressure_kPa, float) / centre.drum_pressure_kPa)


def log_thickness(settings: Settings, centre: Centre) -> Floats:
    """Logarithm of thickness over the centre."""
    return np.log(np.asarray(settings.thickness_mm, float) / centre.thickness_mm)


def _age(settings: Settings) -> Floats:
    return np.asarray(settings.contact_hours, float) / WEAR_HOURS


def _run_in(age: Floats) -> Floats:
    return -np.expm1(-age * WEAR_HOURS / RUN_IN_HOURS)


TERMS: tuple[Term, ...] = (
    Term("feed speed", -0.5, 0.25, 0.25, log_feed),
    Term("curvature in feed speed", 0.0, 0.10, 0.08),
    Term("drum pressure", 0.5, 0.25, 0.15, log_pressure),
    Term("grain size", 0.4, 0.25, 0.15, lambda s, c: np.log(np.asarray(s.grain_um, float) / c.grain_um)),
    Term("thickness", 0.0, 0.15, 0.10, log_thickness),
    Term("passes", 0.5, 0.25, 0.15, lambda s, c: np.log(np.asarray(s.passes, float))),
    Term("wear per 10 h", -0.15, 0.15, 0.25, lambda s, c: _age(s)),
    Term("early wear", 0.0, 0.15, 0.10, lambda s, c: np.sqrt(_age(s)) - _age(s)),
    Term("running in", 0.0, 0.06, 0.04, lambda s, c: _run_in(_age(s))),
    Term("curvature in drum pressure", 0.0, 0.08, 0.04),
    Term("curvature in thickness", 0.0, 0.08, 0.04),
    Term("curvature in passes", 0.0, 0.08, 0.04),
)
FEED, CURVATURE, PRESSURE, GRAIN, THICKNESS, PASSES = range(6)
WEAR, RUN_IN = slice(6, 9), 8
BENDS = {FEED: CURVATURE, PRESSURE: 9, THICKNESS: 10, PASSES: 11}
"""The curvature of each setting that has one: between settings that were run a law is free to bend that much."""


def columns(settings: Settings, centre: Centre) -> Floats:
    """The columns of `TERMS`, shape (…, terms).

    >>> s = Settings(2.0, 60.0, 201.0, 10.0, 4, 10.0)
    >>> columns(s, Centre(1.0, 60.0, 201.0, 10.0)).round(3).tolist()
    [0.693, 0.48, 0.0, 0.0, 0.0, 1.386, 1.0, 0.0, 1.0, 0.0, 0.0, 1.922]
    """
    found = {i: t.column(settings, centre) for i, t in enumerate(TERMS) if t.column is not None}
    out = np.empty((*np.broadcast(*found.values()).shape, len(TERMS)))
    for i, column in found.items():
        out[..., i] = column
    for term, curvature in BENDS.items():
        out[..., curvature] = out[..., term] ** 2
    return out


STRAIGHT_WEAR = np.array([1.0, 0.0, 0.0])
"""Wear that goes straight with contact hours, in the columns of `wear_columns`."""


def wear_columns(contact_hours: ArrayLike) -> Floats:
    """The columns of wear alone, shape (…, 3)."""
    age = np.asarray(contact_hours, float) / WEAR_HOURS
    return np.stack([age, np.sqrt(age) - age, _run_in(age)], -1)


def rounding_area_mm2(radius_mm: ArrayLike, angle_deg: float = 90.0) -> Floats | float:
    """Area that rounding takes off an edge of the given included angle, mm² of its section.

    A = r² (cot(θ/2) − (π − θ)/2) for a round tangent to both faces; plain geometry.

    >>> round(float(rounding_area_mm2(0.5)), 5)
    0.05365
    """
    half = math.radians(angle_deg) / 2
    factor = 1 / math.tan(half) - (math.pi - 2 * half) / 2
    return factor * np.asarray(radius_mm, float)[()] ** 2


def rounded_radius_mm(dose_mm2: ArrayLike, first_radius_mm: ArrayLike = 0.0) -> Floats | float:
    """Radius of a square edge after a dose that takes `dose_mm2` off its section: r² = r₀² + dose / 0.2146.

    >>> round(float(rounded_radius_mm(0.05365)), 4)
    0.5
    """
    return np.sqrt(np.asarray(first_radius_mm, float) ** 2 + np.asarray(dose_mm2, float) / rounding_area_mm2(1.0))[()]


def dose_factor(pressure_ratio: float, feed_ratio: float, passes_ratio: float = 1.0) -> float:
    """How many times the abrasion dose: pressure × passes / feed (Preston 1927).

    >>> dose_factor(1.0, 0.5)
    2.0
    """
    return pressure_ratio * passes_ratio / feed_ratio


def throughput_m_h(feed_speed_m_min: float, lanes: int = 1) -> float:
    """Part length that the line turns out in an hour without gaps, m/h.

    >>> throughput_m_h(2.0, 3)
    360.0
    """
    return feed_speed_m_min * 60.0 * lanes
