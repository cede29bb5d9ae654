"""The bench: the vehicle as built and the test as agreed, as far as rules need to know it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, TypeVar

from canscope.model.definition import MessageSpec, SignalSpec

STAGES = ("unit-alone", "power-up", "dry-spin", "wet-spin", "rolling")
MAINS = ("negative", "positive")
GEAR_RATIO = 10.0  # of a drive unit whose plan states none; common practice, no source
POLES = ("negative", "precharge", "positive")
SAFE_V = 60.0  # d.c., UN R100: high voltage begins above it; a link below it drives nothing
MARK_S = 1.0  # how far a mark may lie from its instant; common practice, no source

Made = TypeVar("Made")


class Kind(Enum):
    """How a role's raw codes become values."""

    NUMBER = "number"  # physical value, converted to the role's unit
    STATE = "state"  # 1 true, 0 false, absent otherwise
    DIRECTION = "direction"  # 1 forward, -1 reverse, 0 neutral, absent otherwise
    CODE = "code"  # the raw code itself: fault, counter, checksum


@dataclass(frozen=True)
class Binding:
    """One role bound to one signal: role value = (signal value * factor + offset)."""

    role: str
    signal: SignalSpec
    kind: Kind
    unit: str = ""
    factor: float = 1.0  # includes invert, unit conversion and, for units, the mounting sign
    offset: float = 0.0
    codes: Mapping[int, float] = field(default_factory=dict, hash=False)  # raw -> value
    half_step: float = 0.0  # half the raw step in the role's unit, never negative
    instrument: float = 0.0  # instrument uncertainty given with the role, in its unit
    cycle_ns: int | None = None  # from the plan, else the definition, else None: learned
    options: Mapping[str, object] = field(default_factory=dict, hash=False)  # ok, modulus, ...

    @property
    def key(self) -> str:
        """The signal's name: ``channel:Message.Signal``."""
        return self.signal.key

    @property
    def modulus(self) -> int:
        """How many counts a rolling counter has: as the plan says, else all its bits allow."""
        given = self.options.get("modulus")
        return given if isinstance(given, int) else 1 << min(self.signal.length_bits, 32)

    @property
    def u(self) -> float:
        """Uncertainty of one value as read: half a raw step plus the instrument's own."""
        return self.half_step + self.instrument


@dataclass(frozen=True)
class Mounting:
    """How a unit sits, in degrees from the way it sat in its donor vehicle (ISO 8855 axes)."""

    roll: float = 0.0
    pitch: float = 0.0
    yaw: float = 0.0


@dataclass(frozen=True)
class DriveUnit:
    """One drive unit as built. Its speed and torque roles are already corrected by ``sign``."""

    name: str
    serial: str = ""  # of the physical unit, as its plate says
    gear_ratio: float | None = None
    inertia_kgm2: float | None = None  # of all that turns with the motor, at its shaft
    mounting: Mounting = Mounting()
    phases_swapped: bool = False
    sign: int = 1  # of the mounting and the phases together; invert is not part of it
    temperatures: tuple[str, ...] = ()  # free words, in the plan's order
    lubrication_caution: bool = False

    def role(self, word: str) -> str:
        """``units.NAME.word``."""
        return f"units.{self.name}.{word}"

    def temperature_roles(self) -> dict[str, str]:
        """Temperature word -> role."""
        return {word: self.role(f"temperatures.{word}") for word in self.temperatures}


@dataclass(frozen=True)
class Mark:
    """Something a person saw or did during a run. ``time_ns`` is on the capture's own clock."""

    time_ns: int
    text: str = ""
    axle: str | None = None
    seen: str | None = None  # forward | reverse | still
    asked: str | None = None  # what the person set: forward | reverse | neutral
    within_s: float | None = None  # how far the mark may lie from its instant; None: MARK_S

    @property
    def u_ns(self) -> int:
        """How far the mark may lie from the instant that it means."""
        return round((MARK_S if self.within_s is None else self.within_s) * 1e9)


@dataclass(frozen=True)
class Reading:
    """What a person read from an instrument of their own, or counted over a time.

    Either ``at_s`` (since the capture's first frame) or ``time_ns`` is set, or both ``from_s`` and
    ``to_s``. ``value`` and ``uncertainty`` are in the role's unit; of a count they are
    the mean speed of the motor.
    """

    role: str
    value: float
    uncertainty: float
    at_s: float | None = None
    time_ns: int | None = None
    from_s: float | None = None
    to_s: float | None = None
    instrument: str = ""
    by: str = ""
    said: str = ""  # value and unit as the person wrote them

    @property
    def counted(self) -> bool:
        """Whether it was counted over a time."""
        return self.from_s is not None

    def start_ns(self, origin_ns: int) -> int:
        """The instant of the reading, or the start of the count, by the capture's clock."""
        if self.time_ns is not None:
            return self.time_ns
        return origin_ns + round((self.from_s or self.at_s or 0.0) * 1e9)

    def end_ns(self, origin_ns: int) -> int:
        """The instant of the reading, or the end of the count."""
        return self.start_ns(origin_ns) if self.to_s is None else origin_ns + round(self.to_s * 1e9)


@dataclass(frozen=True)
class Absent:
    """A role that no bus of this vehicle carries, and who signed for that."""

    role: str
    reason: str
    by: str


@dataclass(frozen=True)
class Bench:
    """Everything a rule may ask about the vehicle and the stage."""

    stage: str
    vehicle: str = ""
    coolant: str = "filled"  # empty | filled
    oil: str = "filled"
    cold: bool = False
    ambient_degC: float | None = None
    nominal_voltage_V: float | None = None
    maximum_voltage_V: float | None = None
    ac_protected: bool = False
    precharge_resistor_ohm: float | None = None
    link_capacitance_F: float | None = None
    bleed: str | None = None  # active | passive | none; None: the plan does not say
    ceilings_degC: Mapping[str, float] = field(default_factory=dict)  # by temperature word
    creep: bool = False
    units: tuple[DriveUnit, ...] = ()
    bindings: Mapping[str, Binding] = field(default_factory=dict)
    messages: Mapping[str, MessageSpec] = field(default_factory=dict)  # bound ones, by their key
    bitrates: Mapping[str, int] = field(default_factory=dict)  # channel -> bit/s
    buses: tuple[str, ...] = ()  # channels that the plan names, in its order
    sections: frozenset[str] = frozenset()  # of the plan that exist: pack, contactors, ...
    given: Mapping[str, frozenset[str]] = field(default_factory=dict)  # rule -> parameters set
    off: Mapping[str, str] = field(default_factory=dict)  # rule -> reason
    readings: tuple[Reading, ...] = ()
    not_on_vehicle: Mapping[str, Absent] = field(default_factory=dict)  # by role
    mark_s: float = MARK_S  # the longest that any mark of the run may lie from its instant
    # From earlier runs of the build record; written into a run at its start.
    turned_dry_s: Mapping[str, float] | None = None  # unit -> seconds; None: a bare capture
    moved_before: frozenset[str] = frozenset()  # temperature roles whose raw value has moved
    anchored_before: Mapping[str, str] = field(default_factory=dict)  # role -> run of the reading
    uncounted: tuple[str, ...] = ()  # earlier runs whose turning time is not known
    # How far a stamp may lie from its instant, as the recorder states at the start, and how late
    # the latest one really was, known at the end. 0: not stated, as with a bare capture.
    clock_ms: float = 0.0
    latest_stamp_ms: float = 0.0
    counted_frames: int | None = None  # by the recorder, known at the end; None: not known
    _made: dict[object, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, key: object, make: Callable[[], Made]) -> Made:
        """A value that follows from the bench alone, made at the first call with that key."""
        if key not in self._made:
            self._made[key] = make()
        made: Made = self._made[key]
        return made

    @property
    def commanded(self) -> bool:
        """Whether the requested direction is what the controller commands, and no lever."""
        binding = self.bindings.get("driver.direction")
        return binding is not None and binding.options.get("kind") == "command"

    def has(self, *roles: str) -> bool:
        """Whether all of these roles are bound."""
        return all(role in self.bindings for role in roles)

    @property
    def poles_as_one(self) -> bool:
        """Whether one signal tells of both main contactors, so that neither shows by itself."""
        mains = [self.bindings.get(f"contactors.{pole}") for pole in MAINS]
        return None not in mains and len({binding.key for binding in mains if binding}) == 1

    @property
    def mains_tell(self) -> bool:
        """Whether a signal tells of each main contactor."""
        return self.has(*(f"contactors.{pole}" for pole in MAINS))

    @property
    def clock_s(self) -> float:
        """What the clock adds to the uncertainty of a time or an order, in s."""
        return self.clock_ms / 1000

    @property
    def dry(self) -> bool:
        """Whether coolant or oil is empty."""
        return self.coolant == "empty" or self.oil == "empty"

    def unit(self, name: str) -> DriveUnit:
        """The unit of that name. Raises ``StopIteration`` if there is none."""
        return next(unit for unit in self.units if unit.name == name)

    def u(self, role: str) -> float:
        """Uncertainty of one value of a role as read, in its unit; 0 if not bound."""
        return self.bindings[role].u if role in self.bindings else 0.0

    def keys(self, roles: Sequence[str]) -> tuple[str, ...]:
        """The signals behind these roles, unbound ones left out."""
        return tuple(self.bindings[r].key for r in roles if r in self.bindings)

    @property
    def bound_messages(self) -> Mapping[str, tuple[str, ...]]:
        """Message key (``channel:Message``) -> the roles bound to its signals, in plan order."""
        return self.once("bound_messages", lambda: _bound_messages(self.bindings))

    def link_roles(self) -> dict[str, str]:
        """Unit name -> link voltage role, for units that have one bound."""
        roles = {unit.name: unit.role("link_voltage") for unit in self.units}
        return {name: role for name, role in roles.items() if role in self.bindings}


def _bound_messages(bindings: Mapping[str, Binding]) -> dict[str, tuple[str, ...]]:
    messages: dict[str, tuple[str, ...]] = {}
    for role, binding in bindings.items():
        key = binding.signal.message_key
        messages[key] = (*messages.get(key, ()), role)
    return messages
