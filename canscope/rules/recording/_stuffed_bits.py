"""How many bits a frame takes on the bus, with the stuff bits that its own content needs.

Layout of frames: ISO 11898-1; sizes of the fields: linux/can/length.h. Bits are counted from start
of frame to the end of the interframe space of 3 bits. Stuffing and checksum come from tables, 16
bits at a time for whole columns of frames.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np
from numpy.typing import NDArray

from canscope.model.median import distinct
from canscope.model.tables import FD_LENGTHS, Bools, Flag, Frames, Int64s
from canscope.rules.shared.payloads import column

CRC15 = 0x4599  # x^15+x^14+x^10+x^8+x^7+x^4+x^3+1
LONGEST_RUN = 5  # equal bits, after which one of the other kind is stuffed
CLASSICAL_TAIL = 1 + 2 + 7 + 3  # checksum delimiter, acknowledge, end of frame, interframe space
FD_TAIL = 4 + CLASSICAL_TAIL  # stuff count in front
FD_CRC = ((16, 17 + 6), (64, 21 + 7))  # up to so many data bytes: checksum and fixed stuff bits
FD_SLOW = (17, 36)  # bits up to the switch to the faster rate, 11- and 29-bit identifiers
FD_SLOW_TAIL = 2 + 7 + 3

COUNT_AT, STATE = np.uint8(4), np.uint8(15)  # of a table's entry: stuff bits above the state
ALL = slice(None)

Rows = Int64s | slice
Words = NDArray[np.int64]
Small = NDArray[np.uint8] | NDArray[np.uint16]


def frame_bits(frames: Frames, rows: Int64s) -> tuple[Int64s, Int64s]:
    """Bits of these data or remote frames: all of them, and those at the bus's own bit rate.

    The two differ only for FD frames that switch to a faster rate; else they are one array.
    """
    flags = frames.flags[rows]
    long = flags & Flag.FD != 0
    if not long.any():
        whole = ALL if len(rows) == len(frames) else rows
        every = _classical(frames, whole, flags)
        return every, every
    every = np.zeros(len(rows), np.int64)
    some = np.flatnonzero(~long)
    every[some] = _classical(frames, rows[some], flags[some])
    slow = every.copy()
    kind = flags.astype(np.int64) & (Flag.EXTENDED | Flag.FD | Flag.BRS | Flag.ESI)
    kinds = np.where(long, kind << 8 | frames.length[rows], -1)
    for value in distinct(kinds[long]).tolist():
        some = np.flatnonzero(kinds == value)
        flag = Flag(value >> 8)
        every[some] = slow[some] = _fd(frames, rows[some], flag, value & 0xFF)
        if flag & Flag.BRS:
            slow[some] = FD_SLOW[bool(flag & Flag.EXTENDED)] + FD_SLOW_TAIL
    return every, slow


def _classical(frames: Frames, rows: Rows, flags: NDArray[np.uint8]) -> Int64s:
    """Frames that are not FD; a length above 8 is a raw DLC for 8 bytes."""
    remote, extended = flags & Flag.REMOTE != 0, flags & Flag.EXTENDED != 0
    dlc = np.minimum(frames.length[rows], 15)
    size = np.where(remote, 0, np.minimum(dlc, 8))
    # The longest first: frames with a further word are then always in front.
    order = np.argsort(-size.astype(np.int8), kind="stable")
    size, extended = size[order], extended[order]
    short = (frames.can_id[rows] << 5 | remote.astype(np.uint8) << 4 | dlc)[order]
    data = frames.data[rows][order].byteswap()  # byte 0 highest, as it goes over the wire
    stuffing, crc = Stuffing(len(flags)), np.zeros(len(flags), np.uint16)
    for some in _where(~extended):
        _standard(stuffing, crc, short[some], some)
    for some in _where(extended):
        word = frames.can_id[rows][order][some].astype(np.int64)
        first, second, last = word >> 18, word & 0x3FFFF, short[some].astype(np.int64) & 31
        header = first << 27 | 0b11 << 25 | second << 7 | (last & 16) << 2 | last & 15
        stuffing.take_word(header, 39, some)
        # Leading zeros do not change a checksum that starts from zero, so whole words will do.
        for part in _words(header, 48):
            crc[some] = _crc_table(16).take(crc[some] << 1 ^ part)
    ends = (-size.astype(np.int8)).searchsorted(np.array([-2, -4, -6, -8], np.int8), "right")
    for place, end in enumerate(ends.tolist()):
        part = (data[:end] >> np.uint64(48 - 16 * place)).astype(np.uint16)
        stuffing.take(part, 16, slice(end))
        crc[:end] = _crc_table(16).take(crc[:end] << 1 ^ part)
    for odd in _where(size & 1 != 0):
        byte = (data[odd] >> (64 - 8 * size[odd].astype(np.uint64))).astype(np.uint8)
        crc[odd] = crc[odd] << 8 & 0x7FFF ^ _crc_table(8)[(crc[odd] >> 7 ^ byte) & 0xFF]
        stuffing.take(byte, 8, odd)
    stuffing.take(crc, 15)
    ordered = stuffing.bits(at_end=True)
    ordered += size << 3
    ordered += np.where(extended, 39 + 15 + CLASSICAL_TAIL, 19 + 15 + CLASSICAL_TAIL)
    bits = np.empty(len(flags), np.int64)
    bits[order] = ordered
    return bits


def _where(chosen: Bools) -> Iterator[Rows]:
    """The chosen rows, if there are any; a slice if all are chosen, which copies nothing."""
    rows = chosen.nonzero()[0]
    if len(rows):
        yield ALL if len(rows) == len(chosen) else rows


def _standard(
    stuffing: Stuffing, crc: NDArray[np.uint16], short: NDArray[np.uint32], some: Rows
) -> None:
    """Headers of standard frames; ``short`` is identifier, remote bit and DLC in 16 bits.

    A bus has few different headers, so each is worked out once.
    """
    is_there = np.zeros(1 << 16, np.bool_)
    is_there[short] = True
    found = is_there.nonzero()[0]
    header = found >> 5 << 7 | (found & 16) << 2 | found & 15
    few, check = Stuffing(len(found)), np.zeros(len(found), np.uint16)
    few.take_word(header, 19)
    for part in _words(header, 32):
        check = _crc_table(16).take(check << 1 ^ part)
    place = np.empty(1 << 16, np.uint16)
    place[found] = np.arange(len(found))
    at = place.take(short)
    crc[some] = check.take(at)
    stuffing.begin(few, at, some)


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

    def begin(self, others: Stuffing, which: NDArray[np.uint16], some: Rows) -> None:
        """Continue these frames from others that begin alike, which ``which`` points at."""
        self._state[some] = others._state.take(which)
        self._count[some] = others._count.take(which)

    def take(self, bits: Small, width: int, some: Rows = ALL) -> None:
        """Add the next bits, at most 16, of every frame or of some."""
        after = _stuff_table(width).take(self._state[some] << np.uint32(width) | bits)
        self._count[some] += after >> COUNT_AT
        self._state[some] = after & STATE

    def take_word(self, word: Words, width: int, some: Rows = ALL) -> None:
        """Add the next bits of every frame or of some, the highest one first."""
        odd = width % 16
        if odd:
            self.take((word >> width - odd).astype(np.uint16), odd, some)
        for part in _words(word, width - odd):
            self.take(part, 16, some)

    def bits(self, *, at_end: bool) -> Int64s:
        """Stuff bits so far; ``at_end``: with the one that a full run at the very end needs."""
        count = self._count.astype(np.int64)
        if at_end:
            count += (self._state == LONGEST_RUN - 1) | (self._state == 2 * LONGEST_RUN - 1)
        return count


def _words(word: Words, width: int) -> Iterator[Small]:
    """The lowest ``width`` bits, a multiple of 16, word by word from the highest."""
    for shift in range(width - 16, -1, -16):
        yield (word >> shift).astype(np.uint16)


@cache
def _stuff_table(width: int) -> NDArray[np.uint8]:
    """State and bits -> next state and stuff bits; a state is 5 * last bit + its run - 1."""
    if width > 1:  # the first bits, then the last ones
        later = 8 if width > 8 else 1
        first, last = _stuff_table(width - later), _stuff_table(later).reshape(-1, 1 << later)
        return np.asarray(last[first & STATE] + (first & ~STATE)[:, None]).ravel()
    table = np.zeros(4 * LONGEST_RUN, np.uint8)
    for index in range(len(table)):
        state, bit = divmod(index, 2)
        last_bit, run = divmod(state, LONGEST_RUN)
        run, count = run + 1, 0
        if run == LONGEST_RUN:
            last_bit, run, count = 1 - last_bit, 1, 1
        run = run + 1 if bit == last_bit else 1
        table[index] = count << COUNT_AT | LONGEST_RUN * bit + run - 1
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
