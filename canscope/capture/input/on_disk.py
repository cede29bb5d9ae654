"""A stream as a file, for formats that are not read from beginning to end."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

from canscope.model.errors import CaptureError, Where

BLOCK = 1 << 20  # bytes a read


class OnDisk:
    """A file that holds the bytes of a stream, all ``size`` of them."""

    def __init__(self, path: str, stream: BinaryIO | None) -> None:
        self.path, self.size = path, os.path.getsize(path)
        self._stream, self._passed = stream, 0

    def reached(self, share: float) -> None:
        """Let the stream follow to this share of the file, so that it is hashed and counted.

        The row numbers of a damaged file may amount to any share.
        """
        until = min(share, 1.0) * self.size
        while self._stream is not None and self._passed + BLOCK <= until:
            self._passed += len(self._stream.read(BLOCK)) or self.size


@contextmanager
def on_disk(stream: BinaryIO, file: str) -> Iterator[OnDisk]:
    """The file that a stream comes from, or a temporary copy where it has none of its own.

    A capture file says through ``raw.path`` that its stream is that file as it is stored.
    Raises ``CaptureError`` if the copy cannot be written.
    """
    path = getattr(getattr(stream, "raw", None), "path", None)
    if path is not None:
        yield OnDisk(path, stream)
        return
    with tempfile.TemporaryDirectory(prefix="canscope-") as folder:
        copy = os.path.join(folder, "capture")
        try:
            with open(copy, "wb") as target:
                shutil.copyfileobj(stream, target, BLOCK)
        except OSError as error:
            raise CaptureError(
                f"this format needs a file, and no copy could be written: {error.strerror}",
                where=Where(file),
                hint="write the capture to a file, unpacked, and name that",
            ) from error
        yield OnDisk(copy, None)
