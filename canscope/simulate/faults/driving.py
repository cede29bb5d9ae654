"""Faults of driver inputs, direction and speed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from canscope.simulate.faults.fault import Fault, fault
from canscope.simulate.messages import signal_of
from canscope.simulate.physics import Truth
from canscope.simulate.script import Script
from canscope.simulate.sensors import Readings
from canscope.simulate.vehicle import UnitBuild, Vehicle

HEAT = "temperature-rise temperature-rate temperature-forecast temperature-ceiling"


def _asked_wrong(vehicle: Vehicle, unit: UnitBuild) -> Vehicle:
    return vehicle.with_unit(replace(unit, asked_sign=-unit.planned_sign))


@fault(
    "front-axle-wrong-way", must="axle-direction axle-agreement", may="axle-witness unasked-motion"
)
class FrontAxleWrongWay(Fault):
    """The controller asks the front unit for the wrong sense: its wheels turn the other way."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _asked_wrong(vehicle, vehicle.front)


@fault(
    "rear-axle-wrong-way", must="axle-direction axle-agreement", may="axle-witness unasked-motion"
)
class RearAxleWrongWay(Fault):
    """The controller asks the rear unit for the wrong sense: its wheels turn the other way."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return _asked_wrong(vehicle, vehicle.rear)


@fault("phases-not-swapped", must="axle-witness")
class PhasesNotSwapped(Fault):
    """The front unit's phases are not as the plan says: only a person sees the wheels turn back."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        unit = vehicle.front
        return vehicle.with_unit(replace(unit, really_swapped=not unit.phases_swapped))


@fault("rear-axle-locked", must="axle-direction", may="source-resistance " + HEAT)
class RearAxleLocked(Fault):
    """The rear axle is stuck: torque, but no motion."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.rear, drag_Nm=40.0 * self.severity))


@fault(
    "turns-against-its-torque",
    must="torque-response axle-direction",
    may="axle-agreement axle-witness power-balance pedal-at-rest dry-exposure units-fighting "
    "rocking turns-after-release speed-ceiling change-at-standstill source-resistance "
    "unasked-motion " + HEAT,
)
class TurnsAgainstItsTorque(Fault):
    """The front unit's position sensor is half a turn out: it turns against its own torque."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, torque_sense=-1))


@fault(
    "rocking",
    must="rocking",
    may="axle-direction axle-agreement torque-response axle-witness units-fighting "
    "turns-after-release power-balance unasked-motion",
)
class Rocking(Fault):
    """The front unit shakes to and fro instead of turning."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, rocks=True))


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
    "creep",
    must="pedal-at-rest unasked-motion",
    may="dry-exposure change-at-standstill units-fighting " + HEAT,
)
class Creep(Fault):
    """The front unit pulls as soon as the brake is released, with the pedal at rest."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, creep_Nm=6.5 * self.severity))


@fault("pedal-rests-high", must="pedal-at-rest")
class PedalRestsHigh(Fault):
    """The pedal does not come back to zero."""

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        for track in ("can0:Cabin.Pedal", "can0:Cabin.Pedal2"):
            seen[track] = np.maximum(seen[track], 5.5 * self.severity)


@fault("pedal-tracks-apart", must="pedal-tracks")
class PedalTracksApart(Fault):
    """The second pedal track runs away from the first as the pedal goes down."""

    def suits(self, vehicle: Vehicle) -> bool:
        return signal_of(vehicle, "can0:Cabin.Pedal2") is not None

    def distort(self, seen: Readings, truth: Truth, vehicle: Vehicle, script: Script) -> None:
        second = seen["can0:Cabin.Pedal2"]
        seen["can0:Cabin.Pedal2"] = second + np.where(second > 5, 16.0 * self.severity, 0.0)


@fault("direction-without-brake", must="brake-interlock")
class DirectionWithoutBrake(Fault):
    """Reverse could be engaged with the brake released."""

    def story(self, story: Any) -> Any:
        return replace(story, brake_for_reverse=False)


@fault(
    "change-on-the-move",
    must="change-at-standstill",
    may="axle-direction turns-after-release unasked-motion",
)
class ChangeOnTheMove(Fault):
    """Reverse is accepted while both axles still turn forward."""

    def story(self, story: Any) -> Any:
        return replace(story, change_after_s=max(1.15 - 0.9 * self.severity, 0.05))


@fault("long-dry-burst", must="dry-exposure", may=HEAT)
class LongDryBurst(Fault):
    """The units turn longer than agreed without coolant and oil."""

    def story(self, story: Any) -> Any:
        return replace(story, burst_s=2.7 + 3.0 * self.severity)


@fault("never-in-reverse", unproven="axle-direction")
class NeverInReverse(Fault):
    """Reverse was never tried."""

    def story(self, story: Any) -> Any:
        return replace(story, reverse=False)


@fault(
    "turns-back-on-release",
    must="turns-after-release unasked-motion",
    may="axle-direction axle-agreement axle-witness pedal-at-rest torque-response units-fighting "
    "dry-exposure power-balance change-at-standstill",
)
class TurnsBackOnRelease(Fault):
    """The front unit brakes beyond standstill after the pedal is released and turns back."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, rolls_back_rpm=160.0 * self.severity))


@fault("units-against-each-other", must="units-fighting")
class UnitsAgainstEachOther(Fault):
    """The rear unit brakes in the middle of the forward burst while the front one drives."""

    def suits(self, vehicle: Vehicle) -> bool:
        return len(vehicle.units) > 1

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.rear, brakes_s=12.4))


@fault("drives-against-the-brake", must="brake-and-pedal", may="units-fighting torque-response")
class DrivesAgainstTheBrake(Fault):
    """The front unit goes on pulling with the brake pressed and the pedal down."""

    def vehicle(self, vehicle: Vehicle) -> Vehicle:
        return vehicle.with_unit(replace(vehicle.front, ignores_brake=True))

    def story(self, story: Any) -> Any:
        return replace(story, pedal_percent=27.0, brake_in_burst=True)
