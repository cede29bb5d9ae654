"""The finder: from a piece's samples to its events, closed windows and derived roles.

Derived roles are written into the history as steps: ``@closed``, ``@engaged``, ``@awake``,
``@request`` and ``@turning.UNIT`` (see ``model.piece.Piece``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from canscope.events.by_hand import ByHand, Poles, pole_changes
from canscope.events.charged import Charged
from canscope.events.sleep import Sleep
from canscope.events.states import Changes
from canscope.events.turning import Turning
from canscope.events.windows import Windows
from canscope.model.bench import MAINS, POLES, Bench
from canscope.model.events import Event, Span, Window
from canscope.model.history import History, steps
from canscope.model.signals import Samples
from canscope.model.tables import Int64s

POLE_KINDS = ("pole", "command")


@dataclass(frozen=True)
class Found:
    """What became known in one piece."""

    events: tuple[Event, ...]
    spans: tuple[Span, ...]


class Finder:
    """Finds events and windows of one segment of a run, piece after piece."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._changes = Changes(bench)
        self._turning = {u.name: Turning(u.name) for u in bench.units if bench.has(u.role("speed"))}
        self._by_hand = {name: ByHand(bench, name) for name in self._turning}
        self._poles = Poles(bench)
        self._windows = Windows(bench)
        self._sleep = Sleep(bench)
        self._charged = Charged(bench)
        self._closed: dict[str, bool] = {}
        self._spinning: dict[str, bool] = {}
        self._step: dict[str, float] = {}
        self._bursts = dict.fromkeys(self._turning, 0)

    def feed(
        self,
        new: Mapping[str, Samples],
        arrivals: Mapping[str, Int64s],
        history: History,
        until_ns: int,
    ) -> Found:
        """One piece: its new samples by role (already in ``history``) and message arrivals."""
        changes = self._changes.feed(dict(new))
        poles = [e for e in changes if e.kind in POLE_KINDS or _is_pole(e)]
        events, switches = [e for e in changes if e.kind != "first"], list[tuple[int, str, bool]]()
        spans, moved = self._windows.feed(poles, history, until_ns), pole_changes(poles)
        for name, turning in self._turning.items():
            speed = new.get(self._bench.unit(name).role("speed"))
            hand = self._by_hand[name]
            opened = hand.start
            both = ([], []) if speed is None else turning.feed(speed, until_ns)
            found, switched = hand.sort(*both, moved, self._poles, history)
            self._write(history, f"@turning.{name}", [(t, float(on)) for t, on in switched])
            switches += [(time, name, on) for time, on in switched]
            spans += self._burst_spans(name, opened, found)
            events += found
        for change in moved:
            self._poles.follow(change)
        self._engaged(history, poles, switches)
        request = new.get("driver.direction")
        if request is not None and len(request):
            history.append("@request", steps(request.time_ns, request.value))
        started = [time for time, _, on in switches if on]
        slept, awake = self._sleep.feed(changes, started, arrivals, history, until_ns)
        self._write(history, "@awake", awake)
        events += [*slept, *self._charged.feed(dict(new), history)]
        return Found(
            tuple(sorted(events, key=lambda e: (e.known_ns, e.time_ns))),
            tuple(sorted(spans, key=lambda s: (s.known_ns, s.start_ns))),
        )

    def finish(self, until_ns: int) -> tuple[Span, ...]:
        """Windows still open when the run ends; they are marked as incomplete."""
        spans = self._windows.finish(until_ns)
        for name, hand in self._by_hand.items():
            if hand.start is not None:
                self._bursts[name] += 1
                spans.append(self._burst(name, hand.start, until_ns, until_ns, complete=False))
        return tuple(spans)

    def open_bursts(self, until_ns: int) -> dict[str, tuple[int, int]]:
        """Unit -> (start, known to last until) of the bursts that are not over by that instant."""
        return {
            name: (hand.start.time_ns, self._turning[name].turns_until_ns(until_ns))
            for name, hand in self._by_hand.items()
            if hand.start is not None
        }

    def _burst_spans(self, name: str, opened: Event | None, found: list[Event]) -> list[Span]:
        spans = []
        for event in found:
            if event.kind == "burst-start":
                opened = event
            elif event.kind == "burst-end" and opened is not None:
                self._bursts[name] += 1
                spans.append(self._burst(name, opened, event.time_ns, event.known_ns))
        return spans

    def _burst(
        self, name: str, start: Event, end_ns: int, known_ns: int, *, complete: bool = True
    ) -> Span:
        number = self._bursts[name]
        return Span(Window.BURST, name, number, start.time_ns, end_ns, known_ns, complete, (start,))

    def _engaged(
        self, history: History, poles: list[Event], switches: list[tuple[int, str, bool]]
    ) -> None:
        """Write ``@closed`` and ``@engaged``, change by change, in time order."""
        changes: list[tuple[int, dict[str, bool], str, bool]] = [
            (e.time_ns, self._closed, e.subject.removeprefix("contactors."), e.value == 1)
            for e in poles
            if e.kind in ("pole", "first")
        ]
        changes += [(time, self._spinning, name, on) for time, name, on in switches]
        closed: list[tuple[int, float]] = []
        engaged: list[tuple[int, float]] = []
        for time, state, name, on in sorted(changes, key=lambda change: change[0]):
            state[name] = on
            both = all(self._closed.get(pole, False) for pole in MAINS)
            closed.append((time, float(both)))
            engaged.append((time, float(any({**self._closed, **self._spinning}.values()))))
        self._write(history, "@closed", closed)
        self._write(history, "@engaged", engaged)

    def _write(self, history: History, role: str, changes: list[tuple[int, float]]) -> None:
        """Append only real changes, so that a step stays a step."""
        kept = []
        for time, value in changes:
            if self._step.get(role) != value:
                kept.append((time, value))
                self._step[role] = value
        if kept:
            times, values = zip(*kept, strict=True)
            history.append(role, steps(np.array(times, np.int64), np.array(values, np.float64)))


def _is_pole(event: Event) -> bool:
    """Whether it is the first known state of a pole."""
    return event.kind == "first" and event.subject in {f"contactors.{pole}" for pole in POLES}
