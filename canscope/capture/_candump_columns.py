"""The common lines of candump text, a whole block at once: classical data frames without dots.

Every line that deviates from that by a single character is left to ``_candump_line.parse``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.capture._candump_line import CHANNEL, LAST_SECOND
from canscope.model.tables import MOST_CHANNELS, Bools, Flag, Frames, Int64s

Bytes = NDArray[np.uint8]

NONE = 255  # in the tables below: not a digit
DECIMAL = np.full(256, NONE, np.uint8)
DECIMAL[np.frombuffer(b"0123456789", np.uint8)] = np.arange(10)
HEXADECIMAL = DECIMAL.copy()
HEXADECIMAL[np.frombuffer(b"abcdef", np.uint8)] = np.arange(10, 16)
HEXADECIMAL[np.frombuffer(b"ABCDEF", np.uint8)] = np.arange(10, 16)
LONGEST_NAME = 16  # bytes of a channel name that are compared here; longer ones deviate


def lines(text: bytes | memoryview) -> tuple[Bytes, Int64s, Int64s]:
    """A block of whole lines as bytes, and where each begins and ends (at its line feed)."""
    buffer = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(buffer == ord("\n"))
    return buffer, np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1)), ends


def columns(buffer: Bytes, starts: Int64s, ends: Int64s, known: set[str]) -> tuple[Int64s, Frames]:
    """Numbers of the lines read, from 0, and their frames.

    ``known`` holds the channel names of the file so far and gains the new ones.
    """
    stops = ends - (buffer.take(ends - 1, mode="clip") == ord("\r"))
    suffix = np.where(buffer.take(stops - 2, mode="clip") == ord(" "), _at(buffer, stops - 1), 0)
    sent = suffix == ord("T")
    stops = stops - 2 * (sent | (suffix == ord("R")))
    dot, close, mark = (_first(buffer, sign, starts) for sign in (b".", b")", b"#"))

    seconds, good = _decimal(buffer, starts, dot, 10, left=False)
    nanos, whole = _decimal(buffer, dot, close, 9, left=True)
    good &= whole & (_at(buffer, starts) == ord("(")) & (seconds <= LAST_SECOND)
    good &= _at(buffer, close + 1) == ord(" ")
    extended = _at(buffer, mark - 4) != ord(" ")
    can_id, whole = _identifier(buffer, mark, extended)
    good &= whole & (mark < stops + 1) & (can_id <= np.where(extended, 0x1FFF_FFFF, 0x7FF))
    length, data, whole = _payload(buffer, mark, stops)
    good &= whole
    begin, end = close + 2, mark - np.where(extended, 9, 4)
    channel, names = _channels(buffer, begin, end, good, known)

    rows = np.flatnonzero(good)
    flags = np.where(extended, np.uint8(Flag.EXTENDED), np.uint8(0))
    flags |= np.where(sent, np.uint8(Flag.TRANSMITTED), np.uint8(0))
    return rows, Frames(
        time_ns=(seconds * 1_000_000_000 + nanos)[rows],
        channel=channel[rows],
        can_id=can_id[rows].astype(np.uint32),
        flags=flags[rows],
        length=length[rows].astype(np.uint8),
        data=data[rows],
        heap_at=np.full(len(rows), -1, np.int32),
        heap=np.zeros(0, np.uint8),
        channels=names,
    )


def _at(buffer: Bytes, places: Int64s) -> Bytes:
    return buffer.take(places, mode="clip")


def _after(buffer: Bytes, places: Int64s, width: int) -> Bytes:
    """The ``width`` bytes from each place on, shape n x width; beyond the block, any byte."""
    return buffer.take(places[:, None] + np.arange(width), mode="clip")


def _first(buffer: Bytes, sign: bytes, starts: Int64s) -> Int64s:
    """The first place of a sign from each start on, in this line or a later one, else the end."""
    found = np.append(np.flatnonzero(buffer == ord(sign)), len(buffer))
    return found[np.searchsorted(found[:-1], starts)]


def _decimal(
    buffer: Bytes, before: Int64s, behind: Int64s, width: int, *, left: bool
) -> tuple[Int64s, Bools]:
    """The number between two signs in ``width`` places, flush left (a fraction) or right."""
    count, place = behind - before - 1, np.arange(width)
    if left:
        digits = DECIMAL.take(_after(buffer, before + 1, width))
        digits[place >= count[:, None]] = 0
    else:
        digits = DECIMAL.take(_after(buffer, behind - width, width))
        digits[place < width - count[:, None]] = 0
    good = (count >= 1) & (count <= width) & (digits != NONE).all(axis=1)
    return digits @ (10 ** place[::-1]), good


def _identifier(buffer: Bytes, mark: Int64s, extended: Bools) -> tuple[Int64s, Bools]:
    """The 8 hex digits before the mark and behind a space, or the last 3 of them."""
    digits = HEXADECIMAL.take(_after(buffer, mark - 8, 8))
    digits[~extended, :5] = 0
    good = (digits != NONE).all(axis=1) & (~extended | (_at(buffer, mark - 9) == ord(" ")))
    return digits @ (16 ** np.arange(8)[::-1]), good


def _payload(buffer: Bytes, mark: Int64s, stops: Int64s) -> tuple[Int64s, Any, Bools]:
    """Length in bytes, the bytes as one little-endian word, and whether they are all there."""
    count = stops - mark - 1
    digits = HEXADECIMAL.take(_after(buffer, mark + 1, 16))
    digits[np.arange(16) >= count[:, None]] = 0
    good = (count >= 0) & (count <= 16) & (count % 2 == 0) & (digits != NONE).all(axis=1)
    bytes_ = digits[:, 0::2] << 4 | digits[:, 1::2]
    return count // 2, np.ascontiguousarray(bytes_).view("<u8")[:, 0], good


def _channels(
    buffer: Bytes, begin: Int64s, end: Int64s, good: Bools, known: set[str]
) -> tuple[Bytes, tuple[str, ...]]:
    """A code for each name and the names; ``good`` loses the lines whose name is not a plain one.

    The loop runs once a name: a capture has a handful, and never more than ``MOST_CHANNELS``.
    """
    good &= (end > begin) & (end - begin <= LONGEST_NAME)
    letters = _after(buffer, begin, LONGEST_NAME)
    letters[np.arange(LONGEST_NAME) >= (end - begin)[:, None]] = 0
    first, second = np.ascontiguousarray(letters).view("<u8").T
    size = end - begin  # a name that ends in NUL is not the one without it
    codes, names, left = np.zeros(len(good), np.uint8), list[str](), good.copy()
    while len(names) < MOST_CHANNELS and left.any():
        row = int(left.argmax())
        same = left & (first == first[row]) & (second == second[row]) & (size == size[row])
        left &= ~same
        raw = bytes(letters[row, : end[row] - begin[row]])
        name = raw.decode("utf-8", "backslashreplace")
        if CHANNEL.fullmatch(raw) and (name in known or len(known) < MOST_CHANNELS):
            known.add(name)
            codes[same] = len(names)
            names.append(name)
        else:
            good &= ~same
    good &= ~left
    return codes, tuple(names)
