"""What the nodes of a vehicle send: messages and signals, and their definition file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from canscope.model.definition import MessageSpec, SignalSpec
from canscope.simulate.vehicle import FOREVER, Vehicle
from canscope.simulate.wiring import Encoding, Wiring

UNIT_FAST_ID, UNIT_SLOW_ID = 0x2A0, 0x2A8  # the same on every drive unit, whatever its bus
SENDERS = {
    "Supply": "Body",
    "Cabin": "Body",
    "Cooling": "Body",
    "UnitFast": "DriveUnit",
    "UnitSlow": "DriveUnit",
}


@dataclass(frozen=True)
class Layout:
    """Lays out one message; ``at`` and ``bits`` count payload bits from byte 0, bit 7 or 0."""

    channel: str
    name: str
    big_endian: bool
    signals: list[SignalSpec] = field(default_factory=list)

    def add(self, name: str, at: int, bits: int, unit: str = "", **options: Any) -> None:
        """Add a signal; ``at`` is its first bit in reading order (big endian: top bit first)."""
        start = 8 * (at // 8) + 7 - at % 8 if self.big_endian else at
        spec = SignalSpec(
            self.channel, self.name, name, start, bits, self.big_endian, unit=unit, **options
        )
        self.signals.append(spec)

    def message(self, can_id: int, length: int, cycle_ms: int) -> MessageSpec:
        """The finished message."""
        signals = tuple(self.signals)
        return MessageSpec(
            self.channel, self.name, can_id, False, length, signals, cycle_ms * 1_000_000
        )


def vehicle_messages(channel: str, wiring: Wiring) -> tuple[MessageSpec, ...]:
    """The vehicle bus: pack, insulation monitor, contactor box, 12 V supply, cabin."""
    big, first = wiring.big_endian, wiring.first_id
    pack = Layout(channel, "PackStatus", big)
    pack.add("PackVoltage", 0, 16, "V", factor=0.1, minimum=0, maximum=600)
    pack.add("PackCurrent", 16, 16, "A", factor=0.1, signed=True, minimum=-600, maximum=600)
    insulation = Layout(channel, "Insulation", big)
    insulation.add("Resistance", 0, 16, "kOhm", minimum=0, maximum=50000)
    box = Layout(channel, "ContactorBox", big)
    for bit, pole in enumerate(("Negative", "Precharge", "Positive")):
        box.add(f"{pole}Closed", bit, 1, labels={0: "open", 1: "closed"})
        if wiring.commands:
            box.add(f"{pole}Command", 3 + bit, 1)
    supply = Layout(channel, "Supply", big)
    supply.add("ControlVoltage", 0, 16, "V", factor=0.01, minimum=0, maximum=32)
    cabin = Layout(channel, "Cabin", big)
    cabin.add("Ignition", 0, 1, labels={0: "off", 1: "on"})
    cabin.add("BrakePressed", 1, 1, labels={0: "released", 1: "pressed"})
    cabin.add("EmergencyStop", 2, 1, labels={0: "released", 1: "pressed"})
    cabin.add("Direction", 4, 2, labels={0: "neutral", 1: "forward", 2: "reverse"})
    cabin.add("Pedal", 8, 8, "%", factor=0.5, minimum=0, maximum=100)
    if wiring.pedal_tracks > 1:
        cabin.add("Pedal2", 16, 8, "%", factor=0.5, minimum=0, maximum=100)
    cooling = Layout(channel, "Cooling", big)
    cooling.add("Flow", 0, 16, "l/min", factor=0.01, minimum=0, maximum=100)
    monitor = [insulation.message(first + 1, 2, 500)] if wiring.insulation_monitor else []
    pump = [cooling.message(first + 0x20, 2, 100)] if wiring.coolant_flow else []
    return (
        pack.message(first, 4, 20),
        *monitor,
        box.message(first + 8, 1, wiring.contactor_cycle_ms),
        supply.message(first + 0x10, 2, 20),
        cabin.message(first + 0x18, 3, 20),
        *pump,
    )


def unit_messages(channel: str, wiring: Wiring) -> tuple[MessageSpec, ...]:
    """One drive unit's own bus, big endian: the fast message carries counter and checksum."""
    fast = Layout(channel, "UnitFast", True)
    fast.add("MotorSpeed", 0, 16, "rpm", factor=0.5, signed=True, minimum=-16000, maximum=16000)
    fast.add("Torque", 16, 16, "Nm", factor=0.1, signed=True, minimum=-400, maximum=400)
    fast.add("LinkVoltage", 32, 16, "V", factor=0.1, minimum=0, maximum=600)
    if wiring.counters:
        fast.add("Alive", 52, 4)
        fast.add("Checksum", 56, 8)
    slow = Layout(channel, "UnitSlow", True)
    step = wiring.temperature_step_K
    bits = 16 if step < 1 else 8
    for number, name in enumerate(("InverterTemp", "WindingTemp")):
        slow.add(name, bits * number, bits, "degC", factor=step, offset=-40.0)
    slow.add("Fault", 32, 8, labels={0: "none"})
    return fast.message(UNIT_FAST_ID, 8, 10), slow.message(UNIT_SLOW_ID, 5, 100)


def all_messages(vehicle: Vehicle) -> dict[str, tuple[MessageSpec, ...]]:
    """Channel -> what is sent on it."""
    if vehicle.wiring.messages:
        return dict(vehicle.wiring.messages)
    found = {"can0": vehicle_messages("can0", vehicle.wiring)}
    for unit in vehicle.units:
        found[unit.channel] = unit_messages(unit.channel, vehicle.wiring)
    return found


def signal_of(vehicle: Vehicle, key: str) -> tuple[MessageSpec, SignalSpec] | None:
    """The message and signal of a key, "channel:Message.Signal", if the vehicle has it."""
    channel = key.split(":", maxsplit=1)[0]
    for message in all_messages(vehicle).get(channel, ()):
        for spec in message.signals:
            if spec.key == key:
                return message, spec
    return None


def cycle_s(vehicle: Vehicle, key: str) -> float:
    """The cycle of a signal's message, in seconds; infinite if it is never sent."""
    found = signal_of(vehicle, key)
    return (found[0].cycle_ns or 0) / 1e9 if found else FOREVER


def step_of(vehicle: Vehicle, key: str) -> float:
    """One raw step of a signal in its quantity's own unit; infinite if it is never sent."""
    found = signal_of(vehicle, key)
    encoding = vehicle.wiring.encodings.get(key, Encoding())
    return abs(found[1].factor / encoding.scale) if found else FOREVER


def dbc_text(messages: Sequence[MessageSpec]) -> str:
    """The messages as a DBC file, with their cycle times and value tables."""
    nodes = sorted({"Logger", *(SENDERS.get(m.name, "BatteryBox") for m in messages)})
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(nodes)}", ""]
    for message in messages:
        sender = SENDERS.get(message.name, "BatteryBox")
        lines.append(f"BO_ {_dbc_id(message)} {message.name}: {message.length} {sender}")
        lines += [f" SG_ {_signal(spec)}" for spec in message.signals] + [""]
    lines.append('BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;')
    lines.append('BA_DEF_DEF_ "GenMsgCycleTime" 0;')
    for message in messages:
        cycle_ms = (message.cycle_ns or 0) // 1_000_000
        lines.append(f'BA_ "GenMsgCycleTime" BO_ {_dbc_id(message)} {cycle_ms};')
    for message in messages:
        for spec in message.signals:
            if spec.labels:
                table = " ".join(f'{code} "{text}"' for code, text in spec.labels.items())
                lines.append(f"VAL_ {_dbc_id(message)} {spec.name} {table} ;")
    return "\n".join(lines) + "\n"


def _dbc_id(message: MessageSpec) -> int:
    """A DBC file marks an extended identifier by its highest bit."""
    return message.can_id | (message.extended << 31)


def _signal(spec: SignalSpec) -> str:
    order, sign = "0" if spec.big_endian else "1", "-" if spec.signed else "+"
    place = f"{spec.start_bit}|{spec.length_bits}@{order}{sign}"
    limits = f"[{spec.minimum or 0:.9g}|{spec.maximum or 0:.9g}]"
    return (
        f'{spec.name} : {place} ({spec.factor:.9g},{spec.offset:.9g}) {limits} "{spec.unit}" Logger'
    )
