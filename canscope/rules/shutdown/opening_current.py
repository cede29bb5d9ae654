"""Rule ``opening-current``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import Bench
from canscope.model.events import Event, Window
from canscope.model.history import LOOK_BACK_NS, step_at
from canscope.model.median import median
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, S
from canscope.model.rule import CardStep, Rule, limit, unjudged
from canscope.model.signals import Samples
from canscope.rules import RULES
from canscope.rules.shared.poles import MAIN_ROLES, main_openings
from canscope.trust.high_voltage.switching_load import NOMINAL_V, switching_load
from canscope.trust.samples.missing_value import absence_at

NAME, CURRENT = "pack", "pack.current"
OFFSET_A, SAME_A = 5.0, 0.5  # a sensor's own zero; common practice, no source
WAVERS_A = 1.0  # a standing load, by one noisy reading; likewise
STANDING_W = 1500.0  # of a d.c. converter: 5 A on 300 V; common practice, no source
STANDING_NS = 5 * S  # what flowed at rest longer before is no load that was left on; likewise


@dataclass(frozen=True)
class Reading:
    """The last current that surely still flowed through closed contactors."""

    time_ns: int
    current_A: float
    drift_A: float  # how far it may have moved until the pole opened


@RULES.add("opening-current")
@dataclass(frozen=True, kw_only=True)
class OpeningCurrent(Rule):
    """Contactors open without load; an arc wears their contacts and may weld them.

    Judged
        At every opening of the positive contactor, and of the negative where that one opens first
        and so breaks the circuit: the last reading of the pack current before it. Between two
        readings of the contactor's state the current may still have been seen: a contactor that
        carries more than ``limit_A`` has not opened yet, so the last such reading is the one.
        What the sensor still reads from 0.5 to 2.5 s after the last opening, up to 5 A, is its own
        offset and no load.
    Margin
        ``limit_A`` minus the magnitude of that current, in A. The uncertainty is the reading's own,
        and its last slope times the time in which the contactor may have opened; the drop to
        nothing is the opening itself. An arc is shorter than a sample, and CAN does not show it.
    Unproven
        No main contactor opened (not-exercised); the current was not known just before (stale,
        not-available); the sensor reads more than ``limit_A`` and goes on doing so, within 0.5 A,
        with both contactors open: an offset of up to 5 A (sensor-suspect); the vehicle drew as
        much, up to 5 A (1.5 kW where the pack has less than 300 V), whenever it stood still more
        than 5 s before, or whenever a load that goes on and off was on: a d.c. converter's load,
        which nobody left on (inferred).
    """

    limit_A: float = limit(2.0, "A", high=20.0, looser="higher")

    window: ClassVar[Window] = Window.OPENING
    unit: ClassVar[str] = "A"
    order: ClassVar[bool] = True
    limit_parameter: ClassVar[str] = "limit_A"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.OPEN})
    says: ClassVar[dict[str, str]] = {
        "pass": "no load just before the {pole} contactor opened, by the sampled current",
        "fail": "the {pole} contactor opened under load, by the last current sampled before it",
    }
    exercise: ClassVar[str] = "let everything stand still, wait a second, then open the contactors"
    causes: ClassVar[tuple[str, ...]] = (
        "the controller opens before it has taken the torque away",
        "a heater, charger or converter still draws while the contactors open",
        "contactors were opened by the emergency stop, or lost their coil supply, under load",
    )
    next: ClassVar[str] = (
        "look at what drew the current; after several openings under load, test for a weld"
    )

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The pack."""
        return [Subject(NAME, (CURRENT, *MAIN_ROLES), (CURRENT,))]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """The current before each opening that broke the circuit or opened positive."""
        opened = main_openings(window)
        if not opened:
            return [unjudged(NAME, "not-exercised", "no main contactor opened")]
        return [
            self._judge(window, event, event.subject)
            for event in opened
            if event is opened[0] or event.subject == "positive"
        ]

    def _judge(self, window: ClosedWindow, event: Event, pole: str) -> Outcome:
        zero_A = self._zero_A(window)
        reading = self._before(window, event, zero_A)
        if reading is None:
            reason = absence_at(window, CURRENT, event.after_ns)
            text = f"the pack current was not known just before {pole} opened"
            return Doubt(NAME, reason, text, event.time_ns)
        magnitude = abs(reading.current_A - zero_A)
        if abs(zero_A) > self.limit_A and magnitude <= SAME_A:
            text = f"the current read {reading.current_A:.1f} A before {pole} opened and "
            text += f"{zero_A:.1f} A long after: an offset of the sensor"
            return Doubt(NAME, "sensor-suspect", text, event.time_ns, measured=abs(zero_A))
        u = window.bench.u(CURRENT) + reading.drift_A
        before_ns = event.after_ns - STANDING_NS
        levels = switching_load(window, before_ns) or (self._standing_A(window, before_ns),)
        standing_A = min((amps - zero_A for amps in levels), key=lambda a: abs(a - magnitude))
        alike = abs(reading.current_A - zero_A - standing_A) <= WAVERS_A + u
        volts = min(window.bench.nominal_voltage_V or NOMINAL_V, NOMINAL_V)
        if magnitude - self.limit_A > u and alike and abs(standing_A) * volts <= STANDING_W:
            when = "all the while at rest" if len(levels) == 1 else "on and off at rest"
            text = f"the {pole} contactor opened onto the {magnitude:.1f} A that the vehicle drew "
            text += f"{when}, as a d.c. converter does"
            return Doubt(NAME, "inferred", text, event.time_ns, measured=magnitude)
        return margins(
            NAME,
            event.time_ns,
            self.limit_A - magnitude,
            measured=magnitude,
            limit=self.limit_A,
            uncertainty=u,
            start_ns=reading.time_ns,
            end_ns=event.time_ns,
            pole=pole,
        )

    def _zero_A(self, window: ClosedWindow) -> float:
        """The sensor's offset: what it reads once both contactors have been open for a while."""
        last_ns = main_openings(window)[-1].time_ns
        after = window.back(CURRENT, last_ns + S // 2).known.between(0, last_ns + 5 * S // 2)
        both = all(window.at(role, last_ns).value[0] == 0 for role in MAIN_ROLES)
        zero_A = median(after.value) if both and len(after) else 0.0
        return zero_A if abs(zero_A) <= OFFSET_A else 0.0

    def _standing_A(self, window: ClosedWindow, before_ns: int) -> float:
        """What flowed at rest with both contactors closed, well before; NaN if nobody saw."""
        # No further back than every way of cutting the run still holds.
        samples = window.back(CURRENT, window.until_ns - LOOK_BACK_NS).known
        samples = samples.between(0, before_ns)
        times = samples.time_ns
        rest = step_at(window.history.samples("@closed"), times) == 1
        for unit in window.bench.units:
            rest &= step_at(window.history.samples(f"@turning.{unit.name}"), times) == 0
        return median(samples.value[rest]) if np.count_nonzero(rest) else float("nan")

    def _before(self, window: ClosedWindow, event: Event, zero_A: float) -> Reading | None:
        """The last reading that surely lies before the opening; None if none is fresh."""
        if np.isnan(window.at(CURRENT, event.after_ns).value[0]):
            return None
        samples = window.back(CURRENT, event.after_ns - 10 * S).known
        samples = samples.between(0, event.time_ns + 1)
        sure = int(np.searchsorted(samples.time_ns, event.after_ns, "right")) - 1
        flowing = np.flatnonzero(np.abs(samples.value - zero_A) > self.limit_A)
        row = max(sure, int(flowing[-1]) if len(flowing) else 0)
        # It may have gone on like this until the next reading, which may be the opening itself.
        later = samples.time_ns[row + 1] if row + 1 < len(samples) else event.time_ns
        ahead_ns = int(later) - int(samples.time_ns[row])
        drift_A = abs(_slope(samples, row)) * ahead_ns
        return Reading(int(samples.time_ns[row]), float(samples.value[row]), drift_A)


def _slope(samples: Samples, row: int) -> float:
    """How fast the current moved up to that reading, in A/ns; 0 if unknown."""
    if row < 1 or samples.time_ns[row] == samples.time_ns[row - 1]:
        return 0.0
    rise = samples.value[row] - samples.value[row - 1]
    return float(rise / (samples.time_ns[row] - samples.time_ns[row - 1]))
