"""A draft as commented TOML: what was found is bound, what was not is asked or commented out."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from canscope.draft.choices import Choice, Match
from canscope.draft.evidence import Candidate
from canscope.draft.facts import Bus
from canscope.draft.inventory import Inventory
from canscope.draft.match import Matches
from canscope.draft.meaning import WAYS, codes_by_course, direction_codes, fault_ok, state_codes
from canscope.draft.units import Unit
from canscope.model.bench import MAINS, POLES, STAGES
from canscope.model.roles import ROLES, role_of
from canscope.plan.coverage import full_bench
from canscope.plan.lines import KeyPath
from canscope.plan.questions import MARK
from canscope.rules import RULES

Answers = Mapping[KeyPath, str]  # key path -> what the plan says there, as TOML
OPEN = f'"{MARK}"'
BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
HEAD = (
    "# A draft. Read every line: nothing here was known, all of it was inferred from names,",
    "# units and what the capture shows. The figure behind a signal says how sure that is.",
    f'# Every {OPEN} is a question that only a person can answer; "canscope plan check" tells',
    "# them all, and the plan cannot be used before. Lines with # in front do nothing.",
)
SIGN = (
    "# The sign of speed and torque: positive where the donor vehicle drives forward. If it is",
    '# the other way round, write { signal = "...", invert = true }. No capture can tell.',
)
DRY = STAGES[:3]  # what a vehicle goes through first, if nobody has said yet
ANGLES = "{ roll = .., pitch = .., yaw = .. }, in degrees"
SECTIONS = ("pack", "contactors", "supply", "driver", "cooling")
LEFT_OPEN = "-"  # answers that roles without a signal stay unproven
UNIT_ROLES = ("speed", "torque", "link_voltage", "fault")


def plan_text(inventory: Inventory, matches: Matches, folder: Path, answers: Answers) -> str:
    """The plan as text, for a file in ``folder``; what is in ``answers`` is asked no more."""
    return "\n".join(_Draft(inventory, matches, folder, answers).lines()) + "\n"


def quoted(text: str) -> str:
    """Text in quotes, as TOML reads it."""
    return json.dumps(text)


def key(text: str) -> str:
    """A key, in quotes where it has to be."""
    return text if text and set(text) <= BARE else quoted(text)


class _Draft:
    """Writes one plan, table by table."""

    def __init__(
        self, inventory: Inventory, matches: Matches, folder: Path, answers: Answers
    ) -> None:
        self.inventory, self.matches, self.folder = inventory, matches, folder
        self.answers = answers

    def asked(self, *path: str, shape: str = "{}") -> str:
        """The answer to a question, or the mark that it is open."""
        return self.answers.get(path, shape.format(OPEN))

    def lines(self) -> Iterator[str]:
        yield from HEAD
        yield "format = 1"
        yield from self._job()
        yield from self._buses()
        for section in SECTIONS:
            yield from self._section(section)
        for unit in self.matches.units:
            yield from self._unit(unit)
        yield from self._limits()
        yield from self._not_on_vehicle()

    def _job(self) -> Iterator[str]:
        yield "\n[job]"
        yield f"vehicle = {self.asked('job', 'vehicle')}"
        turned = bool(self.matches.picture.speeds)
        seen = "a unit turned" if turned else "no signal shows a unit turning"
        yield f"stage   = {self.asked('job', 'stage')}  # {' | '.join(STAGES)}"
        if self.inventory.frames:
            yield f"#   in this capture {seen}"
        yield f"coolant = {self.asked('job', 'coolant')}  # empty | filled"
        yield f"oil     = {self.asked('job', 'oil')}"
        yield '# tester = "..."          # also: witness, customer, job_number, place, notes'
        yield "# ambient_degC = .."
        yield "# cold = true             # first run of the day"

    def _buses(self) -> Iterator[str]:
        yield "\n[buses]"
        if not self.inventory.frames:
            yield "# No capture was given: these names of channels are made up. Correct them."
        for bus in self.inventory.buses:
            files = f"[{', '.join(quoted(self._relative(file)) for file in bus.files)}]"
            if bus.rivals:
                files = self.asked("buses", bus.channel, "definitions")
            yield f"{key(bus.channel)} = {{ definitions = {files} }}  # {self._about(bus)}"
        yield "# bitrate = 500_000 beside the definitions of a bus lets its load be judged"

    def _about(self, bus: Bus) -> str:
        if not bus.files:
            return f"no definition fits; {len(bus.messages)} identifiers seen"
        if bus.given:
            return "as you named it"
        fit = next((fit for fit in bus.fits if fit.file == bus.files[0]), None)
        if fit is None:
            return "no frame seen"
        text = f"knows {fit.known_ids} of {fit.seen_ids} identifiers, {fit.plausible:.0%} plausible"
        if bus.rivals:
            names = " or ".join(map(self._relative, (bus.files[0], *bus.rivals)))
            text = f"{names}: {text} either way; below stands what the first one says"
        return _comment(text)

    def _relative(self, file: str) -> str:
        try:
            return Path(os.path.relpath(file, self.folder)).as_posix()
        except ValueError:  # on another drive
            return Path(file).resolve().as_posix()

    def _section(self, section: str) -> Iterator[str]:
        roles = [r for r in ROLES if r.words[0] == section]
        found = [r.name for r in roles if self._known(r.name)]
        if section == "cooling" and not found:
            return
        yield f"\n[{section}]"
        if section == "pack":
            yield "# nominal_voltage_V = .."
            yield f"maximum_voltage_V = {self.asked('pack', 'maximum_voltage_V')}"
            yield "# ac_protected = true    # a.c. side doubly insulated (UN R100 5.1.3.2)"
        if section == "contactors":
            for pole in POLES:
                yield from self._pole(pole)
            if not any(self._is_bound(f"contactors.{pole}") for pole in MAINS):
                yield '# both = "..."            # one signal that tells of both main contactors'
            yield "# precharge_resistor_ohm = .."
            yield "# link_capacitance_F = .."
            yield f"bleed = {self.asked('contactors', 'bleed')}  # active | passive | false"
            return
        for role in roles:
            yield from self._bound(role.name, role.words[-1])

    def _is_bound(self, role: str) -> bool:
        choice = self.matches.choices.get(role)
        return bool(choice and choice.taken)

    def _known(self, role: str) -> bool:
        choice = self.matches.choices.get(role)
        return bool(choice and (choice.taken or choice.others))

    def _bound(self, role: str, word: str) -> Iterator[str]:
        """The line of one role: bound with its alternatives, commented out, or nothing."""
        choice = self.matches.choices.get(role)
        if choice is None:
            return
        if choice.taken is None:
            yield from _left_open(choice, word)
            return
        yield f"{word} = {self._value(role, choice.taken.candidate)}  # {_sure(choice.taken)}"
        yield from self._notes(role, choice.taken.candidate)
        for other in choice.others:
            yield _comment(f"#   or {quoted(other.candidate.key)}: {_sure(other)}")

    def _value(self, role: str, one: Candidate) -> str:
        """What the plan says of a role: its signal, and its codes where they are not 0 and 1."""
        path = tuple(role.split("."))
        words = [f"signal = {quoted(one.key)}"]
        if role == "driver.direction":
            ways = direction_codes(one)
            for way in WAYS:
                known = f"[{', '.join(map(str, ways[way]))}]" if ways.get(way) else ""
                words.append(f"{way} = {known or self.asked(*path, way, shape='[{}]')}")
        elif role.endswith(".fault"):
            if ok := fault_ok(one):
                words.append(f"ok = [{', '.join(map(str, ok))}]")
        elif role == "pack.current" and self.matches.picture.charges_positive(one):
            words.append(f"invert = {self.asked('pack', 'current', 'invert')}")
        elif role_of(role).kind.name == "STATE":
            codes = state_codes(one, codes_by_course(role, one, self.matches.picture))
            if codes is None:
                words += [
                    f"{way} = {self.asked(*path, way, shape='[{}]')}" for way in ("true", "false")
                ]
            elif codes:
                words += [
                    f"{way} = [{', '.join(map(str, codes[way]))}]" for way in ("true", "false")
                ]
        return f"{{ {', '.join(words)} }}" if len(words) > 1 else quoted(one.key)

    def _notes(self, role: str, one: Candidate) -> Iterator[str]:
        """What the capture shows of a signal whose codes nobody could tell."""
        value = self._value(role, one)
        if role.endswith(".fault") and "[" not in value:
            form = f"{{ signal = {quoted(one.key)}, ok = [..] }}"
            yield _comment(f"#   list the codes that mean no fault, else nobody judges it: {form}")
        if "[" not in value and OPEN not in value:
            return
        labels = one.facts.spec.labels
        seen = sorted((one.facts.codes or {}).items(), key=lambda item: -item[1])
        total = max(one.facts.count, 1)
        parts = [
            f"{code}{' ' + quoted(labels[code]) if code in labels else ''} {times / total:.0%}"
            for code, times in seen[:8]
        ]
        if parts:
            yield _comment(f"#   codes seen: {', '.join(parts)}")
        if role == "driver.direction":
            yield from (_comment(f"#   {text}") for text in self.matches.picture.ways(one))
        elif OPEN in value and role != "pack.current":
            true = codes_by_course(role, one, self.matches.picture)
            if true is not None:
                yield f"#   by its course {true} might mean true; look before you write it"

    def _pole(self, pole: str) -> Iterator[str]:
        state, command = f"contactors.{pole}", f"contactors.{pole}.command"
        asked = self.matches.choices.get(command)
        taken = self.matches.choices.get(state)
        if taken and taken.taken and asked and asked.taken:
            both = (
                f"state = {self._value(state, taken.taken.candidate)}, "
                f"command = {self._value(command, asked.taken.candidate)}"
            )
            yield f"{pole} = {{ {both} }}  # {_sure(taken.taken)}; command {_sure(asked.taken)}"
            for role, choice in ((state, taken), (command, asked)):
                if choice.taken:
                    yield from self._notes(role, choice.taken.candidate)
            for other in (*taken.others, *asked.others):
                yield _comment(f"#   or {quoted(other.candidate.key)}: {_sure(other)}")
            return
        yield from self._bound(state, pole)
        if asked and asked.taken is None:
            yield from _left_open(asked, f"{pole}.command")

    def _unit(self, unit: Unit) -> Iterator[str]:
        asked = ("units", f"{MARK}{unit.name}")
        name = self.answers.get(asked) or asked[1]
        path = ("units", name)
        twins = [u for u in self.matches.units if u is not unit and u.files == unit.files]
        yield ""
        if name.startswith(MARK):
            text = f"# Which axle is the unit on {unit.channel}? Write front or rear."
            if unit.axle:  # of its donor vehicle perhaps
                text += f" Its signals are called {unit.axle}, which may be where it once sat."
            elif twins:
                text += f" The unit on {', '.join(u.channel for u in twins)} sends alike."
            yield _comment(text)
        yield f"[units.{key(name)}]"
        for word in UNIT_ROLES:
            yield from self._bound(f"units.{unit.name}.{word}", word)
        if unit.temperatures:
            heat = ", ".join(
                f"{key(word)} = {quoted(one.candidate.key)}"
                for word, one in unit.temperatures.items()
            )
            yield f"temperatures = {{ {heat} }}  # the words are free"
        if unit.alive:
            yield f"alive = {quoted(unit.alive.key)}  # 97 %: counts up by one with every frame"
        if unit.checksum:
            one, profile = unit.checksum
            table = f"signal = {quoted(one.key)}, profile = {quoted(profile)}"
            yield f"checksum = {{ {table} }}  # 99 %: right in every frame that was tried"
        yield from SIGN
        yield f"gear_ratio = {self.asked(*path, 'gear_ratio')}  # turns of motor for one of wheel"
        yield f"mounting = {self.asked(*path, 'mounting')}  # {ANGLES}"
        yield f"phases_swapped = {self.asked(*path, 'phases_swapped')}"

    def _limits(self) -> Iterator[str]:
        stage = self.answers.get(("job", "stage"), OPEN)
        dry = stage not in ('"wet-spin"', '"rolling"')
        spins = stage != '"power-up"'
        yield "\n[limits]"
        current = "dry_current_A" if dry else "current_A"
        if dry and spins and self.matches.units:
            yield f"dry_burst_s = {self.asked('limits', 'dry_burst_s')}  # one burst"
            yield f"dry_total_s = {self.asked('limits', 'dry_total_s')}  # all bursts together"
        yield f"{current} = {self.asked('limits', current)}"
        if self.matches.units:
            yield f"speed_rpm = {self.asked('limits', 'speed_rpm')}"
        words = dict.fromkeys(word for unit in self.matches.units for word in unit.temperatures)
        if words:
            table = ("limits", "temperature_ceiling_degC")
            heat = ", ".join(f"{key(word)} = {self.asked(*table, word)}" for word in words)
            yield f"temperature_ceiling_degC = {{ {heat} }}"
        if dry:
            yield "# current_A = ..          # once coolant and oil are in"

    def _not_on_vehicle(self) -> Iterator[str]:
        absent = list(absent_roles(self.matches, self.answers))
        if not absent:
            return
        inferred = any(
            one.spec.inferred for bus in self.inventory.buses for _, one in bus.signals()
        )
        left = inferred or self.answers.get(("not_on_this_vehicle", "reason")) == LEFT_OPEN
        mark = "# " if left else ""
        yield "\n# No signal looks like one of these. If the vehicle has one, bind it and take it"
        yield "# out here. What stays is for a person:"
        for role in absent:
            yield f"#   {role}: {role_of(role).hand_check}"
        if inferred:
            yield "# A survey cannot tell that a role is missing: what rests on it stays unproven."
            yield "# Sign only for those that this vehicle surely does not have."
        elif not left:
            yield "# Without this table what rests on them stays unproven."
        yield f"{mark}[not_on_this_vehicle]"
        yield f"{mark}roles  = [{', '.join(quoted(role) for role in absent)}]"
        for word in ("reason", "by"):
            value = self.asked("not_on_this_vehicle", word)
            yield f"{mark}{word:6} = {OPEN if left else value}"


def absent_roles(matches: Matches, answers: Answers) -> Iterator[str]:
    """Roles that the stage requires, any dry one while it is not known, and that have no signal."""
    stage = answers.get(("job", "stage"), OPEN).strip('"')
    return missing_roles(matches, (stage,) if stage in STAGES else DRY)


def missing_roles(matches: Matches, stages: Sequence[str]) -> Iterator[str]:
    """Roles of the vehicle that one of these stages requires and that no signal could be."""
    required = _required(stages)
    for role in ROLES:
        if role.words[0] == "units" or role.name.endswith(".command"):
            continue
        choice = matches.choices.get(role.name)
        if (choice is None or not (choice.taken or choice.others)) and role.name in required:
            yield role.name


def _required(stages: Sequence[str]) -> frozenset[str]:
    """Roles that a rule needs in one of these stages, if the stage requires the rule."""
    found = set()
    for stage in stages:
        bench = full_bench(stage)
        for name in RULES:
            rule = RULES[name]()
            if rule.applies(bench) and rule.required(bench):
                found |= {need for subject in rule.subjects(bench) for need in subject.needs}
    return frozenset(found)


def _left_open(choice: Choice, word: str) -> Iterator[str]:
    """Comments for a role that no signal is sure enough for."""
    for number, other in enumerate(choice.others):
        start = f"# {word} =" if number == 0 else "#   or"
        yield _comment(f"{start} {quoted(other.candidate.key)}  # {_sure(other)}: not sure enough")


def _sure(one: Match) -> str:
    return f"{one.percent} %: {one.why}"


def _comment(text: str) -> str:
    """Text of a definition or capture in a comment cannot end it."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def open_paths(text: str) -> Sequence[KeyPath]:
    """The questions that a drafted plan still has, in the order in which they stand there."""
    import tomllib

    from canscope.plan.questions import open_questions

    return list(open_questions(tomllib.loads(text)))
