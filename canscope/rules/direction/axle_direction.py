"""Rule ``axle-direction``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.findings import Verdict
from canscope.model.outcome import Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule, Worst, limit
from canscope.model.signals import NEVER
from canscope.model.tables import Bools, Int64s
from canscope.rules import RULES
from canscope.rules.shared.direction_changes import WORDS, axle_and_sense
from canscope.rules.shared.persistence import (
    NO_LABEL,
    LastLabel,
    Stretches,
    follow,
    recent,
    rolling,
    sense,
    stretches,
    to_ns,
    within,
)

REQUEST, BRAKE = "driver.direction", "driver.brake"
REQUESTS = (1.0, -1.0)


@dataclass(frozen=True)
class Axle:
    """What is carried from piece to piece for one unit."""

    speed: LastLabel = NO_LABEL  # by its sense
    slow_ns: int = int(NEVER)  # the last instant at which it was known to be below turning
    stalled: LastLabel = NO_LABEL  # by the direction in which it pushes without moving


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    request: LastLabel = NO_LABEL
    axles: Mapping[str, Axle] = field(default_factory=dict)


@RULES.add("axle-direction")
@dataclass(frozen=True, kw_only=True)
class AxleDirection(Rule):
    """Each axle turns the way the driver asked, in both directions.

    The speed is the one corrected for the unit's mounting, so that positive rolls the vehicle
    forward. That correction is a prediction from the plan: only a witness mark anchors it.

    Judged
        While a direction is requested, from the first instant after the request at which the unit
        was below ``turning_rpm`` (what coasts on from before is no answer to the request), at every
        speed that has been at or above ``turning_rpm``, in one sense, for ``turning_s``. Stalled:
        torque of ``stalled_Nm`` for ``stalled_s`` with the brake released and no motion (below
        ``still_rpm``), where torque and brake are bound.
    Margin
        Requested sign times the median speed over ``turning_s``, in rpm; the limit is 0. Stalled:
        absolute speed minus ``turning_rpm``.
    Unproven
        The axle never turned in that direction on request (not-exercised); speed or request stale
        or not available. It can be neither waived nor switched off.
    """

    turning_rpm: float = limit(50.0, "rpm")
    turning_s: float = limit(0.2, "s")
    still_rpm: float = limit(30.0, "rpm")
    stalled_Nm: float = limit(5.0, "Nm")
    stalled_s: float = limit(1.0, "s")

    unit: ClassVar[str] = "rpm"
    required_in: ClassVar[frozenset[str]] = SPINNING
    absent_in: ClassVar[frozenset[str]] = frozenset({"power-up"})
    stops: ClassVar[bool] = True
    waivable: ClassVar[bool] = False
    limit_source: ClassVar[str] = "plan"  # the direction codes and the mounting
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.SPIN})
    cross_checks: ClassVar[tuple[str, ...]] = ("driver.direction",)
    says: ClassVar[dict[str, str]] = {
        "pass": "the {axle} axle turned {direction} when {direction} was requested, by its own "
        "speed and the plan's mounting (CAN cannot see a wheel)",
        "fail": "the {axle} axle turned against the requested direction ({direction})",
        "close": "the {axle} axle's sense of rotation with {direction} requested cannot be told",
        "stalled": "the {axle} axle stalled: torque with the brake released, {direction} requested"
        " and no motion",
    }
    codes: ClassVar[tuple[str, ...]] = ("against-request", "stalled")
    missed: ClassVar[str] = "it was not seen to turn on that request"
    exercise: ClassVar[str] = "request the direction and let the axle turn for three seconds"
    causes: ClassVar[tuple[str, ...]] = (
        "two phases are swapped, or swapped back, against what the plan says",
        "the unit's mounting in the plan is not how it sits",
        "the speed or direction signal is bound with the wrong sign",
        "the controller sends this unit the other unit's direction",
    )
    next: ClassVar[str] = "watch one wheel at creeping speed and compare it with the speed's sign"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each unit in each direction."""
        return [
            Subject(
                f"{unit.name} {WORDS[request]}",
                needs=(unit.role("speed"), REQUEST),
                shows=(unit.role("speed"), REQUEST, unit.role("torque")),
            )
            for unit in bench.units
            for request in REQUESTS
        ] or [Subject("axles", needs=("units.*.speed", REQUEST))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every new speed and torque of this piece."""
        request = follow(piece, REQUEST, state.request)
        axles: dict[str, Axle] = {}
        found: list[Outcome] = []
        for unit in piece.bench.units:
            axle = state.axles.get(unit.name, Axle())
            speed = follow(piece, unit.role("speed"), axle.speed, sense(self.turning_rpm))
            slow_ns = _slow_until(speed, axle.slow_ns)
            stalled = self._pushing(piece, unit, axle.stalled)
            found += self._turned(piece, unit, request, speed, slow_ns)
            found += self._stalled(piece, unit, stalled)
            axles[unit.name] = Axle(speed.last, int(slow_ns[-1]), stalled.last)
        return State(request.last, axles), found

    def _turned(
        self, piece: Piece, unit: DriveUnit, request: Stretches, speed: Stretches, slow_ns: Int64s
    ) -> list[Outcome]:
        """Median speeds wherever the axle turns and answers a known request."""
        now, times, width_ns = speed.new, speed.new.sampled_ns, to_ns(self.turning_s)
        turning = (now.label != 0) & (times - now.since_ns >= width_ns)
        if not turning.any():
            return []
        asked = request.at(piece, times)
        armed = turning & (slow_ns[1:] >= asked.since_ns)
        samples = recent(piece, unit.role("speed"), width_ns)
        found: list[Outcome] = []
        for sign in REQUESTS:
            rows = np.flatnonzero(armed & (asked.label == sign)) + len(samples) - len(times)
            first = within(samples.time_ns, rows, width_ns)
            median_rpm = rolling(np.median, samples.value, first, rows)
            at_ns = samples.time_ns[rows]
            found.append(
                margins(
                    f"{unit.name} {WORDS[sign]}",
                    at_ns,
                    sign * median_rpm,
                    measured=median_rpm,
                    limit=0.0,
                    uncertainty=piece.bench.u(unit.role("speed")),
                    start_ns=at_ns - width_ns,
                    code="against-request",
                )
            )
        return found

    def _pushing(self, piece: Piece, unit: DriveUnit, carried: LastLabel) -> Stretches:
        """Stretches in which the unit pushes in the requested direction and does not move."""
        role = unit.role("torque")
        torque = piece[role]
        times = torque.time_ns
        if not len(times):
            return follow(piece, role, carried)
        asked = piece.at(REQUEST, times).value
        brake = piece.at(BRAKE, times).value
        speed_rpm = piece.at(unit.role("speed"), times).value
        pushes: Bools = (np.abs(torque.value) >= self.stalled_Nm) & (brake == 0)
        label = np.where(pushes & (np.abs(speed_rpm) < self.still_rpm), asked, 0.0)
        label[np.isnan(torque.value + brake + speed_rpm + asked)] = np.nan
        return stretches(role, carried, times, label, piece.history.patience_ns(role, times))

    def _stalled(self, piece: Piece, unit: DriveUnit, stalled: Stretches) -> list[Outcome]:
        now, role = stalled.new, unit.role("speed")
        width_ns = to_ns(self.stalled_s)
        found: list[Outcome] = []
        for sign in REQUESTS:
            times = now.sampled_ns[now.held(now.sampled_ns, sign, width_ns)]
            if not len(times):
                continue
            speed_rpm = np.abs(piece.at(role, times).value)
            found.append(
                margins(
                    f"{unit.name} {WORDS[sign]}",
                    times,
                    speed_rpm - self.turning_rpm,
                    measured=speed_rpm,
                    limit=self.turning_rpm,
                    uncertainty=piece.bench.u(role),
                    start_ns=times - width_ns,
                    code="stalled",
                )
            )
        return found

    def clause(self, verdict: Verdict | str, worst: Worst) -> str:
        """Say which axle, which direction, and whether it stalled."""
        says = self.says["stalled" if worst.code == "stalled" else str(verdict)]
        return says.format(**axle_and_sense(worst.subject))


def _slow_until(speed: Stretches, carried_ns: int) -> Int64s:
    """For each sample, the last instant up to it at which the unit was known not to turn.

    A slow speed holds until the next sample, so a request between the two finds the unit standing.
    """
    slow = speed.label == 0
    until = slow.copy()
    until[1:] |= slow[:-1] & speed.joined[1:]
    until_ns = np.where(until, speed.time_ns, np.int64(NEVER))
    until_ns[0] = carried_ns
    return np.maximum.accumulate(until_ns)
