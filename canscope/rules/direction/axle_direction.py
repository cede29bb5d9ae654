"""Rule ``axle-direction``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench, DriveUnit
from canscope.model.findings import Verdict
from canscope.model.outcome import Margins, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import SPINNING, CardStep, Rule, Worst, limit, unjudged
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import SECOND_NS, Bools, Int64s
from canscope.rules import RULES
from canscope.rules.shared.asked import NOTHING_ASKED, Asked, AskedOf, behind
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
from canscope.rules.shared.powered import powered

REQUEST, BRAKE, PEDAL = "driver.direction", "driver.brake", "driver.pedal"
REQUESTS = (1.0, -1.0)
READINGS = 3  # that a kick takes at least: one wrong reading is no rotation
STARTS_RPM, STARTS_NS = 3.0, SECOND_NS  # gained in it: it starts; common practice, no source
DRIVES_NM, EARLY_NS = 2.0, 2 * SECOND_NS  # that moves a vehicle, and so long before; likewise
LOSES, LOSES_S = 0.08, 2.0  # of its speed, where it coasts on from before; common practice


@dataclass(frozen=True)
class Axle:
    """What is carried from piece to piece for one unit."""

    speed: LastLabel = NO_LABEL  # by its sense
    slow_ns: int = int(NEVER)  # the last instant at which it was known to be below turning
    creep: LastLabel = NO_LABEL  # by its sense, from creeping on
    still_ns: int = int(NEVER)  # the last instant at which it was known not even to creep
    stalled: LastLabel = NO_LABEL  # by the direction in which it pushes without moving
    strained: LastLabel = NO_LABEL  # likewise, with twice the torque
    drove_ns: Mapping[float, int] = field(default_factory=dict)  # by sense: its torque, the last


@dataclass(frozen=True)
class State:
    """What is carried over from piece to piece."""

    request: LastLabel = NO_LABEL
    asked: Asked = NOTHING_ASKED  # by marks, where no signal is bound to the request
    axles: Mapping[str, Axle] = field(default_factory=dict)


@RULES.add("axle-direction")
@dataclass(frozen=True, kw_only=True)
class AxleDirection(Rule):
    """Each axle turns the way the driver asked, in both directions, each time that it turns.

    The speed is the one corrected for the unit's mounting, so that positive rolls the vehicle
    forward. That correction is a prediction from the plan: only a witness mark anchors it.

    Judged
        While a direction is requested, from the first instant after the request at which the unit
        was below ``turning_rpm`` (what coasts on from before is no answer to the request, nor is
        what turns with all poles open, by hand, nor in rolling what turns without 2 Nm of its own
        torque that way, dragged by the road), at every speed that has been at or above
        ``turning_rpm``, in one sense, for ``turning_s``. Every stretch counts. Against the request
        less is enough: ``kick_s`` and three readings; or a
        creep, at or above ``creeping_rpm`` for ``creeping_s`` after it was slower than that; or, on
        stands, what goes on from before the request without losing 8 % of its speed in 2 s.
        Stalled: torque of ``stalled_Nm`` for ``stalled_s``, on stands also twice that torque for
        ``strained_s``, with the brake released and no motion (below ``still_rpm``), where torque is
        bound, and brake or pedal. A torque with the pedal at rest holds, and is no stall; nor, in
        rolling, is one by which the speed goes on rising.
    Margin
        Requested sign times the median speed over ``turning_s`` (of a kick or a creep: over its own
        time), in rpm; the limit is 0. Stalled: absolute speed minus ``turning_rpm``.
    Request
        ``driver.direction``, a lever's state or, with ``kind = "command"``, what the controller
        asks of its units. Where nothing is bound to it, the marks that say what a person asked for:
        from their time plus their uncertainty (``within_s``, 1 s without it) up to the next one
        minus its own, and so much later. The sentence says which.
    Unproven
        The axle never turned in that direction on request (not-exercised); speed or request stale
        or not available. It can be neither waived nor switched off.
    """

    turning_rpm: float = limit(50.0, "rpm", low=1.0, high=200.0, looser="higher")
    turning_s: float = limit(0.2, "s", high=2.0, looser="higher")
    kick_s: float = limit(0.05, "s", high=1)
    creeping_rpm: float = limit(25.0, "rpm", high=200)
    creeping_s: float = limit(0.5, "s", high=5)
    still_rpm: float = limit(30.0, "rpm", low=1.0, high=200.0, looser="lower")
    stalled_Nm: float = limit(5.0, "Nm", high=50.0, looser="higher")
    stalled_s: float = limit(1.0, "s", high=5.0, looser="higher")
    strained_s: float = limit(0.3, "s", high=5)
    rest_percent: float = limit(3.0, "%", high=100, note="of the pedal's travel")

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
                needs=(unit.role("speed"), *((REQUEST,) if bench.has(REQUEST) else ())),
                shows=(unit.role("speed"), REQUEST, unit.role("torque")),
            )
            for unit in bench.units
            for request in REQUESTS
        ] or [Subject("axles", needs=("units.*.speed", REQUEST))]

    def start(self, bench: Bench) -> State:
        return State()

    def fold(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        """Judge every new speed and torque of this piece."""
        asked = state.asked.after(piece.marks)
        if not piece.bench.has(REQUEST):
            piece = behind(piece)
        return self._judge(replace(state, asked=asked), piece)

    def close(self, state: State, piece: Piece) -> Sequence[Outcome]:
        """What marks say of the last moments; a request that nothing at all tells is not bound."""
        if piece.bench.has(REQUEST) or not piece.bench.units:
            return ()
        if state.asked.marks:
            return self._judge(state, behind(piece, closing=True))[1]
        subjects = [subject.name for subject in self.subjects(piece.bench)]
        text = f"{REQUEST}, and no mark says what was asked"
        return [unjudged(subject, "not-bound", text) for subject in subjects]

    def _judge(self, state: State, piece: Piece) -> tuple[State, Sequence[Outcome]]:
        request = follow(piece, REQUEST, state.request)
        marked = not piece.bench.has(REQUEST)
        axles: dict[str, Axle] = {}
        found: list[Outcome] = []
        for unit in piece.bench.units:
            axle = state.axles.get(unit.name, Axle())
            role = unit.role("speed")
            speed = follow(piece, role, axle.speed, sense(self.turning_rpm))
            creep = follow(piece, role, axle.creep, sense(self.creeping_rpm))
            slow_ns = _slow_until(speed, axle.slow_ns)
            still_ns = _slow_until(creep, axle.still_ns)
            stalled, strained = self._pushing(piece, unit, axle)
            asked = state.asked.of(unit.name) if marked else request
            moved = self._turned(piece, unit, asked, speed, slow_ns, axle.drove_ns)
            moved += self._against(piece, unit, asked, (speed, slow_ns), (creep, still_ns))
            # Of equals the earliest counts, however the run is cut.
            found += sorted(moved, key=_worst_ns)
            found += self._stalled(piece, unit, stalled, self.stalled_s)
            if piece.bench.stage != "rolling":  # a whole vehicle takes longer to start
                found += self._stalled(piece, unit, strained, self.strained_s)
            end_ns = np.array([piece.until_ns], np.int64)
            axles[unit.name] = Axle(
                speed.last,
                int(slow_ns[-1]),
                creep.last,
                int(still_ns[-1]),
                stalled.last,
                strained.last,
                {sign: _drove_ns(piece, unit, sign, axle.drove_ns, end_ns)[0] for sign in REQUESTS},
            )
        return State(request.last, state.asked, axles), found

    def _turned(
        self,
        piece: Piece,
        unit: DriveUnit,
        request: Stretches | AskedOf,
        speed: Stretches,
        slow_ns: Int64s,
        drove_ns: Mapping[float, int],
    ) -> list[Outcome]:
        """Median speeds wherever the axle turns, by itself, and answers a known request."""
        now, times, width_ns = speed.new, speed.new.sampled_ns, to_ns(self.turning_s)
        turning = (now.label != 0) & (times - now.since_ns >= width_ns)
        if not turning.any():
            return []
        asked = request.at(piece, times)
        armed = turning & (slow_ns[1:] >= asked.since_ns) & powered(piece, unit, times)
        samples = recent(piece, unit.role("speed"), width_ns)
        first = len(samples) - len(times)
        found: list[Outcome] = []
        for sign in REQUESTS:
            rows = np.flatnonzero(armed & (asked.label == sign))
            own = now.label[rows] != sign  # against the request, it does not matter what turns it
            own |= (
                _drove_ns(piece, unit, sign, drove_ns, times[rows]) >= slow_ns[1:][rows] - EARLY_NS
            )
            if not own.all():
                text = "it turned without torque of its own, dragged by the road"
                name = f"{unit.name} {WORDS[sign]}"
                found.append(unjudged(name, "not-exercised", text, int(times[rows][~own][0])))
            found.append(self._rows(piece, unit, sign, samples, rows[own] + first, self.turning_s))
        return found

    def _against(
        self,
        piece: Piece,
        unit: DriveUnit,
        request: Stretches | AskedOf,
        turning: tuple[Stretches, Int64s],
        creeping: tuple[Stretches, Int64s],
    ) -> list[Outcome]:
        """Kicks and creeping against the request, and what goes on as before the request."""
        (speed, slow_ns), (creep, still_ns) = turning, creeping
        times = speed.new.sampled_ns
        if not (creep.new.label != 0).any():
            return []
        asked, can_drive = request.at(piece, times), powered(piece, unit, times)
        samples = recent(piece, unit.role("speed"), to_ns(self.turning_s + LOSES_S), silences=2)
        rows = np.arange(len(samples) - len(times), len(samples))
        long = samples.time_ns[np.maximum(rows - READINGS + 1, 0)] >= speed.new.since_ns
        found: list[Outcome] = []
        for sign in REQUESTS:
            mine = (asked.label == sign) & can_drive
            kicks = speed.new.held(times, -sign, to_ns(self.kick_s)) & long
            kicks &= mine & (slow_ns[1:] >= asked.since_ns)
            creeps = creep.new.held(times, -sign, to_ns(self.creeping_s))
            creeps &= mine & (still_ns[1:] >= asked.since_ns)
            kept = speed.new.held(times, -sign, to_ns(self.turning_s + LOSES_S))
            kept &= mine & (times - asked.since_ns >= to_ns(LOSES_S))
            if piece.bench.stage != "rolling" and kept.any():
                kept[kept] = self._goes_on(piece, unit, samples, rows[kept])
            else:
                kept &= False
            for some, width_s in (
                (kicks, self.kick_s),
                (creeps, self.creeping_s),
                (kept, self.turning_s),
            ):
                if some.any():
                    found.append(self._rows(piece, unit, sign, samples, rows[some], width_s))
        return found

    def _goes_on(self, piece: Piece, unit: DriveUnit, samples: Samples, rows: Int64s) -> Bools:
        """Whether a unit has lost next to nothing of its speed in the last while."""
        width_ns = to_ns(self.turning_s)
        before = samples.time_ns.searchsorted(samples.time_ns[rows] - to_ns(LOSES_S), "right") - 1
        before = np.maximum(before, 0)
        now_rpm, then_rpm = (
            np.abs(rolling(np.median, samples.value, within(samples.time_ns, at, width_ns), at))
            for at in (rows, before)
        )
        least_rpm = (1 - LOSES) * then_rpm + (2 - LOSES) * piece.bench.u(unit.role("speed"))
        goes_on: Bools = now_rpm > least_rpm
        return goes_on

    def _rows(
        self,
        piece: Piece,
        unit: DriveUnit,
        sign: float,
        samples: Samples,
        rows: Int64s,
        width_s: float,
    ) -> Outcome:
        """The median speeds over that time at these rows."""
        width_ns = to_ns(width_s)
        first = within(samples.time_ns, rows, width_ns)
        median_rpm = rolling(np.median, samples.value, first, rows)
        at_ns = samples.time_ns[rows]
        return margins(
            f"{unit.name} {WORDS[sign]}",
            at_ns,
            sign * median_rpm,
            measured=median_rpm,
            limit=0.0,
            uncertainty=piece.bench.u(unit.role("speed")),
            start_ns=at_ns - width_ns,
            code="against-request",
            **_requested(piece.bench),
        )

    def _pushing(self, piece: Piece, unit: DriveUnit, axle: Axle) -> tuple[Stretches, Stretches]:
        """Stretches in which the unit pushes, once and twice as hard as it takes to turn.

        Only while a direction is asked, and it does not move.
        """
        role = unit.role("torque")
        torque = piece[role]
        times = torque.time_ns
        if not len(times):
            return follow(piece, role, axle.stalled), follow(piece, role, axle.strained)
        asked = piece.at(REQUEST, times).value
        speed_rpm = piece.at(unit.role("speed"), times).value
        has_brake, has_pedal = piece.bench.has(BRAKE), piece.bench.has(PEDAL)
        brake = piece.at(BRAKE, times).value if has_brake or not has_pedal else np.zeros(len(times))
        pedal = piece.at(PEDAL, times).value if has_pedal else np.full(len(times), 100.0)
        held = (brake == 0) & (pedal > self.rest_percent) & (np.abs(speed_rpm) < self.still_rpm)
        unknown = np.isnan(torque.value + brake + pedal + speed_rpm + asked)
        patience_ns = piece.history.patience_ns(role, times)

        def pushes(carried: LastLabel, least_Nm: float) -> Stretches:
            label = np.where(held & (np.abs(torque.value) >= least_Nm), asked, 0.0)
            label[unknown] = np.nan
            return stretches(role, carried, times, label, patience_ns)

        return pushes(axle.stalled, self.stalled_Nm), pushes(axle.strained, 2 * self.stalled_Nm)

    def _stalled(
        self, piece: Piece, unit: DriveUnit, stalled: Stretches, long_s: float
    ) -> list[Outcome]:
        now, role = stalled.new, unit.role("speed")
        width_ns = to_ns(long_s)
        found: list[Outcome] = []
        for sign in REQUESTS:
            times = now.sampled_ns[now.held(now.sampled_ns, sign, width_ns)]
            speed_rpm = np.abs(piece.at(role, times).value)
            if piece.bench.stage == "rolling" and len(times):  # a heavy vehicle starts slowly
                gained_rpm = speed_rpm - np.abs(piece.at(role, times - STARTS_NS).value)
                stands = gained_rpm <= STARTS_RPM + piece.bench.u(role)
                times, speed_rpm = times[stands], speed_rpm[stands]
            if not len(times):
                continue
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
        return says.format(**axle_and_sense(worst.subject)) + str(worst.facts.get("by", ""))


def _drove_ns(
    piece: Piece, unit: DriveUnit, sign: float, known: Mapping[float, int], times_ns: Int64s
) -> Int64s:
    """When a unit last gave torque of that sense, by these instants; at all of them on stands."""
    role = unit.role("torque")
    if piece.bench.stage != "rolling" or not piece.bench.has(role):
        return times_ns
    torque = piece[role].known
    drives = torque.time_ns[sign * torque.value >= DRIVES_NM + piece.bench.u(role)]
    drives = np.concatenate((np.array([known.get(sign, int(NEVER))], np.int64), drives))
    return drives[drives[1:].searchsorted(times_ns, "right")]


def _worst_ns(outcome: Outcome) -> int:
    """When the smallest margin was; what judged nothing comes first."""
    if not isinstance(outcome, Margins) or not len(outcome.time_ns):
        return int(NEVER)
    return int(outcome.time_ns[outcome.margin.argmin()])


def _requested(bench: Bench) -> dict[str, str]:
    """For the sentence: who says what was requested, if it is not the lever's own signal."""
    if not bench.has(REQUEST):
        return {"by": f" (asked as a person marked it, within {bench.mark_s:g} s)"}
    return {"by": " (the request is the controller's command)"} if bench.commanded else {}


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
