"""Text captures in blocks of whole lines, in bounded memory whatever the file holds."""

from __future__ import annotations

from collections.abc import Iterator
from io import RawIOBase
from typing import BinaryIO, cast

import numpy as np
from numpy.typing import NDArray

from canscope.model.tables import Int64s

BLOCK = 1 << 20  # bytes a read; about 20,000 lines, which still fits a processor's cache
LONGEST = 1 << 14  # bytes of a line that are kept; no frame of any format is written longer
CLIPPED = b"\0"  # stands for the rest of a line that was longer; no text format allows it
SEARCHED = 1 << 12  # bytes at a time in which the last line feed is looked for
BYTE_ORDER_MARK = b"\xef\xbb\xbf"

NONE = 255  # in the tables of digits: not a digit
DECIMAL = np.full(256, NONE, np.uint8)
DECIMAL[np.frombuffer(b"0123456789", np.uint8)] = np.arange(10)
HEXADECIMAL = DECIMAL.copy()
HEXADECIMAL[np.frombuffer(b"abcdef", np.uint8)] = np.arange(10, 16)
HEXADECIMAL[np.frombuffer(b"ABCDEF", np.uint8)] = np.arange(10, 16)


def blocks(stream: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """As ``views``, with a copy of each block."""
    for whole, unfinished in views(stream):
        yield bytes(whole), unfinished


def views(stream: BinaryIO, size: int = BLOCK) -> Iterator[tuple[memoryview, bytes]]:
    """Cut a stream into (whole lines, unfinished last line); only the last block has the second.

    All blocks lie in one buffer of ``size`` bytes: the next one overwrites the last. Reading
    candump into fresh memory instead takes 29 % more processor time. A line beyond ``LONGEST`` that
    does not fit its block keeps its beginning and ends in ``CLIPPED``.
    """
    source, buffer = cast(RawIOBase, stream), memoryview(bytearray(size))
    carry, clipped, is_first = b"", False, True
    while True:
        begin, held = 0, len(carry)
        buffer[:held] = carry
        read = source.readinto(buffer[held:])
        if not read:
            break
        end = held + read
        if is_first and bytes(buffer[: len(BYTE_ORDER_MARK)]) == BYTE_ORDER_MARK:
            begin = len(BYTE_ORDER_MARK)
        is_first = False
        if clipped:
            feed = bytes(buffer[held:end]).find(b"\n")
            if feed < 0:
                continue
            yield memoryview(carry + b"\n"), b""
            begin, clipped = held + feed + 1, False
        cut = _behind_last_feed(buffer, begin, end)
        carry = bytes(buffer[cut:end])
        if len(carry) > LONGEST:
            carry, clipped = carry[:LONGEST] + CLIPPED, True
        if cut > begin:
            yield buffer[begin:cut].toreadonly(), b""
    if carry:
        yield memoryview(b""), carry


def _behind_last_feed(buffer: memoryview, begin: int, end: int) -> int:
    """Where the whole lines between two places end; ``begin`` if there are none."""
    while end > begin:
        start = max(begin, end - SEARCHED)
        at = bytes(buffer[start:end]).rfind(b"\n")
        if at >= 0:
            return start + at + 1
        end = start
    return begin


def lines(text: bytes | memoryview) -> tuple[NDArray[np.uint8], Int64s, Int64s]:
    """A block of whole lines as bytes, and where each begins and ends (at its line feed)."""
    buffer = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(buffer == ord("\n"))
    return buffer, np.concatenate((np.zeros(1, np.int64), ends[:-1] + 1)), ends


def shown(line: bytes) -> str:
    """The beginning of a line as it can be printed in a message."""
    text = repr(line[:80].decode("utf-8", "backslashreplace"))
    return text if len(line) <= 80 else f"{text} ..."
