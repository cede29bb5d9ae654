"""Faults of heat, of its sensors and of the coolant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canscope.simulate.faults.fault import Fault, fault
from canscope.simulate.physics import Truth
from canscope.simulate.script import Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

MAY_HEAT = "temperature-rise temperature-rate cold-soak"


@fault(
    "hot-while-dry",
    must="temperature-rise temperature-rate",
    may="temperature-forecast temperature-ceiling source-resistance",
)
class HotWhileDry(Fault):
    """The front winding heats far too fast while there is nothing to carry the heat away."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.front
        loss = unit.winding_loss_W * (1.0 + 8.0 * self.severity)
        return vehicle.with_unit(replace(unit, winding_loss_W=loss))


@fault("sensor-at-the-rail", may="cold-soak", unproven="sensor-alive")
class SensorAtTheRail(Fault):
    """The front winding's sensor is unplugged and reads -40 degC."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        key = f"{vehicle.unit('front').channel}:UnitSlow.WindingTemp"
        seen[key] = np.full(len(truth.time_s), -41.0)


@fault("sensor-frozen", unproven="sensor-alive")
class SensorFrozen(Fault):
    """The rear inverter's sensor shows one and the same plausible value all the time."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        channel = vehicle.rear.channel
        key = f"{channel}:UnitSlow.InverterTemp"
        seen[key] = np.full(len(truth.time_s), vehicle.ambient_degC)
        seen.still[key] = 0


@fault("sensor-offset", must="cold-soak")
class SensorOffset(Fault):
    """The front winding's sensor reads ten kelvin too much, from the cold on."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        key = f"{vehicle.front.channel}:UnitSlow.WindingTemp"
        seen[key] = seen[key] + 10.0 * self.severity


@fault("unit-still-hot", must="temperature-ceiling", may="temperature-forecast " + MAY_HEAT)
class UnitStillHot(Fault):
    """The front unit comes hot from an earlier run and is spun all the same."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        over_K = vehicle.limits.inverter_degC - vehicle.ambient_degC + 4.0 * self.severity
        return vehicle.with_unit(replace(vehicle.front, start_K=over_K))


@fault(
    "heats-towards-the-ceiling",
    must="temperature-forecast",
    may="temperature-ceiling source-resistance " + MAY_HEAT,
)
class HeatsTowardsTheCeiling(Fault):
    """The front winding is near its ceiling already and heats fast."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit, limits = vehicle.front, vehicle.limits
        near_K = limits.winding_degC - vehicle.ambient_degC - 14.0
        below_K = min(near_K, limits.inverter_degC - vehicle.ambient_degC - 6.0)
        loss = unit.winding_loss_W * (1.0 + 14.0 * self.severity)
        return vehicle.with_unit(replace(unit, start_K=below_K, winding_loss_W=loss))


@fault("pump-stops", must="coolant-flow", stages="wet-spin")
class PumpStops(Fault):
    """Hardly any coolant moves, from before the first burst on."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        stopped = truth.time_s >= script.spins[0].start_s - 3.0
        flow = seen["can0:Cooling.Flow"]
        seen["can0:Cooling.Flow"] = np.where(stopped, np.minimum(flow, 0.4 / self.severity), flow)
