"""The roles that a plan wants bound, gathered from all its tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

from canscope.model.bench import POLES, Kind
from canscope.plan.lines import KeyPath

if TYPE_CHECKING:
    from canscope.plan.role_tables import ContactorTable
    from canscope.plan.schema import PlanTable, UnitTable

# Section, keys of one kind in it.
SIMPLE: tuple[tuple[str, Kind, tuple[str, ...]], ...] = (
    ("pack", Kind.NUMBER, ("voltage", "current", "insulation")),
    ("supply", Kind.NUMBER, ("voltage",)),
    ("driver", Kind.STATE, ("ignition", "brake", "emergency_stop")),
    ("driver", Kind.NUMBER, ("pedal", "pedal_2")),
    ("driver", Kind.DIRECTION, ("direction",)),
    ("cooling", Kind.NUMBER, ("flow",)),
)
OF_A_UNIT: tuple[tuple[str, Kind], ...] = (
    ("speed", Kind.NUMBER),
    ("torque", Kind.NUMBER),
    ("link_voltage", Kind.NUMBER),
    ("fault", Kind.CODE),
    ("alive", Kind.CODE),
    ("checksum", Kind.CODE),
)


@dataclass(frozen=True)
class Wish:
    """One role, what the plan says of it, and where."""

    role: str
    kind: Kind
    table: Any  # a role's table of the schema; which one, its kind and code tell
    path: KeyPath

    @property
    def code(self) -> str:
        """Which code of a unit it is, fault, alive or checksum; empty for any other role."""
        return str(self.path[-1]) if self.kind is Kind.CODE else ""


def wishes(plan: PlanTable) -> Iterator[Wish]:
    """Every role that the plan gives a signal to, in the order of the contract."""
    for section, kind, keys in SIMPLE:
        for key in keys:
            if table := getattr(getattr(plan, section), key):
                yield Wish(f"{section}.{key}", kind, table, (section, key))
    for pole in POLES:
        if contactor := getattr(plan.contactors, pole):
            yield from _pole(pole, contactor)
    for name, unit in plan.units.items():
        yield from _unit(name, unit)


def _pole(pole: str, table: ContactorTable) -> Iterator[Wish]:
    path: KeyPath = ("contactors", pole)
    outer = {
        key: value
        for key in ("cycle_ms", "invert", "not_available", "true", "false")
        if (value := getattr(table, key)) is not None
    }
    state = SimpleNamespace(**{**vars(table.state), **outer})
    yield Wish(f"contactors.{pole}", Kind.STATE, state, (*path, "state"))
    if table.command:
        role = f"contactors.{pole}.command"
        yield Wish(role, Kind.STATE, table.command, (*path, "command"))


def _unit(name: str, unit: UnitTable) -> Iterator[Wish]:
    path: KeyPath = ("units", name)
    for key, kind in OF_A_UNIT:
        if table := getattr(unit, key):
            yield Wish(f"units.{name}.{key}", kind, table, (*path, key))
    for word, temperature in unit.temperatures.items():
        role = f"units.{name}.temperatures.{word}"
        yield Wish(role, Kind.NUMBER, temperature, (*path, "temperatures", word))
