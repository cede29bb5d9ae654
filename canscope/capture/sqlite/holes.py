"""Holes in the stamps of a database: python-can's writer loses frames where it is slow or stopped.

It keeps frames in memory until it writes them, and counts none that it loses.
"""

from __future__ import annotations

import numpy as np

from canscope.model.tables import SECOND_NS, Int64s

LEARNED_FROM = 1000  # intervals between frames of any message
TIMES = 20  # the usual interval: so long no frame at all came; common practice, no source
LEAST_NS = SECOND_NS // 10  # shorter holes are not told; likewise


class Holes:
    """Counts intervals without any frame, in the order in which the frames were written."""

    def __init__(self) -> None:
        self._first: list[int] = []  # intervals from which the usual one is learned
        self._last_ns: int | None = None
        self._least_ns = 0  # of a hole, 0 while the usual interval is not known
        self.count, self.longest_ns = 0, 0

    def feed(self, times: Int64s) -> None:
        """Take in the stamps of a chunk."""
        if not len(times):
            return
        before = times[:1] if self._last_ns is None else np.array([self._last_ns], np.int64)
        self._last_ns = int(times[-1])
        ways = np.diff(np.concatenate((before, times)))
        if not self._least_ns:
            self._first += ways.tolist()
            if len(self._first) < LEARNED_FROM:
                return
            ways = np.array(self._first, np.int64)
            self._least_ns = max(LEAST_NS, TIMES * int(np.median(ways[:LEARNED_FROM])))
            self._first = []
        long = ways[ways >= self._least_ns]
        self.count += len(long)
        self.longest_ns = max(self.longest_ns, int(long.max(initial=0)))

    @property
    def note(self) -> str:
        """For the report; empty if there is no hole."""
        if not self.count:
            return ""
        return (
            f"{self.count} hole(s) of up to {self.longest_ns / SECOND_NS:.2f} s in which no "
            "message at all was written: the bus slept, or the writer of this database lost "
            "frames, which it never counts; record candump text instead"
        )
