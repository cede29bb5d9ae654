"""ASAM MDF 4 measurements with bus logging, through asammdf (the optional extra ``mf4``).

Source: as named in ``frames.py``.
Read: classical, FD, remote and error frames of every group that has CAN_DataFrame,
CAN_RemoteFrame or CAN_ErrorFrame, merged by time, compressed or not, sorted or not; a channel is
``can`` and its BusChannel number, as the recorder counted. Error types become SocketCAN's classes.
Not read: measured signals; overload frames (counted in ``Tally.skipped``); raw DLCs above 8; a
measurement that was never closed (an error says so).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from canscope.capture import READERS, Reader
from canscope.capture.input.on_disk import on_disk
from canscope.capture.mf4.apart import measured_apart
from canscope.model.tables import Frames

MAGIC, NEVER_CLOSED = b"MDF     ", b"UnFinMF "


@READERS.add("mf4")
class Mf4(Reader):
    """MDF 4 measurements with bus logging."""

    def recognises(self, head: bytes) -> bool:
        """Whether the file begins with the identification block of MDF version 4."""
        return head[:8] in (MAGIC, NEVER_CLOSED) and head[8:9] == b"4"

    def read(self, stream: BinaryIO, file: str) -> Iterator[Frames]:
        """Read the bus logging of a measurement in chunks of about 2 MiB.

        A damaged file is read up to the damage. Raises ``CaptureError`` if it has no bus logging,
        was never closed, or asammdf is not installed or cannot open it.
        """
        with on_disk(stream, file) as stored:
            for chunk, share in measured_apart(stored.path, file):
                yield chunk
                stored.reached(share)
