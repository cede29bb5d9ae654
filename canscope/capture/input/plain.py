"""Stored bytes -> what a reader expects: unpacked, text in UTF-8 with line feeds."""

from __future__ import annotations

import bz2
import codecs
import gzip
import io
import lzma
import re
import zlib
from collections.abc import Callable
from typing import Any, BinaryIO, cast

from canscope.capture.input.stored import Stored
from canscope.model.errors import CaptureError, Where

BLOCK = 1 << 16  # bytes a read, and those by which a format is recognised
# text in UTF-16 by its first bytes: a mark, or ASCII with a zero byte to each (without a mark)
UTF16 = {
    "utf-16": re.compile(rb"\xff\xfe|\xfe\xff"),
    "utf-16-le": re.compile(rb"(?:[\t\n\r -~]\0){16}"),
    "utf-16-be": re.compile(rb"(?:\0[\t\n\r -~]){16}"),
}
# No capture unpacks to so many times its size (text of an idle bus: 20 times); what does is made of
# nothing but repetition, and would be read for hours.
MOST_TIMES, UNCHECKED = 500, 1 << 30  # times its size, and bytes that may be unpacked in any case


def _zstd(stream: BinaryIO) -> Any:
    return zstd_module().ZstdFile(stream)


def zstd_module() -> Any:
    """Python's own zstd from 3.14 on, before that the same under another name.

    Raises ``CaptureError`` where neither is installed.
    """
    try:
        from compression import zstd  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        try:
            from backports import zstd  # type: ignore[import-not-found, no-redef, unused-ignore]
        except ImportError as error:
            raise CaptureError(
                "packed with zstd, and nothing is installed that unpacks it",
                hint="pip install 'canscope[zst]', or unpack it first",
            ) from error
    return zstd


# first bytes -> what unpacks them: RFC 1952 2.3.1, bzip2, xz, RFC 8878 3.1.1
PACKED: dict[bytes, Callable[[BinaryIO], Any]] = {
    b"\x1f\x8b": lambda stream: gzip.GzipFile(fileobj=stream),
    b"BZh": lambda stream: Streams(stream, bz2.BZ2Decompressor),
    b"\xfd7zXZ\0": lambda stream: Streams(stream, lzma.LZMADecompressor),
    b"\x28\xb5\x2f\xfd": _zstd,
}


class Streams:
    """Compressed streams one behind the other, with zero bytes between them or none.

    The standard library's files end silently where one that follows the first does not begin as it
    should, and all behind it would be lost without a word.
    """

    def __init__(self, packed: BinaryIO, unpacker: Callable[[], Any]) -> None:
        self._packed, self._unpacker = packed, unpacker
        self._one: Any = None  # unpacks the stream that is being read
        self._left = b""  # of the piece in which the stream before ended

    def read1(self, size: int) -> bytes:
        """Some bytes; none at the end. Raises what the unpacker raises, EOFError if cut."""
        while True:
            piece = b""
            if self._one is None or self._one.needs_input:
                piece, self._left = self._left or self._packed.read(BLOCK), b""
            if self._one is None:
                if not piece:
                    return b""
                piece = piece.lstrip(b"\0")
                self._one = self._unpacker() if piece else None
                if not piece:
                    continue
            elif self._one.needs_input and not piece:
                raise EOFError
            data: bytes = self._one.decompress(piece, size)
            if self._one.eof:
                self._left, self._one = self._one.unused_data, None
            if data:
                return data


class Plain:
    """The plain bytes of a stored stream; ``stream`` peeks at least ``BLOCK`` bytes if there are so
    many.

    ``damage`` says after reading how packed data ended early. Raises ``CaptureError`` where it is
    packed in a way that cannot be unpacked here.
    """

    def __init__(self, stored: Stored, file: str) -> None:
        self.packed = _buffered(stored)
        self.stream: BinaryIO = self.packed
        self._unpacked: Unpacked | None = None
        head = _begun(self.packed)
        for magic, unpack in PACKED.items():
            if head.startswith(magic):
                try:
                    unpacking = unpack(self.packed)
                except CaptureError as error:
                    raise CaptureError(error.what, where=Where(file), hint=error.hint) from error
                self._unpacked = Unpacked(unpacking, stored)
                self.stream = _buffered(self._unpacked)
        head = _begun(self.stream)
        for coding, begins in UTF16.items():
            if begins.match(head):
                self.stream = _buffered(Recoded(self.stream, coding))
                head = _begun(self.stream)
                break
        if b"\r" in head and b"\n" not in head and b"\0" not in head:
            self.stream = _buffered(LineFeeds(self.stream))

    @property
    def head(self) -> bytes:
        """The first bytes, by which the format is recognised."""
        return _begun(self.stream)

    @property
    def damage(self) -> str:
        """Why what was packed could not be read to its end; empty if it could."""
        return self._unpacked.damage if self._unpacked else ""


def _buffered(raw: io.RawIOBase) -> BinaryIO:
    return cast(BinaryIO, io.BufferedReader(raw, BLOCK))


def _begun(stream: BinaryIO) -> bytes:
    return cast(io.BufferedReader, stream).peek(BLOCK)[:BLOCK]


class Unpacked(io.RawIOBase):
    """What a packed stream holds, up to its end or to where it is damaged; ``damage`` says so."""

    def __init__(self, stream: Any, stored: Stored) -> None:
        self._stream, self._stored, self._given = stream, stored, 0
        self.damage = ""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        view = memoryview(buffer)
        if self.damage:
            return 0
        try:
            # read1, because a longer read would discard what came before the damage
            piece = self._stream.read1(len(view))
        except EOFError:
            self.damage = "its compressed data ends early; what came before is kept"
            return 0
        except CaptureError:
            raise
        except (zlib.error, lzma.LZMAError, OSError) as error:
            self.damage = f"its compressed data is damaged ({error}); what came before is kept"
            return 0
        except Exception as error:
            if type(error).__name__ != "ZstdError":  # of a module that may not be installed
                raise
            self.damage = f"its compressed data is damaged ({error}); what came before is kept"
            return 0
        self._given += len(piece)
        if self._given > max(UNCHECKED, MOST_TIMES * self._stored.size):
            self.damage = f"it unpacks to more than {MOST_TIMES} times its size, as no capture does"
            return 0
        view[: len(piece)] = piece
        return len(piece)


class _Changed(io.RawIOBase):
    """A stream whose bytes are changed piece by piece."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self._left = stream, b""

    def readable(self) -> bool:
        return True

    def changed(self, piece: bytes) -> bytes:
        """What stands for a piece; the last one is empty."""
        raise NotImplementedError

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        view = memoryview(buffer)
        while not self._left:
            piece = self._stream.read(BLOCK)
            self._left = self.changed(piece)
            if not piece:
                break
        size = min(len(view), len(self._left))
        view[:size], self._left = self._left[:size], self._left[size:]
        return size


class Recoded(_Changed):
    """UTF-16 as UTF-8; what is no character is replaced."""

    def __init__(self, stream: BinaryIO, coding: str) -> None:
        super().__init__(stream)
        self._decoder = codecs.getincrementaldecoder(coding)("replace")

    def changed(self, piece: bytes) -> bytes:
        return self._decoder.decode(piece, not piece).encode("utf-8", "replace")


class LineFeeds(_Changed):
    """Text whose lines end in carriage returns alone."""

    def changed(self, piece: bytes) -> bytes:
        return piece.replace(b"\r", b"\n")
