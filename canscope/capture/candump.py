"""candump logs: one frame a line, ``(seconds.fraction) channel ID#DATA``.

Source: linux-can/can-utils, ``lib.h``, the comment at ``parse_canframe``, and ``candump.c``.
Read: classical and FD frames, remote and error frames, ``_dlc``, ``.`` and `` R``/`` T`` forms,
``DROPCOUNT`` lines. Not read: CAN XL (counted in ``Tally.skipped``, never dropped unsaid).
A last line without line feed may be cut anywhere, so it is reported and never read.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS
from canscope.capture._candump_columns import columns, lines
from canscope.capture._candump_line import CAN_XL, Row, dropped, parse
from canscope.capture._text import CLIPPED, LONGEST, blocks, shown
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
    """Read a log in chunks of about 20,000 frames; each carries the tally of its own lines.

    Raises ``CaptureError`` if most of the first ten lines are not frames.
    """
    opening, number, known = _Opening(file), 1, set[str]()
    for text, unfinished in blocks(stream):
        if unfinished:
            yield replace(empty_frames(), tally=_last(unfinished, f"{file}:{number}"))
        else:
            opening.look(text, number)
            yield _block(text, number, file, known)
            number += text.count(b"\n")
    opening.decide()


def _block(text: bytes, number: int, file: str, known: set[str]) -> Frames:
    """The frames of a block of whole lines, its first line being number ``number``."""
    buffer, starts, ends = lines(text)
    rows, common = columns(buffer, starts, ends, known)
    deviating = np.ones(len(ends), bool)
    deviating[rows] = False
    places, builder, tally = [], FrameBuilder(), _Counts()
    for at in np.flatnonzero(deviating).tolist():
        line = text[starts[at] : ends[at]].strip()
        row = _row(line, known)
        if isinstance(row, tuple):
            builder.add(*row)
            places.append(at)
        elif row:
            tally.line(f"{file}:{number + at}", row, line)
    frames = _woven(common, rows, builder, places) if places else common
    return replace(frames, tally=tally.tally(len(frames)))


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
    """What a block holds besides frames, as it is met."""

    def __init__(self) -> None:
        self.skipped, self.dropped, self.examples = 0, 0, list[str]()

    def line(self, place: str, reason: str, line: bytes) -> None:
        lost = dropped(line)
        if lost is not None:
            self.dropped += lost
            return
        self.skipped += 1
        if len(self.examples) < EXAMPLES:
            self.examples.append(f"{place}: {reason}: {shown(line)}")

    def tally(self, frames: int) -> Tally:
        looked_at = frames + self.skipped
        return Tally(looked_at, self.skipped, tuple(self.examples), self.dropped)


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
