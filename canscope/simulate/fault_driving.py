"""Faults of driver inputs, direction, speed and heat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canscope.simulate.faults import Fault, fault
from canscope.simulate.physics import Truth
from canscope.simulate.script import DrySpin, Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import Vehicle

HEAT = "temperature-rise temperature-rate temperature-forecast temperature-ceiling"


def _asked_wrong(vehicle: Vehicle, name: str) -> Vehicle:
    unit = vehicle.unit(name)
    return vehicle.with_unit(replace(unit, asked_sign=-unit.planned_sign))


@fault("front-axle-wrong-way", must="axle-direction axle-agreement", may="axle-witness")
class FrontAxleWrongWay(Fault):
    """The controller asks the front unit for the wrong sense: its wheels turn the other way."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _asked_wrong(vehicle, "front")


@fault("rear-axle-wrong-way", must="axle-direction axle-agreement", may="axle-witness")
class RearAxleWrongWay(Fault):
    """The controller asks the rear unit for the wrong sense: its wheels turn the other way."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _asked_wrong(vehicle, "rear")


@fault("phases-not-swapped", must="axle-witness")
class PhasesNotSwapped(Fault):
    """The front unit's phases are not as the plan says: only a person sees the wheels turn back."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.unit("front")
        return vehicle.with_unit(replace(unit, really_swapped=not unit.phases_swapped))


@fault("rear-axle-locked", must="axle-direction", may="source-resistance " + HEAT)
class RearAxleLocked(Fault):
    """The rear axle is stuck: torque, but no motion."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.unit("rear"), drag_Nm=40.0 * self.severity))


@fault(
    "turns-against-its-torque",
    must="torque-response axle-direction",
    may="axle-agreement axle-witness power-balance pedal-at-rest dry-exposure units-fighting "
    "rocking turns-after-release speed-ceiling change-at-standstill source-resistance " + HEAT,
)
class TurnsAgainstItsTorque(Fault):
    """The front unit's position sensor is half a turn out: it turns against its own torque."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.unit("front"), torque_sense=-1))


@fault(
    "rocking",
    must="rocking",
    may="axle-direction axle-agreement torque-response axle-witness units-fighting "
    "turns-after-release power-balance",
)
class Rocking(Fault):
    """The front unit shakes to and fro instead of turning."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.unit("front"), rocks=True))


@fault(
    "overspeed",
    must="speed-ceiling",
    may="dry-exposure source-resistance change-at-standstill " + HEAT,
)
class Overspeed(Fault):
    """The speed limit is not set: both units run far faster than agreed."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        for unit in vehicle.units:
            faster = unit.rpm_per_percent * (1.0 + 2.4 * self.severity)
            changed = replace(
                unit, rpm_per_percent=faster, speed_limit_rpm=1e5, torque_limit_Nm=16.0
            )
            vehicle = vehicle.with_unit(changed)
        return vehicle


@fault(
    "creep", must="pedal-at-rest", may="dry-exposure change-at-standstill units-fighting " + HEAT
)
class Creep(Fault):
    """The front unit pulls as soon as the brake is released, with the pedal at rest."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.unit("front"), creep_Nm=6.5 * self.severity))


@fault("pedal-rests-high", must="pedal-at-rest")
class PedalRestsHigh(Fault):
    """The pedal does not come back to zero."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        for track in ("can0:Cabin.Pedal", "can0:Cabin.Pedal2"):
            seen[track] = np.maximum(seen[track], 5.5 * self.severity)


@fault("pedal-tracks-apart", must="pedal-tracks")
class PedalTracksApart(Fault):
    """The second pedal track runs away from the first as the pedal goes down."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        second = seen["can0:Cabin.Pedal2"]
        seen["can0:Cabin.Pedal2"] = second + np.where(second > 5, 16.0 * self.severity, 0.0)


@fault("direction-without-brake", must="brake-interlock")
class DirectionWithoutBrake(Fault):
    """Reverse could be engaged with the brake released."""

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, brake_for_reverse=False)


@fault(
    "change-on-the-move",
    must="change-at-standstill",
    may="axle-direction turns-after-release",
)
class ChangeOnTheMove(Fault):
    """Reverse is accepted while both axles still turn forward."""

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, change_on_the_move=True)


@fault("long-dry-burst", must="dry-exposure", may=HEAT)
class LongDryBurst(Fault):
    """The units turn longer than agreed without coolant and oil."""

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, burst_s=2.7 + 3.0 * self.severity)


@fault(
    "hot-while-dry",
    must="temperature-rise temperature-rate",
    may="temperature-forecast temperature-ceiling source-resistance",
)
class HotWhileDry(Fault):
    """The front winding heats far too fast while there is nothing to carry the heat away."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.unit("front")
        loss = unit.winding_loss_W * (1.0 + 8.0 * self.severity)
        return vehicle.with_unit(replace(unit, winding_loss_W=loss))


@fault("never-in-reverse", unproven="axle-direction")
class NeverInReverse(Fault):
    """Reverse was never tried."""

    def story(self, story: DrySpin) -> DrySpin:
        return replace(story, reverse=False)


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
        channel = vehicle.unit("rear").channel
        key = f"{channel}:UnitSlow.InverterTemp"
        seen[key] = np.full(len(truth.time_s), vehicle.ambient_degC)
        seen.still.add(key)
