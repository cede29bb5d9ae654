"""The records of an MF4 bus logging group -> Frames.

Source: ASAM MDF 4, "Associated Standard: Bus Logging", names of the fields of CAN_DataFrame,
CAN_RemoteFrame and CAN_ErrorFrame, and asammdf 8's ``v4_constants.CAN_ERROR_TYPES``; from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.capture import UNNAMED
from canscope.capture._table import Bytes, assembled
from canscope.model.tables import MOST_CHANNELS, Bools, Flag, Frames, Int64s

DATA, REMOTE, ERROR, OVERLOAD = (
    "CAN_DataFrame",
    "CAN_RemoteFrame",
    "CAN_ErrorFrame",
    "CAN_OverloadFrame",
)
KINDS = (DATA, REMOTE, ERROR, OVERLOAD)
ID_BITS, EXTENDED_BIT = 0x1FFF_FFFF, 0x8000_0000
LENGTH_OF_DLC = np.array([*range(9), 12, 16, 20, 24, 32, 48, 64], np.int64)  # linux/can/length.h
# linux/can/error.h: class, and bytes 2 and 3 that say more, for error types 1 bit, 2 form,
# 3 stuff, 4 CRC, 5 no acknowledgement; any other is a bus error of which nothing is known.
BUS_ERROR, ERROR_BYTES = 0x80, 8
CLASS_OF_TYPE = np.array([0x80, 0x88, 0x88, 0x88, 0x88, 0x20, 0x80], np.int64)
BYTES_OF_TYPE = np.zeros((7, ERROR_BYTES), np.uint8)
BYTES_OF_TYPE[(1, 2, 3, 4), (2, 2, 2, 3)] = (0x01, 0x02, 0x04, 0x08)
LAST_NS = 1 << 62  # further away than any clock; sums with it still fit 64 bits


class Records:
    """One stretch of records of one group; the fields by the last part of their names."""

    def __init__(self, samples: NDArray[Any], seconds: NDArray[np.float64]) -> None:
        self.seconds, self._samples = seconds, samples
        self._names = {name.rpartition(".")[2]: name for name in samples.dtype.names or ()}

    def __len__(self) -> int:
        return len(self.seconds)

    def has(self, field: str) -> bool:
        """Whether the group has such a field; only ``ID`` must be there."""
        return field in self._names

    def number(self, field: str) -> Int64s:
        """A field as numbers; zeros if there is none. A text, as of a direction, is 1 for Tx."""
        if not self.has(field):
            return np.zeros(len(self), np.int64)
        column = self._samples[self._names[field]]
        if column.dtype.kind == "S":
            return np.asarray(np.char.upper(column) == b"TX", np.int64)
        return np.asarray(column, np.int64)

    def bytes(self) -> Bytes:
        """The data bytes, shape n x width, width as the file has it."""
        if not self.has("DataBytes"):
            return np.zeros((len(self), 0), np.uint8)
        column = np.ascontiguousarray(self._samples[self._names["DataBytes"]])
        return column.view(np.uint8).reshape(len(self), -1)


def frames(kind: str, records: Records, start_ns: int, place: str, first: int) -> Frames:
    """The frames in records of a kind; ``start_ns`` is when the measurement began.

    ``place`` and a number, ``first`` for the first of them, say where a record is.
    """
    raw_id = records.number("ID")
    can_id, data = raw_id & ID_BITS, records.bytes()
    # a file without IDE may still mark an extended identifier in the identifier itself
    extended = (records.number("IDE") == 1) | (raw_id & EXTENDED_BIT != 0)
    if not records.has("IDE"):
        extended |= can_id > 0x7FF
    flags = _marked(extended, Flag.EXTENDED) | _marked(records.number("Dir") == 1, Flag.TRANSMITTED)
    by_dlc = LENGTH_OF_DLC.take(records.number("DLC"), mode="clip")
    length = records.number("DataLength") if records.has("DataLength") else by_dlc
    if kind == REMOTE:
        flags |= np.uint8(Flag.REMOTE)
        length, data = np.minimum(by_dlc, 8), data[:, :0]
    elif kind == ERROR:
        flags = flags & np.uint8(Flag.TRANSMITTED) | np.uint8(Flag.ERROR)
        can_id, length, data = _error(records, can_id, length, data)
    else:
        is_fd = (records.number("EDL") == 1) | (length > 8)
        flags |= _marked(is_fd, Flag.FD)
        flags |= _marked(is_fd & (records.number("BRS") == 1), Flag.BRS)
        flags |= _marked(is_fd & (records.number("ESI") == 1), Flag.ESI)
    size = np.zeros_like(length) if kind == REMOTE else length
    time_ns, in_time = _times(records.seconds, start_ns)
    channel, channels, known = _channels(records)
    return assembled(
        data.ravel(),
        np.arange(len(records)) * data.shape[1],
        time_ns=time_ns,
        channel=channel,
        channels=channels,
        can_id=can_id,
        flags=flags,
        length=length,
        wrong=[
            (~in_time, "its time does not fit 64 bits of nanoseconds"),
            (~known, f"more than {MOST_CHANNELS} channels"),
            (size > data.shape[1], "the record has fewer data bytes than it says"),
        ],
        place=lambda row: f"{place} {first + row}",
    )


def _marked(rows: Bools, flag: Flag) -> Bytes:
    return np.where(rows, np.uint8(flag), np.uint8(0))


def _error(
    records: Records, can_id: Int64s, length: Int64s, data: Bytes
) -> tuple[Int64s, Int64s, Bytes]:
    """(class, length, data) as SocketCAN has them.

    Without an error type, a record with 8 data bytes is taken to come from SocketCAN, as
    python-can writes it: its identifier is the class. Any other identifier is that of a frame.
    """
    eight = np.full(len(records), ERROR_BYTES, np.int64)
    if records.has("ErrorType"):
        kind = records.number("ErrorType").clip(0, len(CLASS_OF_TYPE) - 1)
        return CLASS_OF_TYPE[kind], eight, BYTES_OF_TYPE[kind]
    ours = np.full(len(records), data.shape[1] >= ERROR_BYTES) & (length == ERROR_BYTES)
    own = np.zeros((len(records), ERROR_BYTES), np.uint8)
    if ours.any():
        own[ours] = data[ours, :ERROR_BYTES]
    return np.where(ours, can_id, BUS_ERROR), eight, own


def _times(seconds: NDArray[np.float64], start_ns: int) -> tuple[Int64s, Bools]:
    """Nanoseconds since 1970 of seconds since the start, and which of them can be so."""
    nanos = np.rint(np.asarray(seconds, np.float64) * 1e9)
    good = (np.abs(nanos) < LAST_NS) & (nanos + float(start_ns) >= 0)  # false for no number
    return np.where(good, nanos, 0).astype(np.int64) + start_ns, np.asarray(good)


def _channels(records: Records) -> tuple[Int64s, tuple[str, ...], Bools]:
    """(codes, names, which records have one) by the number of the bus."""
    if not records.has("BusChannel"):
        return np.zeros(len(records), np.int64), (UNNAMED,), np.ones(len(records), np.bool_)
    numbers, codes = np.unique(records.number("BusChannel"), return_inverse=True)
    known = codes < MOST_CHANNELS
    names = tuple(f"can{number}" for number in numbers[:MOST_CHANNELS].tolist())
    return np.where(known, codes, 0), names, np.asarray(known)
