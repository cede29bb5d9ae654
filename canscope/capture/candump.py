"""candump logs: one frame a line, ``(seconds.fraction) channel ID#DATA``.

Source: linux-can/can-utils, ``lib.h``, the comment at ``parse_canframe``, and ``candump.c``.
Read: classical and FD frames, remote and error frames, ``_dlc``, ``.`` and `` R``/`` T`` forms,
``DROPCOUNT`` lines. Not read: CAN XL (counted in ``Tally.skipped``, never dropped unsaid).
A last line without line feed may be cut anywhere, so it is reported and never read.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from stat import S_ISREG
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS
from canscope.capture._candump_columns import columns, lines
from canscope.capture._candump_compiled import Compiled
from canscope.capture._candump_line import CAN_XL, Row, dropped, parse
from canscope.capture._text import CLIPPED, LONGEST, blocks, shown
from canscope.model.engine import is_compiled
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import (
    EXAMPLES,
    MOST_CHANNELS,
    FrameBuilder,
    Frames,
    Int64s,
    Tally,
    empty_frames,
    join,
)

BY_LINES = True  # is how this format is recognised
DEVIATING = 1000  # bytes of common lines that take as long as one deviating line
DECIDING = 10  # lines that decide whether a file is candump text at all
TRAIT = re.compile(
    rb"[ \t]*(?:\(\d{1,10}\.\d{1,9}\)[ \t]|DROPCOUNT:|\((\d{1,10}(\.\d{0,9}\)?)?)?\s*\Z)"
)
ON_SCREEN = re.compile(r" \[\d{1,2}\] ")  # the length as candump prints it for people


def recognises(head: bytes) -> bool:
    """Whether one of the first ten lines begins as candump begins its lines."""
    return any(TRAIT.match(line) for line in head.split(b"\n", DECIDING)[:DECIDING])


@READERS.add("candump")
def read(stream: BinaryIO, file: str) -> Iterator[Frames]:
    """Read a log in chunks of 20,000 to 65,000 frames; each has the tally of the lines behind it.

    Raises ``CaptureError`` if most of the first ten lines are not frames.
    """
    opening, log, expected = _Opening(file), _Log(file), _size(stream)
    for text, unfinished in blocks(stream):
        if unfinished:
            yield from log.rest()
            yield replace(empty_frames(), tally=_last(unfinished, log.place(0)))
            continue
        opening.look(text, log.number)
        if is_compiled(log.done, expected):
            log.compile()
        yield from log.frames(text)
    opening.decide()
    yield from log.rest()


def _size(stream: BinaryIO) -> int | None:
    """How many bytes there are to read, if the stream is a file as it is stored."""
    path = getattr(getattr(stream, "raw", None), "path", None)
    try:
        status = os.stat(path if path is not None else stream.fileno())
    except OSError:  # no file at all
        return None
    return status.st_size if S_ISREG(status.st_mode) else None


class _Log:
    """A log being read block by block, by either engine.

    ``number`` is that of the next line, ``done`` the work so far in bytes of common lines.
    """

    def __init__(self, file: str) -> None:
        self.file, self.number, self.done = file, 1, 0
        self._known: set[str] = set()
        self._compiled: Compiled | None = None
        self._tally = _Counts()

    def place(self, line: int) -> str:
        """Where a line of the next block is, counted from 0."""
        return f"{self.file}:{self.number + line}"

    def compile(self) -> None:
        """Read by the compiled kernel from now on."""
        if self._compiled is None:
            self._compiled = Compiled(len(self._known))

    def frames(self, text: bytes) -> Iterator[Frames]:
        """The frames of a block of whole lines, as far as a chunk is full."""
        at = 0
        if self._compiled and not self._compiled.is_stuck:
            while at < len(text) and not self._compiled.is_stuck:
                at, rejected = self._compiled.feed(text, at)
                self._reject(text, rejected)
                if self._compiled.is_full:
                    yield from self.rest()
            self.number += self._compiled.lines
            if at < len(text):  # too many channels: the other way tells which of them are too many
                self._known.update(self._compiled.names())
                yield from self.rest()
        if at < len(text):
            yield self._columns(text[at:])
        self.done += len(text)

    def rest(self) -> Iterator[Frames]:
        """What has been read and not been given yet."""
        if self._compiled:
            frames = self._compiled.frames()
            yield replace(frames, tally=self._tally.take(len(frames)))

    def _reject(self, text: bytes, rejected: Int64s) -> None:
        """Count the lines that the kernel found no frame on; a reason is only sought if shown."""
        if not len(rejected):
            return
        begins = np.frombuffer(text, np.uint8)[rejected[:, 1]]
        plain = begins != ord("D")  # with which DROPCOUNT begins
        shown = ~plain | (np.cumsum(plain) <= self._tally.room)
        for line, left, right in rejected[shown].tolist():
            row = _row(text[left:right], self._known)
            assert isinstance(row, str), f"the engines disagree on {text[left:right]!r}"
            self._tally.line(self.place(line), row, text[left:right])
        self._tally.skipped += int(np.count_nonzero(~shown))

    def _columns(self, text: bytes) -> Frames:
        """The frames of a block: the common lines by columns, the deviating ones one by one."""
        buffer, starts, ends = lines(text)
        rows, common = columns(buffer, starts, ends, self._known)
        deviating = np.ones(len(ends), bool)
        deviating[rows] = False
        places, builder = [], FrameBuilder()
        for at in np.flatnonzero(deviating).tolist():
            line = text[starts[at] : ends[at]].strip()
            row = _row(line, self._known)
            if isinstance(row, tuple):
                builder.add(*row)
                places.append(at)
            elif row:
                self._tally.line(self.place(at), row, line)
        frames = _woven(common, rows, builder, places) if places else common
        self.number += len(ends)
        self.done += len(places) * DEVIATING
        return replace(frames, tally=self._tally.take(len(frames)))


def _woven(common: Frames, rows: Int64s, builder: FrameBuilder, places: list[int]) -> Frames:
    """Frames read in either way, in the order of their lines."""
    order = np.argsort(np.concatenate((rows, np.array(places, np.int64))), kind="stable")
    return join([common, builder.build()]).take(order)


def _row(line: bytes, known: set[str]) -> Row | str:
    """A frame, or the reason why there is none; the reason is empty where none is expected."""
    if not line or line.startswith(b"#"):
        return ""
    if line.endswith(CLIPPED) and len(line) > LONGEST:
        return f"a line of more than {LONGEST} bytes"
    row = parse(line)
    if isinstance(row, tuple) and row[1] not in known:
        if len(known) >= MOST_CHANNELS:
            return f"more than {MOST_CHANNELS} channels"
        known.add(row[1])
    return row


class _Counts:
    """What a log holds besides frames, as it is met; ``room`` is for so many more examples."""

    def __init__(self) -> None:
        self.skipped, self.dropped, self.examples, self.room = 0, 0, list[str](), EXAMPLES

    def line(self, place: str, reason: str, line: bytes) -> None:
        """Count a line that holds no frame."""
        lost = dropped(line)
        if lost is not None:
            self.dropped += lost
            return
        self.skipped += 1
        if self.room:
            self.room -= 1
            self.examples.append(f"{place}: {reason}: {shown(line)}")

    def take(self, frames: int) -> Tally:
        """The tally of what was met since the last one, beside so many frames."""
        looked_at = frames + self.skipped
        tally = Tally(looked_at, self.skipped, tuple(self.examples), self.dropped)
        self.skipped, self.dropped, self.examples = 0, 0, []
        return tally


def _last(line: bytes, place: str) -> Tally:
    """What a last line without line feed counts for: nothing if it is blank or a comment."""
    line = line.strip()
    if not line or line.startswith(b"#"):
        return Tally()
    return Tally(1, 1, (f"{place}: cut off mid-line: {shown(line)}",), cut_end=True)


class _Opening:
    """Decides by the first ten lines whether a file is candump text, however it comes in pieces."""

    def __init__(self, file: str) -> None:
        self.file, self.seen, self.odd, self.first = file, 0, 0, ""

    def look(self, text: bytes, number: int) -> None:
        """Count the lines of a block; raise as soon as ten were seen and most are odd."""
        for at, raw in enumerate(io.BytesIO(text)):
            if self.seen == DECIDING:
                return
            line = raw.strip()
            if line and not line.startswith(b"#") and dropped(line) is None:
                self.seen += 1
                if isinstance(parse(line), str) and not CAN_XL.match(line):
                    self.odd += 1
                    self.first = self.first or f"line {number + at}: {shown(line)}"
        if self.seen == DECIDING:
            self.decide()

    def decide(self) -> None:
        """Raise if most of the lines seen are not candump's; a shorter file decides by all."""
        if 2 * self.odd > self.seen:
            screen = "this is what candump shows on screen: record with its option -l or -L"
            other = "name the format with --format, or export the log as candump text"
            raise CaptureError(
                f"not a candump log: {self.odd} of its first {self.seen} line(s) are not frames, "
                f"the first at {self.first}",
                where=Where(self.file),
                hint=screen if ON_SCREEN.search(self.first) else other,
            )
