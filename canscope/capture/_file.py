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

from canscope.capture import READERS
from canscope.capture._detect import detect
from canscope.capture._stored import GZIP, Stored, Unzipped
from canscope.model.errors import CaptureError, Where
from canscope.model.report import Input
from canscope.model.tables import Frames, Tally, empty_frames

BLOCK = 1 << 16  # bytes a read, and those by which a format is recognised
STANDARD_INPUT = "-"


class CaptureFile:
    """A file or standard input; ``input`` is known once ``frames`` has come to its end.

    ``size`` is in bytes as stored, None where nobody can know it (a pipe).
    Raises ``CaptureError`` if there is nothing to read.
    """

    def __init__(self, path: str, format: str | None) -> None:
        self.path, self._format = path, format
        self.name = "standard input" if path == STANDARD_INPUT else path
        self.size = None if path == STANDARD_INPUT else self._stat()
        self.bytes_read = 0
        self.input: Input | None = None

    def frames(self) -> Iterator[Frames]:
        """The frames in file order.

        Raises ``CaptureError`` if the format is not one that is read, or there is no frame.
        """
        seen = 0
        with self._open() as stream:
            stored = Stored(stream, self.name, self._progress)
            packed = io.BufferedReader(stored, BLOCK)
            unzipped = Unzipped(packed) if packed.peek(2).startswith(GZIP) else None
            plain = io.BufferedReader(unzipped, BLOCK) if unzipped else packed
            head = plain.peek(BLOCK)[:BLOCK]
            if head:
                format = self._format or detect(head, self.name)
                for chunk in READERS[format](plain, self.name):
                    seen += len(chunk)
                    yield chunk
            damage = unzipped.damage if unzipped else ""
            if not seen:
                raise CaptureError(
                    "holds no frames" + (f": {damage}" if damage else ""),
                    where=Where(self.name),
                    hint=f"it has {stored.size} byte(s); was anything sent while it was recorded?",
                )
            if damage:
                lost = Tally(cut_end=True, notes=(f"{self.name}: {damage}",))
                yield replace(empty_frames(), tally=lost)
            while packed.read(BLOCK):  # what follows the damage belongs to the hash
                pass
            self.input = Input("capture", self.name, stored.sha256, stored.size)

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
