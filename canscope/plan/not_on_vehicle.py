"""Roles that no bus of this vehicle carries, as somebody signed for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from canscope.model.bench import Absent, Binding, DriveUnit
from canscope.model.errors import UnknownNameError, nearest
from canscope.model.roles import ROLES, role_of
from canscope.plan.mistakes import Notes

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable


def not_on_vehicle(
    plan: PlanTable, bindings: Mapping[str, Binding], notes: Notes
) -> dict[str, Absent]:
    """Role -> who says that this vehicle does not have it. One that is bound is a mistake."""
    table = plan.not_on_this_vehicle
    if table is None:
        return {}
    found: dict[str, Absent] = {}
    names = list(_names(plan.units))
    for number, name in enumerate(table.roles):
        path = ("not_on_this_vehicle", "roles", number)
        bound = [role for role in bindings if role == name or _below(name, role)]
        if not _exists(name, list(plan.units)):
            notes.mistake(path, f"no role named {name!r}", nearest(name, names))
        elif bound:
            what = f"{name} is listed as not on this vehicle, and {bound[0]} is bound"
            notes.mistake(path, what, "remove one of the two")
        else:
            found[name] = Absent(name, table.reason, table.by)
    return found


def check_temperatures(
    units: Sequence[DriveUnit],
    ceilings_degC: Mapping[str, float],
    absent: Mapping[str, Absent],
    notes: Notes,
) -> None:
    """A temperature with a ceiling that one unit binds and another one leaves out is a mistake.

    Its ceiling would be met by not looking. Whoever signs that the unit has no such sensor may.
    """
    for unit in units:
        others = {word for other in units for word in other.temperatures if word in ceilings_degC}
        for word in sorted(others - set(unit.temperatures)) if unit.temperatures else ():
            role = unit.role(f"temperatures.{word}")
            if role not in absent and unit.role("temperatures.*") not in absent:
                what = f"no {word!r}, which has a ceiling and which another unit binds"
                hint = f"bind it, or list {role} in [not_on_this_vehicle]"
                notes.mistake(("units", unit.name, "temperatures"), what, hint)


def _names(units: Mapping[str, object]) -> Iterator[str]:
    for role in ROLES:
        if role.words[0] == "units":
            yield from (role.name.replace("*", unit, 1) for unit in units)
        else:
            yield role.name


def _exists(name: str, units: list[str]) -> bool:
    try:
        role = role_of(name)
    except UnknownNameError:
        return False
    return role.words[0] != "units" or name.split(".")[1] in units


def _below(pattern: str, role: str) -> bool:
    """Whether the pattern ends with ``*`` and covers the role."""
    return pattern.endswith(".*") and role.startswith(pattern[:-1])
