"""python-can's CSV: ``timestamp,arbitration_id,extended,remote,error,dlc,data``, data in base64.

Source: python-can 4.6.1, ``can/io/csv.py``, the table in the docstring of ``CSVWriter``.
Read: classical, remote and error frames, and FD frames of more than 8 bytes. The format carries no
channel (the user names the bus), no direction, and no FD flags: an FD frame of up to 8 bytes looks
like a classical one, and of a longer one it is not known whether its bit rate was switched.
Times are decimal text and are taken as written; digits beyond the nanosecond are rounded.
A last line without line feed is read if its data is as long as it says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS, UNNAMED, Reader
from canscope.capture.csv.columns import columns
from canscope.capture.csv.line import HEADER, LINE, parse
from canscope.capture.input.text import BYTE_ORDER_MARK, blocks, lines, shown
from canscope.model.errors import CaptureError, Where
from canscope.model.tables import EXAMPLES, FrameBuilder, Frames, Tally, empty_frames, join

DECIDING = 10  # lines that decide whether a file is of this format at all


@READERS.add("csv")
class PythonCanCsv(Reader):
    """python-can's CSV."""

    by_lines = True

    def recognises(self, head: bytes) -> bool:
        """Whether the first line is the header, or, where a log was appended to, a frame."""
        lines = map(bytes.strip, head.removeprefix(BYTE_ORDER_MARK).split(b"\n"))
        first = next((line for line in lines if line and not line.startswith(b"#")), b"")
        return first == HEADER or LINE.fullmatch(first) is not None

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read a table in chunks of about 20,000 frames; each carries the tally of its own lines.

        Raises ``CaptureError`` if most of the first ten lines are not frames.
        """
        number = 1
        for text, unfinished in blocks(stream):
            if unfinished:
                yield _last(unfinished, f"{file}:{number}")
            else:
                if number == 1:
                    _decide(text, file)
                yield _block(text, number, file)
                number += text.count(b"\n")


def _block(text: bytes, number: int, file: str) -> Frames:
    """The frames of a block of whole lines, its first line being number ``number``."""
    buffer, starts, ends = lines(text)
    rows, common = columns(buffer, starts, ends)
    deviating = np.ones(len(ends), np.bool_)
    deviating[rows] = False
    places, builder, skipped, examples = [], FrameBuilder(), 0, list[str]()
    for at in np.flatnonzero(deviating).tolist():
        line = text[starts[at] : ends[at]].strip()
        if not line or line == HEADER or line.startswith(b"#"):
            continue
        row = parse(line)
        if isinstance(row, tuple):
            time_ns, can_id, flags, length, data = row
            builder.add(time_ns, UNNAMED, can_id, flags, length, data)
            places.append(at)
            continue
        skipped += 1
        if len(examples) < EXAMPLES:
            examples.append(f"{file}:{number + at}: {row}: {shown(line)}")
    frames = common
    if places:
        order = np.argsort(np.concatenate((rows, np.array(places, np.int64))), kind="stable")
        frames = join([common, builder.build()]).take(order)
    return replace(frames, tally=Tally(len(frames) + skipped, skipped, tuple(examples)))


def _last(line: bytes, place: str) -> Frames:
    """A last line without line feed."""
    line = line.strip()
    if not line or line == HEADER:
        return empty_frames()
    row = parse(line)
    if isinstance(row, str):
        cut = f"{place}: cut off mid-line: {shown(line)}"
        return empty_frames().but(tally=Tally(1, 1, (cut,), cut_end=True))
    time_ns, can_id, flags, length, data = row
    builder = FrameBuilder()
    builder.add(time_ns, UNNAMED, can_id, flags, length, data)
    return builder.build(Tally(1))


def _decide(text: bytes, file: str) -> None:
    """Raise if most of the first ten lines with something on them are no frames."""
    begun = map(bytes.strip, text.split(b"\n"))
    frames = (line for line in begun if line and line != HEADER and not line.startswith(b"#"))
    seen = list(islice(frames, DECIDING))
    odd = [line for line in seen if isinstance(parse(line), str)]
    if 2 * len(odd) > len(seen):
        raise CaptureError(
            f"not python-can's CSV: {len(odd)} of its first {len(seen)} line(s) are not frames, "
            f"the first being {shown(odd[0])}",
            where=Where(file),
            hint=f"its columns are {HEADER.decode()}; name another format with --format, "
            "or export the log as candump text",
        )
