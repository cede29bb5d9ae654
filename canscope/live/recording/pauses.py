"""Stretches in which nobody read a bus, and how many frames must have been lost in them."""

from __future__ import annotations

from dataclasses import dataclass

S = 10**9
PAUSE_NS = 100_000_000  # a read normally returns after some ms, with or without frames
SETTLE_NS = 100_000_000  # an adapter gives what it has kept within this time
LONG_NS = 500_000_000  # after which a loss is never excluded
PACE_NS = S  # over which the pace before a pause is counted
SOME = 10  # frames, and the share of those expected, that may be missing without a word
SHARE = 0.1


@dataclass(frozen=True)
class Pause:
    """Nobody read for ``length_ns``; ``lost`` frames did not come, None: not known."""

    length_ns: int
    lost: int | None


class Pauses:
    """Compares the frames that come after a pause with the pace at which they came before it."""

    def __init__(self) -> None:
        self._pace: float | None = None  # frames a ns
        self._frames = self._counted_ns = 0  # of the pace that is being counted
        self._start_ns = self._end_ns = 0  # of a pause that is not settled; 0: there is none
        self._length_ns = self._came = 0

    def read(self, before_ns: int, now_ns: int, frames: int) -> Pause | None:
        """A read gave so many frames, the one before it returned at ``before_ns``."""
        length_ns = now_ns - before_ns
        if length_ns >= PAUSE_NS:
            if not self._start_ns:
                self._start_ns, self._length_ns, self._came = before_ns, 0, 0
            self._end_ns = now_ns
            self._length_ns = max(self._length_ns, length_ns)
        if not self._start_ns:
            self._count(length_ns, frames)
            return None
        self._came += frames
        return self.settle(now_ns) if now_ns - self._end_ns >= SETTLE_NS else None

    def settle(self, now_ns: int) -> Pause | None:
        """The pause that is over, if there is one."""
        if not self._start_ns:
            return None
        took_ns, self._start_ns = now_ns - self._start_ns, 0
        if self._pace is None and self._counted_ns:
            self._pace = self._frames / self._counted_ns
        expected = (self._pace or 0.0) * took_ns
        missing = round(expected - self._came)
        lost: int | None = missing if missing > max(SOME, SHARE * expected) else 0
        if not lost and self._length_ns >= LONG_NS:
            lost = None
        return Pause(self._length_ns, lost)

    def _count(self, length_ns: int, frames: int) -> None:
        self._counted_ns += length_ns
        self._frames += frames
        if self._counted_ns >= PACE_NS:
            self._pace = self._frames / self._counted_ns
            self._counted_ns = self._frames = 0
