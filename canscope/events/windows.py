"""Attempts and openings: the windows in which high voltage comes up and goes away."""

from __future__ import annotations

from collections import deque

import numpy as np

from canscope.model.bench import MAINS, POLES, SAFE_V, Bench
from canscope.model.events import Event, Span, Window
from canscope.model.history import LOOK_BACK_NS, History
from canscope.model.signals import Samples

S = 10**9
AFTER_CLOSING_NS = S // 2
PRECHARGE_PATIENCE_NS = 5 * S  # common practice, no source
BEFORE_NS = 2 * S
QUIET_NS = 10 * S
SUNK_NS = S // 2


def _sunk_ns(link: Samples, never_ns: int) -> int:
    """From when on a link's readings have been below 60 V for a while: near it they waver."""
    low, high = link.time_ns[link.value < SAFE_V], link.time_ns[link.value >= SAFE_V]
    if not len(low):
        return never_ns
    if not len(high):
        return int(low[0])
    ends = np.append(high[1:], never_ns)  # each stretch below begins with the last reading above
    row = np.searchsorted(low, high)
    first_low = np.append(low, never_ns)[row]
    sunk = np.maximum(high + SUNK_NS, first_low)
    return int(np.min(sunk[sunk < ends], initial=never_ns))


class Windows:
    """Finds attempts and openings from pole events and closes them in time order."""

    def __init__(self, bench: Bench) -> None:
        self._poles = [pole for pole in POLES if bench.has(f"contactors.{pole}")]
        self._links = tuple(bench.link_roles().values())
        self._closed: dict[str, bool] = {}  # what is known of each pole
        self._recent: deque[Event] = deque()
        self._attempt: list[Event] | None = None  # pole events since it began
        self._opening: list[Event] | None = None
        self._opening_start = 0
        self._was_closed_ns = 0
        self._numbers = {Window.ATTEMPT: 0, Window.OPENING: 0}

    def feed(self, events: list[Event], history: History, until_ns: int) -> list[Span]:
        """The windows that closed before ``until_ns``, from a piece's pole events."""
        spans: list[Span] = []
        for event in events:
            spans += self._due(history, event.time_ns)
            if event.kind == "first":
                self._closed[event.subject.removeprefix("contactors.")] = event.value == 1
                continue
            self._recent.append(event)
            if event.kind == "pole":
                spans += self._pole(event)
        spans += self._due(history, until_ns)
        while self._recent and self._recent[0].time_ns < until_ns - LOOK_BACK_NS - 10 * S:
            self._recent.popleft()
        return spans

    def finish(self, until_ns: int) -> list[Span]:
        """What is still open when the run ends, marked as incomplete."""
        spans = []
        if self._attempt is not None:
            start = self._attempt[0].time_ns
            spans.append(self._span(Window.ATTEMPT, start, until_ns, complete=False))
        if self._opening is not None:
            start = self._opening_start
            spans.append(self._span(Window.OPENING, start, until_ns, complete=False))
        self._attempt = self._opening = None
        return spans

    def _pole(self, event: Event) -> list[Span]:
        closing = event.value == 1
        known = len(self._closed) == len(self._poles)
        both = all(self._closed.get(pole, False) for pole in MAINS)
        self._closed[event.subject] = closing
        spans: list[Span] = []
        if closing and self._opening is not None:
            spans.append(self._span(Window.OPENING, self._opening_start, event.time_ns))
            self._opening = None
        if self._attempt is not None:
            self._attempt.append(event)
        elif closing and known and not both:
            # Also where one pole has stayed closed since: closing the other is powering up.
            self._attempt = [event]
        if self._opening is not None:
            self._opening.append(event)
        elif both and not closing and event.subject in MAINS:
            self._opening, self._opening_start = [event], self._commanded(event)
        if all(self._closed.get(pole, False) for pole in MAINS):
            self._was_closed_ns = event.time_ns
        return spans

    def _commanded(self, opening: Event) -> int:
        commands = [
            event.time_ns
            for event in self._recent
            if event.kind == "command"
            and event.value == 0
            and event.subject in MAINS
            and self._was_closed_ns < event.time_ns <= opening.time_ns
        ]
        return min(commands, default=opening.time_ns)

    def _due(self, history: History, now_ns: int) -> list[Span]:
        """Close what is decided strictly before this instant."""
        spans = []
        if self._attempt is not None and (end := self._attempt_end()) < now_ns:
            spans.append(self._span(Window.ATTEMPT, self._attempt[0].time_ns, end + 1))
            self._attempt = None
        if self._opening is not None and (end := self._opening_end(history)) < now_ns:
            spans.append(self._span(Window.OPENING, self._opening_start, end + 1))
            self._opening = None
        return sorted(spans, key=lambda span: span.end_ns)

    def _attempt_end(self) -> int:
        assert self._attempt is not None
        latest = self._attempt[0].time_ns + LOOK_BACK_NS
        closings = [event.time_ns for event in self._attempt if event.value == 1]
        settled = max(closings) + AFTER_CLOSING_NS
        if not any(self._closed.values()):
            return min(latest, max(settled, self._attempt[-1].time_ns))
        reached = [e.time_ns for e in self._attempt if e.subject == "positive" and e.value == 1]
        if not reached and self._closed.get("positive", False):
            reached = [self._attempt[0].time_ns]  # it has been closed since before
        if not reached or ("negative" in self._poles and not self._closed.get("negative", False)):
            return latest
        if self._closed.get("precharge", False):
            return min(latest, reached[-1] + PRECHARGE_PATIENCE_NS)
        opened = [e.time_ns for e in self._attempt if e.subject == "precharge" and e.value == 0]
        return min(latest, max(settled, max(opened, default=0) + AFTER_CLOSING_NS))

    def _opening_end(self, history: History) -> int:
        """When all poles are open, every link has sunk below 60 V and 10 s have passed."""
        assert self._opening is not None
        first = self._opening[0].time_ns
        latest = first + LOOK_BACK_NS + S
        if any(self._closed.values()):
            return latest
        quiet = max(first + QUIET_NS, self._opening[-1].time_ns)
        for role in self._links:
            quiet = max(quiet, _sunk_ns(history.samples(role).between(first, latest), latest))
        return min(latest, quiet)

    def _span(self, kind: Window, start_ns: int, end_ns: int, *, complete: bool = True) -> Span:
        self._numbers[kind] += 1
        events = tuple(e for e in self._recent if start_ns - BEFORE_NS <= e.time_ns < end_ns)
        return Span(kind, "", self._numbers[kind], start_ns, end_ns, end_ns, complete, events)
