"""Acts a script out on a vehicle, one millisecond at a time: contactors, link, shafts, pack.

The link is stepped exactly (first-order exponentials), so its curve does not depend on the step.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from canscope.simulate.contactors import POLES, Sequencer
from canscope.simulate.heat import Heat, warm_up
from canscope.simulate.script import FORWARD, REVERSE, Floats, Script
from canscope.simulate.shaft import RPM, Shaft
from canscope.simulate.vehicle import Box, Pack, Supply, Vehicle

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
        if conducts["negative"] and conducts["positive"]:
            bleed = box.active_bleed_ohm if bleeding else box.passive_bleed_ohm
            load_A = load_W / (before if before > 60.0 else 60.0)
            self.volt = pack.open_circuit_V - pack.resistance_ohm * (load_A + before / bleed)
            charge = box.link_capacitance_F * (self.volt - before)
            self._draw(load_A + self.volt / bleed + charge / dt)
            return
        goal, tau, source = self._approach(conducts, bleeding)
        self.volt = goal + (before - goal) * math.exp(-dt / tau)
        # Mean of the exponential over the step, so that charge and energy add up exactly.
        mean = goal + (before - self.volt) * tau / dt
        self._draw((pack.open_circuit_V - mean) / source)

    def _approach(self, conducts: Mapping[str, bool], bleeding: bool) -> tuple[float, float, float]:
        """Where the link goes to (V), its time constant (s), the resistance to the pack (ohm)."""
        box = self.box
        bleed = box.active_bleed_ohm if bleeding else box.passive_bleed_ohm
        if not (conducts["negative"] and conducts["precharge"]):
            return 0.0, box.link_capacitance_F * bleed, math.inf
        source = box.resistor_ohm + self.pack.resistance_ohm
        share = bleed / (bleed + source)
        return self.pack.open_circuit_V * share, box.link_capacitance_F * source * share, source

    def coast(self, dt: float, steps: int, conducts: Mapping[str, bool], bleeding: bool) -> Floats:
        """The same as ``step`` for many steps without a change: rows of pack_V, pack_A, link_V."""
        rows = np.empty((steps, 3))
        rows[:] = self.pack_V, self.pack_A, self.volt
        if conducts["negative"] and conducts["positive"]:
            return rows
        goal, tau, source = self._approach(conducts, bleeding)
        rows[:, 2] = goal + (self.volt - goal) * np.exp(-dt / tau * np.arange(1, steps + 1))
        before = np.concatenate([[self.volt], rows[:-1, 2]])
        mean = goal + (before - rows[:, 2]) * tau / dt
        rows[:, 1] = (self.pack.open_circuit_V - mean) / source
        rows[:, 0] = self.pack.open_circuit_V - self.pack.resistance_ohm * rows[:, 1]
        self.pack_V, self.pack_A, self.volt = rows[-1].tolist()
        return rows

    def _draw(self, current_A: float) -> None:
        self.pack_A, rest_V = current_A, self.pack.open_circuit_V
        # A closing spike is over in a fraction of a step: the terminals never fall below the link.
        self.pack_V = max(rest_V - self.pack.resistance_ohm * current_A, min(self.volt, rest_V))


def simulate(vehicle: Vehicle, script: Script, *, extra_load_W: Floats | None = None) -> Truth:
    """Act the script out on the vehicle; ``extra_load_W`` is drawn from the link, a row a step."""
    time_s: Floats = np.arange(round(script.end_s / STEP_S), dtype=np.float64) * STEP_S
    inputs = script.inputs(time_s)
    selector = inputs["direction"]
    sense = np.where(selector == FORWARD, 1.0, np.where(selector == REVERSE, -1.0, 0.0))
    load = np.zeros(len(time_s)) if extra_load_W is None else extra_load_W
    columns = [inputs["pedal"], sense, inputs["brake"], inputs["power"], inputs["emergency"]]
    columns += [inputs["axle"], load]
    rows, width = array("d"), 6 + 3 * len(vehicle.units)
    _run(vehicle, script, np.column_stack(columns), rows)
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


def _run(vehicle: Vehicle, script: Script, inputs: Floats, rows: array[float]) -> None:
    """Append pack, link, poles and shafts to ``rows``, one row a step.

    While everything stands still it jumps to the next change of an input.
    """
    link, box = Link(vehicle.pack, vehicle.box), Sequencer(vehicle.box, script)
    shafts = [Shaft(unit) for unit in vehicle.units]
    changes = np.flatnonzero(np.any(np.diff(inputs, axis=0) != 0, axis=1)) + 1
    upcoming = iter([*changes.tolist(), len(inputs)])
    change = row = 0
    driver: list[float] = []
    while row < len(inputs):
        while change <= row:
            change, driver = next(upcoming), inputs[row].tolist()
        before = link.volt
        mains = _step(row * STEP_S, driver, link, box, shafts, vehicle.supply, rows)
        row += 1
        settled = not mains or abs(link.volt - before) < 1e-9
        if settled and row < change and box.at_rest and all(s.at_rest for s in shafts):
            still = np.tile(rows[-3 - 3 * len(shafts) :], (change - row, 1))
            coasting = link.coast(STEP_S, change - row, box.conducts, not box.on)
            rows.frombytes(np.hstack([coasting, still]).tobytes())
            row = change


def _step(
    time_s: float,
    driver: Sequence[float],
    link: Link,
    box: Sequencer,
    shafts: Sequence[Shaft],
    supply: Supply,
    rows: array[float],
) -> bool:
    """One millisecond of everything; returns whether both mains conduct."""
    pedal, sense, brake, power, stop, axle, extra_W = driver
    box.step(time_s, link.volt, link.pack_V, power > 0, stop > 0)
    mains = box.conducts["negative"] and box.conducts["positive"]
    live = mains and box.on and link.volt > LIVE_ABOVE_V
    load_W = supply.aux_A * link.pack.nominal_V if live else 0.0
    load_W += extra_W if mains and link.volt > LIVE_ABOVE_V else 0.0
    for number, shaft in enumerate(shafts, start=1):
        asked = pedal if axle in (0, number) else 0.0
        shaft.step(STEP_S, time_s, (asked, sense, brake), live)
        load_W += shaft.power if live else 0.0
    link.step(STEP_S, box.conducts, load_W, not box.on)
    row = [link.pack_V, link.pack_A, link.volt, *box.closed.values()]
    for shaft in shafts:
        row += shaft.speed, shaft.sign * shaft.raw_torque, shaft.excited
    rows.extend(row)
    return mains
