"""Candump text through the compiled kernel: a block of whole lines -> the frames on them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.capture.candump.parsed import Parsed
from canscope.fast import candump_kernel
from canscope.model.tables import MOST_CHANNELS, Frames, Int64s

SHORTEST = 24  # bytes of a line on average; a block of shorter lines makes several chunks
MOST_REJECTED = 1 << 12  # lines at a time
kernel: Any = candump_kernel  # its functions have no annotations, only signatures
TYPES = tuple(map(np.dtype, ("i8", "u1", "u4", "u1", "u1", "u8", "i4")))


def parse(text: memoryview) -> Parsed:
    """Parse whole lines."""
    buffer, names = np.frombuffer(text, np.uint8), _Names()
    counts, some = np.zeros(kernel.COUNTS, np.int64), np.empty((MOST_REJECTED, 3), np.int64)
    counts[kernel.MOST] = MOST_CHANNELS
    rejected, chunks, at = list[Int64s](), list[Frames](), 0
    while at < len(text) and not counts[kernel.FULL]:
        counts[: kernel.OF_A_CHUNK] = 0
        columns = _columns(len(text))
        at = kernel.frames_of(buffer, at, *columns, *names.arrays, counts, some)
        chunks.append(names.frames(counts, columns))
        rejected.append(some[: counts[kernel.REJECTED]].copy())
    return Parsed(
        chunks,
        rejected[0] if len(rejected) == 1 else np.concatenate(rejected),
        int(counts[kernel.LINES]),
        frozenset(names.texts(counts)),
        at == len(text),
    )


def _columns(size: int) -> list[NDArray[Any]]:
    """Empty columns for the frames in so many bytes of text, and their heap."""
    most = size // SHORTEST + 1
    heap = np.empty(size // 2 + kernel.SPARE, np.uint8)  # two digits are a byte
    return [*(np.empty(most, kind) for kind in TYPES), heap]


class _Names:
    """The channels that a block has, in the arrays of the kernel."""

    def __init__(self) -> None:
        self._letters = np.zeros((MOST_CHANNELS, kernel.LONGEST_NAME), np.uint8)
        self._sizes = np.zeros(MOST_CHANNELS, np.int64)
        words, masks = np.ones(MOST_CHANNELS, np.uint64), np.zeros(MOST_CHANNELS, np.uint64)
        self._texts = list[str]()
        self.arrays = (self._letters, self._sizes, words, masks)

    def texts(self, counts: Int64s) -> list[str]:
        """The names so far; two that differ only in bytes that are no text may be equal."""
        for code in range(len(self._texts), counts[kernel.NAMES]):
            raw = self._letters[code, : self._sizes[code]].tobytes()
            self._texts.append(raw.decode("utf-8", "backslashreplace"))
        return self._texts

    def frames(self, counts: Int64s, columns: list[NDArray[Any]]) -> Frames:
        """The frames that the kernel wrote into the columns."""
        *rows, heap = columns
        count = counts[kernel.FRAMES]
        time_ns, channel, can_id, flags, length, data, heap_at = (row[:count] for row in rows)
        names = self.texts(counts)
        unique = tuple(dict.fromkeys(names))
        if len(unique) < len(names):
            channel = np.array([unique.index(name) for name in names], np.uint8)[channel]
        heap = heap[: counts[kernel.HEAP]]
        return Frames(time_ns, channel, can_id, flags, length, data, heap_at, heap, unique)
