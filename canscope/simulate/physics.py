"""The vehicle acted out, one millisecond at a time: contactors, link, shafts, pack.

The link is stepped exactly (first-order exponentials), so its curve does not depend on the step.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from canscope.simulate.heat import Heat, warm_up
from canscope.simulate.script import FORWARD, REVERSE, Floats, Script
from canscope.simulate.sequence import POLES, Sequencer
from canscope.simulate.shaft import RPM, Shaft
from canscope.simulate.vehicle import Box, Pack, Vehicle

STEP_S = 1e-3
LIVE_ABOVE_V = 100.0  # below it an inverter gives no torque


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened, row i at i milliseconds; in the vehicle's sense where it has one.

    ============== ===== ==================================================================
    column         unit  meaning
    ============== ===== ==================================================================
    time_s         s     from the start of the simulation
    pack_V pack_A  V, A  at the pack's terminals, positive when discharging
    link_V         V     of the one link that all units share
    closed         -     pole -> 1 closed as its auxiliary contact says, 0 open
    inputs         -     the driver's inputs, ``Script.inputs``
    speed_rpm      rpm   unit -> motor speed, positive rolls the vehicle forward
    torque_Nm      Nm    unit -> torque that the unit believes it gives, in the vehicle's sense
    raw_sign       -     unit -> +1 or -1: vehicle sense to the unit's own
    heat           degC  unit -> temperatures on a coarser grid
    ============== ===== ==================================================================
    """

    time_s: Floats
    pack_V: Floats
    pack_A: Floats
    link_V: Floats
    closed: Mapping[str, Floats]
    inputs: Mapping[str, Floats]
    speed_rpm: Mapping[str, Floats]
    torque_Nm: Mapping[str, Floats]
    raw_sign: Mapping[str, int]
    heat: Mapping[str, Heat]


class Link:
    """Pack, resistor, link capacitor and bleed as one circuit.

    ``pack_V`` and ``pack_A`` are means over the last step at the pack's terminals.
    """

    def __init__(self, pack: Pack, box: Box) -> None:
        self.pack, self.box = pack, box
        self.volt, self.pack_V, self.pack_A = 0.0, pack.open_circuit_V, 0.0

    def step(self, dt: float, conducts: Mapping[str, bool], load_W: float, bleeding: bool) -> None:
        """Move the link on by one step; ``load_W`` is drawn from it while both mains conduct."""
        box, pack, before = self.box, self.pack, self.volt
        bleed = box.active_bleed_ohm if bleeding else box.passive_bleed_ohm
        source = math.inf
        if conducts["negative"]:
            if conducts["positive"]:
                load_A = load_W / max(before, 60.0)
                self.volt = pack.open_circuit_V - pack.resistance_ohm * (load_A + before / bleed)
                charge = box.link_capacitance_F * (self.volt - before)
                self._draw(load_A + self.volt / bleed + charge / dt)
                return
            if conducts["precharge"]:
                source = box.resistor_ohm + pack.resistance_ohm
        share = bleed / (bleed + source) if source < math.inf else 0.0
        goal = pack.open_circuit_V * share
        tau = box.link_capacitance_F * (source * share if share else bleed)
        self.volt = goal + (before - goal) * math.exp(-dt / tau)
        # Mean of the exponential over the step, so that charge and energy add up exactly.
        mean = goal + (before - self.volt) * tau / dt
        self._draw((pack.open_circuit_V - mean) / source if share else 0.0)

    def _draw(self, current_A: float) -> None:
        self.pack_A = current_A
        # A closing spike is over in a fraction of a step: the terminals never fall below the link.
        sag = self.pack.resistance_ohm * current_A
        self.pack_V = max(self.pack.open_circuit_V - sag, min(self.volt, self.pack.open_circuit_V))


def simulate(vehicle: Vehicle, script: Script, *, extra_load_W: Floats | None = None) -> Truth:
    """Act the script out on the vehicle; ``extra_load_W`` hangs on the link, a row a step."""
    time_s: Floats = np.arange(round(script.end_s / STEP_S), dtype=np.float64) * STEP_S
    inputs = script.inputs(time_s)
    selector = inputs["direction"]
    sense = np.where(selector == FORWARD, 1.0, np.where(selector == REVERSE, -1.0, 0.0))
    load = np.zeros(len(time_s)) if extra_load_W is None else extra_load_W
    columns = [inputs["pedal"], sense, inputs["brake"], inputs["power"], inputs["emergency"], load]
    rows, width = array("d"), 6 + 3 * len(vehicle.units)
    _run(vehicle, script, [column.tolist() for column in columns], rows)
    table = np.frombuffer(rows).reshape(-1, width)
    names = [unit.name for unit in vehicle.units]
    shafts = {name: table[:, 6 + 3 * i : 9 + 3 * i] for i, name in enumerate(names)}
    return Truth(
        time_s=time_s,
        pack_V=table[:, 0],
        pack_A=table[:, 1],
        link_V=table[:, 2],
        closed={pole: table[:, 3 + i] for i, pole in enumerate(POLES)},
        inputs=inputs,
        speed_rpm={name: shaft[:, 0] / RPM for name, shaft in shafts.items()},
        torque_Nm={name: shaft[:, 1] for name, shaft in shafts.items()},
        raw_sign={unit.name: unit.true_sign for unit in vehicle.units},
        heat={
            unit.name: warm_up(unit, shafts[unit.name], STEP_S, vehicle.ambient_degC)
            for unit in vehicle.units
        },
    )


def _run(
    vehicle: Vehicle, script: Script, columns: Sequence[Sequence[float]], rows: array[float]
) -> None:
    """The loop: appends pack, link, poles and shafts, one row a step, to ``rows``."""
    link, box = Link(vehicle.pack, vehicle.box), Sequencer(vehicle.box, script)
    shafts = [Shaft(unit) for unit in vehicle.units]
    aux_W = vehicle.supply.aux_A * vehicle.pack.nominal_V
    closed = box.closed
    for row, (pedal, sense, brake, power, stop, extra) in enumerate(zip(*columns, strict=True)):
        time_s = row * STEP_S
        box.step(time_s, link.volt, link.pack_V, power > 0, stop > 0)
        mains = box.conducts["negative"] and box.conducts["positive"]
        live = mains and box.on and link.volt > LIVE_ABOVE_V
        load_W = aux_W + extra if live else 0.0
        for shaft in shafts:
            shaft.step(STEP_S, time_s, (pedal, sense, brake), live)
            load_W += shaft.power if live else 0.0
        link.step(STEP_S, box.conducts, load_W, not box.on)
        rows.extend((link.pack_V, link.pack_A, link.volt, *map(float, closed.values())))
        for shaft in shafts:
            rows.extend((shaft.speed, shaft.sign * shaft.raw_torque, float(shaft.excited)))
