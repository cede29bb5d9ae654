"""Faults of the high-voltage side and of the 12 V supply."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from canscope.simulate.faults.fault import Fault, fault
from canscope.simulate.messages import cycle_s, signal_of, step_of
from canscope.simulate.physics import Truth
from canscope.simulate.script import Floats, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Box, Vehicle

ANY = "dry-spin power-up"
MOVES = "dry-exposure pedal-at-rest unasked-motion"
INRUSH = "closing-inrush current-ceiling bus-sag source-resistance"


def _tau_s(vehicle: Vehicle) -> float:
    """Time constant of the pre-charge."""
    return vehicle.box.resistor_ohm * vehicle.box.link_capacitance_F


def _unseen_s(vehicle: Vehicle) -> float:
    """How far from the closing of positive the nearest link voltage on the bus may lie."""
    link = max(cycle_s(vehicle, f"{u.channel}:UnitFast.LinkVoltage") for u in vehicle.units)
    return link + cycle_s(vehicle, "can0:ContactorBox.PositiveClosed")


def _over_W(vehicle: Vehicle) -> float:
    """Well above the current that was agreed."""
    return 1.4 * vehicle.limits.current_A * vehicle.pack.nominal_V


def _box(vehicle: Vehicle, **changes: Any) -> Vehicle:
    box: Box = replace(vehicle.box, **changes)
    return replace(vehicle, box=box)


@fault("weak-pack", must="bus-sag", may="source-resistance")
class WeakPack(Fault):
    """A bad joint in the pack's circuit: the voltage gives way under a small load."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        # Sag = P R / V^2: as deep whatever the voltage and however many units draw.
        share = (vehicle.pack.open_circuit_V / 358.0) ** 2 * 2 / len(vehicle.units)
        pack = replace(vehicle.pack, resistance_ohm=9.0 * share * self.severity)
        return replace(vehicle, pack=pack)


@fault("bad-precharge", must="precharge-level", may="precharge-curve " + INRUSH)
class BadPrecharge(Fault):
    """The positive contactor closes with the link at about 70 percent of the pack."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        # The contact meets one closing delay after the command.
        missing = 0.3 * self.severity * math.exp(vehicle.box.close_delay_s / _tau_s(vehicle))
        return _box(vehicle, close_at_share=max(1.0 - missing, 0.05), settle_s=0.0)

    def suits(self, vehicle: Vehicle) -> bool:
        return _unseen_s(vehicle) < 0.5 * _tau_s(vehicle)


@fault("wrong-precharge-resistor", must="precharge-curve", stages=ANY)
class WrongPrechargeResistor(Fault):
    """The resistor fitted is five times the one that the plan states."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, resistor_ohm=vehicle.box.stated_resistor_ohm * 5.0 * self.severity)


@fault(
    "no-precharge",
    must="contactor-sequence",
    may="precharge-level precharge-curve " + INRUSH,
)
class NoPrecharge(Fault):
    """The positive contactor closes straight onto an empty link."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, skips_precharge=True)


@fault("precharge-stays-closed", must="contactor-sequence", stages=ANY)
class PrechargeStaysClosed(Fault):
    """The pre-charge contactor stays closed after positive has closed."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, keeps_precharge=True)


@fault("slow-discharge", must="link-discharge")
class SlowDischarge(Fault):
    """The active bleed does not switch in properly: the link stays live for many seconds."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, active_bleed_ohm=7.0 / vehicle.box.link_capacitance_F * self.severity)

    def suits(self, vehicle: Vehicle) -> bool:
        return vehicle.box.bleed == "active"

    def story(self, story: Any) -> Any:
        return replace(story, discharge_wait_s=20.0 * self.severity)


@fault(
    "welded-negative",
    must="contactor-weld",
    may="link-discharge voltage-agreement current-while-open",
)
class WeldedNegative(Fault):
    """The negative contactor has welded: it says open, but the link stays at the pack's voltage."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, welded=frozenset({"negative"}))

    def suits(self, vehicle: Vehicle) -> bool:
        return vehicle.box.bleed == "active"

    def story(self, story: Any) -> Any:
        return replace(story, hold_s=13.0, positive_first=False)


@fault(
    "welded-positive",
    must="contactor-weld",
    may="link-discharge voltage-agreement current-while-open",
)
class WeldedPositive(Fault):
    """The positive contactor has welded; seen because positive is opened first in this run."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, welded=frozenset({"positive"}))

    def suits(self, vehicle: Vehicle) -> bool:
        return vehicle.box.bleed == "active"

    def story(self, story: Any) -> Any:
        return replace(story, hold_s=13.0, positive_first=True)


@fault("low-12V", must="control-supply", stages=ANY)
class Low12V(Fault):
    """A tired 12 V battery: it collapses each time a contactor's coil pulls in."""

    def suits(self, vehicle: Vehicle) -> bool:
        return cycle_s(vehicle, "can0:Supply.ControlVoltage") <= 0.03

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return replace(vehicle, supply=replace(vehicle.supply, dip_V=4.0 * self.severity))


@fault("heater-left-on", must="current-ceiling", may="source-resistance")
class HeaterLeftOn(Fault):
    """A heater on the link draws far more than agreed during the forward burst."""

    def load_W(self, time_s: Floats, script: Script, vehicle: Vehicle) -> Floats | None:
        spin = script.spins[0]
        on = (time_s >= spin.start_s) & (time_s < spin.end_s)
        return np.where(on, _over_W(vehicle) * self.severity, 0.0)


@fault("low-insulation", must="insulation-resistance", stages=ANY)
class LowInsulation(Fault):
    """Damp in a connector: the insulation is far too low once the inverters are connected."""

    def suits(self, vehicle: Vehicle) -> bool:
        return signal_of(vehicle, "can0:Insulation.Resistance") is not None

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        pack = replace(vehicle.pack, insulation_kohm=22.0 / self.severity)
        return replace(vehicle, pack=pack)


@fault(
    "link-sensor-wrong",
    must="voltage-agreement",
    may="precharge-level precharge-curve source-resistance",
)
class LinkSensorWrong(Fault):
    """The rear unit's voltage sensor reads several percent low."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.rear
        return vehicle.with_unit(replace(unit, link_gain=1.0 - 0.04 * self.severity))


@fault("current-sensor-reversed", must="power-balance", may="source-resistance")
class CurrentSensorReversed(Fault):
    """The pack's current sensor is mounted the wrong way round."""

    def suits(self, vehicle: Vehicle) -> bool:
        return step_of(vehicle, "can0:PackStatus.PackCurrent") <= 0.2

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        seen["can0:PackStatus.PackCurrent"] = -seen["can0:PackStatus.PackCurrent"]


@fault("high-source-resistance", must="source-resistance", may="bus-sag")
class HighSourceResistance(Fault):
    """A worn joint in the pack's circuit: too much resistance, though the voltage still holds."""

    def suits(self, vehicle: Vehicle) -> bool:
        often = cycle_s(vehicle, "can0:PackStatus.PackCurrent") <= 0.05
        often = often and len(vehicle.units) > 1  # one unit alone draws too little to tell
        return often and step_of(vehicle, "can0:PackStatus.PackCurrent") <= 0.2

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        pack = replace(vehicle.pack, resistance_ohm=2.2 * self.severity)
        return replace(vehicle, pack=pack)


@fault("load-at-closing", must="closing-inrush current-ceiling", may="source-resistance")
class LoadAtClosing(Fault):
    """A heater is on as the contactors close."""

    def suits(self, vehicle: Vehicle) -> bool:
        return vehicle.limits.inrush_A is not None

    def load_W(self, time_s: Floats, script: Script, vehicle: Vehicle) -> Floats | None:
        on = (time_s >= script.first("power", 1.0)) & (time_s < script.spins[0].start_s - 2.5)
        return np.where(on, _over_W(vehicle) * self.severity, 0.0)


@fault("opens-under-load", must="opening-current", may="source-resistance voltage-agreement")
class OpensUnderLoad(Fault):
    """A heater is still on as the contactors open."""

    def suits(self, vehicle: Vehicle) -> bool:
        return cycle_s(vehicle, "can0:PackStatus.PackCurrent") <= 0.1

    def story(self, story: Any) -> Any:
        return replace(story, positive_first=True)

    def load_W(self, time_s: Floats, script: Script, vehicle: Vehicle) -> Floats | None:
        opening_s = script.first("power", 0.0, after_s=script.spins[-1].end_s)
        on = (time_s >= opening_s - 3.0) & (time_s < opening_s + 1.0)
        return np.where(on, 9.0 * vehicle.pack.nominal_V * self.severity, 0.0)


@fault("precharge-retries", must="precharge-attempts", may="precharge-curve")
class PrechargeRetries(Fault):
    """The contactor box gives up and starts again, four times."""

    def story(self, story: Any) -> Any:
        return replace(story, retries=4)


@fault("emergency-stop-ignored", must="emergency-stop", stages="power-up")
class EmergencyStopIgnored(Fault):
    """The emergency stop is answered seconds too late."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, stop_delay_s=2.5 * self.severity)


@fault("supply-sinks", must="supply-range", may="control-supply", stages=ANY)
class SupplySinks(Fault):
    """The d.c. converter never starts: the 12 V battery goes flat in the course of the run."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        volt = seen["can0:Supply.ControlVoltage"]
        off_s = script.first("ignition", 0.0)
        share = np.clip((truth.time_s - 10.0) / (0.9 * (off_s - 10.0)), 0.0, 1.0)
        seen["can0:Supply.ControlVoltage"] = volt - share * (volt - 9.0 + 1.2 * self.severity)


@fault("over-voltage", must="voltage-ceiling", may="source-resistance")
class OverVoltage(Fault):
    """Braking feeds back into a full pack: for a moment everything is above the pack's maximum."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        begin_s = script.spins[-1].end_s + 8.0
        high = (truth.time_s >= begin_s) & (truth.time_s < begin_s + 0.4)
        over_V = vehicle.pack.maximum_V - float(np.median(truth.pack_V)) + 12.0 * self.severity
        for key in [key for key in seen if key.endswith((".PackVoltage", ".LinkVoltage"))]:
            seen[key] = seen[key] + np.where(high, over_V, 0.0)


@fault("current-while-open", must="current-while-open")
class CurrentWhileOpen(Fault):
    """Something on the pack's side of the contactors draws after both have opened."""

    def suits(self, vehicle: Vehicle) -> bool:
        return cycle_s(vehicle, "can0:PackStatus.PackCurrent") <= 0.1

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        opened_s = script.first("power", 0.0, after_s=script.spins[-1].end_s) + script.hold_s
        on = (truth.time_s >= opened_s + 1.0) & (truth.time_s < opened_s + 1.8)
        key = "can0:PackStatus.PackCurrent"
        seen[key] = seen[key] + np.where(on, 8.0 * self.severity, 0.0)


@fault("turns-in-power-up", must="nothing-turns", may=f"{MOVES} power-balance", stages="power-up")
class TurnsInPowerUp(Fault):
    """The controller asks the front unit for torque although nobody asked it to."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        begin_s = script.first("power", 1.0) + 12.0
        key = f"{vehicle.front.channel}:UnitFast.MotorSpeed"
        shape = np.interp(truth.time_s, begin_s + np.array([0.0, 0.8, 2.4, 3.2]), [0, 1, 1, 0])
        seen[key] = seen[key] + 150.0 * self.severity * shape
