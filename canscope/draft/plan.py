"""``draft_plan``: a capture and definitions -> a first plan, with what is still to be answered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from canscope.decoding.database import read_definitions
from canscope.draft.facts import Bus, MessageFacts, SignalFacts
from canscope.draft.inventory import Inventory, take_inventory
from canscope.draft.match import Matches, match
from canscope.draft.write import Answers, absent_roles, open_paths, plan_text
from canscope.model.definition import MessageSpec
from canscope.model.tables import Frames, Tally
from canscope.plan.lines import KeyPath

NONE: Answers = {}


@dataclass
class Draft:
    """A drafted plan for a file in ``folder``: what was found, and how it is written."""

    inventory: Inventory
    matches: Matches
    folder: Path

    def text(self, answers: Answers = NONE) -> str:
        """The plan as TOML; ``answers`` gives the values of questions, as TOML, by key path."""
        return plan_text(self.inventory, self.matches, self.folder, answers)

    def questions(self, answers: Answers = NONE) -> Sequence[KeyPath]:
        """The key paths of the questions that are still open."""
        return open_paths(self.text(answers))

    def absent(self, answers: Answers = NONE) -> Sequence[str]:
        """The roles that the stage requires and that have no signal."""
        return tuple(absent_roles(self.matches, answers))

    def files_of(self, channel: str) -> tuple[str, ...]:
        """The definition files that fit a bus equally well."""
        buses = [bus for bus in self.inventory.buses if bus.channel == channel]
        return tuple(file for bus in buses for file in (*bus.files, *bus.rivals))

    @property
    def bound(self) -> int:
        """How many roles have a signal."""
        own = sum(1 for choice in self.matches.choices.values() if choice.taken)
        more = sum(
            len(u.temperatures) + bool(u.alive) + bool(u.checksum) for u in self.matches.units
        )
        return own + more


def draft_plan(
    capture: Iterable[Frames],
    files: Sequence[str | Path] = (),
    *,
    by_bus: Mapping[str, Sequence[str | Path]] = {},
    folder: str | Path = ".",
) -> Draft:
    """Draft a plan that will lie in ``folder``.

    Without any frame in ``capture`` each definition file stands for a bus of its own, and only
    names and units are left to go by. Raises ``DefinitionError`` for a file that cannot be used,
    and whatever reading the capture raises.
    """
    inventory = take_inventory(capture, files, by_bus=by_bus)
    if not inventory.frames:
        named = {str(name): [str(f) for f in own] for name, own in by_bus.items()}
        free = [str(file) for file in files if not any(str(file) in own for own in named.values())]
        named |= {f"can{number}": [file] for number, file in enumerate(free)}
        inventory = _defined(named)
    return Draft(inventory, match(inventory), Path(folder))


def _defined(by_bus: Mapping[str, Sequence[str]]) -> Inventory:
    """The definitions alone, as if each message had been defined and none seen."""
    buses = []
    for channel, files in by_bus.items():
        bus = Bus(channel, files=tuple(files))
        for spec in read_definitions({channel: files}).messages:
            bus.messages.append(unseen(spec))
        buses.append(bus)
    return Inventory(buses, 0, 0, Tally())


def unseen(spec: MessageSpec) -> MessageFacts:
    """A message of a definition, of which no frame was seen."""
    facts = tuple(SignalFacts(signal) for signal in spec.signals)
    return MessageFacts(spec.channel, spec.can_id, spec.extended, spec=spec, signals=facts)
