"""Lines that wait for the disk. They are stamped on entry, so that stamps rise over all buses."""

from __future__ import annotations

import threading

from canscope.live.adapters.adapter import Batch
from canscope.live.adapters.candump_lines import dropped
from canscope.live.recording.clock import Clock

QUEUE_BYTES = 64 << 20  # about 80 s of two full buses; only a stalled disk fills it


class WriteQueue:
    """Filled by the readers, emptied by the writer; stamps rise by at least 1 microsecond."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._parts: list[bytes] = []
        self._last_us = self._lost = 0
        self.size = 0  # bytes that wait

    @property
    def full(self) -> bool:
        """Whether frames that come now are lost."""
        return self.size > QUEUE_BYTES

    def stamp(self, name: str, batch: Batch) -> tuple[int, int] | None:
        """Stamp a bus's frames and add them; returns the first and the last stamp, in ns.

        None: the queue is full, and they are lost.
        """
        channel, count = name.encode(), len(batch.frames)
        with self._lock:
            if self.full:
                self._lost += count
                return None
            us = max(self._clock.now_ns() // 1000, self._last_us + 1)
            lines = [
                b"(%d.%06d) %s %s\n" % (stamp // 1_000_000, stamp % 1_000_000, channel, frame)
                for stamp, frame in enumerate(batch.frames, us)
            ]
            if batch.garbled:
                lines.append(dropped(batch.garbled, f"{name}: the adapter's line was garbled"))
            if count:
                self._last_us = us + count - 1
            self._put(b"".join(lines))
            return us * 1000, self._last_us * 1000

    def put(self, text: bytes) -> None:
        """Add lines that have their stamps, or need none."""
        with self._lock:
            self._put(text)

    def _put(self, text: bytes) -> None:
        self._parts.append(text)
        self.size += len(text)

    def drain(self) -> tuple[list[bytes], int]:
        """Take out everything, and how many frames were lost since the last time."""
        with self._lock:
            parts, self._parts, self.size = self._parts, [], 0
            lost, self._lost = self._lost, 0
        return parts, lost
