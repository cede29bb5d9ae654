"""What the sensors make of the truth: filtering, gain errors, and how much noise each has."""

from __future__ import annotations

import numpy as np

from canscope.simulate.physics import Truth
from canscope.simulate.script import Floats
from canscope.simulate.vehicle import Box, Supply, Vehicle

CURRENT_FILTER = 10  # steps: the pack's current sensor averages over 10 ms
MONITOR_UNCONNECTED_KOHM = 5200.0

# Standard deviation of each signal's noise, in its own unit.
NOISE = {
    "PackVoltage": 0.06,
    "PackCurrent": 0.08,
    "Resistance": 4.0,
    "ControlVoltage": 0.02,
    "Pedal": 0.12,
    "Pedal2": 0.12,
    "MotorSpeed": 0.3,
    "Torque": 0.05,
    "LinkVoltage": 0.07,
    "InverterTemp": 0.05,
    "WindingTemp": 0.05,
    "Flow": 0.03,
}


class Readings(dict[str, Floats]):
    """What each signal shows: "channel:Message.Signal" -> physical value, a row a millisecond.

    Signals in ``still`` get no noise from that row on: a frozen sensor has none.
    """

    def __init__(self) -> None:
        super().__init__()
        self.still: dict[str, int] = {}


def readings(truth: Truth, vehicle: Vehicle) -> Readings:
    """Every signal before noise and rounding, in the definition's unit."""
    found = Readings()
    for name, column in _vehicle_bus(truth, vehicle).items():
        found[f"can0:{name}"] = column
    for unit in vehicle.units:
        own, sign = f"{unit.channel}:", truth.raw_sign[unit.name]
        heat = truth.heat[unit.name]
        found[own + "UnitFast.MotorSpeed"] = sign * truth.speed_rpm[unit.name]
        found[own + "UnitFast.Torque"] = sign * truth.torque_Nm[unit.name]
        found[own + "UnitFast.LinkVoltage"] = unit.link_gain * truth.link_V
        for name, body in (("InverterTemp", "inverter"), ("WindingTemp", "winding")):
            column = np.interp(truth.time_s, heat["time_s"], heat[body])
            found[f"{own}UnitSlow.{name}"] = column
        found[own + "UnitSlow.Fault"] = np.zeros(len(truth.time_s))
    return found


def _vehicle_bus(truth: Truth, vehicle: Vehicle) -> dict[str, Floats]:
    inputs, closed = truth.inputs, truth.closed
    connected = (closed["negative"] > 0) & (closed["positive"] > 0)
    insulation = np.where(connected, vehicle.pack.insulation_kohm, MONITOR_UNCONNECTED_KOHM)
    return {
        "PackStatus.PackVoltage": truth.pack_V,
        "PackStatus.PackCurrent": trailing_mean(truth.pack_A, CURRENT_FILTER),
        "Insulation.Resistance": insulation,
        "ContactorBox.NegativeClosed": closed["negative"],
        "ContactorBox.PrechargeClosed": closed["precharge"],
        "ContactorBox.PositiveClosed": closed["positive"],
        **{
            f"ContactorBox.{pole.capitalize()}Command": commanded(column, vehicle.box)
            for pole, column in closed.items()
        },
        "Supply.ControlVoltage": supply_voltage(truth, vehicle.supply),
        "Cabin.Ignition": inputs["ignition"],
        "Cabin.BrakePressed": inputs["brake"],
        "Cabin.EmergencyStop": inputs["emergency"],
        "Cabin.Direction": inputs["direction"],
        "Cabin.Pedal": inputs["pedal"],
        "Cabin.Pedal2": inputs["pedal"] + 0.4,
        "Cooling.Flow": np.where(inputs["ignition"] > 0, 6.5, 0.0),
    }


def commanded(closed: Floats, box: Box) -> Floats:
    """A contactor's command, which its position follows after the box's delays."""
    early_close, early_open = (round(s * 1000) for s in (box.close_delay_s, box.open_delay_s))
    command = np.roll(closed, -early_close)
    for row in np.flatnonzero(np.diff(closed) < 0).tolist():
        command[row + 1 - early_close : row + 1 - early_open] = 1.0
    return command


def supply_voltage(truth: Truth, supply: Supply) -> Floats:
    """The 12 V supply in volts: it dips as each coil pulls in and recovers exponentially."""
    time_s = truth.time_s
    closed = truth.closed["positive"] > 0
    volt = np.where(closed, supply.charging_V, supply.resting_V)
    for pole in truth.closed.values():
        for row in np.flatnonzero(np.diff(pole) > 0).tolist():
            # A coil draws its pull-in current a little before its contact meets.
            since = time_s - time_s[max(row - 15, 0)]
            dip = supply.dip_V * np.exp(-np.maximum(since, 0.0) / supply.dip_s)
            volt = volt - np.where(since >= 0, dip, 0.0)
    return np.asarray(volt)


def trailing_mean(column: Floats, steps: int) -> Floats:
    """Mean over the last ``steps`` rows; fewer at the start."""
    total = np.concatenate([[0.0], np.cumsum(column)])
    row = np.arange(1, len(column) + 1)
    first = np.maximum(row - steps, 0)
    return np.asarray((total[row] - total[first]) / (row - first))
