"""Rule ``brake-and-pedal``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit
from canscope.rules import RULES
from canscope.rules.shared.driving import driving_Nm
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    kept_up,
    recent,
    stretches,
    to_ns,
)

PEDAL, BRAKE = "driver.pedal", "driver.brake"


@RULES.add("brake-and-pedal")
@dataclass(frozen=True, kw_only=True)
class BrakeAndPedal(Rule):
    """With the brake pressed, a pressed accelerator pedal does not drive.

    Judged
        For each unit, at every torque sample from ``held_s`` after the brake was pressed with the
        pedal above ``pedal_percent``: the driving torque that it kept up for ``held_s``. Driving
        torque is torque along the motion, or any torque at standstill (below ``still_rpm``).
    Margin
        ``torque_Nm`` minus that torque, in Nm.
    Unproven
        Brake and pedal were never pressed together for so long (not-exercised); torque, speed,
        brake or pedal stale or not available.
    """

    pedal_percent: float = limit(
        25.0,
        "%",
        "Formula SAE rules (brake and pedal), from memory",
        high=50.0,
        note="of travel",
        looser="higher",
    )
    torque_Nm: float = limit(5.0, "Nm", high=50.0, looser="higher")
    held_s: float = limit(0.5, "s", high=5.0, looser="higher")
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="lower")

    unit: ClassVar[str] = "Nm"
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "torque_Nm"
    says: ClassVar[dict[str, str]] = {
        "pass": "the unit did not drive with brake and pedal pressed together",
        "fail": "the unit went on driving with brake and pedal pressed together",
        "close": "the unit's torque with brake and pedal pressed together is about at the limit",
    }
    missed: ClassVar[str] = "brake and pedal were never pressed together for long enough"
    spins: ClassVar[bool] = True
    exercise: ClassVar[str] = (
        "with the wheels off the ground and a direction requested, press the brake firmly and then"
        " the pedal beyond a quarter, for one second"
    )
    causes: ClassVar[tuple[str, ...]] = (
        "the controller does not look at the brake",
        "the controller looks at another brake switch than the one on the bus",
        "the brake signal is bound the wrong way round",
    )
    next: ClassVar[str] = "look in the controller's settings for what the brake does to torque"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Every unit."""
        return [
            Subject(u.name, needs=(u.role("torque"), u.role("speed"), BRAKE, PEDAL))
            for u in bench.units
        ]

    def start(self, bench: Bench) -> Mapping[str, LastLabel]:
        return {unit.name: NO_LABEL for unit in bench.units}

    def fold(
        self, state: Mapping[str, LastLabel], piece: Piece
    ) -> tuple[Mapping[str, LastLabel], Sequence[Outcome]]:
        """Judge every new torque while both are pressed."""
        after = dict(state)
        found: list[Outcome] = []
        for unit in piece.bench.units:
            if len(piece[unit.role("torque")]):
                after[unit.name], rows = self._unit(piece, unit, state[unit.name])
                found += rows
        return after, found

    def _unit(
        self, piece: Piece, unit: DriveUnit, carried: LastLabel
    ) -> tuple[LastLabel, list[Outcome]]:
        role, width_ns = unit.role("torque"), to_ns(self.held_s)
        new_ns = piece[role].time_ns
        brake, pedal = piece.at(BRAKE, new_ns).value, piece.at(PEDAL, new_ns).value
        if carried.label != 1 and not ((brake == 1) & (pedal > self.pedal_percent)).any():
            return carried, []  # how long they have not been pressed together does not matter
        samples = recent(piece, role, width_ns)
        times = samples.time_ns
        drive_Nm = driving_Nm(piece, unit, samples, self.still_rpm)
        brake, pedal = piece.at(BRAKE, times).value, piece.at(PEDAL, times).value
        both = np.where((brake == 1) & (pedal > self.pedal_percent), 1.0, 0.0)
        both[np.isnan(brake + pedal + drive_Nm)] = np.nan
        patience_ns = piece.history.patience_ns(role, times)
        new = times >= piece.start_ns
        pressed = stretches(role, carried, times[new], both[new], patience_ns[new])
        times, drive_Nm = times[~np.isnan(both)], drive_Nm[~np.isnan(both)]
        at_ns = pressed.new.sampled_ns
        judged = pressed.new.held(at_ns, 1.0, width_ns)
        kept_Nm = kept_up(times, drive_Nm, judged, width_ns)
        found = margins(
            unit.name,
            at_ns[judged],
            self.torque_Nm - kept_Nm,
            measured=kept_Nm,
            limit=self.torque_Nm,
            uncertainty=piece.bench.u(role),
            start_ns=at_ns[judged] - width_ns,
        )
        return pressed.last, [found]
