"""Loading a bench plan: text -> Plan, or every mistake in it at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from canscope.model.bench import MARK_S, Bench, Binding, DriveUnit, Mounting, Reading
from canscope.model.definition import Definitions
from canscope.model.roles import ROLES
from canscope.plan.binding import bind
from canscope.plan.cache import ValidationCache
from canscope.plan.definitions import definitions_of, with_policies
from canscope.plan.lines import KeyPath
from canscope.plan.marks import file_marks, plan_marks
from canscope.plan.mistakes import Mistakes, Notes, quoted
from canscope.plan.mounting import SMALLEST_Y, axle_y, description, effect_of
from canscope.plan.not_on_vehicle import check_temperatures, not_on_vehicle
from canscope.plan.plan import Plan, PlanMark
from canscope.plan.questions import ELSE, open_questions, question_at, without
from canscope.plan.readings import Known, plan_readings
from canscope.plan.requested_roles import RequestedRole, requested_roles
from canscope.plan.rulebook import rule_book
from canscope.plan.signal_names import SignalNames
from canscope.plan.source import Source, read_source
from canscope.plan.stage import check_stage, fluid_state
from canscope.plan.waivers import check_waived_subjects, waivers_of

if TYPE_CHECKING:
    from canscope.plan.schema import PlanTable, UnitTable

# Stands in for a missing or wrong [job] while the rest of a plan is searched for mistakes.
NEEDED = {"format": 1, "job": {"vehicle": "unknown", "stage": "unit-alone"}}


def read_plan(
    path: str | Path,
    *,
    marks: str | Path | None = None,
    definitions: Definitions | None = None,
) -> Plan:
    """Read a bench plan, its includes, definitions and marks.

    ``marks`` is a file of JSON lines, added to the plan's own marks. ``definitions`` replaces the
    files that the plan names, which are then not read.

    Raises ``PlanError`` with every mistake found in them.
    """
    mistakes = Mistakes()
    source = read_source(Path(path), mistakes)
    if not source.layers:
        mistakes.raise_any(str(path))
    return _Loader(source, mistakes).plan(Path(marks) if marks else None, definitions)


class _Loader:
    """The steps of reading one plan; each notes its mistakes, and the last raises them."""

    def __init__(self, source: Source, mistakes: Mistakes) -> None:
        self.source, self.mistakes = source, mistakes
        self.notes = Notes(source.where, mistakes)
        self.open = set(open_questions(source.data))
        for path in sorted(self.open, key=str):
            question = question_at(path)
            self.notes.mistake(path, f"open question: {question.asks}", f"write {question.form}")
        source.data = without(source.data, self.open)
        self.cache = ValidationCache(source.data)

    def plan(self, marks_file: Path | None, given: Definitions | None) -> Plan:
        """The plan. Raises ``PlanError``."""
        table = self.table()
        if not self.source.whole:  # what rests on the part that is missing is no mistake of its own
            self.mistakes.raise_any(str(self.source.path))
        requested = list(requested_roles(table))
        units = tuple(self.unit(name, unit, requested) for name, unit in table.units.items())
        unread: frozenset[str] = frozenset()
        if given is None:
            given, unread = definitions_of(table, self.source, self.notes)
            unread |= {str(path[1]) for path in self.open if path[0] == "buses"}
        definitions = with_policies(given, requested, self.notes)
        signs = {unit.name: unit.sign for unit in units}
        names = SignalNames(definitions, unread)
        # If [buses] itself is missing, that is the mistake, and not every role by itself.
        findable = [] if self._lacks_buses(table) else requested
        bindings = bind(findable, names, signs, self.notes)
        words = [word for unit in units for word in unit.temperatures]
        book = rule_book(table, words, self.cache, self.notes)
        waivers = waivers_of(table, self.notes)
        marks, readings = self.marks(table, marks_file, bindings)
        absent = not_on_vehicle(table, bindings, self.notes)
        ceilings_degC = getattr(book.rules.get("temperature-ceiling"), "ceiling_degC", {})
        check_temperatures(units, ceilings_degC, absent, self.notes)
        check_stage(table, self.notes)
        self.mistakes.raise_any(str(self.source.path))
        bound = {binding.signal.message_key for binding in bindings.values()}
        for channel in sorted(set(table.buses) - {key.partition(":")[0] for key in bound}):
            self.notes.warn(("buses", channel), "no role is bound to it: its nodes are not judged")
        bench = replace(
            _bench(table, self.source),
            units=units,
            bindings=bindings,
            messages={m.key: m for m in definitions.messages if m.key in bound},
            ceilings_degC=ceilings_degC,
            given=book.given,
            off=book.off,
            readings=tuple(readings),
            not_on_vehicle=absent,
            mark_s=max((MARK_S, *(mark.within_s or 0.0 for mark in marks))),
        )
        check_waived_subjects(waivers, book.rules, bench, self.notes)
        self.mistakes.raise_any(str(self.source.path))
        self.cache.save()
        return Plan(
            path=self.source.path,
            text=self.source.text,
            bench=bench,
            definitions=definitions,
            wanted=frozenset(binding.key for binding in bindings.values()),
            rules=book.rules,
            waivers=waivers,
            looser=book.looser,
            marks=tuple(marks),
            job={k: value for k, value in vars(table.job).items() if k in self.source.data["job"]},
            inputs=tuple(self.source.inputs),
            files=self.source.files,
            warnings=(*self.mistakes.warnings, *definitions.warnings),
            mounting=tuple(description(unit, _inverted(unit, requested)) for unit in units),
        )

    def table(self) -> PlanTable:
        """The plan's tables; those with mistakes in them left out."""
        table: PlanTable = self.cache.answer("tables", self._validated)
        return table

    def _validated(self) -> PlanTable:
        # Imported here, since a plan that is known already does without pydantic.
        from canscope.plan.schema import PlanTable
        from canscope.plan.validate import rest, validate

        data, whole = self.source.data, self.source.whole
        table = validate(PlanTable, data, self._mistake, whole=whole)
        return table if table is not None else rest(data, PlanTable, NEEDED)

    def _mistake(self, path: KeyPath, what: str, hint: str) -> None:
        """Note a mistake of the schema; what lacks because of an open question is told by that."""
        if any(path[: len(one)] == one and one[:-1] != ("units",) for one in self.open):
            return
        if not hint and what.startswith("missing"):
            hint = _form(path)
        self.notes.mistake(path, what, hint)

    def _lacks_buses(self, table: PlanTable) -> bool:
        broken = "buses" in self.notes.touched or not self.source.whole
        return broken and not table.buses

    def unit(self, name: str, table: UnitTable, requested: Sequence[RequestedRole]) -> DriveUnit:
        """One drive unit, with the sign of its mounting."""
        path = ("units", name)
        if not name.strip() or any(c.isspace() or c in ".:@" for c in name):
            self.notes.mistake(
                path, f"{quoted(name)} cannot be a unit's name", "one word, no . : @"
            )
        held = (*path, "temperatures")
        temperatures = tuple(str(r.path[3]) for r in requested if r.path[:3] == held)
        for word in temperatures:
            if not word.strip() or "." in word:
                what = f"{quoted(word)} cannot name a temperature"
                self.notes.mistake((*held, word), what, "words without a dot")
        mounting = Mounting(table.mounting.roll, table.mounting.pitch, table.mounting.yaw)
        effect = effect_of(mounting, table.phases_swapped)
        if effect is None:
            y = axle_y(mounting)
            what = f"the axle line would point {y:.3f} along the vehicle's y axis"
            hint = f"at least {SMALLEST_Y} either way (15 degrees); check roll, pitch and yaw"
            self.notes.mistake((*path, "mounting"), what, hint)
        return DriveUnit(
            name=name,
            serial=table.serial or "",
            gear_ratio=table.gear_ratio,
            inertia_kgm2=table.inertia_kgm2,
            mounting=mounting,
            phases_swapped=table.phases_swapped,
            sign=effect.sign if effect else 1,
            temperatures=temperatures,
            lubrication_caution=effect.lubrication_caution if effect else False,
        )

    def marks(
        self, table: PlanTable, path: Path | None, bindings: Mapping[str, Binding]
    ) -> tuple[list[PlanMark], list[Reading]]:
        """Marks and readings: the plan's own, then those of the file."""
        ratios = {name: unit.gear_ratio for name, unit in table.units.items()}
        known = Known(list(table.units), bindings, ratios)
        marks = plan_marks(table.marks, known.axles, self.notes)
        readings = plan_readings(table.readings, known, self.notes)
        for entry in file_marks(path, known, self.source, self.notes) if path else ():
            if isinstance(entry, PlanMark):
                marks.append(entry)
            else:
                readings.append(entry)
        return marks, readings


def _form(path: KeyPath) -> str:
    """How what is missing would be written: as the role's example, or as the question says."""
    words = [str(part) for part in path]
    for role in ROLES:
        size = len(role.words)
        if len(words) > size and role.covers(".".join(words[:size])):
            return f"the form is: {role.example}"
    question = question_at(path)
    return f"write {question.form}" if question is not ELSE else ""


def _inverted(unit: DriveUnit, requested: Sequence[RequestedRole]) -> Mapping[str, bool]:
    """Which of speed and torque the plan inverts by hand."""
    by_hand = {role.name for role in requested if getattr(role.table, "invert", False)}
    return {word: unit.role(word) in by_hand for word in ("speed", "torque")}


def _bench(table: PlanTable, source: Source) -> Bench:
    """What the plan says of the vehicle, roles and units left out."""
    job, pack, box = table.job, table.pack, table.contactors
    return Bench(
        stage=job.stage,
        vehicle=job.vehicle,
        coolant=fluid_state(job.coolant, job.stage),
        oil=fluid_state(job.oil, job.stage),
        cold=job.cold,
        ambient_degC=job.ambient_degC,
        nominal_voltage_V=pack.nominal_voltage_V,
        maximum_voltage_V=pack.maximum_voltage_V,
        ac_protected=pack.ac_protected,
        precharge_resistor_ohm=box.precharge_resistor_ohm,
        link_capacitance_F=box.link_capacitance_F,
        bleed=box.bleed,
        creep=table.driver.creep,
        buses=tuple(table.buses),
        bitrates={name: bus.bitrate for name, bus in table.buses.items() if bus.bitrate},
        sections=frozenset(key for key, value in source.data.items() if isinstance(value, dict)),
    )
