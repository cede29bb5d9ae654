"""The clock of a recording: it never steps, whatever the computer's wall clock does."""

from __future__ import annotations

import time
from collections.abc import Callable

STEP_NS = 100_000_000  # a jump of the wall clock that is reported


def ticks_ns() -> int:
    """Monotonic time that goes on while the computer sleeps, where there is such a clock."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if boottime is None else time.clock_gettime_ns(boottime)


TICKS = "CLOCK_BOOTTIME" if hasattr(time, "CLOCK_BOOTTIME") else "monotonic clock"


class Clock:
    """Host monotonic time, set to the wall clock once, when it is made.

    ``anchor_ns`` plus ticks is the time since 1970 UTC; two processes with the same anchor agree.
    ``anchor_uncertainty_ns`` is how long reading both clocks took.
    """

    def __init__(
        self,
        anchor_ns: int | None = None,
        *,
        ticks: Callable[[], int] = ticks_ns,
        wall: Callable[[], int] = time.time_ns,
    ) -> None:
        self._ticks, self._wall = ticks, wall
        before = ticks()
        now = wall()
        after = ticks()
        self.anchor_uncertainty_ns = after - before
        self.anchor_ns = now - (before + after) // 2 if anchor_ns is None else anchor_ns
        self._apart_ns = self.wall_apart_ns()

    def now_ns(self) -> int:
        """Nanoseconds since 1970 UTC by this clock."""
        return self.anchor_ns + self._ticks()

    def wall_apart_ns(self) -> int:
        """The computer's wall clock minus this clock."""
        return self._wall() - self.now_ns()

    def wall_stepped_ns(self) -> int:
        """By how much the wall clock was set since the last call; 0 for less than ``STEP_NS``."""
        apart = self.wall_apart_ns()
        moved = apart - self._apart_ns
        self._apart_ns = apart
        return moved if abs(moved) >= STEP_NS else 0


class Spread:
    """How far the host's stamps wander against a device's own: the measured jitter of a bus.

    It is the range of the differences since the first frame, in ns. Device stamps that start over
    (every 60 s with slcan) are compared modulo ``period_ns``.
    """

    def __init__(self, period_ns: int = 0) -> None:
        self._period_ns = period_ns
        self._first: int | None = None
        self._low = self._high = 0
        self.count = 0

    def add(self, host_ns: int, device_ns: int) -> None:
        """Compare one frame's two stamps."""
        apart = host_ns - device_ns
        self.count += 1
        if self._first is None:
            self._first = apart
            return
        moved = apart - self._first
        if self._period_ns:
            half = self._period_ns // 2
            moved = (moved + half) % self._period_ns - half
        self._low, self._high = min(self._low, moved), max(self._high, moved)

    @property
    def range_ns(self) -> int:
        """From the smallest to the largest difference, in ns."""
        return self._high - self._low
