"""One place that a capture's bytes come from: opened, recognised, read, and remembered."""

from __future__ import annotations

import io
import os
import stat
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from canscope.capture import READERS, UNNAMED
from canscope.capture.input.detect import detect
from canscope.capture.input.stored import GZIP, Stored, Unzipped
from canscope.model.errors import CaptureError, Where
from canscope.model.report import Input
from canscope.model.tables import Frames, Tally, empty_frames

LAST_NS = 9_223_372_036 * 10**9  # the last whole second whose nanoseconds fit 64 bits
BLOCK = 1 << 16  # bytes a read, and those by which a format is recognised
STANDARD_INPUT = "-"


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
    ) -> None:
        self.path, self.format, self._channel = path, format or "", channel
        self._renames, self.shift_ns = renames, shift_ns
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
            packed = io.BufferedReader(stored, BLOCK)
            unzipped = Unzipped(packed) if packed.peek(2).startswith(GZIP) else None
            plain = io.BufferedReader(unzipped, BLOCK) if unzipped else packed
            head = plain.peek(BLOCK)[:BLOCK]
            if head:
                self.format = self.format or detect(head, self.name)
                for chunk in READERS[self.format]().read(plain, self.name):
                    seen += len(chunk)
                    yield self._shifted(self._named(chunk))
            damage = unzipped.damage if unzipped else ""
            if not seen:
                raise CaptureError(
                    "holds no frames" + (f": {damage}" if damage else ""),
                    where=Where(self.name),
                    hint=f"it {_size(stored.size)}; was anything sent while it was recorded?",
                )
            if damage:
                lost = Tally(cut_end=True, notes=(f"{self.name}: {damage}",))
                yield replace(empty_frames(), tally=lost)
            while packed.read(BLOCK):  # what follows the damage belongs to the hash
                pass
            self.input = Input("capture", self.name, stored.sha256, stored.size)

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
        return found.st_size if stat.S_ISREG(found.st_mode) else None

    def _open(self) -> AbstractContextManager[BinaryIO]:
        if self.path == STANDARD_INPUT:
            return nullcontext(sys.stdin.buffer)
        try:
            return open(self.path, "rb", buffering=0)
        except OSError as error:
            raise self._unreadable(error) from error

    def _unreadable(self, error: OSError) -> CaptureError:
        return CaptureError(
            f"cannot be opened: {error.strerror}",
            where=Where(self.name),
            hint="check the path and who may read it",
        )


def _size(count: int) -> str:
    return f"has {count} bytes" if count else "is empty"
