"""Bytes as they are stored: counted and hashed while they are read, and unpacked."""

from __future__ import annotations

import gzip
import hashlib
import io
import zlib
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import BinaryIO, cast

from canscope.model.engine import workers
from canscope.model.errors import CaptureError, Where

LARGE, WAITING = 1 << 18, 3  # bytes of a piece that another thread is worth; pieces
GZIP = b"\x1f\x8b"  # RFC 1952, 2.3.1


class Stored(io.RawIOBase):
    """A stream that counts and hashes what passes; ``said`` hears of every piece's size.

    ``path`` is the file that holds these bytes, None where they come from a pipe.
    """

    def __init__(
        self,
        stream: BinaryIO,
        file: str,
        said: Callable[[int], None],
        path: str | None = None,
    ) -> None:
        self.path = path
        self._stream, self._file, self._said = cast(io.RawIOBase, stream), file, said
        self._hash = Hash()
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
        self._said(filled)
        return filled

    @property
    def sha256(self) -> str:
        return self._hash.hexdigest()


class Hash:
    """SHA-256 of what passes; where there is another core, large pieces are hashed there."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._is_alone = workers() == 1
        self._pool: ThreadPoolExecutor | None = None
        self._waiting: deque[Future[bytearray]] = deque()
        self._spare: list[bytearray] = []  # used again, as fresh memory is dear

    def update(self, piece: bytes | memoryview) -> None:
        """Take the next piece, which may change afterwards; at most WAITING of them are held."""
        if self._is_alone or (len(piece) < LARGE and not self._waiting):
            self._hash.update(piece)
            return
        if self._pool is None:
            self._pool = ThreadPoolExecutor(1)
        while self._waiting and (len(self._waiting) >= WAITING or self._waiting[0].done()):
            self._spare.append(self._waiting.popleft().result())
        size = len(piece)
        copy = self._spare.pop() if self._spare else bytearray(size)
        copy += bytes(max(0, size - len(copy)))
        copy[:size] = piece
        self._waiting.append(self._pool.submit(self._hashed, copy, size))

    def _hashed(self, copy: bytearray, size: int) -> bytearray:
        self._hash.update(memoryview(copy)[:size])
        return copy

    def hexdigest(self) -> str:
        """The digest of all of it."""
        while self._waiting:
            self._waiting.popleft().result()
        return self._hash.hexdigest()


class Unzipped(io.RawIOBase):
    """What a gzip stream holds, up to its end or to where it is damaged; ``damage`` says so."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = gzip.GzipFile(fileobj=stream)
        self.damage = ""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        view = memoryview(buffer)
        if self.damage:
            return 0
        try:
            # read1: a longer read would throw away what came before the damage
            piece = self._stream.read1(len(view))
        except EOFError:
            self.damage = "its compressed data ends early; what came before is kept"
            return 0
        except (zlib.error, gzip.BadGzipFile) as error:
            self.damage = f"its compressed data is damaged ({error}); what came before is kept"
            return 0
        view[: len(piece)] = piece
        return len(piece)
