"""Bursts: stretches in which a unit turns, from its speed."""

from __future__ import annotations

import numpy as np

from canscope.model.events import Event
from canscope.model.signals import NEVER, Samples
from canscope.model.tables import Floats, Int64s

MS = 10**6
START_RPM, STOP_RPM = 50.0, 30.0  # common practice, no source
HELD_NS = 200 * MS
JOIN_NS = 1000 * MS  # gaps under 1 s join
# A restart within the gap needs HELD_NS and a sample or two to be seen; the end waits for it.
END_KNOWN_NS = JOIN_NS + 500 * MS


class Turning:
    """One unit's turning: switches for ``@turning``, and burst-start and burst-end events."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.on = False
        self.start: Event | None = None  # of the burst that is open
        self._stopped_ns: int | None = None  # when the open burst fell below STOP_RPM
        self._stop_after_ns = int(NEVER)
        self._run_ns: int | None = None  # first sample of the present run at or above START_RPM
        self._run_after_ns = int(NEVER)  # the sample before it
        self._last_ns = int(NEVER)

    def feed(self, speed: Samples, until_ns: int) -> tuple[list[Event], list[tuple[int, bool]]]:
        """Events of this piece and the switches (time, on) of ``@turning``."""
        events: list[Event] = []
        switches: list[tuple[int, bool]] = []
        known = ~np.isnan(speed.value)
        times, rpm = speed.time_ns[known], np.abs(speed.value[known])
        if len(times):
            for row, on, run_ns, run_after_ns in self._transitions(times, rpm):
                now = int(times[row])
                events += self._finish(now)
                before = int(times[row - 1]) if row else self._last_ns
                if on:
                    events += self._begin(now, run_ns, run_after_ns)
                else:
                    self._stopped_ns, self._stop_after_ns = now, before
                switches.append((now, on))
            self._last_ns = int(times[-1])
        return events + self._finish(until_ns - 1), switches

    def turns_until_ns(self, until_ns: int) -> int:
        """Until when the open burst surely lasts: it may have ended where the unit fell slow."""
        return until_ns if self._stopped_ns is None else min(self._stopped_ns, until_ns)

    def _transitions(self, times: Int64s, rpm: Floats) -> list[tuple[int, bool, int, int]]:
        """Rows at which turning switches: (row, on, first sample of the run, sample before it)."""
        fast, slow = rpm >= START_RPM, rpm < STOP_RPM
        rows = np.arange(len(times))
        begins = fast & ~np.concatenate(([self._run_ns is not None], fast[:-1]))
        latest = np.maximum.accumulate(np.where(begins, rows, -1))
        previous = np.concatenate(([self._last_ns], times[:-1]))
        carried = self._run_ns if self._run_ns is not None else int(NEVER)
        run = np.where(latest >= 0, times[np.maximum(latest, 0)], carried)
        run_after = np.where(latest >= 0, previous[np.maximum(latest, 0)], self._run_after_ns)
        held = fast & (times - run >= HELD_NS)
        decided = np.maximum.accumulate(np.where(held | slow, rows, -1))
        state = np.where(decided >= 0, held[np.maximum(decided, 0)], self.on)
        switched = np.flatnonzero(state != np.concatenate(([self.on], state[:-1])))
        self.on = bool(state[-1])
        self._run_ns = int(run[-1]) if fast[-1] else None
        self._run_after_ns = int(run_after[-1])
        return [(int(i), bool(state[i]), int(run[i]), int(run_after[i])) for i in switched]

    def _begin(self, now: int, run_ns: int, run_after_ns: int) -> list[Event]:
        if self.start is not None:
            if self._stopped_ns is not None and run_ns - self._stopped_ns < JOIN_NS:
                self._stopped_ns = None  # a short gap: the same burst goes on
                return []
            if self._stopped_ns is None:
                return []
        ended = self._end(now) if self.start is not None else []
        self.start = Event("burst-start", self.unit, run_ns, run_after_ns, now)
        self._stopped_ns = None
        return [*ended, self.start]

    def _finish(self, now: int) -> list[Event]:
        """The end of the open burst, once it is known at this instant."""
        if self.start is None or self._stopped_ns is None:
            return []
        return self._end(now) if now >= self._stopped_ns + END_KNOWN_NS else []

    def _end(self, now: int) -> list[Event]:
        assert self._stopped_ns is not None
        known = min(now, self._stopped_ns + END_KNOWN_NS)
        event = Event("burst-end", self.unit, self._stopped_ns, self._stop_after_ns, known)
        self.start = self._stopped_ns = None
        return [event]
