"""Frames sorted by channel and identifier: their stamps and payload bytes, in columns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canscope.model.survey import Field
from canscope.model.tables import Flag, Frames, Int64s

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Payloads:
    """The frames of one identifier on one channel.

    ``data`` has the frames of the most frequent length only, ``time_ns`` their stamps, and
    ``all_ns`` the stamps of every frame. Once ``sorted_by`` a selector, rows are in the order of
    its values and ``same`` tells which rows follow one of the same value.
    """

    channel: str
    can_id: int
    extended: bool
    all_ns: Int64s
    lengths: dict[int, int]
    time_ns: Int64s  # n
    data: Bytes  # n x bytes
    same: NDArray[np.bool_]  # n - 1
    selector: tuple[int, ...] = ()

    def by(self, values: tuple[int, ...]) -> Payloads:
        """Sorted by the value of byte 0, so that a row follows one of the same sender."""
        order = np.argsort(self.data[:, 0], kind="stable")
        data = self.data[order]
        same = data[1:, 0] == data[:-1, 0]
        return Payloads(
            self.channel, self.can_id, self.extended, self.all_ns, self.lengths,
            self.time_ns[order], data, same, values,
        )  # fmt: skip


def by_identifier(frames: Frames) -> Iterator[Payloads]:
    """One group for each identifier of each channel; remote and error frames hold no payload."""
    usable = np.flatnonzero(frames.flags & (Flag.REMOTE | Flag.ERROR) == 0)
    extended = (frames.flags[usable] & Flag.EXTENDED).astype(np.int64)
    key = (frames.channel[usable].astype(np.int64) << 32) | (extended << 30)
    key |= frames.can_id[usable].astype(np.int64)
    order = np.argsort(key, kind="stable")
    rows, sorted_key = usable[order], key[order]
    edges = np.flatnonzero(np.diff(sorted_key)) + 1
    for part in np.split(rows, edges):
        if len(part):
            yield _payloads(frames, part)


def _payloads(frames: Frames, rows: Int64s) -> Payloads:
    length = frames.length[rows]
    counts = np.bincount(length)
    usual = int(counts.argmax())
    kept = rows[length == usual]
    if usual <= 8:
        words = np.ascontiguousarray(frames.data[kept].astype("<u8"))
        data = words.view(np.uint8).reshape(-1, 8)[:, :usual]
    else:
        at = frames.heap_at[kept].astype(np.int64)
        data = frames.heap[at[:, None] + np.arange(usual)]
    first = rows[0]
    return Payloads(
        channel=frames.channels[int(frames.channel[first])],
        can_id=int(frames.can_id[first]),
        extended=bool(frames.flags[first] & Flag.EXTENDED),
        all_ns=frames.time_ns[rows],
        lengths={int(n): int(counts[n]) for n in np.flatnonzero(counts)},
        time_ns=frames.time_ns[kept],
        data=np.ascontiguousarray(data),
        same=np.ones(max(len(kept) - 1, 0), np.bool_),
    )


def raw_values(data: Bytes, low: int, bits: int, *, big_endian: bool, signed: bool) -> Int64s:
    """The raw codes of a field, a row a frame."""
    value = np.zeros(len(data), np.int64)
    byte, bit = divmod(low, 8)
    done = 0
    while done < bits:
        take = min(8 - bit, bits - done)
        part = (data[:, byte] >> np.uint8(bit)) & np.uint8((1 << take) - 1)
        value |= part.astype(np.int64) << done
        done, bit = done + take, 0
        byte += -1 if big_endian else 1
    if signed and bits < 64:
        value -= (value >> (bits - 1)) << bits
    return value


def field_values(payloads: Payloads, field: Field) -> Int64s:
    """The raw value of a field in each of these payloads."""
    return raw_values(
        payloads.data,
        field.low,
        field.length_bits,
        big_endian=field.big_endian,
        signed=field.signed,
    )
