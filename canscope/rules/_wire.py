"""How many bits a frame takes on the wire, with the stuff bits that its own content needs.

Layout of frames: ISO 11898-1; sizes of the fields: linux/can/length.h. Counted from start of frame
to the end of the interframe space of 3 bits. Stuffing and checksum go by tables, 16 bits at a
time over whole columns of frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

from canscope.model.tables import Flag, Frames, Int64s
from canscope.rules._frames import column

CRC15 = 0x4599  # x^15+x^14+x^10+x^8+x^7+x^4+x^3+1
LONGEST_RUN = 5  # so many equal bits are followed by one of the other kind
CLASSICAL_TAIL = 1 + 2 + 7 + 3  # checksum delimiter, acknowledge, end of frame, interframe space
FD_TAIL = 4 + CLASSICAL_TAIL  # stuff count in front
FD_CRC = ((16, 17 + 6), (64, 21 + 7))  # up to so many data bytes: checksum and fixed stuff bits
FD_LENGTHS = np.array([*range(9), 12, 16, 20, 24, 32, 48, 64])  # by DLC (linux/can/length.h)
FD_SLOW = (17, 36)  # bits up to the switch to the faster rate, 11- and 29-bit identifiers
FD_SLOW_TAIL = 2 + 7 + 3

COUNT_AT, STATE = np.uint8(4), np.uint8(15)  # of a table's entry: stuff bits above the state

Words = NDArray[np.int64]
Small = NDArray[np.uint8] | NDArray[np.uint16]


def frame_bits(frames: Frames, rows: Int64s) -> tuple[Int64s, Int64s]:
    """Bits of these data or remote frames: all of them, and those at the bus's own bit rate.

    The two differ only for FD frames that switch to a faster rate in their middle.
    """
    every = np.zeros(len(rows), np.int64)
    slow = np.zeros(len(rows), np.int64)
    flags = frames.flags[rows].astype(np.int64)
    kind = flags & (Flag.EXTENDED | Flag.REMOTE | Flag.FD | Flag.BRS | Flag.ESI)
    kinds = kind << 8 | frames.length[rows]
    for value in np.unique(kinds).tolist():
        some = np.flatnonzero(kinds == value)
        flag, length = Flag(value >> 8), value & 0xFF
        count = _fd(frames, rows[some], flag, length) if flag & Flag.FD else None
        every[some] = _classical(frames, rows[some], flag, length) if count is None else count
        slow[some] = every[some]
        if flag & Flag.BRS and flag & Flag.FD:
            slow[some] = FD_SLOW[bool(flag & Flag.EXTENDED)] + FD_SLOW_TAIL
    return every, slow


def _classical(frames: Frames, rows: Int64s, flag: Flag, length: int) -> Int64s:
    """Frames of one kind and length; a length above 8 is a raw DLC for 8 bytes."""
    remote = 1 if flag & Flag.REMOTE else 0
    can_id = frames.can_id[rows].astype(np.int64)
    tail = remote << 6 | min(length, 15)
    if flag & Flag.EXTENDED:
        first, second = can_id >> 18, can_id & 0x3FFFF
        header, width = first << 27 | 0b11 << 25 | second << 7 | tail, 39
    else:
        header, width = can_id << 7 | tail, 19
    size = 0 if remote else min(length, 8)
    pairs, odd = divmod(size, 2)
    data = frames.data[rows].byteswap()  # byte 0 highest, as it goes over the wire
    words = [(data >> np.uint64(48 - 16 * k)).astype(np.uint16) for k in range(pairs)]
    crc = np.zeros(len(rows), np.uint16)
    # Zeros in front do not change a checksum that starts from zero, so whole words will do.
    for word in (*_words(header, -(-width // 16) * 16), *words):
        crc = _crc_table(16)[crc << 1 ^ word]
    stuffing = Stuffing(len(rows))
    stuffing.take_word(header, width)
    for word in words:
        stuffing.take(word, 16)
    if odd:
        byte = (data >> np.uint64(56 - 8 * (size - 1)) & np.uint64(0xFF)).astype(np.uint16)
        crc = crc << 8 & 0x7FFF ^ _crc_table(8)[(crc >> 7 ^ byte) & 0xFF]
        stuffing.take(byte, 8)
    stuffing.take(crc, 15)
    return width + 8 * size + 15 + stuffing.bits(at_end=True) + CLASSICAL_TAIL


def _fd(frames: Frames, rows: Int64s, flag: Flag, length: int) -> Int64s:
    """FD frames of one kind and length: their stuff bits do not depend on the checksum."""
    can_id = frames.can_id[rows].astype(np.int64)
    fast, passive = int(bool(flag & Flag.BRS)), int(bool(flag & Flag.ESI))
    dlc = int(np.searchsorted(FD_LENGTHS, length))
    tail = 1 << 7 | fast << 5 | passive << 4 | dlc
    if flag & Flag.EXTENDED:
        first, second = can_id >> 18, can_id & 0x3FFFF
        header, width = first << 29 | 0b11 << 27 | second << 9 | tail, 41
    else:
        header, width = can_id << 10 | tail, 22
    stuffing = Stuffing(len(rows))
    stuffing.take_word(header, width)
    for k in range(length):
        stuffing.take(column(frames, rows, k), 8)
    check = next(bits for most, bits in FD_CRC if length <= most)
    # A fixed stuff bit follows the data anyway; none of the other kind comes just before it.
    return width + 8 * length + stuffing.bits(at_end=False) + check + FD_TAIL


class Stuffing:
    """Counts the stuff bits of many frames side by side, from start of frame on."""

    def __init__(self, frames: int) -> None:
        # The idle bus is recessive: a run of ones that start of frame (a zero) ends.
        self._state = np.full(frames, LONGEST_RUN, np.uint32)
        self._count = np.zeros(frames, np.uint8)

    def take(self, bits: Small, width: int) -> None:
        """The next bits of every frame, at most 16 of them."""
        after = _stuff_table(width)[self._state << np.uint32(width) | bits]
        self._count += after >> COUNT_AT
        self._state = (after & STATE).astype(np.uint32)

    def take_word(self, word: Words, width: int) -> None:
        """The next bits of every frame, the highest one first."""
        odd = width % 16
        if odd:
            self.take((word >> width - odd).astype(np.uint16), odd)
        for part in _words(word, width - odd):
            self.take(part, 16)

    def bits(self, *, at_end: bool) -> Int64s:
        """Stuff bits so far; ``at_end``: with the one that a full run at the very end needs."""
        count = self._count.astype(np.int64)
        if at_end:
            count += self._state % LONGEST_RUN == LONGEST_RUN - 1
        return count


def _words(word: Words, width: int) -> Iterator[Small]:
    """The lowest ``width`` bits, a multiple of 16, word by word from the highest."""
    for shift in range(width - 16, -1, -16):
        yield (word >> shift).astype(np.uint16)


@cache
def _stuff_table(width: int) -> NDArray[np.uint8]:
    """State and bits -> next state and stuff bits; a state is 5 * last bit + its run - 1."""
    if width > 8:  # the first bits, then the last 8
        first, last = _stuff_table(width - 8), _stuff_table(8)
        middle = np.repeat(first, 256)
        bits = np.tile(np.arange(256, dtype=np.uint32), len(first))
        return np.asarray(last[(middle & STATE).astype(np.uint32) << 8 | bits] + (middle & ~STATE))
    table = np.zeros(2 * LONGEST_RUN << width, np.uint8)
    for index in range(len(table)):
        last_bit, run = divmod(index >> width, LONGEST_RUN)
        run, count = run + 1, 0
        for place in reversed(range(width)):
            if run == LONGEST_RUN:
                last_bit, run, count = 1 - last_bit, 1, count + 1
            bit = index >> place & 1
            last_bit, run = bit, run + 1 if bit == last_bit else 1
        table[index] = count << COUNT_AT | LONGEST_RUN * last_bit + run - 1
    return table


@cache
def _crc_table(width: int = 8) -> NDArray[np.uint16]:
    """CRC-15 of every byte, or of every word of 16 bits."""
    if width == 16:
        word = np.arange(1 << 16, dtype=np.uint16)
        crc = _crc_table(8)[word >> 8]
        return np.asarray(crc << 8 & 0x7FFF ^ _crc_table(8)[(crc >> 7 ^ word) & 0xFF])
    crc = np.arange(256, dtype=np.uint16) << 7
    for _ in range(8):
        crc = crc << 1 & 0x7FFF ^ np.where(crc & 0x4000, np.uint16(CRC15), np.uint16(0))
    return np.asarray(crc, np.uint16)
