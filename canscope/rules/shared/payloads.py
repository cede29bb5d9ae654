"""Frames of a bus and of a message, and their payload bytes as columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canscope.model.bench import Bench
from canscope.model.definition import MessageSpec
from canscope.model.piece import Piece
from canscope.model.tables import Flag, Frames, Int64s

Bytes = NDArray[np.uint8]

ANY_SOURCE = 0xFE  # J1939 null address: in a definition, "whoever sends it"
PDU2 = 0xF000  # from here on the low byte of a parameter group is part of it (linux j1939.rst)
NONE = np.zeros(0, np.int64)


def buses(bench: Bench) -> tuple[str, ...]:
    """The channels that the plan names, in its order."""
    bound = (binding.signal.channel for binding in bench.bindings.values())
    return tuple(dict.fromkeys([*bound, *bench.buses, *bench.bitrates]))


def rows_on(frames: Frames, channel: str) -> Int64s:
    """Rows of every frame of a bus, error frames too."""
    if channel not in frames.channels:
        return NONE
    return np.flatnonzero(frames.channel == frames.channels.index(channel))


def rows_of(piece: Piece, message: MessageSpec) -> Int64s:
    """Rows of this piece's data frames of one message, in frame order.

    Without those of a node that has just restarted, which do not count yet.
    """
    return piece.once((rows_of, message.key), lambda: _rows_of(piece, message))


def _rows_of(piece: Piece, message: MessageSpec) -> Int64s:
    frames = piece.frames
    arrivals = piece.arrivals.get(message.key, NONE)
    if not len(arrivals) or message.channel not in frames.channels:
        return NONE
    if message.j1939:
        alike = _group(frames.can_id) == _group(np.array(message.can_id, np.uint32))
        if message.can_id & 0xFF != ANY_SOURCE:
            alike &= frames.can_id & 0xFF == message.can_id & 0xFF
        # Frames of a message defined with the whole identifier arrive under that one.
        alike &= np.isin(frames.time_ns, arrivals)
    else:
        alike = frames.can_id == message.can_id
    rows: Int64s = np.flatnonzero(alike)
    wanted = Flag.EXTENDED if message.extended else 0
    kind = frames.flags[rows] & (Flag.EXTENDED | Flag.REMOTE | Flag.ERROR)
    channel = frames.channels.index(message.channel)
    mine: Int64s = rows[(kind == wanted) & (frames.channel[rows] == channel)]
    begin_ns, end_ns = piece.starting.get(message.key, (0, 0))
    if end_ns > begin_ns:
        times = frames.time_ns[mine]
        mine = mine[(times < begin_ns) | (times >= end_ns)]
    return mine


def column(frames: Frames, rows: Int64s, number: int) -> Bytes:
    """Payload byte ``number`` of each of these rows, which must be long enough to have it."""
    if number < 8:
        shift = np.uint64(8 * number)
        return (frames.data[rows] >> shift).astype(np.uint8)
    return frames.heap[frames.heap_at[rows] + number]


def _group(can_id: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Parameter group of a J1939 identifier; a destination is no part of it."""
    group = can_id >> np.uint32(8) & np.uint32(0x3FFFF)
    own = np.where(group & 0xFF00 < PDU2, np.uint32(0x3FF00), np.uint32(0x3FFFF))
    return group & own
