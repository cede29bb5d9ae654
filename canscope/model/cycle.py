"""How often a role's samples come, and from when on the last one is stale.

This is the one definition of stale, live and offline: a sample is stale when it is older than
``STALE_CYCLES`` of its cycles. ``Past.at`` uses it for every value that a rule reads; what else
follows from it (gaps, the instant from which a role is stale) is in
``canscope.trust.samples.staleness``.
"""

from __future__ import annotations

import numpy as np

from canscope.model.median import median
from canscope.model.signals import NEVER
from canscope.model.tables import SECOND_NS, Int64s

LEARNED_FROM = 32  # intervals whose median becomes the cycle where nobody states one
SETTLES_NS = SECOND_NS  # a node may send more often at first; common practice, no source
UNLEARNED_NS = SECOND_NS  # cycle assumed until then: common practice, no source
STALE_CYCLES = 3  # ISO 11783-7 heartbeat: 100 ms, error beyond 300 ms


class Cycle:
    """The cycle of one role or message: stated, else learned from its first samples, then frozen.

    It is learned from the first 32 intervals that begin at least 1 s after the first sample.
    Until then a second is assumed, or, where no sample came within a second so far, the shortest
    interval. ``ns`` is None while it is not known.
    """

    def __init__(self, stated_ns: int | None = None) -> None:
        self.ns = stated_ns
        self._learned_at_ns = int(NEVER)
        self._settled_ns: int | None = None  # from when on intervals are learned from
        self._first_ns: list[int] = []
        self._slow: list[tuple[int, int]] = []  # stamps, and the shortest interval known by then
        self._last_ns: int | None = None  # while no interval was within UNLEARNED_NS

    def learn(self, time_ns: Int64s) -> None:
        """Take in the stamps of the next samples; they matter only while the cycle is unknown."""
        if self.ns is not None or not len(time_ns):
            return
        if self._settled_ns is None:
            self._settled_ns = int(time_ns[0]) + SETTLES_NS
            self._last_ns = int(time_ns[0])
        if self._last_ns is not None:
            self._last_ns = self._seldom(self._last_ns, time_ns)
        time_ns = time_ns[time_ns >= self._settled_ns]
        self._first_ns += time_ns[: LEARNED_FROM + 1 - len(self._first_ns)].tolist()
        if len(self._first_ns) > LEARNED_FROM:
            self.ns = int(median(np.diff(self._first_ns)))
            self._learned_at_ns = self._first_ns[-1]
            self._first_ns = []

    def at_ns(self, times_ns: Int64s) -> Int64s:
        """The cycle as known at each of these instants, ``UNLEARNED_NS`` before it was learned."""
        cycle = np.empty(times_ns.shape, np.int64)
        cycle.fill(self._now_ns)
        if self._learned_at_ns != NEVER:
            cycle[times_ns < self._learned_at_ns] = UNLEARNED_NS
        for since_ns, shortest_ns in self._slow:
            rows = times_ns >= since_ns
            if self._learned_at_ns != NEVER:
                rows &= times_ns < self._learned_at_ns
            cycle[rows] = shortest_ns
        return cycle

    def patience_ns(self, times_ns: Int64s) -> Int64s:
        """How old the last sample may be at each of these instants, in ns."""
        return STALE_CYCLES * self.at_ns(times_ns)

    def constant_patience_ns(self, times_ns: Int64s) -> int | None:
        """The patience if it is one number for all of these instants, else None."""
        learned = self._learned_at_ns != NEVER
        if self._slow and not learned:
            return None
        if learned and len(times_ns) and times_ns.min() < self._learned_at_ns:
            return None
        return STALE_CYCLES * self._now_ns

    def _seldom(self, last_ns: int, time_ns: Int64s) -> int | None:
        """Note intervals as long as none came within a second; None once one did."""
        shortest_ns = self._slow[-1][1] if self._slow else None
        for stamp_ns in time_ns[: LEARNED_FROM + 2].tolist():
            way_ns = stamp_ns - last_ns
            if way_ns == 0:  # the very first one
                continue
            if way_ns <= UNLEARNED_NS:
                if self._slow:
                    self._slow.append((stamp_ns, UNLEARNED_NS))
                return None
            shortest_ns = way_ns if shortest_ns is None else min(way_ns, shortest_ns)
            self._slow.append((stamp_ns, shortest_ns))
            last_ns = stamp_ns
        return int(time_ns[-1])

    @property
    def _now_ns(self) -> int:
        return UNLEARNED_NS if self.ns is None else self.ns
