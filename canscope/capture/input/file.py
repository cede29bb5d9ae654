"""One place that a capture's bytes come from: opened, recognised, read, and remembered."""

from __future__ import annotations

import os
import select
import stat
import sys
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS, UNNAMED
from canscope.capture.input.detect import detect
from canscope.capture.input.plain import BLOCK, Plain
from canscope.capture.input.stored import Stored
from canscope.model.errors import CaptureError, Where
from canscope.model.report import Input
from canscope.model.tables import NOTHING, Frames, Tally, empty_frames

LAST_NS = 9_223_372_036 * 10**9  # the last whole second whose nanoseconds fit 64 bits
STANDARD_INPUT = "-"
PATIENCE_S = 10  # with a pipe into which nobody writes


class CaptureFile:
    """A file or standard input; ``input`` is known once ``frames`` has come to its end.

    ``size`` is in bytes as stored, None where it cannot be known (a pipe). ``channel`` is the name
    of the bus if the format does not carry one; with ``renames``, also if it does. ``note`` then
    says that it was taken from there. ``shift_ns`` is added to every stamp. ``format`` is known
    once the first bytes have been read.
    Raises ``CaptureError`` if there is nothing to read.
    """

    def __init__(
        self,
        path: str,
        format: str | None,
        channel: str | None = None,
        *,
        renames: bool = False,
        shift_ns: int = 0,
        columns: Mapping[str, str] | None = None,
    ) -> None:
        self.path, self.format, self._channel = path, format or "", channel
        self._renames, self.shift_ns = renames, shift_ns
        self._columns = columns  # meaning -> heading, where the user names them
        self._own = ""  # the file's own name of the bus that is renamed
        self.name = "standard input" if path == STANDARD_INPUT else path
        self.size = None if path == STANDARD_INPUT else self._stat()
        self.bytes_read = 0
        self.note = ""
        self.input: Input | None = None

    def frames(self) -> Iterator[Frames]:
        """The frames in file order.

        Raises ``CaptureError`` if the format is not one that is read, there is no frame, or the
        bus is unknown.
        """
        seen = 0
        with self._open() as stream:
            path = None if self.size is None else self.path
            stored = Stored(stream, self.name, self._progress, path)
            plain = Plain(stored, self.name)
            tally = Tally()
            if head := plain.head:
                self.format = self.format or detect(head, self.name)
                reader = READERS[self.format]()
                if self._columns:
                    reader.columns = self._columns
                for chunk in reader.read(plain.stream, self.name):
                    seen += len(chunk)
                    tally = NOTHING if seen else tally + chunk.tally
                    yield self._shifted(self._named(chunk))
            if not seen:
                raise self._no_frames(tally, plain.damage, stored.size)
            if plain.damage:
                lost = Tally(cut_end=True, notes=(f"{self.name}: {plain.damage}",))
                yield replace(empty_frames(), tally=lost)
            while plain.packed.read(BLOCK):  # what follows the damage belongs to the hash
                pass
            self.input = Input("capture", self.name, stored.sha256, stored.size)

    def _no_frames(self, tally: Tally, damage: str, size: int) -> CaptureError:
        """Why there is not one frame: what was rejected, or lost, or damaged."""
        hint = f"it {_size(size)}; was anything sent while it was recorded?"
        why = f": {damage}" if damage else ""
        if tally.dropped:
            why += f"; it only says that the recorder lost {tally.dropped} frames"
            hint = "the recorder was too slow, or its buffer too small: record again"
        if tally.skipped:
            first = f", the first because of this: {tally.examples[0]}" if tally.examples else ""
            why += f": of {tally.lines} lines or records {tally.skipped} were rejected{first}"
            hint = "look at that place; if it is of another format, name that with --format"
        return CaptureError(f"holds no frames{why}", where=Where(self.name), hint=hint)

    def _named(self, chunk: Frames) -> Frames:
        if self._renames and self._channel is not None:
            self._check_single(chunk)
            if self._own and self._own != self._channel:
                self.note = f"{self.name} calls its bus {self._own}: taken to be {self._channel}"
            elif not self._own and len(chunk):
                self.note = self._taken()
            return replace(chunk, channels=(self._channel,), channel=np.zeros(len(chunk), np.uint8))
        if UNNAMED not in chunk.channels or (self._channel is None and not len(chunk)):
            return chunk
        if self._channel is None:
            raise CaptureError(
                "this capture does not say on which bus it was recorded",
                where=Where(self.name),
                hint="name the bus: --channel can1 (once for all captures, or once for each, in "
                "their order)",
            )
        own = (self._channel if name == UNNAMED else name for name in chunk.channels)
        self.note = self._taken()
        return replace(chunk, channels=tuple(own))

    def _taken(self) -> str:
        return f"{self.name} does not say which bus it was: taken to be {self._channel}"

    def _check_single(self, chunk: Frames) -> None:
        """A file that is given a name must not name several buses itself."""
        for code, name in enumerate(chunk.channels):
            if name in (UNNAMED, self._own) or not (chunk.channel == code).any():
                continue
            if self._own:
                raise CaptureError(
                    f"this file names several buses itself ({self._own}, {name}), and --channel "
                    f"gives one name, {self._channel}",
                    where=Where(self.name),
                    hint="leave --channel out, or give it only once for several captures: it then "
                    "names those that do not name their bus",
                )
            self._own = name

    def _shifted(self, chunk: Frames) -> Frames:
        if not self.shift_ns or not len(chunk):
            return chunk
        lowest, highest = int(chunk.time_ns.min()), int(chunk.time_ns.max())
        if not -LAST_NS < lowest + self.shift_ns <= highest + self.shift_ns < LAST_NS:
            raise CaptureError(
                "with its offset its stamps leave the years 1678 to 2262",
                where=Where(self.name),
                hint="the offset is in seconds",
            )
        return replace(chunk, time_ns=chunk.time_ns + np.int64(self.shift_ns))

    def _progress(self, size: int) -> None:
        self.bytes_read += size

    def _stat(self) -> int | None:
        try:
            found = os.stat(self.path)
        except OSError as error:
            raise self._unreadable(error) from error
        if stat.S_ISDIR(found.st_mode):
            raise CaptureError(
                "this is a folder", where=Where(self.name), hint="name the capture files in it"
            )
        can_wait = hasattr(os, "O_NONBLOCK")  # not on Windows
        if not (stat.S_ISREG(found.st_mode) or (stat.S_ISFIFO(found.st_mode) and can_wait)):
            raise CaptureError(
                "this is a device or a socket, not a capture",
                where=Where(self.name),
                hint="to record from an adapter use canscope record; to read a pipe give -",
            )
        return found.st_size if stat.S_ISREG(found.st_mode) else None

    def _open(self) -> AbstractContextManager[BinaryIO]:
        if self.path == STANDARD_INPUT:
            if sys.stdin is None:
                hint = "lead a capture into it, or name a file"
                where = Where("standard input")
                raise CaptureError("it is closed", where=where, hint=hint)
            return nullcontext(sys.stdin.buffer)
        try:
            if self.size is None:
                return self._open_pipe()
            return open(self.path, "rb", buffering=0)
        except OSError as error:
            raise self._unreadable(error) from error

    def _open_pipe(self) -> BinaryIO:
        """A named pipe into which somebody writes by now; opening it as a file waits for ever."""
        pipe = os.open(self.path, os.O_RDONLY | os.O_NONBLOCK)
        if not select.select([pipe], [], [], PATIENCE_S)[0]:
            os.close(pipe)
            raise CaptureError(
                f"nobody has written to this pipe for {PATIENCE_S} s",
                where=Where(self.name),
                hint="start what writes to it first, or pipe it in: ... | canscope ... -",
            )
        os.set_blocking(pipe, True)
        return open(pipe, "rb", buffering=0)

    def _unreadable(self, error: OSError) -> CaptureError:
        return CaptureError(
            f"cannot be opened: {error.strerror}",
            where=Where(self.name),
            hint="check the path and who may read it",
        )


def _size(count: int) -> str:
    return f"has {count} bytes" if count else "is empty"
