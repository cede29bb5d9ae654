"""Frames: recorded CAN traffic as columns. The one table that every reader makes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.model.errors import CaptureError

Int64s = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SECOND_NS = 10**9  # nanoseconds in a second
MOST_CHANNELS = 255  # of one capture; their codes are bytes
FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)  # bytes by DLC (linux/can/length.h)
EXAMPLES = 20  # places of skipped things that are kept by name; the rest is only counted


class Flag(IntFlag):
    """What a frame is; a ``can_id`` itself never carries flag bits."""

    EXTENDED = 1  # 29-bit identifier
    REMOTE = 2
    ERROR = 4  # SocketCAN error frame: can_id is its error class
    FD = 8
    BRS = 16
    ESI = 32
    TRANSMITTED = 64  # sent by the recording machine itself


@dataclass(frozen=True)
class Tally:
    """What a reader counted besides frames; tallies add up over chunks."""

    lines: int = 0  # lines or records looked at, blank ones and comments left out
    skipped: int = 0  # of these, the ones that could not be read as a frame
    examples: tuple[str, ...] = ()  # "file:line: reason" of the first EXAMPLES of them
    dropped: int = 0  # frames that the recorder itself reports as lost
    cut_end: bool = False  # the last line or record is incomplete
    notes: tuple[str, ...] = ()  # other remarks of a reader, in words
    # Channels by the clock that stamped them, where there is more than one: their stamps cannot be
    # compared with each other.
    clocks: tuple[tuple[str, ...], ...] = ()

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.lines + other.lines,
            self.skipped + other.skipped,
            (self.examples + other.examples)[:EXAMPLES],
            self.dropped + other.dropped,
            self.cut_end or other.cut_end,
            (self.notes + tuple(n for n in other.notes if n not in self.notes))[:EXAMPLES],
            self.clocks or other.clocks,
        )


NOTHING = Tally()


@dataclass(frozen=True, eq=False)
class Frames:
    """A chunk of recorded frames, one row a frame.

    ========== ======== ===== =========================================================
    column     dtype    shape meaning
    ========== ======== ===== =========================================================
    time_ns    int64    n     since 1970 UTC (relative if the capture's stamps are)
    channel    uint8    n     index into ``channels``
    can_id     uint32   n     11 or 29 bits, or the error class of an error frame
    flags      uint8    n     ``Flag`` bits
    length     uint8    n     payload bytes; of a remote frame, the bytes asked for
    data       uint64   n     first 8 payload bytes, byte 0 lowest, zero-filled
    heap_at    int32    n     where in ``heap`` the whole payload lies; -1 up to 8 bytes
    heap       uint8    any   payloads longer than 8 bytes (CAN FD)
    ========== ======== ===== =========================================================

    ``segment`` counts clock steps: times are comparable only within one segment. ``until_ns`` is
    set once frames are in time order: every frame of the segment before it has been seen.
    ``step_ns`` is the jump of the clock that began the segment, on the first chunk of it only.
    """

    time_ns: Int64s
    channel: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    data: NDArray[np.uint64]
    heap_at: NDArray[np.int32]
    heap: NDArray[np.uint8]
    channels: tuple[str, ...]
    tally: Tally = field(default_factory=Tally)
    segment: int = 0
    until_ns: int | None = None
    step_ns: int | None = None

    def __len__(self) -> int:
        return len(self.time_ns)

    def __repr__(self) -> str:
        buses = ", ".join(self.channels) or "no channel"
        return f"<Frames: {len(self)} on {buses}>"

    def but(self, **changes: Any) -> Frames:
        """The same table but for these columns or marks."""
        return replace(self, **changes)

    def take(self, rows: slice | NDArray[Any]) -> Frames:
        """The rows asked for, in that order; the tally stays with the caller."""
        return self.but(tally=NOTHING, **{name: getattr(self, name)[rows] for name in COLUMNS})

    def payload(self, row: int) -> bytes:
        """The whole payload of one frame; for messages to people, not for decoding."""
        if self.flags[row] & Flag.REMOTE:
            return b""
        size, at = int(self.length[row]), int(self.heap_at[row])
        if at >= 0:
            return self.heap[at : at + size].tobytes()
        return int(self.data[row]).to_bytes(8, "little")[:size]


COLUMNS = ("time_ns", "channel", "can_id", "flags", "length", "data", "heap_at")


class FrameBuilder:
    """Collects frames one by one, for readers that go line by line."""

    def __init__(self) -> None:
        self._rows: list[tuple[int, int, int, int, int, int, int]] = []
        self._heap = bytearray()
        self._channels: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._rows)

    def add(
        self, time_ns: int, channel: str, can_id: int, flags: int, length: int, data: bytes
    ) -> None:
        """Append one frame; ``length`` differs from ``len(data)`` only for remote frames."""
        code = self._channels.setdefault(channel, len(self._channels))
        heap_at = -1
        if len(data) > 8:
            heap_at = len(self._heap)
            self._heap += data
        word = int.from_bytes(data[:8], "little")
        self._rows.append((time_ns, code, can_id, flags, length, word, heap_at))

    def build(self, tally: Tally = NOTHING) -> Frames:
        """The table of all frames added so far."""
        columns = list(zip(*self._rows, strict=True)) if self._rows else [()] * 7
        return Frames(
            time_ns=np.array(columns[0], np.int64),
            channel=np.array(columns[1], np.uint8),
            can_id=np.array(columns[2], np.uint32),
            flags=np.array(columns[3], np.uint8),
            length=np.array(columns[4], np.uint8),
            data=np.array(columns[5], np.uint64),
            heap_at=np.array(columns[6], np.int32),
            heap=np.frombuffer(bytes(self._heap), np.uint8),
            channels=tuple(self._channels),
            tally=tally,
        )


def join(parts: Sequence[Frames]) -> Frames:
    """One table from several; channel codes and heap offsets are rewritten, tallies added.

    Raises ``CaptureError`` if they hold more channels together than there are codes.
    """
    if len(parts) == 1:
        return parts[0]
    channels: dict[str, int] = {}
    columns: dict[str, list[NDArray[Any]]] = {name: [] for name in COLUMNS}
    heaps, heap_size, tally = [], 0, Tally()
    for part in parts:
        codes = [channels.setdefault(name, len(channels)) for name in part.channels]
        if len(channels) > MOST_CHANNELS:
            raise CaptureError(f"more than {MOST_CHANNELS} channels together")
        for name in COLUMNS:
            column = getattr(part, name)
            if name == "channel" and codes != list(range(len(codes))):
                column = np.array(codes, np.uint8)[column]
            elif name == "heap_at" and heap_size:
                column = np.where(column >= 0, column + np.int32(heap_size), column)
            columns[name].append(column)
        if len(part.heap):
            heaps.append(part.heap)
            heap_size += len(part.heap)
        tally = tally + part.tally
    heads = {"channels": tuple(channels), "tally": tally, "step_ns": parts[0].step_ns}
    joined = {name: np.concatenate(columns[name]) for name in COLUMNS}
    joined["heap"] = np.concatenate(heaps) if heaps else np.zeros(0, np.uint8)
    return parts[-1].but(**joined, **heads)


def empty_frames(channels: Iterable[str] = ()) -> Frames:
    """A table without rows."""
    return FrameBuilder().build().but(channels=tuple(channels))
