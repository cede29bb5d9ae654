"""Candump text through the compiled kernel: a block of whole lines -> the frames on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.model.engine import waking
from canscope.model.room import Room
from canscope.model.tables import MOST_CHANNELS, Frames, Int64s

SHORTEST = 24  # bytes of a line, on average; where lines are shorter, a block makes several chunks
MOST_REJECTED = 1 << 12  # lines at a time
SPARE = 72  # bytes of the longest payload, and of a word that is written at its end
TYPES = (np.int64, np.uint8, np.uint32, np.uint8, np.uint8, np.uint64, np.int32)


@dataclass(frozen=True, eq=False)
class Parsed:
    """What is on the lines of a block.

    ``rejected`` has a row for each line that is no frame and nothing else known: its number in the
    block, from 0, and where it begins and ends. ``names`` are the channels; ``is_whole`` is False
    if there were more of them than codes, and then the rest of the lines is missing.
    """

    chunks: list[Frames]
    rejected: Int64s
    lines: int
    names: frozenset[str]
    is_whole: bool


@cache
def kernels() -> Any:
    """The module of the kernel; the first time it is loaded, or compiled."""
    with waking():
        from canscope.capture import _candump_kernel
    return _candump_kernel


def parse(text: memoryview, room: Room) -> Parsed:
    """Parse whole lines; what is kept of them lies in arrays from the room."""
    kernel = kernels()
    names = _Names(kernel)
    counts, buffer = np.zeros(kernel.COUNTS, np.int64), np.frombuffer(text, np.uint8)
    counts[kernel.MOST] = MOST_CHANNELS
    rejected, chunks, at = [], list[Frames](), 0
    while at < len(text) and not counts[kernel.FULL]:
        counts[[kernel.FRAMES, kernel.HEAP, kernel.REJECTED]] = 0
        most = len(text) // SHORTEST + 1
        # Two digits are a byte of the heap.
        kinds = [*((most, kind) for kind in TYPES), (len(text) // 2 + SPARE, np.uint8)]
        *columns, heap = room.take("frames", *kinds)
        some = np.empty((MOST_REJECTED, 3), np.int64)
        at = kernel.frames_of(buffer, at, *columns, heap, *names.arrays, counts, some)
        chunks.append(names.frames(counts, columns, heap))
        rejected.append(some[: counts[kernel.REJECTED]])
    return Parsed(
        chunks,
        np.concatenate(rejected),
        int(counts[kernel.LINES]),
        frozenset(names.texts(counts)),
        at == len(text),
    )


class _Names:
    """The channels that a block has, in the arrays of the kernel."""

    def __init__(self, kernel: Any) -> None:
        self._kernel = kernel
        self._letters = np.zeros((MOST_CHANNELS, kernel.LONGEST_NAME), np.uint8)
        self._sizes = np.zeros(MOST_CHANNELS, np.int64)
        words, masks = np.ones(MOST_CHANNELS, np.uint64), np.zeros(MOST_CHANNELS, np.uint64)
        self.arrays = (self._letters, self._sizes, words, masks)

    def texts(self, counts: Int64s) -> list[str]:
        """The names so far; two whose bytes differ, but are no text, may be called alike."""
        count = counts[self._kernel.NAMES]
        rows = zip(self._letters[:count], self._sizes[:count], strict=True)
        return [bytes(row[:size]).decode("utf-8", "backslashreplace") for row, size in rows]

    def frames(
        self, counts: Int64s, columns: list[NDArray[Any]], heap: NDArray[np.uint8]
    ) -> Frames:
        """What the columns hold."""
        count, top = counts[self._kernel.FRAMES], counts[self._kernel.HEAP]
        time_ns, channel, can_id, flags, length, data, heap_at = (
            column[:count] for column in columns
        )
        names = self.texts(counts)
        unique = tuple(dict.fromkeys(names))
        if len(unique) < len(names):
            channel = np.array([unique.index(name) for name in names], np.uint8)[channel]
        return Frames(time_ns, channel, can_id, flags, length, data, heap_at, heap[:top], unique)
