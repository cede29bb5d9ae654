"""Faults of the high-voltage side and of the 12 V supply."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from canscope.simulate.faults import Fault, fault
from canscope.simulate.physics import Truth
from canscope.simulate.script import DrySpin, Floats, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Box, Vehicle

INRUSH = "closing-inrush current-ceiling bus-sag source-resistance"


def _box(vehicle: Vehicle, **changes: Any) -> Vehicle:
    box: Box = replace(vehicle.box, **changes)
    return replace(vehicle, box=box)


@fault("weak-pack", must="bus-sag", may="source-resistance")
class WeakPack(Fault):
    """A bad joint in the pack's circuit: the voltage gives way under a small load."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        pack = replace(vehicle.pack, resistance_ohm=9.0 * self.severity)
        return replace(vehicle, pack=pack)


@fault("bad-precharge", must="precharge-level", may="precharge-curve " + INRUSH)
class BadPrecharge(Fault):
    """The positive contactor closes with the link at about 70 percent of the pack."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        # The contact meets one closing delay (about half a time constant) after the command.
        share = 1.0 - 0.52 * self.severity
        return _box(vehicle, close_at_share=max(share, 0.05), settle_s=0.0)


@fault("wrong-precharge-resistor", must="precharge-curve")
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


@fault("precharge-stays-closed", must="contactor-sequence")
class PrechargeStaysClosed(Fault):
    """The pre-charge contactor stays closed after positive has closed."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, keeps_precharge=True)


@fault("slow-discharge", must="link-discharge")
class SlowDischarge(Fault):
    """The active bleed does not switch in properly: the link stays live for many seconds."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, active_bleed_ohm=7000.0 * self.severity)

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, discharge_wait_s=20.0 * self.severity)


@fault("welded-negative", must="contactor-weld", may="link-discharge voltage-agreement")
class WeldedNegative(Fault):
    """The negative contactor has welded: it says open, but the link stays at the pack's voltage."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, welded=frozenset({"negative"}))

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, hold_s=13.0)


@fault("welded-positive", must="contactor-weld", may="link-discharge voltage-agreement")
class WeldedPositive(Fault):
    """The positive contactor has welded; seen because positive is opened first in this run."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _box(vehicle, welded=frozenset({"positive"}))

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, hold_s=13.0, positive_first=True)


@fault("low-12V", must="control-supply")
class Low12V(Fault):
    """A tired 12 V battery: it collapses each time a contactor's coil pulls in."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return replace(vehicle, supply=replace(vehicle.supply, dip_V=4.0 * self.severity))


@fault("heater-left-on", must="current-ceiling", may="source-resistance")
class HeaterLeftOn(Fault):
    """A heater on the link draws far more than agreed during the forward burst."""

    def load_W(self, time_s: Floats, script: Script) -> Floats | None:
        spin = script.spins[0]
        on = (time_s >= spin.start_s) & (time_s < spin.end_s)
        return np.where(on, 15_000.0 * self.severity, 0.0)


@fault("low-insulation", must="insulation-resistance")
class LowInsulation(Fault):
    """Damp in a connector: the insulation is far too low once the inverters are connected."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        pack = replace(vehicle.pack, insulation_kohm=22.0 / self.severity)
        return replace(vehicle, pack=pack)


@fault("link-sensor-wrong", must="voltage-agreement", may="precharge-level source-resistance")
class LinkSensorWrong(Fault):
    """The rear unit's voltage sensor reads several percent low."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.unit("rear")
        return vehicle.with_unit(replace(unit, link_gain=1.0 - 0.04 * self.severity))


@fault("current-sensor-reversed", must="power-balance", may="source-resistance")
class CurrentSensorReversed(Fault):
    """The pack's current sensor is mounted the wrong way round."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        seen["can0:PackStatus.PackCurrent"] = -seen["can0:PackStatus.PackCurrent"]
