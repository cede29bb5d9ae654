"""Units are physical: from a definition's spelling to the unit that rules compute in.

Our own table of trade spellings comes first, because a general units library reads several of them
as something else (1/min as 0.16 rpm, Nm as number-metre, C as coulomb). Only spellings that the
table does not have go to pint.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from canscope.model.errors import nearest
from canscope.plan.mistakes import Unusable

FAHRENHEIT = 5.0 / 9.0

if TYPE_CHECKING:
    from pint import UnitRegistry


def _table(groups: dict[float, str]) -> dict[str, float]:
    return {spelling: factor for factor, line in groups.items() for spelling in line.split()}


# Role's unit -> spelling, spaces and dots left out -> factor. Case counts: MOhm, mOhm.
SPELLINGS: dict[str, dict[str, float]] = {
    "V": _table({1.0: "V Volt Volts VDC Vdc", 1e-3: "mV millivolt", 1e3: "kV"}),
    "A": _table({1.0: "A Amp Amps Ampere Amperes ADC", 1e-3: "mA", 1e3: "kA"}),
    "ohm": _table(
        {
            1.0: "Ohm Ohms Ω \u2126",
            1e3: "kOhm kOhms KOhm kΩ k\u2126",
            1e6: "MOhm Mohm MOhms MegOhm MΩ M\u2126",
            1e-3: "mOhm mohm mΩ m\u2126",
        }
    ),
    "rpm": _table(
        {
            1.0: "rpm 1/min /min min-1 min^-1 min⁻¹ U/min Umdr/min Upm r/min rev/min tr/min",
            60.0: "1/s /s s-1 s^-1 s⁻¹ r/s rev/s rps U/s",  # in a speed role: turns a second
            1e3: "krpm",
        }
    ),
    "Nm": _table(
        {
            1.0: "Nm N·m N⋅m N•m N∙m N*m N-m Newtonmeter Newtonmetre newton-metre newton-meter",
            1e3: "kNm",
            1e-3: "mNm",
            10.0: "daNm",
            1e-2: "Ncm",
        }
    ),
    "degC": _table({1.0: "degC C °C ºC ℃ Celsius GradC degreeC °Celsius"}),
    "%": _table({1.0: "% percent pct Prozent", 0.1: "‰ permille"}),
    "l/min": _table(
        {
            1.0: "l/min lpm ltr/min litre/min liter/min dm3/min",
            1e-3: "ml/min",
            1 / 60: "l/h",
            60.0: "l/s",
        }
    ),
}
# Spellings whose meaning does not depend on upper or lower case: RPM and NM are read as well.
ANY_CASE = re.compile(r"^(?!m(ohms?|Ω|\u2126|v|a|nm)$)", re.IGNORECASE)
OFFSETS: dict[str, tuple[float, float]] = {
    "K": (1.0, -273.15),
    "Kelvin": (1.0, -273.15),
    "°F": (FAHRENHEIT, -32 * FAHRENHEIT),
    "degF": (FAHRENHEIT, -32 * FAHRENHEIT),
    "Fahrenheit": (FAHRENHEIT, -32 * FAHRENHEIT),
}
# Words, powers, products and quotients; nothing that could make a parser compute for long.
WORD = r"(?:1|[A-Za-zµμ°]+)(?:(?:\^|\*\*)?-?[1-9])?"
EXPRESSION = rf"{WORD}(?:\s*[*/·]\s*{WORD}){{0,4}}"
PINT_NAME = {"V": "volt", "A": "ampere", "ohm": "ohm", "rpm": "rpm", "Nm": "newton * meter"}
PINT_NAME |= {"degC": "degC", "%": "percent", "l/min": "liter / minute"}


@dataclass(frozen=True)
class Conversion:
    """value in the role's unit = value in the signal's unit * factor + offset."""

    factor: float
    offset: float = 0.0


def missing(unit: str) -> bool:
    """Whether a definition gives no unit; many files write a lone dash for that."""
    return unit.strip() in ("", "-", "--")


def conversion(unit: str, target: str) -> Conversion:
    """How to turn values in a definition's unit into a role's unit, a key of ``SPELLINGS``.

    Raises ``Unusable`` for a unit that is not known or that measures something else.
    """
    written = re.sub(r"[\s.]", "", unit)
    if target == "degC" and (known := _fold(OFFSETS).get(written.casefold())):
        return Conversion(*known)
    table = SPELLINGS[target]
    if written in table:
        return Conversion(float(table[written]))
    folded = {k.casefold(): v for k, v in table.items() if ANY_CASE.match(k)}
    if ANY_CASE.match(written) and written.casefold() in folded:
        return Conversion(float(folded[written.casefold()]))
    return _by_pint(unit.strip(), target)


def is_known(unit: str) -> bool:
    """Whether the table has a unit, or pint: whatever it measures. No unit counts as known."""
    written = re.sub(r"[\s.]", "", unit)
    if missing(unit) or written.casefold() in _fold(OFFSETS):
        return True
    for table in SPELLINGS.values():
        folded = {spelling.casefold() for spelling in table if ANY_CASE.match(spelling)}
        if written in table or (ANY_CASE.match(written) and written.casefold() in folded):
            return True
    if not re.fullmatch(EXPRESSION, unit.strip()):
        return False
    import pint

    try:
        _registry().parse_units(unit.strip())
    except (pint.PintError, ValueError, ZeroDivisionError, OverflowError, TypeError):
        return False
    return True


def _fold(table: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    return {spelling.casefold(): value for spelling, value in table.items()}


def _by_pint(unit: str, target: str) -> Conversion:
    unknown = Unusable(f"unit {unit!r} is not known", nearest(unit, SPELLINGS[target]))
    if not re.fullmatch(EXPRESSION, unit):
        raise unknown
    import pint

    registry = _registry()
    try:
        source = registry.parse_units(unit)
        zero, one, two = (
            float(registry.Quantity(value, source).to(PINT_NAME[target]).magnitude)
            for value in (0.0, 1.0, 2.0)
        )
    except pint.DimensionalityError as error:
        raise Unusable(f"unit {unit!r} cannot be turned into {target}", _expect(target)) from (
            error
        )
    except (pint.PintError, ValueError, ZeroDivisionError, OverflowError) as error:
        raise unknown from error
    names = " ".join(str(registry.Unit(name)) for name in source._units)
    if not _means(target, names) or abs((two - one) - (one - zero)) > 1e-9 * abs(one - zero):
        raise Unusable(f"unit {unit!r} cannot be turned into {target}", _expect(target))
    return Conversion(one - zero, zero)


@cache
def _registry() -> UnitRegistry[float]:
    from pint import UnitRegistry

    return UnitRegistry()


def _means(target: str, names: str) -> bool:
    """Whether a unit of the right dimension also means the right thing.

    Dimensions alone take a frequency for a speed and an energy for a torque.
    """
    if target == "rpm":
        return any(angle in names for angle in ("radian", "degree", "revolution", "turn", "rpm"))
    if target == "Nm":
        return any(force in names for force in ("newton", "force", "dyne", "pond"))
    return True


def _expect(target: str) -> str:
    return f"this role is measured in {target}; correct the unit in the definition file"
