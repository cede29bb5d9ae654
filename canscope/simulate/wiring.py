"""How a vehicle's nodes send: their messages, units and codes, when they wake and sleep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canscope.model.definition import MessageSpec


@dataclass(frozen=True)
class Encoding:
    """How a node sends one quantity: in its own unit, sense and codes.

    The physical value on the bus is ``quantity * scale + offset``, the quantity being in V, A,
    ohm x 1000, rpm, Nm, degC, % or l/min. If ``inverted``, the plan has to invert it. A signal with
    ``codes`` is a state: quantity -> raw code.
    """

    scale: float = 1.0
    offset: float = 0.0
    inverted: bool = False
    codes: Mapping[int, int] = field(default_factory=dict, hash=False)


@dataclass(frozen=True)
class AwakeTime:
    """When a node sends, in seconds after ignition on and after ignition off."""

    wake_s: float
    sleep_s: float


NODES = {
    "BatteryBox": AwakeTime(0.25, 0.9),
    "Supply": AwakeTime(0.2, 0.8),
    "front": AwakeTime(0.62, 1.0),
    "rear": AwakeTime(0.87, 1.15),
    "Cabin": AwakeTime(-99.0, 1.5),  # the cabin sends before the ignition is on
}


@dataclass(frozen=True)
class Wiring:
    """What the nodes send on the buses, and how finely.

    ``messages`` replaces the demo's own messages, by channel; ``encodings`` is given for single
    signals ("channel:Message.Signal").
    """

    vehicle_file: str = "bramble_vehicle.dbc"
    unit_file: str = "drive_unit.dbc"
    first_id: int = 0x120
    big_endian: bool = False
    pedal_tracks: int = 2
    contactor_cycle_ms: int = 20
    temperature_step_K: float = 0.1
    insulation_monitor: bool = True
    commands: bool = False  # the contactor box also sends what it commands
    coolant_flow: bool = False
    counters: bool = True  # units send a counter and a checksum in their fast message
    messages: Mapping[str, tuple[MessageSpec, ...]] = field(default_factory=dict, hash=False)
    encodings: Mapping[str, Encoding] = field(default_factory=dict, hash=False)
    nodes: Mapping[str, AwakeTime] = field(default_factory=lambda: NODES, hash=False)
