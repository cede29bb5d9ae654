"""The demo vehicles as built: pack, contactor box, drive units and what their nodes send.

Every number here is invented for the demo vehicles; the sizes are those of common parts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from canscope.simulate.wiring import Wiring

FOREVER = math.inf


@dataclass(frozen=True)
class Pack:
    """A traction battery: a voltage behind one resistance (its surface charge is left out)."""

    open_circuit_V: float = 358.4
    resistance_ohm: float = 0.1
    nominal_V: int = 358
    maximum_V: int = 409
    ac_protected: bool = True
    insulation_kohm: float = 2400.0  # with the inverters connected


@dataclass(frozen=True)
class Box:
    """Contactor box: three contactors, the resistor, the link it feeds and its sequence."""

    resistor_ohm: float = 40.0
    stated_resistor_ohm: float = 40.0  # what the plan says is fitted
    link_capacitance_F: float = 1.0e-3  # both units together, they share one link
    active_bleed_ohm: float = 600.0  # switched on with the opening command
    passive_bleed_ohm: float = 150e3
    bleed: str = "active"  # what the plan says: active or passive
    close_delay_s: float = 0.022
    open_delay_s: float = 0.012
    negative_lead_s: float = 0.3  # from the negative closing to the pre-charge closing
    close_at_share: float = 0.97  # of the pack voltage, before positive may close
    settle_s: float = 0.5  # and for how long it must have been there
    precharge_overlap_s: float = 0.25  # pre-charge opens this long after positive
    skips_precharge: bool = False
    keeps_precharge: bool = False
    stop_delay_s: float = 0.0  # from the emergency stop to the opening command
    welded: frozenset[str] = frozenset()  # poles whose state says open while they conduct


@dataclass(frozen=True)
class UnitBuild:
    """One drive unit as bolted in: its true build, and what the plan and controller believe.

    ``phases_swapped`` is what the plan says; ``really_swapped`` the wiring (None: as the plan
    says). ``asked_sign`` is the raw sense that the controller asks for when the driver wants
    forward (None: the sense that the plan predicts).
    """

    name: str
    channel: str
    roll: float = 0.0  # degrees from the way it sat in its donor vehicle
    pitch: float = 0.0
    yaw: float = 0.0
    phases_swapped: bool = False
    really_swapped: bool | None = None
    asked_sign: int | None = None
    gear_ratio: float = 9.1
    inertia_kgm2: float = 0.09  # rotor, gears and two hanging wheels, at the motor shaft
    states_inertia: bool = False  # whether the plan gives it
    drag_Nm: float = 1.6
    drag_Nm_s: float = 0.011  # grows with speed, per rad/s
    torque_limit_Nm: float = 12.0  # the controller's limit for a first spin
    speed_limit_rpm: float = 1200.0  # above it the inverter gives no torque
    rpm_per_percent: float = 42.0  # speed asked for, by pedal
    coast_Nm: float = 4.0  # with which it brakes once the pedal is released
    creep_Nm: float = 0.0
    torque_sense: int = 1  # -1: the shaft goes against the torque that the unit reports
    rocks: bool = False
    rolls_back_rpm: float = 0.0  # with the pedal released it turns back that fast
    ignores_brake: bool = False
    brakes_s: float = FOREVER  # from then on it only brakes, for some seconds
    start_K: float = 0.0  # above ambient as the run begins
    winding_loss_W: float = 210.0  # magnetising and iron loss while it is excited
    inverter_loss_W: float = 75.0
    dies_s: float = FOREVER
    link_gain: float = 1.0  # of its own voltage sensor

    @property
    def planned_sign(self) -> int:
        """Raw sense to vehicle sense, as the plan predicts it."""
        return sense(self.roll, self.pitch, self.yaw, self.phases_swapped)

    @property
    def true_sign(self) -> int:
        """Raw sense to vehicle sense, as the unit is really wired."""
        swapped = self.phases_swapped if self.really_swapped is None else self.really_swapped
        return sense(self.roll, self.pitch, self.yaw, swapped)


def sense(roll: float, pitch: float, yaw: float, swapped: bool) -> int:
    """+1 if a positive raw speed rolls the vehicle forward, -1 if backward (ISO 8855 axes).

    It is the y component of the unit's y axis after turning about the vehicle's fixed x, y and z,
    in that order; exchanging two phases with the position sensor reverses it.
    """
    r, p, y = (math.radians(angle) for angle in (roll, pitch, yaw))
    along = math.sin(y) * math.sin(p) * math.sin(r) + math.cos(y) * math.cos(r)
    return int(math.copysign(1, along)) * (-1 if swapped else 1)


@dataclass(frozen=True)
class Supply:
    """The 12 V side: battery, converter and the dip that each closing coil draws."""

    resting_V: float = 12.7
    charging_V: float = 13.8  # once the converter runs, after positive has closed
    dip_V: float = 0.9
    dip_s: float = 0.07
    aux_A: float = 0.5  # what the converter draws from the pack


@dataclass(frozen=True)
class Limits:
    """What was agreed for the test, as the plan states it."""

    current_A: float = 30.0
    speed_rpm: float = 1500.0
    burst_s: float = 5.0
    total_s: float = 60.0
    inverter_degC: float = 75.0
    winding_degC: float = 110.0
    inrush_A: float | None = None
    bus_load_percent: float | None = None


@dataclass(frozen=True)
class Vehicle:
    """One vehicle."""

    name: str
    units: tuple[UnitBuild, ...]
    pack: Pack = field(default_factory=Pack)
    box: Box = field(default_factory=Box)
    supply: Supply = field(default_factory=Supply)
    wiring: Wiring = field(default_factory=Wiring)
    limits: Limits = field(default_factory=Limits)
    ambient_degC: float = 17.0

    def unit(self, name: str) -> UnitBuild:
        """The unit of that name."""
        return next(unit for unit in self.units if unit.name == name)

    @property
    def front(self) -> UnitBuild:
        """The first unit; of a vehicle with one unit, that one."""
        return self.units[0]

    @property
    def rear(self) -> UnitBuild:
        """The last unit; of a vehicle with one unit, that one."""
        return self.units[-1]

    def with_unit(self, changed: UnitBuild) -> Vehicle:
        """This vehicle with one of its units replaced."""
        units = (changed if unit.name == changed.name else unit for unit in self.units)
        return replace(self, units=tuple(units))


BRAMBLE = Vehicle(
    name="Bramble, forestry 4x4",
    units=(
        UnitBuild("front", "can1", yaw=180, phases_swapped=True, link_gain=1.003),
        UnitBuild("rear", "can2", inertia_kgm2=0.098, drag_Nm=1.9, link_gain=0.998),
    ),
)

BRAMBLE_COARSE = replace(
    BRAMBLE,
    wiring=Wiring(
        vehicle_file="bramble_vehicle_coarse.dbc",
        unit_file="drive_unit_coarse.dbc",
        contactor_cycle_ms=100,
        temperature_step_K=1.0,
    ),
)

THISTLE = Vehicle(
    name="Thistle, parcel van",
    units=(
        UnitBuild("front", "can1", gear_ratio=8.3, link_gain=0.9985),
        UnitBuild("rear", "can2", yaw=180, gear_ratio=8.3, inertia_kgm2=0.082, link_gain=1.002),
    ),
    pack=Pack(open_circuit_V=333.0, resistance_ohm=0.08, nominal_V=333, maximum_V=378),
    wiring=Wiring(
        vehicle_file="thistle_vehicle.dbc", first_id=0x210, big_endian=True, pedal_tracks=1
    ),
    ambient_degC=14.0,
)

VEHICLES = {"bramble": BRAMBLE, "bramble-coarse": BRAMBLE_COARSE, "thistle": THISTLE}
