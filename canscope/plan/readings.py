"""Hand readings: what a person's own instrument said, in the unit of the role that it checks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canscope.model.bench import Binding, Kind, Reading
from canscope.model.errors import nearest
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import Notes, Unusable
from canscope.plan.units import conversion

if TYPE_CHECKING:
    from canscope.plan.schema import ReadingTable

TURNS = ("turns", "turn", "revolutions", "rev")
LONGEST_S = 100.0  # of a count: what lies further back is no longer remembered

Note = Callable[[KeyPath, str, str], None]


@dataclass(frozen=True)
class Known:
    """What marks and readings may name."""

    axles: Sequence[str]
    bindings: Mapping[str, Binding]
    ratios: Mapping[str, float | None] = field(default_factory=dict)  # by unit


def plan_readings(tables: Iterable[ReadingTable], known: Known, notes: Notes) -> list[Reading]:
    """The readings written in the plan itself."""
    readings = []
    for number, table in enumerate(tables):

        def note(path: KeyPath, what: str, hint: str = "", number: int = number) -> None:
            notes.mistake(("readings", number, *path), what, hint)

        readings += read(table, known, note)
    return readings


def read(table: ReadingTable, known: Known, note: Note) -> list[Reading]:
    """One reading, or none after its mistakes have been noted."""
    binding = known.bindings.get(table.role)
    if binding is None:
        what = f"no role named {table.role!r} is bound in this plan"
        note(("role",), what, nearest(table.role, known.bindings))
        return []
    if binding.kind is not Kind.NUMBER:
        numbers = [role for role, other in known.bindings.items() if other.kind is Kind.NUMBER]
        what = f"{table.role} has no number that an instrument could read"
        note(("role",), what, nearest(table.role, numbers))
        return []
    counted = table.unit.strip() in TURNS
    if not _timed(table, counted, note):
        return []
    scale = _turns(table, known, note) if counted else _converted(table, binding, note)
    if scale is None:
        return []
    factor, offset = scale
    return [
        Reading(
            role=table.role,
            value=table.value * factor + offset,
            uncertainty=table.uncertainty * abs(factor),
            at_s=table.at_s,
            time_ns=table.time_ns,
            from_s=table.from_s,
            to_s=table.to_s,
            instrument=str(table.instrument),
            by=str(table.by),
            said=f"{table.value:g} {table.unit.strip()}",
        )
    ]


def _timed(table: ReadingTable, counted: bool, note: Note) -> bool:
    """Whether the times given fit what was read."""
    instants = (table.at_s is not None) + (table.time_ns is not None)
    spans = (table.from_s is not None) + (table.to_s is not None)
    if counted and (instants, spans) != (0, 2):
        note((), "turns are counted over a time", "give from_s and to_s, nothing else")
    elif not counted and (instants, spans) != (1, 0):
        note((), "a reading has either at_s or time_ns", "give one of the two")
    elif counted and not 0 < (table.to_s or 0.0) - (table.from_s or 0.0) <= LONGEST_S:
        what = f"expected a time after from_s, at most {LONGEST_S:g} s later"
        note(("to_s",), f"{what}, got {table.to_s:g}", "")
    else:
        return True
    return False


def _turns(table: ReadingTable, known: Known, note: Note) -> tuple[float, float] | None:
    """Turns of the wheels as the mean speed of the motor, in rpm."""
    _, unit, *word = [*table.role.split("."), "", ""]
    if table.role.split(".")[0] != "units" or word[0] != "speed":
        speeds = [role for role in known.bindings if role.endswith(".speed")]
        note(("role",), "turns are counted of a speed", nearest(table.role, speeds))
        return None
    ratio = known.ratios.get(unit)
    if ratio is None:
        hint = f"give [units.{unit}] gear_ratio"
        note(("unit",), "turns of a wheel need the gear ratio of the unit", hint)
        return None
    return ratio * 60 / ((table.to_s or 0.0) - (table.from_s or 0.0)), 0.0


def _converted(table: ReadingTable, binding: Binding, note: Note) -> tuple[float, float] | None:
    try:
        turn = conversion(table.unit, binding.unit)
    except Unusable as error:
        note(("unit",), error.what, f"{table.role} is measured in {binding.unit}")
        return None
    return turn.factor, turn.offset
