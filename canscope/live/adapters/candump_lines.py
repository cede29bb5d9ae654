"""Frames as candump text, in which everything is recorded."""

from __future__ import annotations

from canscope.model.tables import Flag, Frames

ERROR_BIT = 0x2000_0000  # linux/can.h: CAN_ERR_FLAG
EXTENDED, REMOTE, ERROR, FD = map(int, (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD))
BRS, ESI = int(Flag.BRS), int(Flag.ESI)


def body(can_id: int, flags: int, length: int, data: bytes) -> bytes:
    """What follows the channel: ``123#1122``, ``123#R8``, ``123##11122``."""
    if flags & ERROR:
        return b"%08X#%s" % (can_id | ERROR_BIT, data.hex().upper().encode())
    name = b"%08X" % can_id if flags & EXTENDED else b"%03X" % can_id
    if flags & REMOTE:
        return b"%s#R%s" % (name, b"%d" % length if length else b"")
    if flags & FD:
        bits = (1 if flags & BRS else 0) | (2 if flags & ESI else 0)
        return b"%s##%d%s" % (name, bits, data.hex().upper().encode())
    return b"%s#%s" % (name, data.hex().upper().encode())


def text_of(frames: Frames) -> bytes:
    """A table of frames as whole lines; stamps get the decimals that they need, six or nine."""
    names = [name.encode("utf-8", "backslashreplace") for name in frames.channels]
    lines = []
    columns = (frames.time_ns, frames.channel, frames.can_id, frames.flags, frames.length)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    for row, (time_ns, channel, can_id, flags, length) in enumerate(rows):
        seconds, ns = divmod(time_ns, 1_000_000_000)
        part = b"%09d" % ns if ns % 1000 else b"%06d" % (ns // 1000)
        frame = body(can_id, flags, length, frames.payload(row))
        lines.append(b"(%d.%s) %s %s\n" % (seconds, part, names[channel], frame))
    return b"".join(lines)


def dropped(count: int | None, why: str) -> bytes:
    """The line that says that frames were lost; None: it is not known how many."""
    number = "dropped" if count is None else f"dropped {count} frame(s)"
    return f"DROPCOUNT: {number}: {why}\n".encode()
