"""The blocks of a pcapng capture besides packets: interfaces, options, counters.

Source: "PCAP Now Generic (pcapng) Capture File Format", IETF draft; numbers from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canscope.capture.input.table import Bytes
from canscope.model.tables import Bools, Int64s

SECTION, INTERFACE, OLD_PACKET, SIMPLE_PACKET, STATISTICS, PACKET = 0x0A0D0D0A, 1, 2, 3, 5, 6
BYTE_ORDERS = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}
PACKET_HEADER = 28  # of an enhanced packet block, up to its packet
END, NAME, RESOLUTION, OFFSET = 0, 2, 9, 14  # options of an interface
IF_DROPS, OS_DROPS = 5, 7  # options of interface statistics
FLAGS, DROPS = 2, 4  # options of a packet
OUTBOUND = 2  # of the two lowest flag bits
LATEST_NS = (1 << 63) - 1


@dataclass(frozen=True)
class Interface:
    """Where packets were captured; a tick of its stamps is 10 or 2 to the power of ``-digits``."""

    link: int
    name: str
    digits: int = 6
    binary: bool = False
    offset_s: int = 0

    def nanoseconds(self, ticks: NDArray[np.uint64]) -> tuple[Int64s, Bools]:
        """Stamps since 1970, and which of them fit 64 bits of nanoseconds."""
        second = np.uint64(1 << self.digits if self.binary else 10**self.digits)
        whole, rest = np.divmod(ticks, second)
        if not self.binary:
            up, down = 10 ** max(9 - self.digits, 0), 10 ** max(self.digits - 9, 0)
            nanos = rest * np.uint64(up) // np.uint64(down)
        else:  # 34 bits times 30 bits just fit 64
            spare = max(self.digits - 34, 0)
            nanos = (rest >> np.uint64(spare)) * np.uint64(10**9) >> np.uint64(self.digits - spare)
        last = LATEST_NS // 10**9 - 1
        fits = (whole <= last) & (whole.astype(np.float64) + self.offset_s <= last)
        fits &= whole.astype(np.float64) + self.offset_s >= 0
        seconds = np.where(fits, whole, 0).astype(np.int64) + np.where(fits, self.offset_s, 0)
        return seconds * 1_000_000_000 + nanos.astype(np.int64), np.asarray(fits)


def interface(block: bytes, order: str) -> Interface:
    """An interface description block; a resolution finer than 64 bits is no stamp."""
    link = struct.unpack_from(order + "H", block, 8)[0] if len(block) >= 20 else -1
    found = dict(reversed(list(options(block, 16, order))))
    name = found.get(NAME, b"").rstrip(b"\0").decode("utf-8", "backslashreplace")
    resolution = found.get(RESOLUTION, b"\x06")[:1] or b"\x06"
    digits, binary = resolution[0] & 0x7F, bool(resolution[0] & 0x80)
    if digits > (63 if binary else 19):
        link = -1
        digits = 0
    offset = found.get(OFFSET, b"")
    seconds = struct.unpack(order + "q", offset)[0] if len(offset) == 8 else 0
    return Interface(link, "_".join(name.split()), digits, binary, seconds)


def options(block: bytes, at: int, order: str) -> Iterator[tuple[int, bytes]]:
    """Code and value of each option of a block, from a place in it on."""
    end = len(block) - 4
    while at + 4 <= end:
        code, size = struct.unpack_from(order + "HH", block, at)
        if code == END or at + 4 + size > end:
            return
        yield code, block[at + 4 : at + 4 + size]
        at += 4 + size + -size % 4


def lost(block: bytes, order: str) -> int:
    """How many packets an interface statistics block reports as lost, by interface and system."""
    counts = [
        struct.unpack(order + "Q", value)[0]
        for code, value in options(block, 20, order)
        if code in (IF_DROPS, OS_DROPS) and len(value) == 8
    ]
    return sum(count for count in counts if count < 1 << 63)  # all ones: not known


def of_packets(buffer: Bytes, at: Int64s, end: Int64s, order: str) -> tuple[Bools, int]:
    """Which packets were sent by the recorder itself, and how many were lost before them.

    ``at`` is where the options of each begin and ``end`` where they must end. A step of the loop
    is one option of every packet that has one more, so it takes as many steps as there are
    options of the packet that has most.
    """
    sent, dropped = np.zeros(len(at), np.bool_), 0
    rows, at = np.arange(len(at)), at.copy()
    while True:
        more = at + 4 <= end[rows]
        rows, at = rows[more], at[more]
        if not len(rows):
            return sent, dropped
        head = buffer[at[:, None] + np.arange(4)].view(order + "u2").astype(np.int64)
        code, size = head.T
        whole = (code != END) & (at + 4 + size <= end[rows])
        rows, at, code, size = rows[whole], at[whole], code[whole], size[whole]
        flagged = (code == FLAGS) & (size == 4)
        if flagged.any():
            places = at[flagged][:, None] + np.arange(4, 8)
            flags = np.ascontiguousarray(buffer[places]).view(order + "u4")[:, 0]
            sent[rows[flagged]] = (flags & 3) == OUTBOUND
        counted = (code == DROPS) & (size == 8)
        if counted.any():
            places = at[counted][:, None] + np.arange(4, 12)
            counts = np.ascontiguousarray(buffer[places]).view(order + "u8")[:, 0]
            dropped += sum(count for count in counts.tolist() if count < 1 << 63)
        at += 4 + size + -size % 4
