"""Packets that hold CAN frames -> Frames, and the walk over records of any packet capture.

Source: tcpdump's link-type registry, LINKTYPE_CAN_SOCKETCAN (227) and LINKTYPE_LINUX_SLL (113),
and linux/can.h, linux/can/error.h, linux/if_packet.h; field layouts from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.capture.input.table import Bytes, assembled, gathered
from canscope.model.tables import Bools, Flag, Frames, Int64s, Tally

SOCKETCAN, COOKED = 227, 113
CAN_LINKS = (SOCKETCAN, COOKED)
INSTEAD = "record the CAN interface itself as pcap or pcapng (link type 227), or as candump text"
LINKS = {
    1: "Ethernet",
    105: "Wi-Fi",
    190: "CAN without SocketCAN's header",
    220: "USB",
    249: "USB",
    276: "cooked, version 2",
}

EXTENDED_BIT, REMOTE_BIT, ERROR_BIT, ID_BITS = 0x8000_0000, 0x4000_0000, 0x2000_0000, 0x1FFF_FFFF
BRS_BIT, ESI_BIT, FD_BIT = 1, 2, 4  # of the FD flags
ALL_FD_BITS = np.uint8(BRS_BIT | ESI_BIT | FD_BIT)
XL_BIT = 0x80  # of the byte that is the length of any other frame
FD_SIZE = 72  # of a struct canfd_frame
HEADER = 8  # bytes before the payload
COOKED_HEADER, SENT, ARPHRD_CAN = 16, 4, 280
PROTOCOL_CAN, PROTOCOL_FD = 0x000C, 0x000D

Column = NDArray[Any]


def not_can(link: int) -> str:
    """What packets of another link type are, in words."""
    name = f" ({LINKS[link]})" if link in LINKS else ""
    return f"its packets have link type {link}{name}, not 227 (CAN) or 113 (cooked CAN)"


def walk(
    data: bytes, at: int, order: str, *, field: int, extra: int, most: int, until: int | None = None
) -> tuple[Int64s, int, bool]:
    """(where each whole record begins, where the first unfinished one does, whether it is damaged).

    A record is ``extra`` bytes longer than what its 32-bit length at ``field`` says; more than
    ``most`` is damage, and so is less than 12 where ``extra`` is 0. The walk stops before a record
    that begins with the number ``until`` unless it is the first. As a record's place is known
    from the one before, this is a loop, but a run of equal records is taken at once (a pcap capture
    takes 3.5 times as long without): the length of each is compared at the place where it lies if
    all before it are equal.
    """
    number = struct.Struct(order + "I").unpack_from
    found: list[Int64s] = []
    singles: list[int] = []
    size, least, last, alike, begin = len(data), 0 if extra else 12, -1, 0, at
    while at + field + 4 <= size:
        (length,) = number(data, at + field)
        if until is not None and at > begin and number(data, at)[0] == until:
            break
        if not least <= length <= most:
            return _joined(found, singles), at, True
        step = length + extra
        if at + step > size:
            break
        alike = alike + 1 if step == last else 0
        last = step
        if alike < 8:
            singles.append(at)
            at += step
            continue
        run = _run(data, at, order, field, step, until)
        found += [np.array(singles, np.int64), at + step * np.arange(run)]
        singles, alike, at = [], 0, at + step * run
    return _joined(found, singles), at, False


def _joined(found: list[Int64s], singles: list[int]) -> Int64s:
    return np.concatenate([*found, np.array(singles, np.int64)])


def _run(data: bytes, at: int, order: str, field: int, step: int, until: int | None) -> int:
    """How many records from here on are as long as the first and do not begin with ``until``."""
    count = (len(data) - at) // step

    def column(place: int) -> Column:
        return np.ndarray((count,), order + "u4", data, at + place, (step,))

    other = column(field) != column(field)[0]
    if until is not None:
        other |= column(0) == until
    return int(other.argmax()) if other.any() else count


def can_frames(
    buffer: Bytes,
    at: Int64s,
    *,
    captured: Int64s,
    original: Int64s,
    link: Column,
    little: bool,
    time_ns: Int64s,
    sent: Bools,
    channel: Column,
    channels: tuple[str, ...],
    wrong: Sequence[tuple[Bools, str]],
    place: Callable[[int], str],
) -> Frames:
    """The frames in packets, which begin at ``at``; ``little`` is the byte order of the recorder.

    ``sent`` has the directions that the capture itself gives; cooked packets have their own.
    """
    wrong = [*wrong, (~np.isin(link, CAN_LINKS), "a packet of an interface that is no CAN")]
    cooked, is_fd = link == COOKED, np.zeros(len(at), np.bool_)
    if cooked.any():
        head = gathered(buffer, at, COOKED_HEADER).view(">u2")
        protocol = head[:, 7]
        is_fd |= cooked & (protocol == PROTOCOL_FD)
        is_can = np.isin(protocol, (PROTOCOL_CAN, PROTOCOL_FD)) & (head[:, 1] == ARPHRD_CAN)
        wrong.append((cooked & ~is_can, "a cooked packet that holds no CAN frame"))
        sent = sent | (cooked & (head[:, 0] == SENT))
        shift = np.where(cooked, COOKED_HEADER, 0)
        at, captured, original = at + shift, captured - shift, original - shift
    head = gathered(buffer, at, HEADER)
    word = head[:, :4].copy()
    can_id = word.view(">u4")[:, 0].astype(np.int64)
    if little and cooked.any():
        can_id = np.where(cooked, word.view("<u4")[:, 0], can_id)
    length, extra = head[:, 4].astype(np.int64), head[:, 5]
    # Some recorders leave chance bytes here in classical frames; an FD frame has none beyond these.
    clean = ((extra & ~ALL_FD_BITS) == 0) & (head[:, 6] == 0) & (head[:, 7] == 0)
    is_fd |= (clean & ((extra & FD_BIT) != 0)) | (original == FD_SIZE)

    flags = sent.astype(np.uint8) * np.uint8(Flag.TRANSMITTED)
    error = (can_id & ERROR_BIT) != 0
    extended = ((can_id & EXTENDED_BIT) != 0) & ~error
    for rows, flag in (
        (error, Flag.ERROR),
        (extended, Flag.EXTENDED),
        ((can_id & REMOTE_BIT) != 0, Flag.REMOTE),
        (is_fd, Flag.FD),
        (is_fd & ((extra & BRS_BIT) != 0), Flag.BRS),
        (is_fd & ((extra & ESI_BIT) != 0), Flag.ESI),
    ):
        flags |= rows.astype(np.uint8) * np.uint8(flag)
    size = np.where((flags & Flag.REMOTE) != 0, 0, length)
    wrong += [
        (captured < HEADER, "the packet ends before its CAN header does"),
        ((length & XL_BIT) != 0, "CAN XL frame, which is not read"),
        (captured < HEADER + size, "the packet ends before its payload does"),
    ]
    return assembled(
        buffer,
        at + HEADER,
        time_ns=time_ns,
        channel=channel,
        channels=channels,
        can_id=can_id & ID_BITS,
        flags=flags,
        length=length,
        wrong=wrong,
        place=place,
    )


def cut_off(file: str, at: int, left: int) -> Tally:
    """The tally of a record that the end of the file cuts."""
    return Tally(1, 1, (f"{file}: byte {at}: cut off after {left} byte(s) of a record",), 0, True)


def damaged(file: str, at: int) -> Tally:
    """The tally of a place from which on no record can be found."""
    what = "no record can have this length; nothing from here on is read"
    return Tally(1, 1, (f"{file}: byte {at}: {what}",), 0, True)
