"""One line of candump text, to the letter. Every other way of reading one must agree with this.

Source: linux-can/can-utils, ``lib.h``, the comment at ``parse_canframe``, and ``candump.c``;
from memory.
"""

from __future__ import annotations

import re

from canscope.capture.input.stamps import LAST_SECOND
from canscope.model.tables import FD_LENGTHS, Flag

Row = tuple[int, str, int, int, int, bytes]  # in the order that FrameBuilder.add takes

ERROR_BIT, ID_BITS = 0x2000_0000, 0x1FFF_FFFF  # linux/can.h: CAN_ERR_FLAG, CAN_EFF_MASK
# Plain numbers: arithmetic on an IntFlag would take half of the time of a line.
EXTENDED, REMOTE, ERROR, FD = map(int, (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD))
TRANSMITTED = int(Flag.TRANSMITTED)
FD_FLAGS = tuple(int(Flag.FD | extra) for extra in (0, Flag.BRS, Flag.ESI, Flag.BRS | Flag.ESI))

CHANNEL = re.compile(rb"[^\x00-\x20\x7f#()]{1,32}")
STAMP = rb"\((\d{1,10})\.(\d{1,9})\)[ \t]+(" + CHANNEL.pattern + rb")[ \t]+"
HEX = rb"[0-9A-Fa-f]"
BYTES = rb"(?:" + HEX + rb"{2}(?:\.?" + HEX + rb"{2}){0,%d})?"
FRAME = re.compile(
    STAMP + rb"(" + HEX + rb"{3}|" + HEX + rb"{8})#"
    rb"(?:#(" + HEX + rb")(" + BYTES % 63 + rb")"
    rb"|[Rr]([0-8]?)(_[9A-Fa-f])?"
    rb"|(" + BYTES % 7 + rb")(_[9A-Fa-f])?)(?:[ \t]+([RT]))?"
)
CAN_XL = re.compile(STAMP + HEX + rb"{5}#" + HEX + rb"{2}:")
DROPS = re.compile(rb"DROPCOUNT:\s*(?:dropped\s*(\d{1,18}))?")


def parse(line: bytes) -> Row | str:
    """The frame on a line without blanks around it, or the reason why there is none."""
    m = FRAME.fullmatch(line)
    if m is None:
        return "CAN XL frame, which is not read" if CAN_XL.match(line) else "not a candump frame"
    seconds, fraction, channel, digits, fd, fd_data, size, remote_dlc, data, dlc, sent = m.groups()
    if int(seconds) > LAST_SECOND:
        return "its time does not fit 64 bits of nanoseconds"
    can_id, flags = int(digits, 16), 0
    if len(digits) == 3 and can_id > 0x7FF:
        return f"identifier {can_id:X} is beyond 11 bits"
    if len(digits) == 8:
        if can_id > ERROR_BIT | ID_BITS:
            return f"identifier {can_id:X} is beyond 29 bits"
        flags = ERROR if can_id & ERROR_BIT else EXTENDED
    payload = bytes.fromhex((fd_data or data or b"").replace(b".", b"").decode())
    length = len(payload)
    if fd:
        flags |= FD_FLAGS[int(fd, 16) & 3]  # by the low bits: BRS 1, ESI 2
        if length not in FD_LENGTHS:
            return f"no CAN FD frame carries {length} bytes"
    if size is not None:
        flags, length = flags | REMOTE, int(size or 0)
    if flags & ERROR and flags & (REMOTE | FD):
        return "an error frame is neither remote nor FD"
    if (dlc or remote_dlc) and length != 8:
        return "a raw DLC beyond 8 belongs to 8 bytes"
    if sent == b"T":
        flags |= TRANSMITTED
    time_ns = int(seconds) * 10**9 + int(fraction.ljust(9, b"0"))
    name = channel.decode("utf-8", "backslashreplace")
    return time_ns, name, can_id & ID_BITS, flags, length, payload


def dropped(line: bytes) -> int | None:
    """How many frames a DROPCOUNT line reports as lost, at least one; None for another line."""
    m = DROPS.match(line)
    return m if m is None else max(1, int(m[1] or 1))
