"""Rule ``control-supply``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from canscope.model.bench import MAINS, POLES, Bench
from canscope.model.events import Event, Window
from canscope.model.outcome import Doubt, Outcome, Subject, margins
from canscope.model.piece import ClosedWindow, S
from canscope.model.rule import SPINNING, CardStep, Rule, limit
from canscope.model.signals import Samples
from canscope.rules import RULES
from canscope.rules.shared.true_changes import true_closings
from canscope.trust.samples.missing_value import absence_at
from canscope.trust.samples.restart import counter_jump
from canscope.trust.samples.staleness import gaps

NAME, SUPPLY = "12 V", "supply.voltage"
HIGHEST_V = 36.0  # a 24 V supply on charge stays below 30 V; common practice, no source


@RULES.add("control-supply")
@dataclass(frozen=True, kw_only=True)
class ControlSupply(Rule):
    """The 12 V supply holds up while contactor coils pull in.

    Judged
        Around every closing of a contactor: the lowest reading from ``around_s`` before to
        ``around_s`` after it.
    Margin
        That reading minus ``minimum_V``, in V. The uncertainty is the reading's own. Above the
        limit it is also how far the next reading has recovered towards what it was before the dip:
        as much may have recovered unseen before the lowest one.
    Unproven
        No contactor closed (not-exercised); the readings do not cover the time around a closing
        (stale, not-available, out-of-range); a rolling counter (``units.X.alive``) jumped or began
        anew from the closing on: a node that restarted is a sign of a brown-out shorter than a
        sample (inferred); a reading above 36 V, which is no 12 V nor 24 V supply's
        (sensor-suspect).
    """

    minimum_V: float = limit(10.5, "V", low=8.0, high=14.0, looser="lower")
    around_s: float = limit(
        0.5, "s", low=0.1, high=0.5, note="before and after a closing", looser="lower"
    )

    window: ClassVar[Window] = Window.ATTEMPT
    unit: ClassVar[str] = "V"
    order: ClassVar[bool] = True
    required_in: ClassVar[frozenset[str]] = SPINNING | {"power-up"}
    limit_parameter: ClassVar[str] = "minimum_V"
    card_steps: ClassVar[frozenset[CardStep]] = frozenset({CardStep.POWER_UP})
    says: ClassVar[dict[str, str]] = {
        "pass": "held up while contactors closed, by its readings (a dip between two of them is "
        "not seen), lowest at {pole}",
        "fail": "broke down when the {pole} contactor closed",
        "close": "came close to its lowest allowed when the {pole} contactor closed",
    }
    codes: ClassVar[tuple[str, ...]] = ("counter-jumped",)
    exercise: ClassVar[str] = "close the contactors the way the vehicle does"
    causes: ClassVar[tuple[str, ...]] = (
        "a weak 12 V battery, or the d.c. converter is not running",
        "thin or corroded supply or ground wires to the contactor box",
        "several coils are pulled in at once",
    )
    next: ClassVar[str] = "measure the 12 V at the contactor box while it closes, with a fast meter"

    def subjects(self, bench: Bench) -> Sequence[Subject]:
        """The supply, and the contactors whose closing loads it."""
        poles = [pole for pole in POLES if bench.has(f"contactors.{pole}")] or MAINS
        return [Subject(NAME, (SUPPLY, *(f"contactors.{pole}" for pole in poles)))]

    def margins(self, window: ClosedWindow) -> Sequence[Outcome]:
        """The lowest reading around every closing."""
        found: list[Outcome] = []
        for pole in POLES:
            for change in true_closings(window, pole):
                found += self._around(window, pole.replace("precharge", "pre-charge"), change.event)
        return found

    def _around(self, window: ClosedWindow, pole: str, event: Event) -> Iterator[Outcome]:
        reach = round(self.around_s * S)
        begin, end = event.after_ns - reach, event.time_ns + reach
        last = min(end, window.until_ns - 1)
        readings = window.back(SUPPLY, begin).between(begin, last + 1).known
        covered = self._covered(window, pole, event, begin, last)
        if len(readings):
            i = int(np.argmin(readings.value))
            lowest = float(readings.value[i])
            if (highest := float(readings.value.max())) > HIGHEST_V:
                text = f"it read {highest:.1f} V when {pole} closed, which no 12 V supply has"
                yield Doubt(NAME, "sensor-suspect", text, int(readings.time_ns[i]))
            u = window.bench.u(SUPPLY)
            if lowest >= self.minimum_V:
                u += _unseen_V(readings, i)
            # Too few readings cannot prove a pass, but a breakdown stays a fail.
            if (covered is None and end < window.until_ns) or lowest - self.minimum_V < -u:
                yield margins(
                    NAME,
                    readings.time_ns[i],
                    lowest - self.minimum_V,
                    measured=lowest,
                    limit=self.minimum_V,
                    uncertainty=u,
                    start_ns=begin,
                    end_ns=last,
                    pole=pole,
                )
        if covered is not None:
            yield covered
        elif end >= window.until_ns:
            yield self._cut(window, pole, event)
        yield from self._restarts(window, pole, event, last)

    def _covered(
        self, window: ClosedWindow, pole: str, event: Event, begin: int, last: int
    ) -> Doubt | None:
        """A doubt if the supply was not known just before, at or after the closing."""
        for at_ns in (event.after_ns, event.time_ns, last):
            if np.isnan(window.at(SUPPLY, at_ns).value[0]):
                reason = absence_at(window, SUPPLY, at_ns)
                return Doubt(
                    NAME, reason, f"no 12 V reading when the {pole} contactor closed", at_ns
                )
        times = window.back(SUPPLY, begin).between(begin, last + 1).time_ns
        if len(gaps(window.history, SUPPLY, times)):
            return Doubt(NAME, "stale", f"12 V readings missing when {pole} closed", event.time_ns)
        return None

    def _cut(self, window: ClosedWindow, pole: str, event: Event) -> Doubt:
        """A doubt if the window ended too soon after the closing."""
        what = "attempt" if window.span.complete else "recording"
        text = f"the {what} ended within {self.around_s:g} s of closing {pole}"
        return Doubt(NAME, "not-exercised", text, window.until_ns)

    def _restarts(
        self, window: ClosedWindow, pole: str, event: Event, last: int
    ) -> Iterator[Doubt]:
        """Doubts for rolling counters that do not count on once the contactor closes."""
        for unit in window.bench.units:
            role = unit.role("alive")
            if not window.bench.has(role):
                continue
            jump_ns = counter_jump(window, role, event.after_ns, last)
            if jump_ns is not None:
                text = f"the rolling counter of {unit.name} did not count on when {pole} closed: "
                text += "a sign of a brown-out shorter than a sample"
                yield Doubt(NAME, "inferred", text, jump_ns, code="counter-jumped")


def _unseen_V(readings: Samples, lowest: int) -> float:
    """How much deeper a dip may have been between two readings, from how fast it recovered."""
    if not 0 < lowest < len(readings) - 1:
        return 0.0
    before = float(readings.value[:lowest].max())  # a converter that starts lifts it further
    after = min(float(readings.value[lowest + 1]), before)
    return after - float(readings.value[lowest])
