"""What candump shows on screen, saved to a file: ``(stamp)  can0  123   [2]  11 22``.

Source: linux-can/can-utils, ``candump.c`` and ``lib.c`` (``snprintf_long_canframe``), from memory.
Read: stamps of ``-ta`` (since 1970), ``-tz`` (since the first frame), ``-td`` (since the frame
before) and ``-tA`` (date and time of day, of a zone that is not named); classical, FD, remote and
error frames, with ``-x`` the direction. Not read: lines without stamps, which have no time at all;
binary digits (``-i``). FD flags are shown only with ``-x``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from typing import BinaryIO

from canscope.capture import READERS, Reader
from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.table import reason
from canscope.capture.input.text import BYTE_ORDER_MARK, blocks, shown
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import (
    EXAMPLES,
    MOST_CHANNELS,
    SECOND_NS,
    Flag,
    FrameBuilder,
    Frames,
    Tally,
)

DECIDING = 10  # lines that decide whether a file is of this format at all
COLOURS = re.compile(rb"\x1b\[[0-9;]*m")
LINE = re.compile(
    rb"(?:\((?:(\d{1,10})\.(\d{6}|\d{9})|(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d)\.(\d{6}|\d{9}))\)\s+)?"
    rb"([^\s()#\[\]]{1,32})\s+(?:([TR]X)\s+([B-])\s+([E-])\s+)?"
    rb"([0-9A-F]{3}|[0-9A-F]{8})\s+\[(\d{1,2})\]\s*"
    rb"(?:(remote request)|((?:[0-9A-F]{2} ?)*))\s*(ERRORFRAME)?(?:\s+'.*')?"
)
ERROR_BIT, ID_BITS = 0x2000_0000, 0x1FFF_FFFF  # linux/can.h
LOCAL = "its times are local times of a zone that it does not name"
SINCE_BEFORE = 0.25  # of stamps that do not rise: they count from the frame before each,
FALLS = 0.05  # if so many fall: a coarse clock gives many frames one stamp
LONGEST_PAUSE_NS = 1000 * 86_400 * SECOND_NS  # between two frames; more counts since 1970


@READERS.add("screen")
class Screen(Reader):
    """candump's screen, saved to a file."""

    by_lines = True

    def recognises(self, head: bytes) -> bool:
        """Whether most of the first ten lines look as candump shows frames."""
        lines = _lines(head)[:DECIDING]
        return 2 * sum(LINE.fullmatch(line) is not None for line in lines) > len(lines)

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read in chunks of a block. Raises ``CaptureError`` if the frames have no stamps."""
        number, state = 1, None
        for text, unfinished in blocks(stream):
            if state is None:
                state = _Stamps(_lines((text or unfinished)[: 1 << 16]), file)
            yield _block(text or unfinished, number, file, state, whole=bool(text))
            number += text.count(b"\n")


def _lines(text: bytes) -> list[bytes]:
    """The lines with something on them, without colours."""
    plain = COLOURS.sub(b"", text.removeprefix(BYTE_ORDER_MARK))
    return [line.strip() for line in plain.split(b"\n") if line.strip()]


class _Stamps:
    """Times of stamps; whether they count from the frame before is decided by the first of them."""

    def __init__(self, head: list[bytes], file: str) -> None:
        found = [m for line in head if (m := LINE.fullmatch(line))]
        if found and not any(m[1] or m[3] for m in found):
            raise CaptureError(
                "candump's screen without times",
                where=Where(file),
                hint="no times in it, so nothing can be judged: record again with candump -L, or "
                "at least with its option -ta",
            )
        times = [int(m[1]) * SECOND_NS + _nanos(m[2]) for m in found if m[1]]
        self._adds_up = _count_from_before(times)
        self._now_ns = 0
        self.channels: set[str] = set()  # seen so far
        self.notes: tuple[str, ...] = ()
        if self._adds_up:
            self.notes = (f"{file}: each stamp is taken to count from the frame before it",)
        if any(m[3] for m in found):
            self.notes = (f"{file}: {LOCAL}",)

    def time_ns(self, m: re.Match[bytes]) -> int | None:
        """The time of a line; None if it has none, or one that does not fit."""
        if m[3]:
            try:
                day = datetime.strptime(m[3].decode(), "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
            except ValueError:
                return None
            return int(day.timestamp()) * SECOND_NS + _nanos(m[4])
        if not m[1] or int(m[1]) > LAST_SECOND:
            return None
        stamp_ns = int(m[1]) * SECOND_NS + _nanos(m[2])
        if not self._adds_up:
            return stamp_ns
        if self._now_ns + stamp_ns > LAST_SECOND * SECOND_NS:
            return None
        self._now_ns += stamp_ns
        return self._now_ns


def _count_from_before(times: list[int]) -> bool:
    """Whether stamps count from the frame before each; in ns."""
    steps = [now - before for before, now in pairwise(times)]
    if not steps or max(times) > LONGEST_PAUSE_NS:
        return False
    falls, level = sum(step < 0 for step in steps), sum(step == 0 for step in steps)
    if not falls:  # a frame every so often, always as long
        return level > 1 and set(times[1:]) != {0} and len(set(times[1:])) == 1
    return falls > FALLS * len(steps) and falls + level > SINCE_BEFORE * len(steps)


def _nanos(digits: bytes) -> int:
    return int(digits.ljust(9, b"0"))


def _block(text: bytes, number: int, file: str, stamps: _Stamps, *, whole: bool) -> Frames:
    """The frames of a block of lines; without ``whole`` its only line has no line feed."""
    builder, skipped, examples, cut = FrameBuilder(), 0, list[str](), False
    for at, raw in enumerate(text.split(b"\n")):
        line = COLOURS.sub(b"", raw).removeprefix(BYTE_ORDER_MARK).strip()
        if not line:
            continue
        why = _add(line, stamps, builder)
        if why:
            cut |= not whole
            skipped += 1
            if len(examples) < EXAMPLES:
                examples.append(f"{file}:{number + at}: {why}: {shown(line)}")
    tally = Tally(len(builder) + skipped, skipped, tuple(examples), cut_end=cut, notes=stamps.notes)
    return builder.build(tally)


def _add(line: bytes, stamps: _Stamps, builder: FrameBuilder) -> str:
    """Add the frame of a line, or say why there is none."""
    m = LINE.fullmatch(line)
    if m is None:
        return "not a line of candump's screen"
    time_ns = stamps.time_ns(m)
    if time_ns is None:
        return "no time, or one that does not fit 64 bits of nanoseconds"
    can_id, size = int(m[9], 16), int(m[10])
    flags, data = Flag(0), bytes.fromhex((m[12] or b"").decode())
    if m[13] or (len(m[9]) == 8 and can_id & ERROR_BIT):
        flags, can_id = Flag.ERROR, can_id & ID_BITS
    elif len(m[9]) == 8:
        flags = Flag.EXTENDED
    if m[11]:
        flags |= Flag.REMOTE
    elif len(data) != size:
        return f"{len(data)} bytes of data, not {size}"
    if size > 8 or len(m[10]) == 2:  # FD frames show two digits
        flags |= Flag.FD
        flags |= Flag.BRS if m[7] == b"B" else Flag(0)
        flags |= Flag.ESI if m[8] == b"E" else Flag(0)
    if m[6] == b"TX":
        flags |= Flag.TRANSMITTED
    if why := reason(can_id, int(flags), size):
        return why
    channel = m[5].decode("utf-8", "backslashreplace")
    if channel not in stamps.channels and len(stamps.channels) >= MOST_CHANNELS:
        return f"more than {MOST_CHANNELS} channels"
    stamps.channels.add(channel)
    builder.add(time_ns, channel, can_id, int(flags), size, data)
    return ""
