"""One drive unit on its stand: torque command, shaft, friction and what it draws."""

from __future__ import annotations

import math
from collections.abc import Sequence

from canscope.simulate.vehicle import UnitBuild

RPM = 2 * math.pi / 60  # rad/s per rpm
PEDAL_DEAD = 3.0  # percent of travel without effect
PEDAL_DEEP = 8.0  # percent; a pedal that rests below this is no request yet
GAIN = 0.5  # Nm per rad/s of the speed controller
REGEN_FADE = 11.0  # rad/s below which the torque of coasting fades out
TORQUE_LAG_S = 0.03
BRAKE_NM = 22.0
BRAKES_FOR_S = 5.0
COPPER_W_NM2 = 1.1
SHAKE_NM, SHAKE_HZ = 15.0, 3.0


class Shaft:
    """A rotor with its gears and hanging wheels.

    ``speed`` is in rad/s in the vehicle's sense (positive rolls it forward), ``raw_torque`` is
    what the unit itself measures. ``sign`` is ``UnitBuild.true_sign``.
    """

    def __init__(self, build: UnitBuild) -> None:
        self.build, self.sign = build, build.true_sign
        self.asked = build.planned_sign if build.asked_sign is None else build.asked_sign
        self.speed = self.raw_torque = self.power = 0.0
        self.excited = self.has_turned = False

    @property
    def at_rest(self) -> bool:
        """Whether it stands still and gives no torque."""
        return self.speed == 0.0 and self.raw_torque == 0.0

    def step(self, dt: float, time_s: float, driver: Sequence[float], live: bool) -> None:
        """One step; ``driver`` is pedal in percent, direction (1, -1, 0), brake (0, 1)."""
        pedal, direction, brake = driver
        build = self.build
        live = live and time_s < build.dies_s
        wanted = self._command(time_s, pedal, direction, brake) if live else 0.0
        self.raw_torque += (wanted - self.raw_torque) * min(1.0, dt / TORQUE_LAG_S)
        if not live or (wanted == 0.0 and abs(self.raw_torque) < 1e-6):
            self.raw_torque = 0.0
        torque = self.sign * self.raw_torque * build.torque_sense
        self._turn(dt, torque, brake)
        turns = abs(self.speed) > 2.0
        self.excited = live and (turns or abs(torque) > 1.0)
        self.has_turned = direction != 0 and (self.has_turned or turns)
        self.power = torque * self.speed
        if self.excited:
            self.power += build.winding_loss_W + build.inverter_loss_W
            self.power += COPPER_W_NM2 * torque * torque

    def _command(self, time_s: float, pedal: float, direction: float, brake: float) -> float:
        """Torque that the controller asks for, in the unit's own sense."""
        build, limit = self.build, self.build.torque_limit_Nm
        brake = 0.0 if build.ignores_brake else brake
        braking = build.brakes_s <= time_s < build.brakes_s + BRAKES_FOR_S
        seen = self.asked * (self.sign * self.speed)  # the motion as the controller sees it
        if abs(self.speed) > build.speed_limit_rpm * RPM:
            return 0.0
        if direction and pedal > PEDAL_DEEP and not brake and not braking:
            if build.rocks:
                return self.asked * SHAKE_NM * math.sin(2 * math.pi * SHAKE_HZ * time_s)
            share = (pedal - PEDAL_DEAD) / (100.0 - PEDAL_DEAD)
            target = direction * share * 100.0 * build.rpm_per_percent * RPM
            return self.asked * min(max(GAIN * (target - seen), -limit), limit)
        if direction and build.creep_Nm and not brake:
            return self.asked * direction * build.creep_Nm
        if direction and build.rolls_back_rpm and not brake and self.has_turned:
            target = -direction * build.rolls_back_rpm * RPM
            return self.asked * min(max(GAIN * (target - seen), -limit), limit)
        return -self.asked * build.coast_Nm * min(max(seen / REGEN_FADE, -1.0), 1.0)

    def _turn(self, dt: float, torque: float, brake: float) -> None:
        """Torque turns the shaft; friction only ever takes speed away."""
        build = self.build
        free = self.speed + torque * dt / build.inertia_kgm2
        size = abs(free)
        friction = build.drag_Nm + build.drag_Nm_s * size + (BRAKE_NM if brake else 0.0)
        left = size - friction * dt / build.inertia_kgm2
        self.speed = math.copysign(left, free) if left > 0 else 0.0
