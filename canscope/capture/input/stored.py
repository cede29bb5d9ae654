"""Bytes as they are stored: counted and hashed while they are read."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from typing import BinaryIO, cast

from canscope.model.errors import CaptureError, Where


class Stored(io.RawIOBase):
    """A stream that counts and hashes what is read; ``on_read`` is called with each piece's size.

    ``path`` is the file that holds these bytes, None where they come from a pipe.
    """

    def __init__(
        self,
        stream: BinaryIO,
        file: str,
        on_read: Callable[[int], None],
        path: str | None = None,
    ) -> None:
        self.path = path
        self._stream, self._file, self._on_read = cast(io.RawIOBase, stream), file, on_read
        self._hash = hashlib.sha256()
        self.size = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """Fill the buffer unless the stream ends, also from a pipe that gives little at a time."""
        view, filled = memoryview(buffer), 0
        try:
            while filled < len(view):
                size = self._stream.readinto(view[filled:])
                if not size:
                    break
                self._hash.update(view[filled : filled + size])
                filled += size
        except OSError as error:
            raise CaptureError(
                f"reading stopped after {self.size + filled} bytes: {error.strerror or error}",
                where=Where(self._file),
                hint="copy the file to a sound disk and try again",
            ) from error
        self.size += filled
        self._on_read(filled)
        return filled

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()
