"""Packet captures in pcap, of CAN interfaces: link type 227, or 113 where the capture is cooked.

Source: the pcap format as libpcap writes it (pcap-savefile), from memory, and ``input/packets.py``.
Read: both byte orders, stamps in microseconds and nanoseconds; classical, FD, remote and error
frames. Not read: CAN XL (counted in ``Tally.skipped``) and other link types (an error that names
them). The format does not name the interface (the user names the bus); only cooked packets tell
which frames the recording machine sent itself.
"""

from __future__ import annotations

import struct
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
from canscope.capture.input.table import gathered
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import Frames, Int64s, empty_frames

BLOCK = 1 << 20  # bytes a read
FILE_HEADER, RECORD_HEADER = 24, 16
LONGEST = 1 << 18  # bytes of a packet: libpcap's own limit
# first bytes -> byte order, nanoseconds of a unit of the fraction
KINDS = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}


@READERS.add("pcap")
class Pcap(Reader):
    """Packet captures in pcap."""

    def recognises(self, head: bytes) -> bool:
        """Whether the file begins with one of the four magic numbers."""
        return head[:4] in KINDS

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read a capture in chunks of about 1 MiB.

        Raises ``CaptureError`` if it is no pcap, or its packets are not of CAN.
        """
        head = stream.read(FILE_HEADER)
        if len(head) < FILE_HEADER or head[:4] not in KINDS:
            raise CaptureError(
                "not a pcap capture: it has no file header",
                where=Where(file),
                hint="name another format with --format, or export the log as candump text",
            )
        order, unit_ns = KINDS[head[:4]]
        link = struct.unpack_from(order + "I", head, 20)[0] & 0xFFFF  # above: the link's own flags
        if link not in CAN_LINKS:
            raise CaptureError(not_can(link), where=Where(file), hint=INSTEAD)
        carry, passed = b"", FILE_HEADER
        while block := stream.read(BLOCK):
            data = carry + block
            starts, end, wrecked = walk(data, 0, order, field=8, extra=RECORD_HEADER, most=LONGEST)
            yield _frames(data, starts, order, unit_ns, link, file, passed)
            passed, carry = passed + end, data[end:]
            if wrecked:
                yield replace(empty_frames(), tally=damaged(file, passed))
                return
        if carry:
            yield replace(empty_frames(), tally=cut_off(file, passed, len(carry)))


def _frames(
    data: bytes,
    starts: Int64s,
    order: str,
    unit_ns: int,
    link: int,
    file: str,
    passed: int,
) -> Frames:
    """The frames of whole records; the first byte of ``data`` is number ``passed`` of the file."""
    buffer = np.frombuffer(data, np.uint8)
    head = gathered(buffer, starts, RECORD_HEADER).view(order + "u4").astype(np.int64)
    seconds, fraction, captured, original = head.T
    beyond = fraction * unit_ns >= 1_000_000_000
    return can_frames(
        buffer,
        starts + RECORD_HEADER,
        captured=captured,
        original=original,
        link=np.full(len(starts), link),
        little=order == "<",
        time_ns=seconds * 1_000_000_000 + fraction * unit_ns,
        sent=np.zeros(len(starts), np.bool_),
        channel=np.zeros(len(starts), np.uint8),
        channels=(UNNAMED,),
        wrong=[(beyond, "its fraction of a second is a whole one or more")],
        place=lambda row: f"{file}: byte {passed + starts[row]}",
    )
