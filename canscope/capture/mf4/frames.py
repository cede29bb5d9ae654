"""The records of an MF4 bus logging group -> Frames.

Source: ASAM MDF 4, "Associated Standard: Bus Logging", names of the fields of CAN_DataFrame,
CAN_RemoteFrame and CAN_ErrorFrame, and asammdf 8's ``v4_constants.CAN_ERROR_TYPES``; from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from canscope.capture import UNNAMED
from canscope.capture.input.table import Bytes, assembled, gathered
from canscope.model.tables import FD_LENGTHS, MOST_CHANNELS, Bools, Flag, Floats, Frames, Int64s

DATA, REMOTE, ERROR, OVERLOAD = (
    "CAN_DataFrame",
    "CAN_RemoteFrame",
    "CAN_ErrorFrame",
    "CAN_OverloadFrame",
)
KINDS = (DATA, REMOTE, ERROR, OVERLOAD)
PAYLOAD = "DataBytes"
NUMBERS = ("BusChannel", "ID", "IDE", "DLC", "DataLength", "Dir", "EDL", "BRS", "ESI", "ErrorType")
ID_BITS, EXTENDED_BIT = 0x1FFF_FFFF, 0x8000_0000
LENGTH_OF_DLC = np.array(FD_LENGTHS, np.int64)
# linux/can/error.h: class, and bytes 2 and 3 with details, for error types 1 bit, 2 form,
# 3 stuff, 4 CRC, 5 no acknowledgement; any other is a bus error of which nothing is known.
BUS_ERROR, ERROR_BYTES = 0x80, 8
CLASS_OF_TYPE = np.array([0x80, 0x88, 0x88, 0x88, 0x88, 0x20, 0x80], np.int64)
BYTES_OF_TYPE = np.zeros((7, ERROR_BYTES), np.uint8)
BYTES_OF_TYPE[(1, 2, 3, 4), (2, 2, 2, 3)] = (0x01, 0x02, 0x04, 0x08)
LAST_NS = 1 << 62  # further away than any clock; sums with it still fit 64 bits


class Payload(NamedTuple):
    """Data bytes of records in a buffer: where they begin and how many there are."""

    buffer: Bytes
    at: Int64s
    size: Int64s


class Records:
    """One stretch of records of one group: their times, and fields by the last part of their names.

    ``payload`` gives the data bytes, as many of each as the number that it is called with.
    """

    def __init__(
        self,
        seconds: Floats,
        columns: Mapping[str, NDArray[Any]],
        payload: Callable[[int], Payload] | None,
    ) -> None:
        self.seconds, self._columns, self._payload = seconds, columns, payload

    def __len__(self) -> int:
        return len(self.seconds)

    def has(self, field: str) -> bool:
        """Whether the group has such a field; only ``ID`` must be there."""
        return field in self._columns

    def number(self, field: str) -> Int64s:
        """A field as numbers; zeros if there is none. A text, as of a direction, is 1 for Tx."""
        if not self.has(field):
            return np.zeros(len(self), np.int64)
        column = self._columns[field]
        if column.dtype.kind == "S":
            return np.asarray(np.char.upper(column) == b"TX", np.int64)
        return np.asarray(column, np.int64)

    def payload(self, longest: int) -> Payload:
        """The data bytes, at least the first ``longest`` of each record."""
        if self._payload is None:
            nowhere = np.zeros(len(self), np.int64)
            return Payload(np.zeros(0, np.uint8), nowhere, nowhere)
        return self._payload(longest)


def records_of(samples: NDArray[Any], seconds: Floats) -> Records:
    """Records as asammdf gives them: a structured array."""
    names = {name.rpartition(".")[2]: name for name in samples.dtype.names or ()}
    columns = {field: samples[name] for field, name in names.items()}
    if PAYLOAD not in columns:
        return Records(seconds, columns, None)
    data = np.ascontiguousarray(columns.pop(PAYLOAD)).view(np.uint8).reshape(len(seconds), -1)
    at, size = np.arange(len(data)) * data.shape[1], np.full(len(data), data.shape[1])
    return Records(seconds, columns, lambda longest: Payload(data.ravel(), at, size))


def frames(kind: str, records: Records, start_ns: int, place: str, first: int) -> Frames:
    """The frames in records of a kind; ``start_ns`` is when the measurement began.

    ``place`` and a number, ``first`` for the first of them, say where a record is.
    """
    raw_id = records.number("ID")
    can_id = raw_id & ID_BITS
    # a file without IDE may still mark an extended identifier in the identifier itself
    extended = (records.number("IDE") == 1) | (raw_id & EXTENDED_BIT != 0)
    if not records.has("IDE"):
        extended |= can_id > 0x7FF
    flags = _marked(extended, Flag.EXTENDED) | _marked(records.number("Dir") == 1, Flag.TRANSMITTED)
    by_dlc = LENGTH_OF_DLC.take(records.number("DLC"), mode="clip")
    length = records.number("DataLength") if records.has("DataLength") else by_dlc
    if kind == REMOTE:
        flags |= np.uint8(Flag.REMOTE)
        length = np.minimum(by_dlc, 8)
        size = np.zeros_like(length)
    else:
        size = length
    payload = records.payload(max(int(size.max(initial=0)), ERROR_BYTES))
    if kind == ERROR:
        flags = flags & np.uint8(Flag.TRANSMITTED) | np.uint8(Flag.ERROR)
        can_id, length, payload = _error(records, can_id, length, payload)
        size = length
    elif kind == DATA:
        is_fd = (records.number("EDL") == 1) | (length > 8)
        flags |= _marked(is_fd, Flag.FD)
        flags |= _marked(is_fd & (records.number("BRS") == 1), Flag.BRS)
        flags |= _marked(is_fd & (records.number("ESI") == 1), Flag.ESI)
    time_ns, in_time = _times(records.seconds, start_ns)
    channel, channels, known = _channels(records)
    return assembled(
        payload.buffer,
        payload.at,
        time_ns=time_ns,
        channel=channel,
        channels=channels,
        can_id=can_id,
        flags=flags,
        length=length,
        wrong=[
            (~in_time, "its time does not fit 64 bits of nanoseconds"),
            (~known, f"more than {MOST_CHANNELS} channels"),
            (size > payload.size, "the record has fewer data bytes than it says"),
        ],
        place=lambda row: f"{place} {first + row}",
    )


def _marked(rows: Bools, flag: Flag) -> Bytes:
    return np.where(rows, np.uint8(flag), np.uint8(0))


def _error(
    records: Records, can_id: Int64s, length: Int64s, payload: Payload
) -> tuple[Int64s, Int64s, Payload]:
    """(class, length, data) as SocketCAN has them.

    Without an error type, a record with 8 data bytes is taken to come from SocketCAN, as
    python-can writes it: its identifier is the class. Any other identifier is that of a frame.
    """
    count = len(records)
    eight = np.full(count, ERROR_BYTES, np.int64)
    own = np.zeros((count, ERROR_BYTES), np.uint8)
    if records.has("ErrorType"):
        kind = records.number("ErrorType").clip(0, len(CLASS_OF_TYPE) - 1)
        can_id, own = CLASS_OF_TYPE[kind], BYTES_OF_TYPE[kind]
    else:
        ours = np.flatnonzero((payload.size >= ERROR_BYTES) & (length == ERROR_BYTES))
        own[ours] = gathered(payload.buffer, payload.at[ours], ERROR_BYTES)
        known = np.full(count, BUS_ERROR, np.int64)
        known[ours] = can_id[ours]
        can_id = known
    return can_id, eight, Payload(own.ravel(), np.arange(count) * ERROR_BYTES, eight)


def _times(seconds: Floats, start_ns: int) -> tuple[Int64s, Bools]:
    """Nanoseconds since 1970 of seconds since the start, and which of them can be so."""
    with np.errstate(over="ignore", invalid="ignore"):
        nanos = np.rint(np.asarray(seconds, np.float64) * 1e9)
    good = (np.abs(nanos) < LAST_NS) & (nanos + float(start_ns) >= 0)  # false for no number
    if start_ns >= LAST_NS:
        good, start_ns = np.zeros_like(good), 0
    return np.where(good, nanos, 0).astype(np.int64) + start_ns, np.asarray(good)


def _channels(records: Records) -> tuple[Int64s, tuple[str, ...], Bools]:
    """(codes, names, which records have one) by the number of the bus."""
    if not records.has("BusChannel"):
        return np.zeros(len(records), np.int64), (UNNAMED,), np.ones(len(records), np.bool_)
    numbers = records.number("BusChannel")
    if len(numbers) and numbers.min() >= 0 and numbers.max() < MOST_CHANNELS:
        found = np.flatnonzero(np.bincount(numbers))  # reading takes 8 % longer if they are sorted
        place = np.zeros(MOST_CHANNELS, np.int64)
        place[found] = np.arange(len(found))
        codes = place[numbers]
    else:
        found, codes = np.unique(numbers, return_inverse=True)
    known = codes < MOST_CHANNELS
    names = tuple(f"can{number}" for number in found[:MOST_CHANNELS].tolist())
    return np.where(known, codes, 0), names, np.asarray(known)
