"""A wheel turned by hand with all poles open is told, and is no burst of its unit.

A unit with all poles open and an empty link cannot drive. Its motion becomes a burst as soon as a
pole closes while it still turns; a burst that began under power stays one while it coasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from canscope.model.bench import POLES, SAFE_V, Bench
from canscope.model.events import Event
from canscope.model.history import History
from canscope.model.signals import NEVER

POLE_ROLES = {f"contactors.{pole}" for pole in POLES}
POLE, END, START, SWITCH = range(4)  # the order of what happens at one instant

Switches = list[tuple[int, bool]]


class Poles:
    """Which poles were last read closed, and until when any of them was."""

    def __init__(self, bench: Bench) -> None:
        self.bound = {role for role in POLE_ROLES if bench.has(role)}
        self.closed: dict[str, bool] = {}
        self.until_ns = int(NEVER)

    def copy(self) -> Poles:
        """The same at this instant, to be followed through a piece."""
        other = Poles.__new__(Poles)
        other.bound, other.closed, other.until_ns = self.bound, dict(self.closed), self.until_ns
        return other

    def follow(self, change: Event) -> None:
        """Take in a change of a pole, or its first state."""
        if any(self.closed.values()):
            self.until_ns = change.time_ns
        self.closed[change.subject.removeprefix("contactors.")] = change.value == 1

    def open_since(self, time_ns: int) -> bool | None:
        """Whether all poles have been open since then; None where one of them is not known."""
        if any(self.closed.values()) or self.until_ns >= time_ns:
            return False
        return True if self.bound and len(self.closed) == len(self.bound) else None


class ByHand:
    """Tells a unit's bursts from a wheel turned by hand, piece after piece."""

    def __init__(self, bench: Bench, unit: str) -> None:
        self._unit, self._link = unit, bench.unit(unit).role("link_voltage")
        self._hand = False  # the open burst is none
        self._on = False  # it turns, whoever turns it
        self.start: Event | None = None  # of the burst that is open

    def sort(
        self,
        found: Sequence[Event],
        switches: Switches,
        changes: Sequence[Event],
        poles: Poles,
        history: History,
    ) -> tuple[list[Event], Switches]:
        """The events and switches of a piece without those of a wheel turned by hand.

        ``changes``: of the poles in this piece; ``poles``: as they were before it.
        """
        if not found and not switches and not (self._hand and changes):
            return [], []
        poles = poles.copy()
        steps: list[tuple[int, int, Event | bool]] = [(e.time_ns, POLE, e) for e in changes]
        steps += [(e.known_ns, START if e.kind == "burst-start" else END, e) for e in found]
        steps += [(time_ns, SWITCH, on) for time_ns, on in switches]
        events: list[Event] = []
        kept: Switches = []
        for time_ns, kind, what in sorted(steps, key=lambda step: step[:2]):
            if isinstance(what, bool):
                self._on = what
                if self._hand and what and not self._dead(poles, time_ns, time_ns, history):
                    events.append(self._begin(Event("", self._unit, time_ns, time_ns, time_ns)))
                if not self._hand:
                    kept.append((time_ns, what))
            elif kind == POLE:
                poles.follow(what)
                if self._hand and self._on and what.value == 1:
                    events.append(self._begin(what))
                    kept.append((time_ns, True))
            elif kind == START:
                self._hand = self._dead(poles, what.time_ns, time_ns, history)
                self.start = None if self._hand else what
                events.append(replace(what, kind="turned-by-hand") if self._hand else what)
            else:
                events += [] if self._hand else [what]
                self._hand, self.start = False, None
        return events, kept

    def _begin(self, change: Event) -> Event:
        """A pole closed on a wheel that turns: from now on it is a burst."""
        self._hand = False
        at_ns = change.time_ns
        self.start = Event("burst-start", self._unit, at_ns, change.after_ns, at_ns)
        return self.start

    def _dead(self, poles: Poles, since_ns: int, now_ns: int, history: History) -> bool:
        """Whether nothing could drive the unit since then."""
        is_open = poles.open_since(since_ns)
        links = history.samples(self._link).between(since_ns, now_ns + 1).known
        empty = bool((links.value < SAFE_V).all()) if len(links) else None
        if is_open is not None:
            return is_open and empty is not False
        if empty is not None:
            return empty
        # A box that has not been heard yet holds no coil.
        return bool(poles.bound) and not poles.closed


def pole_changes(events: Sequence[Event]) -> list[Event]:
    """Those of these events that say whether a pole is closed."""
    return [
        e for e in events if e.kind == "pole" or (e.kind == "first" and e.subject in POLE_ROLES)
    ]
