"""Rule ``hand-reading``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import MARK_S, SAFE_V, Bench, Reading
from canscope.model.findings import COMMON_PRACTICE
from canscope.model.integral import integral
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import Piece
from canscope.model.rule import Rule, limit, unjudged
from canscope.model.signals import Samples
from canscope.model.tables import SECOND_NS, Floats, Int64s
from canscope.rules import RULES
from canscope.rules.shared.persistence import to_ns

COARSE_K = 10.0  # of a temperature, whose zero is no zero; common practice, no source
EMPTIED_NS = 100 * SECOND_NS  # before a reading, in which a link said that it is empty; likewise
VOLTS = 0.5  # of what is allowed, and too coarse, otherwise; likewise

Waiting = tuple[Reading, ...]  # readings whose time, with its uncertainty, has not passed yet


@RULES.add("hand-reading")
@dataclass(frozen=True, kw_only=True)
class HandReading(Rule):
    """What a person read from an instrument of their own agrees with the signal.

    A factor that is wrong in every signal alike cannot be seen from inside a capture: all voltages
    at 75 %, rad/s called rpm, a wheel's speed bound as the motor's. One voltmeter, clamp,
    thermometer or count of wheel turns anchors the scale of its role. Speeds are compared in size
    alone; which way a wheel turns is for axle-witness. Turns are those of the axle: the mean of
    both wheels, where one turns slower than the other.

    Judged
        At every reading of the plan or the marks, ``around_s`` after its time. Turns counted from
        ``from_s`` to ``to_s``, times the gear ratio, are compared as a speed with the mean motor
        speed over that time.
    Margin
        What is allowed minus the difference, in the role's unit. Allowed are the uncertainty given
        with the reading, that of the signal, and ``agree_percent`` of the reading, of a voltage
        half of it: pack and links agree within a few percent anyway. A link whose node sleeps
        counts as what it said last, if that was below 60 V with the contactors open and a person
        reads more. Uncertainty:
        how far the signal moved within ``around_s`` of the reading; for a count, ``count_s`` at
        each of its ends, at the speed that there was.
    Unproven
        The reading lies outside the recording (not-exercised); nothing was known of the role at
        that time (stale); what is allowed is more than ``coarse_percent`` of the reading, of a
        voltage half of it, or 10 K of a temperature, so that it would agree with a wrong scale as
        well (too-close-to-call).
    """

    agree_percent: float = limit(5.0, "%", high=20.0, note="of the reading", looser="higher")
    coarse_percent: float = limit(20.0, "%", high=30.0, note="of the reading", looser="higher")
    around_s: float = limit(MARK_S, "s", low=0.1, high=10.0, looser="lower")
    count_s: float = limit(0.2, "s", high=2.0, note="at each end of a count", looser="lower")

    whole_run: ClassVar[bool] = True
    limit_source: ClassVar[str] = COMMON_PRACTICE
    cross_checks: ClassVar[tuple[str, ...]] = (
        "pack.*",
        "supply.voltage",
        "driver.pedal*",
        "cooling.flow",
        "units.*.speed",
        "units.*.torque",
        "units.*.link_voltage",
        "units.*.temperatures.*",
    )
    says: ClassVar[dict[str, str]] = {
        "pass": "agrees to {apart:.3g}{word} with the {said} that {by} {read} ({instrument})",
        "fail": "disagrees with the {said} that {by} {read} ({instrument})",
        "close": "differs by {apart:.3g}{word} from the {said} that {by} {read} ({instrument}), "
        "nearly as much as is allowed or by as much as it moved just then",
    }
    missed: ClassVar[str] = "the recording ended before it could be compared"
    exercise: ClassVar[str] = "read the instrument while the value is steady, and note the time"
    causes: ClassVar[tuple[str, ...]] = (
        "a wrong factor, offset or unit in the definition",
        "the role is bound to another signal, such as a wheel's speed as the motor's",
        "the reading is of another place, or its time or unit is wrong",
    )
    next: ClassVar[str] = "read the instrument again while the value is steady, at two levels"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """Each role that was read by hand."""
        return [
            Subject(role, needs=(role,), unit=bench.bindings[role].unit)
            for role in dict.fromkeys(reading.role for reading in bench.readings)
        ]

    def start(self, bench: Bench) -> Waiting | None:
        return None

    def fold(self, state: Waiting | None, piece: Piece) -> tuple[Waiting, Sequence[Outcome]]:
        """Compare the readings whose time has passed."""
        if state is None:  # after a clock step nobody knows any more when something was read
            state = piece.bench.readings if piece.start_ns == piece.origin_ns else ()
        waiting: list[Reading] = []
        found: list[Outcome] = []
        for reading in state:
            due_ns = reading.end_ns(piece.origin_ns) + to_ns(self.around_s)
            if due_ns < piece.until_ns:
                found.append(self._compared(piece, reading))
            else:
                waiting.append(reading)
        return tuple(waiting), found

    def close(self, state: Waiting | None, piece: Piece) -> Sequence[Outcome]:
        """Compare what was read just before the end; the rest lies after it."""
        return [
            self._compared(piece, reading)
            if reading.end_ns(piece.origin_ns) < piece.until_ns
            else _outside(reading, reading.end_ns(piece.origin_ns))
            for reading in state or ()
        ]

    def _compared(self, piece: Piece, reading: Reading) -> Outcome:
        start_ns, end_ns = reading.start_ns(piece.origin_ns), reading.end_ns(piece.origin_ns)
        if start_ns < piece.origin_ns:
            return _outside(reading, start_ns)
        look = self._counted if reading.counted else self._read
        value, spread = look(piece, reading, start_ns, end_ns)
        if np.isnan(value) and not reading.counted:
            value, spread = _emptied(piece, reading, end_ns), 0.0
        if np.isnan(value):
            text = "nothing was known of it when it was read by hand"
            return Doubt(reading.role, "stale", text, end_ns)
        sized = reading.role.endswith(".speed")
        shown = abs(reading.value) if sized else reading.value
        unit = piece.bench.bindings[reading.role].unit
        part = (VOLTS if unit == "V" else 1.0) / 100 * abs(shown)
        allowed = piece.bench.u(reading.role) + reading.uncertainty + self.agree_percent * part
        distance = abs((abs(value) if sized else value) - shown)
        coarse = COARSE_K if unit == "degC" else self.coarse_percent * part
        if allowed > coarse and distance <= allowed:
            text = f"{reading.said} is too coarse a reading to tell a wrong scale by"
            return unjudged(reading.role, "too-close-to-call", text, end_ns)
        return margins(
            reading.role,
            end_ns,
            allowed - distance,
            measured=value,
            limit=shown,
            uncertainty=spread,
            start_ns=start_ns,
            apart=distance,
            word=f" {unit}" if unit else "",
            said=reading.said,
            by=reading.by,
            read="counted" if reading.counted else "read",
            instrument=reading.instrument,
        )

    def _read(
        self, piece: Piece, reading: Reading, start_ns: int, end_ns: int
    ) -> tuple[float, float]:
        """What the signal said at the reading, and how far it moved around it."""
        value = float(piece.at(reading.role, end_ns).value[0])
        width_ns = to_ns(self.around_s)
        samples = piece.back(reading.role, start_ns - width_ns)
        around = samples.between(start_ns - width_ns, end_ns + width_ns + 1).known.value
        moved = np.abs(around - value)
        return value, float(moved.max()) if len(moved) else 0.0

    def _counted(
        self, piece: Piece, reading: Reading, start_ns: int, end_ns: int
    ) -> tuple[float, float]:
        """The mean speed of the motor, and what the ends of the count add."""
        ends = np.array([start_ns, end_ns], np.int64)
        speed_rpm = np.abs(piece.at(reading.role, ends).value)
        samples = piece.back(reading.role, start_ns).between(start_ns, end_ns)
        if _has_hole(piece, reading.role, samples, ends):
            return float("nan"), 0.0
        spread = float(speed_rpm.sum()) * to_ns(self.count_s) / (end_ns - start_ns)
        return _mean(samples, ends, speed_rpm), spread


def _mean(samples: Samples, ends_ns: Int64s, ends_rpm: Floats) -> float:
    """The mean magnitude of a speed between two instants, by the trapezoid rule."""
    known = samples.known
    times = np.concatenate([ends_ns[:1], known.time_ns, ends_ns[1:]])
    rpm = np.concatenate([ends_rpm[:1], np.abs(known.value), ends_rpm[1:]])
    return integral(rpm, times) * SECOND_NS / float(ends_ns[1] - ends_ns[0])


def _has_hole(piece: Piece, role: str, samples: Samples, ends: Int64s) -> bool:
    """Whether nothing was known of a role somewhere between two instants."""
    times = np.concatenate([ends[:1], samples.known.time_ns, ends[1:]])
    patience_ns = piece.history.patience_ns(role, times[1:])
    return bool((np.diff(times) > patience_ns).any())


def _emptied(piece: Piece, reading: Reading, at_ns: int) -> float:
    """What a link said last that was empty, and that a person finds live; NaN otherwise.

    Its node may sleep by then: a link that was cut off does not charge again.
    """
    last = piece.history.samples(reading.role).between(at_ns - EMPTIED_NS, at_ns + 1).known[-1:]
    live = reading.value - reading.uncertainty >= SAFE_V
    if not reading.role.endswith(".link_voltage") or not live or not len(last):
        return float("nan")
    poles = piece.at("@engaged", at_ns)
    stayed_open = poles.value[0] == 0 and poles.age_ns[0] >= at_ns - int(last.time_ns[0])
    return float(last.value[0]) if stayed_open and last.value[0] < SAFE_V else float("nan")


def _outside(reading: Reading, at_ns: int) -> Doubt:
    return unjudged(
        reading.role, "not-exercised", f"{reading.said} was read outside of the recording", at_ns
    )
