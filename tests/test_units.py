"""Units against their definitions, and what is printed against the safe side."""

import math

import numpy as np
import pytest

from edgefinish.abrasive import GRAIN_UM, grain_um
from edgefinish.units import (
    QUANTITIES,
    convert,
    find_unit,
    in_shown,
    nine_digits,
    shown,
    unit_of,
    units_of_kind,
)

# NIST SP 811 (2008), appendix B.8: factors printed in bold are exact; an inch is 25.4 mm, a foot 0.3048 m, a mil
# 25.4 µm, a bar 100 kPa, a foot per minute 0.00508 m/s = 0.3048 m/min, an inch per minute 25.4 mm/min.
EXACT = [
    ("in", "mm", 25.4), ("mil", "µm", 25.4), ("mil", "mm", 0.0254), ("in", "mil", 1000.0), ("cm", "mm", 10.0),
    ("µm", "mm", 0.001), ("ft/min", "m/min", 0.3048), ("in/min", "mm/min", 25.4), ("in/min", "m/min", 0.0254),
    ("ft/s", "m/min", 18.288), ("in/s", "m/min", 1.524), ("mm/s", "m/min", 0.06), ("mm/min", "m/min", 0.001),
    ("cm/s", "m/min", 0.6), ("m/s", "m/min", 60.0), ("bar", "kPa", 100.0), ("mbar", "kPa", 0.1), ("hPa", "kPa", 0.1),
    ("Pa", "kPa", 0.001), ("MPa", "kPa", 1000.0), ("min", "h", 1 / 60),
]


@pytest.mark.parametrize("one,other,factor", EXACT)
def test_exact_definitions_to_the_last_digit(one, other, factor):
    assert float(convert(1.0, one, other)) == factor


def test_psi_from_exact_pound_gravity_and_inch():
    # NIST SP 811 B.8: pound 0.453 592 37 kg exactly, standard gravity 9.806 65 m/s² exactly, inch 0.0254 m exactly.
    pascal = 0.45359237 * 9.80665 / 0.0254**2
    assert math.isclose(float(convert(1.0, "psi", "kPa")), pascal / 1000, rel_tol=1e-15)
    # NIST SP 811 B.8 prints 6.894 757 E+00 kPa for a psi.
    assert f"{float(convert(1.0, 'psi', 'kPa')):.6f}" == "6.894757"
    # A bar in psi, as common tables print it; from the exact numbers above.
    assert f"{float(convert(1.0, 'bar', 'psi')):.9f}" == "14.503773773"


def test_surface_speed_identity():
    # 5000 ft/min = 25.4 m/s exactly, by the definition of the foot.
    assert f"{float(convert(5000, 'ft/min', 'm/s')):.12g}" == "25.4"


def test_a_mil_is_a_length_here():
    assert float(convert(1000, "mil", "in")) == 1.0


@pytest.mark.parametrize("one,other", [("psi", "mm"), ("ft/min", "in"), ("h", "kPa")])
def test_different_things_are_never_converted(one, other):
    with pytest.raises(ValueError, match="measure different things"):
        convert(1.0, one, other)


def test_unknown_unit_says_what_is_known():
    with pytest.raises(ValueError, match="found unit 'psj'.*did you mean psi"):
        convert(1.0, "psj", "kPa")


@pytest.mark.parametrize("kind,spelling,unit", [
    ("length", "Inch", "in"), ("length", '"', "in"), ("length", "″", "in"), ("length", "thou", "mil"),
    ("length", "µm", "µm"), ("length", "μm", "µm"), ("length", "um", "µm"), ("length", "microns", "µm"),
    ("speed", "FPM", "ft/min"), ("speed", "ft per min", "ft/min"), ("speed", "m / min.", "m/min"),
    ("speed", "m·min⁻¹", "m/min"), ("speed", "ipm", "in/min"), ("pressure", "N/mm²", "MPa"), ("pressure", "PSI", "psi"),
    ("pressure", "lbf/in²", "psi"), ("pressure", "BAR", "bar"), ("time", "hrs", "h"),
    # Force on a length, current and the like are other kinds of "pressure": never converted.
    ("pressure", "N/mm", None), ("pressure", "A", None), ("pressure", "mm", None), ("speed", "m", None),
])
def test_shop_spellings(kind, spelling, unit):
    assert find_unit(spelling, kind) == unit


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_is_whole(name):
    quantity = QUANTITIES[name]
    assert quantity.name == name and quantity.low < quantity.high
    if quantity.metric:
        assert {quantity.metric, quantity.imperial} <= set(units_of_kind(quantity.kind))
        back = convert(in_shown(name, [1.5], "imperial"), quantity.imperial, quantity.metric)
        assert np.allclose(back, 1.5, rtol=1e-15)
    else:
        assert in_shown(name, 2, "imperial") == 2


def test_range_of_the_trade_is_plausible():
    # Common practice, no published source: feed 0.9 to 7 m/min, thickness 1 to 80 mm, sheets up to about 25 h.
    for name, low, high in (("feed_speed_m_min", 0.9, 7), ("thickness_mm", 1, 80), ("contact_hours", 0, 25)):
        assert QUANTITIES[name].low <= low and high <= QUANTITIES[name].high


@pytest.mark.parametrize("name,value,system,toward,text", [
    ("feed_speed_m_min", 1.85, "metric", "up", "1.9 m/min"),
    ("feed_speed_m_min", 1.85, "metric", "down", "1.8 m/min"),
    ("feed_speed_m_min", 1.9, "metric", "up", "1.9 m/min"),
    ("feed_speed_m_min", 1.8288, "imperial", "up", "6.0 ft/min"),
    ("feed_speed_m_min", 1.8288, "imperial", "down", "6.0 ft/min"),
    ("feed_speed_m_min", 1.83, "imperial", "up", "6.1 ft/min"),
    ("drum_pressure_kPa", 60, "metric", "nearest", "60 kPa"),
    ("drum_pressure_kPa", 62.052816, "imperial", "nearest", "9.0 psi"),
    ("thickness_mm", 10, "metric", "nearest", "10 mm"),
    ("thickness_mm", 6.35, "metric", "nearest", "6.35 mm"),
    ("thickness_mm", 0.394 * 25.4, "metric", "nearest", "10 mm"),
    ("thickness_mm", 7.9375, "metric", "nearest", "7.94 mm"),
    ("thickness_mm", 9.525, "metric", "nearest", "9.525 mm"),
    ("thickness_mm", 3.175, "metric", "nearest", "3.175 mm"),
    ("thickness_mm", 7.9375, "imperial", "nearest", "0.3125 in"),
    ("thickness_mm", 8.001, "metric", "nearest", "8 mm"),
    ("passes", 10, "imperial", "nearest", "10"),
    ("thickness_mm", 1.25, "metric", "nearest", "1.25 mm"),
    ("thickness_mm", 9.525, "imperial", "nearest", "0.375 in"),
    ("edge_radius_mm", 0.3, "metric", "nearest", "0.30 mm"),
    ("contact_hours", 15, "metric", "nearest", "15.0 h"),
    ("removal_um", 12.7, "imperial", "nearest", "0.5 mil"),
    ("removal_um", 12.7, "metric", "up", "13 µm"),
    ("passes", 2.0, "metric", "nearest", "2"),
])
def test_printed_values(name, value, system, toward, text):
    assert shown(name, value, system, toward) == text


def test_printing_never_leaves_the_safe_side():
    rng = np.random.default_rng(3)
    for value in rng.uniform(0.5, 9, 200):
        for system in ("metric", "imperial"):
            exact = float(in_shown("feed_speed_m_min", value, system))
            up, down = (float(shown("feed_speed_m_min", value, system, t).split()[0]) for t in ("up", "down"))
            assert down <= exact <= up


def test_bad_names_and_values_say_so():
    with pytest.raises(ValueError, match="did you mean feed_speed_m_min"):
        unit_of("feed_sped_m_min", "metric")
    with pytest.raises(ValueError, match="metric or imperial"):
        unit_of("feed_speed_m_min", "us")
    with pytest.raises(ValueError, match="finite"):
        shown("feed_speed_m_min", float("nan"), "metric")


def test_nine_digits_join_a_length_and_its_twin():
    metric = np.array([0.31, 12.7, 1.8288])
    assert (nine_digits(convert(convert(metric, "mm", "in"), "in", "mm")) == metric).all()
    assert nine_digits(np.array([[1.23456789012]])).shape == (1, 1)


def test_grain_sizes_of_the_p_scale():
    # Comparison tables of the trade for the macrogrits of ISO 6344 / FEPA 43 (customary mean sizes, no tolerances).
    table = {"P12": 1815, "P16": 1324, "P20": 1000, "P24": 764, "P30": 642, "P36": 538, "P40": 425, "P50": 336,
             "P60": 269, "P80": 201, "P100": 162, "P120": 125, "P150": 100, "P180": 82, "P220": 68}
    assert dict(GRAIN_UM) == table
    sizes = list(GRAIN_UM.values())
    assert sizes == sorted(sizes, reverse=True)
    assert f"{grain_um('P80') / grain_um('P40'):.3f}" == "0.473"
