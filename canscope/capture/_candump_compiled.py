"""Candump text through the compiled kernel: blocks of lines -> large chunks of frames."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.model.engine import waking
from canscope.model.tables import MOST_CHANNELS, Frames, Int64s

ROWS = 1 << 16  # frames of a chunk: a block at a time is cheap to read, but not to judge
MOST_HEAP = 1 << 22  # bytes of long payloads in it
MOST_REJECTED = 1 << 12  # lines at a time
SPARE = 64  # bytes of the longest payload
TYPES = (np.int64, np.uint8, np.uint32, np.uint8, np.uint8, np.uint64, np.int32)


class Compiled:
    """Parses the blocks of one file; a channel's code stays the same from block to block.

    ``taken`` names are those that other code has found in the file before. ``feed`` takes a block
    and is to be called again from where it stopped, after ``frames`` has emptied the columns.
    """

    def __init__(self, taken: int) -> None:
        with waking():
            from canscope.capture import _candump_kernel as kernel
        self._kernel = kernel
        self._most = MOST_CHANNELS - taken
        shape = (MOST_CHANNELS, kernel.LONGEST_NAME)
        self._letters, self._sizes = np.zeros(shape, np.uint8), np.zeros(MOST_CHANNELS, np.int64)
        self._words = np.ones(MOST_CHANNELS, np.uint64)
        self._masks = np.zeros(MOST_CHANNELS, np.uint64)
        self._counts = np.zeros(kernel.COUNTS, np.int64)
        self._counts[kernel.MOST] = self._most
        self._rejected = np.zeros((MOST_REJECTED, 3), np.int64)
        self._heap = np.empty(MOST_HEAP, np.uint8)
        self._columns: list[NDArray[Any]] = []  # those that are being filled

    def feed(self, text: bytes, at: int) -> tuple[int, Int64s]:
        """Parse whole lines from ``text[at]`` on.

        Gives where it stopped, and of each line that is no frame and nothing else known its number
        (from 0 in this text) and its two ends.
        """
        kernel, counts = self._kernel, self._counts
        counts[kernel.REJECTED] = 0
        if not self._columns:
            self._columns = [np.empty(ROWS, kind) for kind in TYPES]
        if at == 0:
            counts[kernel.LINES] = 0
        stopped = kernel.frames_of(
            np.frombuffer(text, np.uint8),
            at,
            *self._columns,
            self._heap,
            self._letters,
            self._sizes,
            self._words,
            self._masks,
            counts,
            self._rejected,
        )
        return int(stopped), self._rejected[: counts[kernel.REJECTED]]

    @property
    def lines(self) -> int:
        """Lines of the present text that were looked at."""
        return int(self._counts[self._kernel.LINES])

    @property
    def is_stuck(self) -> bool:
        """Whether a line has one channel more than there are codes; it was not taken."""
        return bool(self._counts[self._kernel.FULL])

    @property
    def is_full(self) -> bool:
        """Whether the columns have no room for another frame."""
        counts, kernel = self._counts, self._kernel
        return bool(counts[kernel.FRAMES] >= ROWS or counts[kernel.HEAP] + SPARE > MOST_HEAP)

    def names(self) -> list[str]:
        """The channels so far; two whose bytes differ, but are no text, may be called alike."""
        count = self._counts[self._kernel.NAMES]
        rows = zip(self._letters[:count], self._sizes[:count], strict=True)
        return [bytes(row[:size]).decode("utf-8", "backslashreplace") for row, size in rows]

    def frames(self) -> Frames:
        """What the columns hold; they are empty afterwards."""
        count, top = self._counts[self._kernel.FRAMES], self._counts[self._kernel.HEAP]
        time_ns, channel, can_id, flags, length, data, heap_at = (
            column[:count] for column in self._columns or [np.empty(0, kind) for kind in TYPES]
        )
        names = self.names()
        unique = tuple(dict.fromkeys(names))
        if len(unique) < len(names):
            channel = np.array([unique.index(name) for name in names], np.uint8)[channel]
        heap = self._heap[:top].copy()
        self._columns = []  # the old ones belong to these frames now
        self._counts[[self._kernel.FRAMES, self._kernel.HEAP]] = 0
        return Frames(time_ns, channel, can_id, flags, length, data, heap_at, heap, unique)
