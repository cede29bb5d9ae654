"""The data blocks of an MF4 file -> records as rows of bytes, a stretch at a time.

asammdf finds the blocks when it opens the file (and puts records of several groups in one stream
into order in a temporary file). Its own reading of them is not used because it is not safe on a
damaged file: a wrong offset of a value of variable length ends the process (asammdf 8.8.28), blocks
are inflated to any size, and records before the damage are lost. Reading them here is also 1.5 to
2.8 times as fast.
Source: ASAM MDF 4.2, DZBLOCK, and the kinds of blocks that asammdf 8's ``v4_constants`` numbers;
from memory.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import Any, BinaryIO

import numpy as np

from canscope.capture.input.table import Bytes
from canscope.model.tables import Int64s

PLAIN, DEFLATED, TRANSPOSED, LZ4 = 0, 1, 2, 3  # asammdf's numbers; LZ4 in its temporary file only
KINDS = (PLAIN, DEFLATED, TRANSPOSED, LZ4)
ORIGINAL, TEMPORARY = 0, 1  # where a block lies
LARGEST = 1 << 26  # bytes of a block or of values at once; a compressed one has 4 MiB at most
LEAST = 1 << 20  # bytes of small blocks that are worth looking at
LENGTH = 4  # bytes before each value of variable length, which hold its length


class BlockDamageError(Exception):
    """A block contradicts its description; the message has the reason in words."""


class Blocks:
    """Reads blocks of an opened measurement."""

    def __init__(self, original: BinaryIO, temporary: BinaryIO | None) -> None:
        self._files = {ORIGINAL: original, TEMPORARY: temporary}

    def bytes(self, info: Any) -> tuple[Bytes, int]:
        """What is in a block, and how many columns it has if it lies column by column, else 0.

        Raises ``BlockDamageError``.
        """
        file, size = self._files[getattr(info, "location", ORIGINAL)], info.original_size
        if file is None or not 0 <= size <= LARGEST or not 0 <= info.compressed_size <= LARGEST:
            raise BlockDamageError(f"a block of {size} bytes, which no writer makes")
        file.seek(info.address)
        stored = file.read(info.compressed_size)
        if len(stored) < info.compressed_size:
            raise BlockDamageError("the file ends within a block")
        if info.block_type == PLAIN:
            return np.frombuffer(stored, np.uint8), 0
        data = np.frombuffer(_unpacked(stored, info.block_type, size), np.uint8)
        if len(data) != size:
            raise BlockDamageError(f"a compressed block that holds {len(data)} bytes, not {size}")
        if info.block_type != TRANSPOSED:
            return data, 0
        if info.param < 1:
            raise BlockDamageError("a transposed block of no columns")
        return data, info.param

    def records(self, infos: Sequence[Any], size: int) -> Iterator[Bytes]:
        """Whole records of ``size`` bytes, shape n x size; what is left at the end is dropped.

        Raises ``BlockDamageError`` after the last record before the damage.
        """
        waiting: list[Bytes] = []
        for info in infos:
            try:
                data, columns = self.bytes(info)
            except BlockDamageError:
                yield from _rows(waiting, size)
                raise
            limit = getattr(info, "block_limit", None)
            if columns == size and not waiting and limit is None and len(data) % size == 0:
                # Not turned, as few columns are used: turning takes as long as all the rest.
                yield data.reshape(size, -1).T
                continue
            data = _turned(data, columns) if columns else data
            waiting.append(data if limit is None else data[: max(limit, 0)])
            if sum(map(len, waiting)) >= LEAST:
                yield from _rows(waiting, size)
        yield from _rows(waiting, size)


def _rows(waiting: list[Bytes], size: int) -> Iterator[Bytes]:
    """The whole records in pieces that follow one another; keeps what is left of them."""
    whole = waiting[0] if len(waiting) == 1 else np.concatenate([np.zeros(0, np.uint8), *waiting])
    used = len(whole) // size * size
    waiting[:] = [whole[used:]] if used < len(whole) else []
    if used:
        yield whole[:used].reshape(-1, size)


def _turned(data: Bytes, columns: int) -> Bytes:
    """A transposed block row by row; bytes beyond its last whole row are not transposed."""
    used = len(data) // columns * columns
    return np.concatenate([data[:used].reshape(columns, -1).T.ravel(), data[used:]])


def _unpacked(stored: bytes, kind: int, size: int) -> bytes:
    """At most one byte more than the size that is to be expected, whatever the data would give."""
    if kind == LZ4:
        import lz4.frame  # asammdf needs it too

        try:
            return bytes(lz4.frame.LZ4FrameDecompressor().decompress(stored, size + 1))
        except RuntimeError as error:
            raise BlockDamageError(f"compressed data that is damaged ({error})") from error
    inflate, damage = _inflater()
    try:
        data = bytes(inflate.decompress(stored, size + 1))
    except damage as error:
        raise BlockDamageError(f"compressed data that is damaged ({error})") from error
    if not inflate.eof and len(data) <= size:  # its checksum is behind its end
        raise BlockDamageError("compressed data that ends early")
    return data


def _inflater() -> tuple[Any, Any]:
    """An object that inflates, and its error: isal's where asammdf brought it.

    A compressed measurement takes twice as long by zlib.
    """
    try:
        from isal import isal_zlib
    except ImportError:
        return zlib.decompressobj(), zlib.error
    return isal_zlib.decompressobj(), isal_zlib.error


class Values:
    """Values of variable length, each with its length before it, found by where they begin."""

    def __init__(self, blocks: Blocks, infos: Sequence[Any]) -> None:
        self._blocks, self._infos = blocks, infos
        self._begins = np.array([0, *accumulate(info.original_size for info in infos)], np.int64)
        self._held: dict[int, Bytes] = {}

    def at(self, begins: Int64s) -> tuple[Bytes, Int64s, Int64s]:
        """(a buffer, where in it each value begins, how many bytes of it there are).

        A value that would begin beyond the end has no bytes. Raises ``BlockDamageError``.
        """
        inside = (begins >= 0) & (begins + LENGTH <= self._begins[-1])
        if not inside.any():
            return np.zeros(0, np.uint8), np.zeros_like(begins), np.zeros_like(begins)
        first, last = int(begins[inside].min()), int(begins[inside].max())
        buffer, begin = self._window(first, last + LENGTH)
        length = int(buffer[last - begin :][:LENGTH].view("<u4")[0])
        buffer, begin = self._window(first, min(last + LENGTH + length, int(self._begins[-1])))
        place = np.where(inside, begins - begin, 0)
        stated = buffer[place[:, None] + np.arange(LENGTH)].view("<u4")[:, 0].astype(np.int64)
        size = np.where(inside, np.minimum(stated, len(buffer) - place - LENGTH), 0)
        return buffer, place + LENGTH, size

    def _window(self, first: int, end: int) -> tuple[Bytes, int]:
        """The bytes of the blocks from ``first`` on to ``end`` at least, and where they begin."""
        if end - first > LARGEST:
            raise BlockDamageError("values that lie further apart than any writer puts them")
        low = int(np.searchsorted(self._begins, first, side="right")) - 1
        high = int(np.searchsorted(self._begins, end, side="left"))
        self._held = {
            at: self._held[at] if at in self._held else self._plain(self._infos[at])
            for at in range(low, high)
        }
        return np.concatenate(list(self._held.values())), int(self._begins[low])

    def _plain(self, info: Any) -> Bytes:
        data, columns = self._blocks.bytes(info)
        return _turned(data, columns) if columns else data
