"""Shutdown and waking: when nodes must speak, and when they may be silent without fault.

A shutdown is ignition off after it was on; or all poles open, no unit turning, and all bound
nodes falling silent within 10 s of each other. ``@awake`` is 0 from then until the next waking:
traffic after a silence, ignition on, or - whatever the ignition says, which may be bound the wrong
way round or have a broken wire - a pole that closes or a unit that begins to turn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from canscope.model.bench import POLES, Bench
from canscope.model.events import Event
from canscope.model.history import History
from canscope.model.tables import SECOND_NS, Int64s
from canscope.trust.samples.staleness import stale_after_ns

TOGETHER_NS = 10 * SECOND_NS  # common practice, no source
SHORTEST_NS = 20 * 10**6  # gaps shorter than this in the traffic of all nodes are not looked at


class Sleep:
    """Follows the ignition and the arrivals of all bound messages together."""

    def __init__(self, bench: Bench) -> None:
        self._poles_known = any(bench.has(f"contactors.{pole}") for pole in POLES)
        self._last_ns: int | None = None  # latest arrival of any bound message
        self._awake = False
        self._unseen = True
        self._by_ignition = False

    def feed(
        self,
        changes: list[Event],
        started: Sequence[int],
        arrivals: Mapping[str, Int64s],
        history: History,
        until_ns: int,
    ) -> tuple[list[Event], list[tuple[int, float]]]:
        """Shutdown and wake events of one piece, and the steps of ``@awake``, in time order.

        ``started``: when units began to turn.
        """
        timeline: list[tuple[int, Event | None]] = [
            (event.time_ns, event)
            for event in changes
            if event.kind == "ignition" or (event.kind == "pole" and event.value == 1)
        ]
        timeline += [(time, Event("turning", "", time, time, time)) for time in started]
        silences = self._silences(arrivals, until_ns)
        least_ns = _least_patience_ns(arrivals, history, silences)
        for begin, end in silences:
            # A shorter silence is within the patience of every node.
            long = end - begin > least_ns
            shutdown = self._asleep(arrivals, history, begin, end) if long else None
            if shutdown is not None:
                timeline.append((shutdown.known_ns, shutdown))
            if end < until_ns:
                timeline.append((end, None))
        found: list[Event] = []
        awake: list[tuple[int, float]] = []
        for time, change in sorted(timeline, key=lambda item: item[0]):
            event = self._follow(time, change)
            if event is not None:
                self._awake = event.kind == "wake"
                awake.append((time, float(self._awake)))
                # The very first waking is no event: nobody saw the time before it.
                found += [event] if event.after_ns else []
        return found, awake

    def _silences(self, arrivals: Mapping[str, Int64s], until_ns: int) -> list[tuple[int, int]]:
        """(last arrival, next arrival or ``until_ns``) of gaps in the traffic of all nodes."""
        every = [times for times in arrivals.values() if len(times)]
        carried = [] if self._last_ns is None else [np.array([self._last_ns], np.int64)]
        times = np.concatenate([*carried, *every, np.array([until_ns], np.int64)])
        times.sort(kind="stable")  # columns in order are merged
        silences = []
        if self._last_ns is None and every:
            silences.append((0, int(times[0])))
        rows = np.flatnonzero(np.diff(times) > SHORTEST_NS)
        silences += [(int(times[i]), int(times[i + 1])) for i in rows]
        if every:
            self._last_ns = int(times[-2])
        return silences

    def _asleep(
        self, arrivals: Mapping[str, Int64s], history: History, begin: int, end: int
    ) -> Event | None:
        """The shutdown that lies in a silence of all nodes, if there is one.

        It is known once every node is stale.
        """
        if not self._poles_known or not begin:
            return None
        lasts, known = [], begin
        for key in arrivals:
            times = history.samples(f"#{key}").time_ns
            index = int(np.searchsorted(times, begin, "right")) - 1
            if index >= 0:
                lasts.append(int(times[index]))
                known = max(known, stale_after_ns(history, f"#{key}", lasts[-1]))
        engaged = history.samples("@engaged")
        index = int(np.searchsorted(engaged.time_ns, known, "right")) - 1
        resting = index >= 0 and engaged.value[index] == 0
        if not lasts or known >= end or not resting or max(lasts) - min(lasts) > TOGETHER_NS:
            return None
        return Event("shutdown", "", min(lasts), min(lasts), known)

    def _follow(self, time: int, change: Event | None) -> Event | None:
        """The shutdown or waking that a change makes in the present state."""
        if change is None:  # traffic after a silence
            if self._awake or self._by_ignition:
                return None
            after = 0 if self._unseen else time
            self._unseen = False
            return Event("wake", "", time, after, time)
        if change.kind in ("pole", "turning"):
            if self._awake or not self._by_ignition:
                return None
            self._by_ignition = False
            return Event("wake", "", time, change.after_ns, time)
        if change.kind == "shutdown":
            return change if self._awake else None
        self._by_ignition = change.value == 0
        if change.value == 0 and self._awake:
            return Event("shutdown", "", change.time_ns, change.after_ns, change.known_ns)
        if change.value == 1 and not self._awake:
            return Event("wake", "", change.time_ns, change.after_ns, change.known_ns)
        return None


def _least_patience_ns(
    arrivals: Mapping[str, Int64s], history: History, silences: Sequence[tuple[int, int]]
) -> int:
    """The shortest patience of any node in these silences."""
    if not silences:
        return 0
    ends = np.array([silences[0][0], silences[-1][1]], np.int64)
    known = [
        history.patience_ns(f"#{key}", ends).min() for key in arrivals if history.samples(f"#{key}")
    ]
    return int(min(known, default=0))
