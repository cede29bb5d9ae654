"""How a vehicle's nodes speak: their messages, units and codes, when they wake and sleep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from canscope.model.definition import MessageSpec


@dataclass(frozen=True)
class Spoken:
    """How one signal says its quantity: what the node's own unit and sense make of it.

    The physical value on the bus is ``quantity * scale + offset``, the quantity being in V, A,
    ohm x 1000, rpm, Nm, degC, % or l/min. ``inverted`` is what the plan has to say besides. A
    signal with ``codes`` is a state: quantity -> raw code.
    """

    scale: float = 1.0
    offset: float = 0.0
    inverted: bool = False
    codes: Mapping[int, int] = field(default_factory=dict, hash=False)


@dataclass(frozen=True)
class Waking:
    """When a node speaks, in seconds after ignition on and after ignition off."""

    wake_s: float
    sleep_s: float


NODES = {
    "BatteryBox": Waking(0.25, 0.9),
    "Supply": Waking(0.2, 0.8),
    "front": Waking(0.62, 1.0),
    "rear": Waking(0.87, 1.15),
    "Cabin": Waking(-99.0, 1.5),  # the cabin speaks before the ignition is on
}


@dataclass(frozen=True)
class Wiring:
    """What the nodes say on the buses, and how finely.

    ``said`` replaces the demo's own messages, by channel; ``spoken`` the way in which single
    signals ("channel:Message.Signal") are said.
    """

    vehicle_file: str = "bramble_vehicle.dbc"
    unit_file: str = "drive_unit.dbc"
    first_id: int = 0x120
    big_endian: bool = False
    pedal_tracks: int = 2
    contactor_cycle_ms: int = 20
    temperature_step_K: float = 0.1
    insulation_monitor: bool = True
    commands: bool = False  # the contactor box also says what it commands
    coolant_flow: bool = False
    counters: bool = True  # units count and sum up their fast message
    said: Mapping[str, tuple[MessageSpec, ...]] = field(default_factory=dict, hash=False)
    spoken: Mapping[str, Spoken] = field(default_factory=dict, hash=False)
    nodes: Mapping[str, Waking] = field(default_factory=lambda: NODES, hash=False)
