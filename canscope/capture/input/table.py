"""What readers of whole columns share: which rows are frames, and where their payloads go."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.model.tables import EXAMPLES, FD_LENGTHS, Bools, Flag, Frames, Int64s, Tally

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

IS_FD_LENGTH = np.zeros(256, np.bool_)
IS_FD_LENGTH[[*FD_LENGTHS]] = True
FIRST_BYTES = np.array([(1 << 8 * size) - 1 for size in range(9)], np.uint64)


def sound(can_id: Int64s, flags: Bytes, length: Int64s) -> Bools:
    """Which rows a CAN controller could have sent; of the others ``reason`` says why not."""
    is_fd, special = (flags & Flag.FD) != 0, flags & (Flag.ERROR | Flag.REMOTE)
    longest = np.where((flags & (Flag.EXTENDED | Flag.ERROR)) != 0, 0x1FFF_FFFF, 0x7FF)
    fits = (length <= 8) | (is_fd & IS_FD_LENGTH.take(length, mode="clip") & (length <= 64))
    fits &= length >= 0
    both = (special == (Flag.ERROR | Flag.REMOTE)) | (is_fd & (special != 0))
    return np.asarray(fits & ~both & (can_id >= 0) & (can_id <= longest))


def reason(can_id: int, flags: int, length: int) -> str:
    """Why one row is no frame; empty if it is one."""
    if flags & Flag.ERROR and flags & (Flag.REMOTE | Flag.FD):
        return "an error frame is neither remote nor FD"
    if flags & Flag.REMOTE and flags & Flag.FD:
        return "a remote frame is never FD"
    bits = 29 if flags & (Flag.EXTENDED | Flag.ERROR) else 11
    if not 0 <= can_id < 1 << bits:
        return f"identifier {can_id:X} is beyond {bits} bits"
    if flags & Flag.FD and length not in FD_LENGTHS:
        return f"no CAN FD frame carries {length} bytes"
    if not flags & Flag.FD and not 0 <= length <= 8:
        return f"no classical frame carries {length} bytes"
    return ""


def gathered(buffer: Bytes, at: Int64s, width: int) -> Bytes:
    """The ``width`` bytes from each place on, shape n x width; beyond the buffer, any byte.

    ``width`` is a multiple of 4. Places at equal distances, the common case, are read as a matrix
    with a longer step from row to row: a pcap capture takes 32 % longer without.
    """
    if len(at) > 1:
        first, step = int(at[0]), int(at[1] - at[0])
        inside = first >= 0 and step > 0 and int(at[-1]) + width <= len(buffer)
        if inside and bool(np.all(at[1:] - at[:-1] == step)):
            shape, steps = (len(at), width // 4), (step, 4)
            words = np.ndarray(shape, np.uint32, np.ascontiguousarray(buffer), first, steps)
            return words.copy().view(np.uint8)
    if not len(at):
        return np.zeros((0, width), np.uint8)
    if int(at.min()) < 0 or int(at.max()) + width > len(buffer):
        beyond = np.zeros(width, np.uint8)
        at = np.clip(at, -width, len(buffer)) + width
        buffer = np.concatenate((beyond, buffer, beyond))
    # one number that begins at each byte, so that a row takes one look, not one a byte
    size = 8 if width % 8 == 0 else 4
    count = len(buffer) - size + 1
    numbers = np.ndarray(count, f"u{size}", np.ascontiguousarray(buffer), 0, (1,))
    places = at if width == size else at[:, None] + np.arange(0, width, size)
    return numbers[places].reshape(len(at), -1).view(np.uint8)


def payloads(buffer: Bytes, at: Int64s, size: Int64s) -> tuple[Words, NDArray[np.int32], Bytes]:
    """(data, heap_at, heap) of payloads that lie in a buffer: ``size`` bytes from ``at`` on."""
    first = gathered(buffer, at, 8).view("<u8")[:, 0]
    data = np.asarray(first & FIRST_BYTES.take(size, mode="clip"), np.uint64)
    heap_at, long = np.full(len(at), -1, np.int32), np.flatnonzero(size > 8)
    if not len(long):
        return data, heap_at, np.zeros(0, np.uint8)
    sizes = size[long]
    begins = np.cumsum(sizes) - sizes
    heap_at[long] = begins
    places = np.repeat(at[long] - begins, sizes) + np.arange(int(sizes.sum()))
    return data, heap_at, buffer[places]


def assembled(
    buffer: Bytes,
    at: Int64s,
    *,
    time_ns: Int64s,
    channel: NDArray[Any],
    channels: tuple[str, ...],
    can_id: Int64s,
    flags: Bytes,
    length: Int64s,
    wrong: Sequence[tuple[Bools, str]],
    place: Callable[[int], str],
) -> Frames:
    """The frames among the rows, with a tally of the others.

    ``at`` is where each payload begins in the buffer; ``wrong`` has what the format itself finds
    wrong with rows, the first telling why; ``place(row)`` says where a row is.
    """
    good = sound(can_id, flags, length)
    for rows, _ in wrong:
        good &= ~rows

    def why(row: int) -> str:
        own = (words for rows, words in wrong if rows[row])
        return next(own, "") or reason(int(can_id[row]), int(flags[row]), int(length[row]))

    bad = np.flatnonzero(~good)
    examples = tuple(f"{place(row)}: {why(row)}" for row in bad[:EXAMPLES].tolist())
    kept = slice(None) if not len(bad) else np.flatnonzero(good)
    flags, length = flags[kept], length[kept]
    size = np.where((flags & Flag.REMOTE) != 0, 0, length)
    data, heap_at, heap = payloads(buffer, at[kept], size)
    return Frames(
        time_ns=time_ns[kept].astype(np.int64),
        channel=channel[kept].astype(np.uint8),
        can_id=can_id[kept].astype(np.uint32),
        flags=flags.astype(np.uint8),
        length=length.astype(np.uint8),
        data=data,
        heap_at=heap_at,
        heap=heap,
        channels=channels,
        tally=Tally(len(good), len(bad), examples),
    )
