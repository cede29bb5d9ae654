"""Packet captures in pcapng, of CAN interfaces: link type 227, or 113 where an interface is cooked.

Source: as named in ``blocks.py`` and ``input/packets.py``.
Read: sections in either byte order, enhanced packets with any resolution of stamps; classical, FD,
remote and error frames; directions and counts of lost packets where the recorder wrote them.
Not read, but counted in ``Tally.skipped``: packets of interfaces that are no CAN, packets without
a stamp, CAN XL. A channel has the name of its interface; the only interface of a section has no
name where the file gives none (the user names the bus), one of several is ``can`` and its number.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS, UNNAMED, Reader
from canscope.capture.input.packets import (
    CAN_LINKS,
    INSTEAD,
    can_frames,
    cut_off,
    damaged,
    not_can,
    walk,
)
from canscope.capture.input.table import Bytes, gathered
from canscope.capture.pcapng.blocks import (
    BYTE_ORDERS,
    INTERFACE,
    OLD_PACKET,
    PACKET,
    PACKET_HEADER,
    SECTION,
    SIMPLE_PACKET,
    STATISTICS,
    Interface,
    interface,
    lost,
    of_packets,
)
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import MOST_CHANNELS, Frames, Int64s, Tally, empty_frames

BLOCK = 1 << 20  # bytes a read
LONGEST = 1 << 24  # bytes of a block
WITHOUT_STAMP = {
    SIMPLE_PACKET: "a packet without a time",
    OLD_PACKET: "a packet in the form that pcapng had before 2009, which is not read",
}
NOT_DESCRIBED = "a packet of an interface that the file does not describe"


@READERS.add("pcapng")
class Pcapng(Reader):
    """Packet captures in pcapng."""

    def recognises(self, head: bytes) -> bool:
        """Whether the file begins with a section header in either byte order."""
        return head[:4] == SECTION.to_bytes(4, "little") and head[8:12] in BYTE_ORDERS

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read a capture in chunks of at most about 1 MiB.

        Raises ``CaptureError`` if it is no pcapng, or all it describes are other interfaces.
        """
        section, carry, passed = _Section(file), b"", 0
        while block := stream.read(BLOCK):
            data = carry + block
            at, wrecked = 0, False
            while not wrecked and len(data) - at >= 12:
                if data[at : at + 4] == SECTION.to_bytes(4, "little"):
                    if data[at + 8 : at + 12] not in BYTE_ORDERS:
                        wrecked = True
                        break
                    section.begin(BYTE_ORDERS[data[at + 8 : at + 12]])
                elif not passed and not at:
                    raise CaptureError(
                        "not a pcapng capture: it has no section header",
                        where=Where(file),
                        hint="name another format with --format, or export the log as candump text",
                    )
                starts, end, wrecked = walk(
                    data, at, section.order, field=4, extra=0, most=LONGEST, until=SECTION
                )
                yield section.frames(data, starts, passed)
                if end == at:
                    break
                at = end
            passed, carry = passed + at, data[at:]
            if wrecked:
                yield replace(empty_frames(), tally=damaged(file, passed))
                return
        section.check()
        if carry:
            yield replace(empty_frames(), tally=cut_off(file, passed, len(carry)))


class _Section:
    """What the blocks of a section are read by; channel names are those of the whole file."""

    def __init__(self, file: str) -> None:
        self.file, self.order = file, "<"
        self.interfaces: list[Interface] = []
        self.codes: list[int] = []
        self.channels: dict[str, int] = {}
        self.others: set[int] = set()  # link types that were not CAN

    def begin(self, order: str) -> None:
        """Forget the interfaces of the section before."""
        self.order, self.interfaces, self.codes = order, [], []

    def check(self) -> None:
        """Raise if the file is whole but has no CAN interface."""
        if self.others and not self.channels:
            raise CaptureError(not_can(min(self.others)), where=Where(self.file), hint=INSTEAD)

    def frames(self, data: bytes, starts: Int64s, passed: int) -> Frames:
        """The frames of whole blocks; the first byte of ``data`` is number ``passed``."""
        buffer = np.frombuffer(data, np.uint8)
        head = gathered(buffer, starts, 8).view(self.order + "u4").astype(np.int64)
        kind, size = head[:, 0], head[:, 1]
        packets = kind == PACKET
        tally = Tally()
        for at in np.flatnonzero(~packets).tolist():
            begin = int(starts[at])
            block = data[begin : begin + int(size[at])]
            tally += self._other(int(kind[at]), block, f"{self.file}: byte {passed + begin}")
        self._name()
        found = self._packets(buffer, starts[packets], size[packets], passed)
        return replace(found, tally=tally + found.tally)

    def _other(self, kind: int, block: bytes, place: str) -> Tally:
        """Take in a block that is no packet; what it counts for."""
        if kind == INTERFACE:
            self.interfaces.append(interface(block, self.order))
        elif kind == STATISTICS:
            return Tally(dropped=lost(block, self.order))
        elif kind in WITHOUT_STAMP:
            return Tally(1, 1, (f"{place}: {WITHOUT_STAMP[kind]}",))
        return Tally()

    def _name(self) -> None:
        """Give each new interface the code of its channel, -1 if it is no CAN or one too many."""
        for at, found in enumerate(self.interfaces[len(self.codes) :], len(self.codes)):
            if found.link not in CAN_LINKS:
                self.others |= {found.link} if found.link >= 0 else set()
                self.codes.append(-1)
                continue
            name = found.name or (UNNAMED if len(self.interfaces) == 1 else f"can{at}")
            if name in self.channels or len(self.channels) < MOST_CHANNELS:
                self.codes.append(self.channels.setdefault(name, len(self.channels)))
            else:
                self.codes.append(-1)

    def _packets(self, buffer: Bytes, starts: Int64s, size: Int64s, passed: int) -> Frames:
        """The frames in enhanced packet blocks."""
        order = self.order
        head = gathered(buffer, starts, PACKET_HEADER)
        fields = head.view(order + "u4")
        number, captured, original = (fields[:, at].astype(np.int64) for at in (2, 5, 6))
        ticks = fields[:, 3].astype(np.uint64) << np.uint64(32) | fields[:, 4]
        padded = captured + -captured % 4
        fits = PACKET_HEADER + padded + 4 <= size
        known = fits & (number < len(self.interfaces))
        time_ns, link = np.zeros(len(starts), np.int64), np.full(len(starts), -1)
        channel, in_time = np.zeros(len(starts), np.int64), np.ones(len(starts), np.bool_)
        for one in np.unique(number[known]).tolist():
            rows = known & (number == one)
            found, code = self.interfaces[one], self.codes[one]
            link[rows], channel[rows] = (found.link, code) if code >= 0 else (-1, 0)
            time_ns[rows], in_time[rows] = found.nanoseconds(ticks[rows])
        options = starts + PACKET_HEADER + np.where(fits, padded, size)
        sent, dropped = of_packets(buffer, options, starts + size - 4, order)
        last = gathered(buffer, starts + size - 4, 4).view(order + "u4")[:, 0]
        frames = can_frames(
            buffer,
            starts + PACKET_HEADER,
            captured=captured,
            original=original,
            link=link,
            little=order == "<",
            time_ns=time_ns,
            sent=sent,
            channel=channel,
            channels=tuple(self.channels),
            wrong=[
                (~fits | (last != size), "its lengths contradict each other"),
                (~known, NOT_DESCRIBED),
                (~in_time, "its time does not fit 64 bits of nanoseconds"),
            ],
            place=lambda row: f"{self.file}: byte {passed + starts[row]}",
        )
        return replace(frames, tally=frames.tally + Tally(dropped=dropped))
