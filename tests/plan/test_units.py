"""Unit conversion.

Sources: design.md section 5 (3000 1/min = 3000 rpm = 314.16 rad/s); kelvin, Fahrenheit and the
other factors are the definitions of the units, which a reader can redo by hand.
"""

import math

import pytest

from canscope.model.roles import role_of
from canscope.plan.mistakes import Unusable
from canscope.plan.units import conversion, missing


def converted(value, unit, target):
    turn = conversion(unit, target)
    return value * turn.factor + turn.offset


@pytest.mark.parametrize(
    "unit",
    ["1/min", "min-1", "U/min", "r/min", "rpm", "RPM", "rev/min", " 1 / min ", "min⁻¹", "rev./min"],
)
def test_every_trade_spelling_of_turns_per_minute_is_rpm(unit):
    assert converted(3000.0, unit, "rpm") == 3000.0


def test_3000_rpm_are_314_16_rad_per_second():
    assert converted(314.1592653589793, "rad/s", "rpm") == pytest.approx(3000.0, abs=1e-9)
    assert 3000 * 2 * math.pi / 60 == pytest.approx(314.16, abs=0.005)


@pytest.mark.parametrize("unit", ["1/s", "s-1", "r/s", "rps"])
def test_per_second_in_a_speed_role_is_turns_per_second(unit):
    assert converted(50.0, unit, "rpm") == 3000.0


@pytest.mark.parametrize(
    ("value", "unit", "target", "right"),
    [
        (5.0, "Nm", "Nm", 5.0),
        (5.0, "N·m", "Nm", 5.0),
        (5.0, "N m", "Nm", 5.0),
        (1.0, "lbf*ft", "Nm", 0.45359237 * 9.80665 * 0.3048),  # pound force times foot
        (20.0, "C", "degC", 20.0),
        (20.0, "deg C", "degC", 20.0),
        (20.0, "°C", "degC", 20.0),
        (293.15, "K", "degC", 20.0),
        (68.0, "degF", "degC", 20.0),  # (68 - 32) * 5 / 9
        (2.4, "MOhm", "ohm", 2.4e6),
        (2.4, "mOhm", "ohm", 2.4e-3),
        (40.0, "OHM", "ohm", 40.0),
        (500.0, "kΩ", "ohm", 5e5),
        (0.4, "kV", "V", 400.0),
        (400.0, "Volt", "V", 400.0),
        (3.5, "mA", "A", 3.5e-3),
        (12.0, "%", "%", 12.0),
        (6.0, "m^3/h", "l/min", 100.0),  # 6000 l in 60 min
        (6.0, "L/min", "l/min", 6.0),
        (360.0, "deg/s", "rpm", 60.0),  # one turn a second
    ],
)
def test_units_are_read_as_the_trade_means_them(value, unit, target, right):
    assert converted(value, unit, target) == pytest.approx(right, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "target"),
    [
        ("V", "A"),
        ("Nm", "rpm"),
        ("Hz", "rpm"),  # of what? a pole pair is not a turn
        ("J", "Nm"),
        ("W*s", "Nm"),
        ("m/s", "rpm"),
        ("F", "degC"),
        ("<script>", "V"),
        ("9^9^9^9^9", "V"),
        ("furlong", "degC"),
        ("dBm", "V"),
    ],
)
def test_unknown_units_and_wrong_dimensions_are_refused(unit, target):
    with pytest.raises(Unusable) as error:
        conversion(unit, target)
    assert repr(unit) in error.value.what


def test_a_dash_or_nothing_is_no_unit():
    assert [missing(unit) for unit in ("", " - ", "V")] == [True, True, False]


def test_roles_know_their_units_whatever_the_free_words_are():
    assert role_of("units.rear.temperatures.speed").unit == "degC"
    assert role_of("units.rear.speed").unit == "rpm"
    assert role_of("pack.insulation").unit == "ohm"
