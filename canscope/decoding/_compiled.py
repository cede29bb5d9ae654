"""The compiled engine of decoding: what its kernels need, and calling them.

A chunk takes four calls: which message each frame is; those of one message put together; which of
them each signal comes from; and the values of all signals, in one row of numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.decoding import _kernel
from canscope.decoding._tables import Builder
from canscope.decoding.lookup import Lookup
from canscope.decoding.message import Compiled, Found
from canscope.model.room import Room
from canscope.model.signals import Series
from canscope.model.tables import Floats, Frames, Int64s

k: Any = _kernel  # whose functions are compiled, and have no types for a checker
HELD = 4  # chunks whose memory is used again
LONGER = 1 << 16  # bytes, than any frame


class Table:
    """A hash table of whole numbers for the kernels: keys, -1 where a place is free, and codes."""

    def __init__(self, entries: Mapping[int, int]) -> None:
        size = 1
        while size < 2 * len(entries) + 1:
            size *= 2
        self.keys, self.codes = np.full(size, -1, np.int64), np.full(size, -1, np.int32)
        for key, code in entries.items():
            place = (key * 0x9E3779B97F4A7C15 % 2**64 >> 32) % size
            while self.keys[place] >= 0:
                place = (place + 1) % size
            self.keys[place], self.codes[place] = key, code


@dataclass(frozen=True, eq=False)
class Grouped:
    """The wanted frames of a chunk, message by message; ``edges`` tells where those of each begin.

    ``shortest`` is the least length that frames of each message have.
    """

    edges: Int64s
    shortest: Int64s
    row: Int64s
    time_ns: Int64s


class Program:
    """Decodes chunks by the kernels; there is a new one whenever there are more channels.

    ``messages`` are by code, None where nothing is wanted.
    """

    def __init__(self, lookup: Lookup, messages: Sequence[Compiled | None]) -> None:
        self._standard = lookup.standard
        self._whole, self._group = Table(lookup.whole), Table(lookup.group)
        self._keys = [None if m is None else m.message.key for m in messages]
        self._is_wanted = np.array([m is not None for m in messages], np.bool_)
        builder = Builder()
        for message in messages:
            builder.add(message)
        self._tables = builder.build()
        units = self._tables.units
        self._message, self._need = units[:, k.MESSAGE], units[:, k.NEED]
        self._messages = self._message.tolist()
        self._is_plain = units[:, k.PATH] == 0
        self._ranges = [(int(row[k.BEGIN]), int(row[k.END])) for row in units]
        least = np.zeros(len(messages), np.int64)
        np.maximum.at(least, self._message, self._need)
        self._least = least  # bytes that hold every wanted signal of a message
        self._specs = [(spec, spec.key) for spec in self._tables.specs]
        self._room = Room(HELD)

    def __call__(self, frames: Frames, place: Int64s) -> Found:
        """Decode one chunk; ``place`` is that of each channel's code."""
        tables, length = self._tables, _whole(frames.length)
        payloads = (_whole(frames.data), _whole(frames.heap_at), _whole(frames.heap))
        grouped, unknown = self._grouped(frames, length, place)
        is_short = (grouped.shortest < self._least)[self._message]
        is_used = tables.is_part == is_short
        is_all = is_used & self._is_plain & (grouped.shortest[self._message] >= self._need)
        size = np.where(is_used & ~is_all, np.diff(grouped.edges)[self._message] + 1, 0)
        lists = np.where(is_used, np.cumsum(size) - size, k.UNUSED)
        lists[is_all] = k.ALL_FRAMES
        (picked,) = self._room.take("picked", (int(size.sum()), np.int32))
        taken, begins = np.zeros(len(lists), np.int64), np.zeros(len(tables.specs), np.int64)
        short, undefined = np.zeros((2, len(self._keys)), np.int64)
        total = k.choose(
            *(grouped.edges, tables.units, tables.unit_edges, tables.steps, tables.step_edges),
            *(tables.values, tables.shape, grouped.row, length, *payloads),
            *(lists, picked, taken, begins, short, undefined),
        )
        own = np.where(is_all, 0, taken)
        own_begins = np.cumsum(own) - own
        listed = int(own.sum())
        times, rows, raw, value, status = self._room.take(
            "values",
            *((listed, np.int64), (listed, np.int64)),
            *((total, np.int64), (total, np.float64), (total, np.uint8)),
        )
        status[:] = 0
        k.extract(
            *(grouped.edges, tables.units, lists, taken, begins, picked),
            *(grouped.time_ns, grouped.row, *payloads),
            *(tables.shape, tables.scale, tables.absent_codes, raw, value, status),
            *(own_begins, times, rows),
        )
        columns = (raw, value, status)
        series = self._series(grouped, lists, taken, begins, columns, (own_begins, times, rows))
        arrivals = {
            key: grouped.time_ns[begin:end]
            for key, (begin, end) in zip(self._keys, pairwise(grouped.edges.tolist()), strict=True)
            if key is not None and begin < end
        }
        return Found(series, arrivals, self._counted(short), self._counted(undefined), unknown)

    def _grouped(
        self, frames: Frames, length: NDArray[np.uint8], place: Int64s
    ) -> tuple[Grouped, Int64s]:
        """The wanted frames, and how many there are of no message, a place of a channel."""
        count, messages = len(frames), len(self._keys)
        (codes,) = self._room.take("codes", (count, np.int32))
        counts, shortest = np.zeros(messages, np.int64), np.full(messages, LONGER)
        unknown = np.zeros(len(self._standard), np.int64)
        k.find_codes(
            *(_whole(frames.channel), _whole(frames.can_id), _whole(frames.flags), length, place),
            *(self._standard, self._whole.keys, self._whole.codes),
            *(self._group.keys, self._group.codes, self._is_wanted),
            *(codes, counts, shortest, unknown),
        )
        edges = np.concatenate((np.zeros(1, np.int64), np.cumsum(counts)))
        total = int(edges[-1])
        row, time_ns = self._room.take("grouped", (total, np.int64), (total, np.int64))
        k.spread(codes, edges[:-1].copy(), _whole(frames.time_ns), row, time_ns)
        return Grouped(edges, shortest, row, time_ns), unknown

    def _series(
        self,
        grouped: Grouped,
        lists: Int64s,
        taken: Int64s,
        begins: Int64s,
        columns: tuple[Int64s, Floats, NDArray[np.uint8]],
        own: tuple[Int64s, Int64s, Int64s],
    ) -> dict[str, Series]:
        """The signals that have values, by key; those of one unit share their times and rows."""
        (own_begins, times, rows), (raws, values, statuses) = own, columns
        edges, listed, first_values = grouped.edges.tolist(), lists.tolist(), begins.tolist()
        own_places, counts = own_begins.tolist(), taken.tolist()
        series: dict[str, Series] = {}
        for unit in np.flatnonzero(taken).tolist():
            count, (first, last) = counts[unit], self._ranges[unit]
            if listed[unit] == k.ALL_FRAMES:
                begin = edges[self._messages[unit]]
                time_ns, row = (
                    grouped.time_ns[begin : begin + count],
                    grouped.row[begin : begin + count],
                )
            else:
                begin = own_places[unit]
                time_ns, row = times[begin : begin + count], rows[begin : begin + count]
            # The signals of a unit lie behind one another; a row of a table is the cheapest part.
            begin = first_values[first]
            end, shape = begin + count * (last - first), (last - first, count)
            value, raw = values[begin:end].reshape(shape), raws[begin:end].reshape(shape)
            status = statuses[begin:end].reshape(shape)
            for at in range(last - first):
                spec, key = self._specs[first + at]
                series[key] = Series(spec, time_ns, value[at], raw[at], status[at], row)
        return series

    def _counted(self, counts: Int64s) -> dict[str, int]:
        """Counts a message by key, where there are any."""
        found = np.flatnonzero(counts).tolist()
        return {key: int(counts[code]) for code in found if (key := self._keys[code]) is not None}


def _whole(column: NDArray[Any]) -> NDArray[Any]:
    """A column as the kernels take it: contiguous, and theirs to read."""
    column = np.ascontiguousarray(column)
    return column if column.flags.writeable else column.copy()
