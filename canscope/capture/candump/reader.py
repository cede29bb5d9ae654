"""candump logs: one frame a line, ``(seconds.fraction) channel ID#DATA``.

Source: linux-can/can-utils, ``lib.h``, the comment at ``parse_canframe``, and ``candump.c``.
Read: classical and FD frames, remote and error frames, ``_dlc``, ``.`` and `` R``/`` T`` forms,
``DROPCOUNT`` lines. Not read: CAN XL (counted in ``Tally.skipped``, never dropped unsaid).
A last line without line feed may be cut anywhere: it is read if nothing can be missing of it, or if
it is as long as the frames of its identifier before it, which is told; any other is damage.
"""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from stat import S_ISREG
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS, Reader
from canscope.capture.candump.columns import columns
from canscope.capture.candump.line import CAN_XL, Row, dropped
from canscope.capture.candump.line import parse as parse_line
from canscope.capture.candump.parsed import Parsed
from canscope.capture.input.text import BYTE_ORDER_MARK, CLIPPED, LONGEST, lines, shown, views
from canscope.model.engine import fast_module, is_compiled
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import (
    EXAMPLES,
    MOST_CHANNELS,
    Flag,
    FrameBuilder,
    Frames,
    Int64s,
    Tally,
    empty_frames,
    join,
)

DEVIATING = 1500  # bytes of common lines that take as long as one deviating line
BLOCK = 2 << 20  # bytes a read; its frames are a chunk that need not be gathered with others
ALIKE = 3  # earlier frames that say how long one of their identifier is
DECIDING = 10  # lines that decide whether a file is candump text at all
KIND = Flag.ERROR | Flag.REMOTE | Flag.FD
TRAIT = re.compile(
    rb"[ \t]*(?:\(\d{1,10}\.\d{1,9}\)[ \t]|DROPCOUNT:|\((\d{1,10}(\.\d{0,9}\)?)?)?\s*\Z)"
)
ON_SCREEN = re.compile(r" \[\d{1,2}\] ")  # the length as candump prints it for people
SCREEN = re.compile(rb"\s\[\d{1,2}\]\s")


@READERS.add("candump")
class Candump(Reader):
    """candump's log files."""

    by_lines = True

    def recognises(self, head: bytes) -> bool:
        """Whether one of the first ten lines begins as candump begins its lines.

        Blank lines and comments are not counted.
        """
        begun = head.removeprefix(BYTE_ORDER_MARK).split(b"\n")
        lines = (line for line in begun if (text := line.strip()) and not text.startswith(b"#"))
        first = list(islice(lines, DECIDING))
        return any(map(TRAIT.match, first)) and not any(map(SCREEN.search, first))

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read a log in chunks of a block; each has the tally of the lines behind it.

        Raises ``CaptureError`` if most of the first ten lines are not frames.
        """
        yield from _read(stream, file, _Opening(file), 1)


def read_on(stream: BinaryIO, file: str, line: int) -> Iterator[Frames]:
    """Read a further part of what is known to be a log as it grows, whatever it begins with.

    ``line`` is the number of its first line. Never waits for kernels to load or to be compiled.
    """
    yield from _read(stream, file, _Opening(file, asks=False), line, live=True)


def _read(
    stream: BinaryIO, file: str, opening: _Opening, line: int, *, live: bool = False
) -> Iterator[Frames]:
    log = _Log(file, _size(stream), line, live=live)
    for text, unfinished in views(stream, BLOCK):
        if unfinished:
            yield log.last(unfinished)
            continue
        opening.look(text)
        yield from log.frames(text)
    opening.decide()


def _size(stream: BinaryIO) -> int | None:
    """How many bytes there are to read, if the stream is a file as it is stored."""
    path = getattr(getattr(stream, "raw", None), "path", None)
    try:
        status = os.stat(path if path is not None else stream.fileno())
    except OSError:  # no file at all
        return None
    return status.st_size if S_ISREG(status.st_mode) else None


class _Log:
    """A log being read block by block, by either engine."""

    def __init__(self, file: str, expected: int | None, line: int, *, live: bool) -> None:
        self.file, self._expected, self._live = file, expected, live
        self._number = line  # of the first line of the next block
        self._done = 0  # the work so far, in bytes of common lines
        self._known: set[str] = set()
        self._tally = _Counts()
        self._recent: tuple[Frames, ...] = ()  # the last two blocks, for a line that may be cut

    def place(self, line: int) -> str:
        """Where a line of the next block is, counted from 0."""
        return f"{self.file}:{self._number + line}"

    def frames(self, text: memoryview) -> Iterator[Frames]:
        """The frames of a block of whole lines."""
        if not self._live and is_compiled(self._done, self._expected):
            chunks = self._by_kernel(text, fast_module("candump").parse(text))
        else:
            chunks = iter((self._by_numpy(text),))
        for chunk in chunks:
            self._recent = (*self._recent[-1:], chunk)
            yield chunk

    def last(self, line: bytes) -> Frames:
        """A last line without line feed, which is empty if it is blank or a comment.

        It is whole if no more data could follow, and taken as whole if its message is always as
        long; any other may be cut, which is damage.
        """
        line, place = line.strip(), self.place(0)
        if not line or line.startswith(b"#"):
            return empty_frames()
        row = _row(line, self._known)
        if isinstance(row, str):
            cut = f"{place}: cut off mid-line: {shown(line)}"
            return empty_frames().but(tally=Tally(1, 1, (cut,), cut_end=True))
        builder = FrameBuilder()
        builder.add(*row)
        if len(row[5]) == (64 if row[3] & Flag.FD else 8):
            return builder.build(Tally(1))
        if self._is_usual(builder.build()):
            told = "no line feed; read, as the frames of its identifier before it are as long"
            return builder.build(Tally(1, notes=(f"{place}: {told}",)))
        cut = f"{place}: no line feed, and maybe cut off mid-line: {shown(line)}"
        return empty_frames().but(tally=Tally(1, 1, (cut,), cut_end=True))

    def _is_usual(self, frame: Frames) -> bool:
        """Whether recent frames of its bus and identifier are all as long as this one."""
        alike = 0
        for chunk in self._recent:
            if frame.channels[0] not in chunk.channels:
                continue
            channel = chunk.channels.index(frame.channels[0])
            same = (chunk.channel == channel) & (chunk.can_id == frame.can_id[0])
            same &= (chunk.flags ^ frame.flags[0]) & Flag.EXTENDED == 0
            if not (chunk.length[same] == frame.length[0]).all():
                return False
            if not ((chunk.flags[same] ^ frame.flags[0]) & KIND == 0).all():
                return False
            alike += int(np.count_nonzero(same))
        return alike >= ALIKE

    def _by_kernel(self, text: memoryview, parsed: Parsed) -> Iterator[Frames]:
        """The frames that the kernel found, unless the log has too many channels by now."""
        known = self._known | parsed.names
        if not parsed.is_whole or len(known) > MOST_CHANNELS:
            yield self._by_numpy(text)  # which counts those beyond the most
            return
        self._known = known
        self._reject(text, parsed.rejected)
        self._number += parsed.lines
        self._done += len(text)
        for chunk in parsed.chunks:
            yield chunk.but(tally=self._tally.take(len(chunk)))

    def _reject(self, text: memoryview, rejected: Int64s) -> None:
        """Count the lines without a frame; only of those that are shown a reason is looked for."""
        if not len(rejected):
            return
        shown = np.frombuffer(text, np.uint8)[rejected[:, 1]] == ord("D")  # as DROPCOUNT begins
        if self._tally.examples_left:
            shown |= np.cumsum(~shown) <= self._tally.examples_left
        for number, left, right in rejected[shown].tolist():
            line = bytes(text[left:right])
            row = _row(line, self._known)
            assert isinstance(row, str), f"the engines disagree on {line!r}"
            self._tally.line(self.place(number), row, line)
        self._tally.skipped += len(shown) - int(np.count_nonzero(shown))

    def _by_numpy(self, text: memoryview) -> Frames:
        """The frames of a block: the common lines by columns, the deviating ones one by one."""
        buffer, starts, ends = lines(text)
        rows, common = columns(buffer, starts, ends, self._known)
        deviating = np.ones(len(ends), bool)
        deviating[rows] = False
        places, builder = [], FrameBuilder()
        for at in np.flatnonzero(deviating).tolist():
            line = bytes(text[starts[at] : ends[at]]).strip()
            row = _row(line, self._known)
            if isinstance(row, tuple):
                builder.add(*row)
                places.append(at)
            elif row:
                self._tally.line(self.place(at), row, line)
        frames = _woven(common, rows, builder, places) if places else common
        self._number += len(ends)
        self._done += len(text) + len(places) * DEVIATING
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
    row = parse_line(line)
    if isinstance(row, tuple) and row[1] not in known:
        if len(known) >= MOST_CHANNELS:
            return f"more than {MOST_CHANNELS} channels"
        known.add(row[1])
    return row


class _Counts:
    """Counts of what a log holds besides frames; ``examples_left`` more examples are kept."""

    def __init__(self) -> None:
        self.skipped, self.dropped = 0, 0
        self.examples, self.examples_left = list[str](), EXAMPLES

    def line(self, place: str, reason: str, line: bytes) -> None:
        """Count a line that holds no frame."""
        lost = dropped(line)
        if lost is not None:
            self.dropped += lost
            return
        self.skipped += 1
        if self.examples_left:
            self.examples_left -= 1
            self.examples.append(f"{place}: {reason}: {shown(line)}")

    def take(self, frames: int) -> Tally:
        """The tally since the last call, beside so many frames."""
        looked_at = frames + self.skipped
        tally = Tally(looked_at, self.skipped, tuple(self.examples), self.dropped)
        self.skipped, self.dropped, self.examples = 0, 0, []
        return tally


class _Opening:
    """Decides by the first ten lines whether a file is candump text, however it comes in pieces."""

    def __init__(self, file: str, *, asks: bool = True) -> None:
        self.file, self.number, self.odd, self.first = file, 0, 0, ""
        self.seen = 0 if asks else DECIDING

    def look(self, text: memoryview) -> None:
        """Count the lines of a block; raise as soon as ten were seen and most are odd."""
        if self.seen == DECIDING:
            return
        for raw in io.BytesIO(text):
            if self.seen == DECIDING:
                return
            self.number += 1
            line = raw.strip()
            if line and not line.startswith(b"#") and dropped(line) is None:
                self.seen += 1
                why = parse_line(line)
                if isinstance(why, str) and not CAN_XL.match(line):
                    self.odd += 1
                    self.first = self.first or f"line {self.number} ({why}): {shown(line)}"
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
