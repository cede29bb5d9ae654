"""A healthy vehicle and its run while traits are given to it, and the table of all traits."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib import import_module

import numpy as np

from canscope.simulate.messages import all_messages
from canscope.simulate.nodes import record
from canscope.simulate.physics import Truth
from canscope.simulate.recording import Recording
from canscope.simulate.script import Floats, Script, Story
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

LOADS_W = 1450.0  # what one d.c. converter takes: opening-current believes one of 1.5 kW
POWER_S = 4.0  # when the driver of every story first asks for high voltage

Sensed = Callable[["Real", Truth, Readings], None]
Sent = Callable[["Real", Recording], Recording]


@dataclass(eq=False)
class Real:
    """A healthy vehicle and its run while traits are given to it."""

    vehicle: Vehicle
    story: Story
    rng: np.random.Generator
    scripted: list[Callable[[Script], Script]] = field(default_factory=list)
    loads_W: list[Callable[[Floats], Floats]] = field(default_factory=list)  # of the time, from 0
    drawn_W: float = 0.0  # by all of them at most
    sensed: list[Sensed] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    late_adapters: set[str] = field(default_factory=set)  # that stamp late, whichever way
    planned: list[Callable[[str, str], str]] = field(default_factory=list)  # (file, text) -> text
    poles_unseen: bool = False  # neither states nor commands of contactors are on a bus
    awake_s: float = 0.0  # after key-off at least: the contactors open by it, and links are charged
    coupled: bool = False  # the road turns both axles alike
    rescaled: bool = False  # it has another pack voltage
    restarts: str = ""  # the bus of the unit that does so, just before high voltage comes

    @property
    def script(self) -> Script:
        """What the driver does."""
        script = self.story.script()
        for change in self.scripted:
            script = change(script)
        return script

    @property
    def units(self) -> list[str]:
        """The channels of the units."""
        return [unit.channel for unit in self.vehicle.units]

    def some_unit(self) -> str:
        """The channel of one of the units."""
        return str(self.rng.choice(self.units))

    def loaded(self, watt: float, load: Callable[[Floats, float], Floats]) -> float:
        """Draw so much more, or what one converter can still give: it is told how much that is."""
        watt = min(watt, LOADS_W - self.drawn_W)
        self.drawn_W += watt
        self.loads_W.append(lambda time_s: load(time_s, watt))
        return watt

    def woken_s(self, channel: str) -> float:
        """When the unit on that channel wakes."""
        name = next(unit.name for unit in self.vehicle.units if unit.channel == channel)
        return self.script.first("ignition", 1.0) + self.vehicle.wiring.nodes[name].wake_s

    def relay(self, name: str, **changed: object) -> None:
        """Send every message of that name otherwise."""
        own = {
            channel: tuple(replace(m, **changed) if m.name == name else m for m in messages)
            for channel, messages in all_messages(self.vehicle).items()
        }
        self.rewire(messages=own)

    def rewire(self, **changed: object) -> None:
        """Change how the nodes send."""
        wiring = replace(self.vehicle.wiring, **changed)  # type: ignore[arg-type]
        self.vehicle = replace(self.vehicle, wiring=wiring)

    def again(self, vehicle: Vehicle, seed: int) -> Recording:
        """The same run, recorded from a vehicle that sends otherwise."""
        return record(vehicle, self.script, self.seen, np.random.default_rng(seed))

    seen: Readings = field(default_factory=Readings)
    first_s: float = 0.0  # of the recording
    asks: list[tuple[float, str]] = field(default_factory=list)  # what the lever was set to, when

    def without(self, reason: str, *roles: str, keys: str) -> None:
        """Take keys out of the vehicle's file; somebody signs that these roles are on no bus."""

        def signed(file: str, text: str) -> str:
            if file == "vehicle.toml":
                return re.sub(rf"(?m)^({keys}) .*\n", "", text)
            if not file.endswith(".toml"):
                return text
            if "[not_on_this_vehicle]" not in text:
                text += f'\n[not_on_this_vehicle]\nroles = []\nreason = "{reason}"\nby = "T."\n'
            names = "".join(f'"{role}", ' for role in roles)
            return text.replace("\nroles = [", f"\nroles = [{names}")

        self.planned.append(signed)


Trait = Callable[[Real], str | None]
TRAITS: dict[str, Trait] = {}


def trait(name: str) -> Callable[[Trait], Trait]:
    """Enter a trait under its name; it answers None where a vehicle cannot have it."""

    def enter(maker: Trait) -> Trait:
        TRAITS[name] = maker
        return maker

    return enter


def every_trait() -> dict[str, Trait]:
    """All traits by name."""
    for module in ("traits", "workshop", "garage"):
        import_module(f"tests.lies.{module}")
    return TRAITS
