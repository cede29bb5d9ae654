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
        picked = self._room.take("picked", int(size.sum()), np.int32)
        taken, begins = np.zeros(len(lists), np.int64), np.zeros(len(tables.specs), np.int64)
        short, undefined = np.zeros((2, len(self._keys)), np.int64)
        total = k.choose(
            *(grouped.edges, tables.units, tables.unit_edges, tables.steps, tables.step_edges),
            *(tables.values, tables.shape, grouped.row, length, *payloads),
            *(lists, picked, taken, begins, short, undefined),
        )
        own = np.where(is_all, 0, taken)
        own_begins = np.cumsum(own) - own
        take, listed = self._room.take, int(own.sum())
        times, rows = take("times", listed, np.int64), take("rows", listed, np.int64)
        raw, value = take("raw", total, np.int64), take("value", total, np.float64)
        status = take("status", total, np.uint8)
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
        codes = self._room.take("codes", count, np.int32)
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
        grouped = Grouped(
            edges,
            shortest,
            self._room.take("row", total, np.int64),
            self._room.take("time_ns", total, np.int64),
        )
        k.spread(*(codes, edges[:-1].copy(), _whole(frames.time_ns), grouped.row, grouped.time_ns))
        return grouped, unknown

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
        (raw, value, status), (own_begins, times, rows) = columns, own
        firsts = np.where(lists == k.ALL_FRAMES, grouped.edges[self._message], 0)
        series, places = {}, begins.tolist()
        for unit in np.flatnonzero(taken).tolist():
            count = int(taken[unit])
            if lists[unit] == k.ALL_FRAMES:
                part = slice(int(firsts[unit]), int(firsts[unit]) + count)
                time_ns, row = grouped.time_ns[part], grouped.row[part]
            else:
                part = slice(int(own_begins[unit]), int(own_begins[unit]) + count)
                time_ns, row = times[part], rows[part]
            for number in range(*self._ranges[unit]):
                part = slice(places[number], places[number] + count)
                spec, key = self._specs[number]
                series[key] = Series(spec, time_ns, value[part], raw[part], status[part], row)
        return series

    def _counted(self, counts: Int64s) -> dict[str, int]:
        """Counts a message by key, where there are any."""
        found = np.flatnonzero(counts).tolist()
        return {key: int(counts[code]) for code in found if (key := self._keys[code]) is not None}


def _whole(column: NDArray[Any]) -> NDArray[Any]:
    """A column as the kernels take it: contiguous, and theirs to read."""
    column = np.ascontiguousarray(column)
    return column if column.flags.writeable else column.copy()
