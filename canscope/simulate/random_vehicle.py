"""Random vehicles and stories: the same seed always draws the same ones.

They are what a workshop might bolt together: any mounting, ratio and pack, nodes that send in
their own units, codes and cycles. They stay within what a bench can prove: a pre-charge takes
longer than a cycle of the nodes, a burst longer than a few cycles.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from canscope.simulate.random_wiring import draw_wiring
from canscope.simulate.script import DrySpin, PowerUp, Story
from canscope.simulate.vehicle import Box, Limits, Pack, Supply, UnitBuild, Vehicle, sense

TURNS = (-180.0, -90.0, 0.0, 90.0, 180.0)


def draw(
    seed: int,
    *,
    stage: str = "dry-spin",
    suits: Callable[[Vehicle], bool] | None = None,
    units: int | None = None,
) -> tuple[Vehicle, Story]:
    """A vehicle and what its driver does in that stage; ``suits`` refuses vehicles.

    ``units`` is 1 or 2, else drawn; ``unit-alone`` always has one.
    """
    rng = np.random.default_rng([seed, 20_240_514])
    while True:
        vehicle = draw_vehicle(rng, stage, units)
        if suits is None or suits(vehicle):
            return vehicle, draw_story(rng, vehicle, stage)


def draw_vehicle(rng: np.random.Generator, stage: str, units: int | None = None) -> Vehicle:
    """Draw one vehicle."""
    number = 1 if stage == "unit-alone" else units or int(rng.choice([1, 2], p=[0.25, 0.75]))
    open_V = float(rng.uniform(300, 430))
    pack = Pack(
        open_circuit_V=open_V,
        resistance_ohm=float(rng.uniform(0.03, 0.25)),
        nominal_V=round(open_V),
        maximum_V=round(open_V * 1.14),
        ac_protected=bool(rng.random() < 0.6),
        insulation_kohm=float(rng.uniform(900, 4800)),
    )
    ambient = float(rng.integers(4, 31))
    limits = Limits(
        current_A=float(rng.integers(25, 36)),
        speed_rpm=float(rng.integers(14, 19) * 100),
        inverter_degC=float(rng.integers(65, 86)),
        winding_degC=float(rng.integers(95, 131)),
        inrush_A=20.0 if rng.random() < 0.4 else None,
        bus_load_percent=70.0 if rng.random() < 0.6 else None,
    )
    names = ["front", "rear"] if number == 2 else [str(rng.choice(["front", "rear", "middle"]))]
    channels = [f"can{n}" for n in rng.permutation(np.arange(1, 6))[:number].tolist()]
    box = draw_box(rng, open_V)
    built = tuple(draw_unit(rng, *pair) for pair in zip(names, channels, strict=True))
    vehicle = Vehicle(
        name=f"Vehicle {rng.integers(10**6):06d}",
        units=built,
        pack=pack,
        box=box,
        supply=Supply(resting_V=float(rng.uniform(12.3, 12.9)), dip_V=float(rng.uniform(0.3, 0.9))),
        limits=limits,
        ambient_degC=ambient,
    )
    return replace(vehicle, wiring=draw_wiring(rng, vehicle, stage))


def draw_box(rng: np.random.Generator, pack_V: float) -> Box:
    """Draw a contactor box and its link; the bleed draws little while a pole still conducts."""
    tau_s = float(rng.uniform(0.06, 0.22))
    resistor = float(rng.choice([47, 68, 100, 150, 220]))
    farad = float(f"{tau_s / resistor:.2e}")  # as the plan states it
    passive = bool(rng.random() < 0.25)
    bleed_s = float(rng.uniform(8, 14) if passive else rng.uniform(0.25, 1.1))
    bleed_s = max(bleed_s, farad * pack_V / 1.2)
    return Box(
        resistor_ohm=resistor,
        stated_resistor_ohm=resistor,
        link_capacitance_F=farad,
        active_bleed_ohm=bleed_s / farad,
        passive_bleed_ohm=bleed_s / farad if passive else float(rng.uniform(80, 300)) / farad,
        bleed="passive" if passive else "active",
        close_delay_s=float(rng.uniform(0.012, 0.03)),
        open_delay_s=float(rng.uniform(0.006, 0.02)),
        negative_lead_s=float(rng.uniform(0.25, 0.5)),
        close_at_share=0.955,
        settle_s=max(0.35, 3.5 * tau_s),
        precharge_overlap_s=float(rng.uniform(0.45, 0.7)),
    )


def draw_unit(rng: np.random.Generator, name: str, channel: str) -> UnitBuild:
    """Draw a drive unit, mounted in some way that leaves its axle across the vehicle."""
    while True:
        roll, yaw = (float(rng.choice([0, 180, -180]) + rng.uniform(-8, 8)) for _ in range(2))
        pitch = float(rng.choice(TURNS) + rng.uniform(-10, 10))
        roll, pitch, yaw = round(roll, 1), round(pitch, 1), round(yaw, 1)
        if abs(across(roll, pitch, yaw)) > 0.97:
            break
    swapped = bool(rng.random() < 0.5)
    assert sense(roll, pitch, yaw, swapped)
    gear_ratio = round(float(rng.uniform(6, 12)), 2)
    return UnitBuild(
        name,
        channel,
        roll=roll,
        pitch=pitch,
        yaw=yaw,
        phases_swapped=swapped,
        gear_ratio=gear_ratio,
        states_inertia=round(100 * gear_ratio) % 2 == 0,  # every second plan
        inertia_kgm2=float(rng.uniform(0.08, 0.1)),
        drag_Nm=float(rng.uniform(1.3, 2.1)),
        rpm_per_percent=float(rng.uniform(36, 48)),
        link_gain=float(rng.uniform(0.996, 1.004)),
    )


def across(roll: float, pitch: float, yaw: float) -> float:
    """How far the unit's own y axis still points across the vehicle: 1, or -1 turned round."""
    r, p, y = (math.radians(angle) for angle in (roll, pitch, yaw))
    return math.sin(y) * math.sin(p) * math.sin(r) + math.cos(y) * math.cos(r)


def draw_story(rng: np.random.Generator, vehicle: Vehicle, stage: str) -> Story:
    """Draw what the driver does: the usual story with other times."""
    box = vehicle.box
    decay_s = box.link_capacitance_F * box.active_bleed_ohm
    wait_s = decay_s * math.log(vehicle.pack.open_circuit_V / 60.0) + float(rng.uniform(1.5, 4))
    tail_s = float(rng.uniform(0.3, 6.0))
    if stage == "power-up":
        return PowerUp(discharge_wait_s=max(wait_s, 4.0), tail_s=tail_s)
    return DrySpin(
        stage=stage,
        pedal_percent=float(rng.uniform(17, 22)),
        burst_s=float(rng.uniform(2.7, 3.2)),
        pause_s=float(rng.uniform(8, 14)),
        positive_first=bool(rng.random() < 0.3),
        hold_s=float(rng.uniform(2.2, 3.0)),
        discharge_wait_s=wait_s,
        tail_s=tail_s,
    )
