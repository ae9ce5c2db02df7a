"""The one list of quantities: name with unit, label, plausible shop range, decimals; units are converted here only."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from .errors import nearest

System = Literal["metric", "imperial"]
Toward = Literal["nearest", "up", "down"]
NOMINAL = 0.001
"""A nominal size is printed as the plain one that lies this near: 0.394 in is a 10 mm plate; common practice."""


@dataclass(frozen=True)
class Quantity:
    """One quantity: its name in the log, its label on pages, its unit in either system, and what a shop can mean by it.

    `low` and `high` are in the metric unit, both ends included; outside, a value is taken for a slip of the pen.
    They are common practice with room to spare, no published limits. `nominal` sizes are shown without trailing zeros.

    >>> QUANTITIES["drum_pressure_kPa"].imperial
    'psi'
    """

    name: str
    label: str
    metric: str
    imperial: str
    low: float
    high: float
    metric_decimals: int
    imperial_decimals: int
    nominal: bool = False

    @property
    def kind(self) -> str:
        """What is measured: "length", "speed", "pressure", "time" or "count"."""
        return next(kind for kind, units in _SPELLINGS.items() if self.metric in units)


QUANTITIES: Mapping[str, Quantity] = MappingProxyType({q.name: q for q in (
    Quantity("feed_speed_m_min", "feed speed", "m/min", "ft/min", 0.05, 60.0, 1, 1),
    Quantity("drum_pressure_kPa", "drum pressure", "kPa", "psi", 1.0, 2000.0, 0, 1),
    Quantity("thickness_mm", "thickness", "mm", "in", 0.3, 300.0, 2, 3, nominal=True),
    Quantity("contact_hours", "contact hours", "h", "h", 0.0, 1000.0, 1, 1),
    Quantity("edge_radius_mm", "edge radius", "mm", "in", 0.001, 20.0, 2, 3),
    Quantity("burr_height_mm", "burr height", "mm", "in", 0.0, 20.0, 2, 3),
    Quantity("residual_burr_mm", "residual burr", "mm", "in", 0.0, 20.0, 2, 3),
    Quantity("removal_um", "removal", "µm", "mil", 0.01, 3000.0, 0, 1),
    Quantity("passes", "passes", "", "", 1.0, 50.0, 0, 0, nominal=True),
)})

# A unit by kind and its one name here -> how shops write it. A spelling is compared in lower case, without spaces and
# the signs that stand between the parts of a unit, so "m/min", "m_min" and "m / min." are one.
_SPELLINGS: Mapping[str, Mapping[str, tuple[str, ...]]] = MappingProxyType({
    "length": {
        "mm": ("millimetre", "millimeter", "millimetres", "millimeters"),
        "cm": ("centimetre", "centimeter", "centimetres", "centimeters"),
        "µm": ("um", "micron", "microns", "micrometre", "micrometer", "micrometres", "micrometers"),
        "in": ("inch", "inches", '"', "''"),
        "mil": ("mils", "thou"),
    },
    "speed": {
        "m/min": ("mpm", "mperminute", "metresperminute", "metersperminute", "mmin-1", "mmin^-1"),
        "mm/min": ("mmpermin",), "mm/s": ("mmpersec", "mmsec"), "cm/s": ("cmsec",), "m/s": ("msec",),
        "ft/min": ("fpm", "feetperminute", "feetmin", "ftperminute"),
        "in/min": ("ipm", "inchesperminute", "inchmin", "inchesmin"),
        "ft/s": ("fps", "ftsec"), "in/s": ("ips", "insec"),
    },
    "pressure": {
        "kPa": ("kilopascal", "kilopascals"), "Pa": ("pascal", "pascals"), "hPa": (), "MPa": ("nmm2", "nmm^2"),
        "bar": ("bars",), "mbar": ("millibar",),
        "psi": ("lbfin2", "lbfin^2", "lbin2", "lbin^2", "lbsin2", "lbsin^2", "psig"),
    },
    "time": {"h": ("hr", "hrs", "hour", "hours"), "min": ("mins", "minute", "minutes")},
    "count": {"": ()},
})
# Where the unit library's word differs from the trade's: its "mil" is an angle.
_IN_LIBRARY = MappingProxyType({"mil": "thou", "in": "inch", "in/min": "inch/min", "in/s": "inch/s"})


# Signs of a number that only look different; general normalising would turn 10² into 102.
_LOOKALIKES = str.maketrans({"−": "-", "\N{NO-BREAK SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " ", "⁄": "/",
                             "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"})
_FRACTION = re.compile(r"(?:(\d+)[ -])?(\d+)/([1-9]\d*)")


def tidy(text: str) -> str:
    """A number's text with the signs that only look different in their plain form.

    >>> tidy("1½ in")
    '1 1/2 in'
    """
    return text.translate(_LOOKALIKES).strip()


def fraction(text: str) -> float | None:
    """The number of a fraction or a mixed number, or None.

    >>> fraction("3/8"), fraction("1 1/4"), fraction("1-1/4"), fraction("0.375")
    (0.375, 1.25, 1.25, None)
    """
    match = _FRACTION.fullmatch(text)
    return match and float(match[1] or 0) + float(match[2]) / float(match[3])


def spelled(unit: str) -> str:
    """The bare form under which spellings of a unit are compared.

    >>> spelled(" Ft / min. "), spelled("μm") == spelled("µm")
    ('ftmin', True)
    """
    text = unicodedata.normalize("NFKC", unit.replace("″", '"')).casefold().replace("μ", "µ").replace("−", "-")
    return re.sub(r"[\s_/.·*]+|\bper\b", "", text)


@cache
def _known(kind: str) -> Mapping[str, str]:
    return {spelled(word): name for name, words in _SPELLINGS[kind].items() for word in (name, *words) if word}


def units_of_kind(kind: str) -> tuple[str, ...]:
    """The units that a quantity of this kind can be read in.

    >>> units_of_kind("time")
    ('h', 'min')
    """
    return tuple(u for u in _SPELLINGS[kind] if u)


def find_unit(text: str, kind: str) -> str | None:
    """The unit that a shop's spelling means for a quantity of this kind, or None.

    >>> find_unit("FPM", "speed"), find_unit("thou", "length"), find_unit("N/mm", "pressure")
    ('ft/min', 'mil', None)
    """
    return _known(kind).get(spelled(text))


@cache
def _factor(from_unit: str, to_unit: str) -> float:
    """How many `to_unit` are one `from_unit`, from exact definitions in whole fractions."""
    if from_unit == to_unit:
        return 1.0
    import pint  # a third of a second: paid only where something is converted

    known = sorted(u for units in _SPELLINGS.values() for u in units if u)
    for unit in (from_unit, to_unit):
        if unit not in known:
            hint = nearest(unit, known)
            raise ValueError(f"found unit {unit!r}, wanted one of {', '.join(known)}{'; ' + hint if hint else ''}")
    library = _library(pint)
    try:
        return float(library.Quantity(Fraction(1), _IN_LIBRARY.get(from_unit, from_unit))
                     .to(_IN_LIBRARY.get(to_unit, to_unit)).magnitude)
    except pint.DimensionalityError:
        raise ValueError(f"found {from_unit}, wanted a unit that converts to {to_unit}; "
                         "they measure different things") from None


@cache
def _library(pint: object) -> object:
    return pint.UnitRegistry(non_int_type=Fraction)  # type: ignore[attr-defined]


def convert(values: ArrayLike, from_unit: str, to_unit: str) -> np.ndarray:
    """Numbers in another unit; shape kept. `ValueError` where a unit is unknown or measures something else.

    >>> convert([1.0, 2.0], "in", "mm")
    array([25.4, 50.8])
    """
    return np.asarray(values, dtype=float) * _factor(from_unit, to_unit)


def with_unit(name: str, value: Any) -> Any:
    """A quantity's value in the unit that its name carries where it is written with a unit; a list likewise.

    Fractions and mixed numbers are numbers too. What is no number with a unit of its kind comes back as it is.

    >>> with_unit("removal_um", "2 mil"), with_unit("edge_radius_mm", ["0.25 in", 9]), with_unit("thickness_mm", "2 kg")
    (50.8, [6.35, 9], '2 kg')
    >>> with_unit("thickness_mm", '3/8"'), with_unit("thickness_mm", "1 1/4 in"), with_unit("thickness_mm", "3/8")
    (9.525, 31.75, '3/8')
    """
    if isinstance(value, list):
        return [with_unit(name, one) for one in value]
    quantity = QUANTITIES.get(name)
    written = re.fullmatch(r"((?:\d+[ -])?\d+/\d+|[-+]?(?:\d+(?:\.\d+)?|\.\d+))\s*([^\s\d./].*)", tidy(value)
                           ) if isinstance(value, str) else None
    unit = find_unit(written.group(2), quantity.kind) if written and quantity else None
    if unit is None or written is None or quantity is None:
        return value
    number = fraction(written.group(1)) if "/" in written.group(1) else float(written.group(1))
    return value if number is None else float(f"{convert(number, unit, quantity.metric):.12g}")


def _quantity(name: str) -> Quantity:
    if name not in QUANTITIES:
        hint = nearest(name, tuple(QUANTITIES))
        raise ValueError(f"found {name!r}, wanted a quantity{'; ' + hint if hint else ''}")
    return QUANTITIES[name]


def unit_of(name: str, system: System) -> str:
    """The unit in which a quantity is shown. `ValueError` for an unknown quantity or system.

    >>> unit_of("feed_speed_m_min", "imperial")
    'ft/min'
    """
    if system not in ("metric", "imperial"):
        raise ValueError(f"found {system!r}, wanted metric or imperial")
    return getattr(_quantity(name), system)


def in_shown(name: str, values: ArrayLike, system: System) -> np.ndarray:
    """Numbers of a quantity, held in its metric unit, in the unit shown; shape kept.

    >>> in_shown("thickness_mm", [12.7], "imperial")
    array([0.5])
    """
    shown_unit = unit_of(name, system)
    return convert(values, _quantity(name).metric, shown_unit) if shown_unit else np.asarray(values, dtype=float)


def shown(name: str, value: float, system: System, toward: Toward = "nearest") -> str:
    """A value of a quantity, held in its metric unit, as printed: rounded, with its unit.

    `toward` "up" or "down" never prints a number on the unsafe side of the value. `ValueError` where the value is not
    finite.

    >>> shown("feed_speed_m_min", 1.84, "metric", "up"), shown("feed_speed_m_min", 1.84, "imperial", "down")
    ('1.9 m/min', '6.0 ft/min')
    """
    return _printed(name, float(value) + 0.0, system, toward)  # -0.0 is printed as 0


@lru_cache(4096)
def _printed(name: str, value: float, system: System, toward: Toward) -> str:
    unit, metric = unit_of(name, system), _quantity(name).metric
    number = value * _factor(metric, unit) if unit else value
    if not np.isfinite(number):
        raise ValueError(f"found {value!r} for {name}, wanted a finite number")
    quantity = _quantity(name)
    decimals = quantity.metric_decimals if system == "metric" else quantity.imperial_decimals
    way = {"nearest": ROUND_HALF_EVEN, "up": ROUND_CEILING, "down": ROUND_FLOOR}[toward]
    # Nine digits first: a conversion's last binary digit must not push a round number to the next step.
    exact = Decimal(f"{number:.9g}")
    text = format(exact.quantize(Decimal(1).scaleb(-decimals), rounding=way), "f")
    if quantity.nominal:
        near = (f"{number:.{d}f}" for d in range(decimals) if abs(round(number, d) - number) <= NOMINAL * abs(number))
        if exact == exact.quantize(Decimal(1).scaleb(-decimals - 1)):  # 9.525 mm, which is 3/8 in, stands as it is
            text = format(exact, "f")
        text = next(near, text.rstrip("0").rstrip(".") if "." in text else text)
    return f"{text} {unit}" if unit else text


def nine_digits(values: np.ndarray) -> np.ndarray:
    """Numbers rounded to nine significant digits, so that a log and its twin in other units read the same.

    >>> nine_digits(np.array([1.2345678949, 0.0]))
    array([1.23456789, 0.        ])
    """
    values = np.asarray(values, dtype=float)
    unique, where = np.unique(values, return_inverse=True)
    rounded = np.array([float(f"{v:.9g}") for v in unique.tolist()])
    return rounded[where].reshape(values.shape)
