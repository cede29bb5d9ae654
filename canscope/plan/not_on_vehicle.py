"""Roles that no bus of this vehicle carries, as somebody signed for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from canscope.model.bench import Absent, Binding
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
