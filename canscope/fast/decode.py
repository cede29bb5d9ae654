"""The compiled engine of decoding: prepares tables for its kernels, and calls them.

A chunk takes three calls: the frames of each message put together; which of them each signal comes
from; and the values of all signals, in one row of numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.decoding.lookup import Lookup
from canscope.decoding.message import Compiled, DecodeResult
from canscope.fast import decode_kernel as _kernel
from canscope.fast.decode_tables import Builder
from canscope.model.signals import Series
from canscope.model.tables import Frames, Int64s

k: Any = _kernel  # its functions have no annotations, only signatures
LONGER = 1 << 16  # bytes; longer than any frame


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


class _Work:
    """Results of the kernels for one chunk, in the order in which they fill them."""

    def __init__(self, channels: int, messages: int, units: int, signals: int) -> None:
        self.edges = np.zeros(messages + 1, np.int64)  # where the frames of each message begin
        self.shortest = np.full(messages, LONGER)  # the least length that they have
        self.unknown = np.zeros(channels, np.int64)  # frames of no message
        self.lists = np.empty(units, np.int64)  # where frames of a unit are listed, or why not
        self.taken = np.zeros(units, np.int64)  # how many they are
        self.begins = np.zeros(signals, np.int64)  # where the values of each signal begin
        self.own_begins = np.zeros(units + 1, np.int64)  # the same of frames that are listed
        self.short = np.zeros(messages, np.int64)
        self.undefined = np.zeros(messages, np.int64)


class Program:
    """Decodes chunks by the kernels; there is a new one whenever there are more channels.

    ``messages`` are by code, None where nothing is wanted.
    """

    def __init__(self, lookup: Lookup, messages: Sequence[Compiled | None]) -> None:
        whole, group = Table(lookup.whole), Table(lookup.group)
        is_wanted = np.array([m is not None for m in messages], np.bool_)
        self._keys = [None if m is None else m.message.key for m in messages]
        builder = Builder()
        for message in messages:
            builder.add(message)
        self._tables = tables = builder.build()
        units = tables.units.tolist()
        self._messages = [unit[k.MESSAGE] for unit in units]
        self._ranges = [(unit[k.BEGIN], unit[k.END]) for unit in units]
        least = np.zeros(len(messages), np.int64)  # bytes that hold all that is wanted of each
        np.maximum.at(least, tables.units[:, k.MESSAGE], tables.units[:, k.NEED])
        self._lookup = (
            *(lookup.standard, whole.keys, whole.codes, group.keys, group.codes),
            *(is_wanted, least, tables.units, tables.is_part),
        )
        self._sizes = (len(lookup.standard), len(messages), len(units), len(tables.specs))
        self._specs = [(spec, spec.key) for spec in tables.specs]

    def __call__(self, frames: Frames, place: Int64s) -> DecodeResult:
        """Decode one chunk; ``place`` is that of each channel's code."""
        work, tables = _Work(*self._sizes), self._tables
        count = len(frames)
        length = _whole(frames.length)
        payloads = (_whole(frames.data), _whole(frames.heap_at), _whole(frames.heap))
        codes = np.empty(count, np.int32)
        rows, times = np.empty(count, np.int64), np.empty(count, np.int64)
        most = k.group(
            *(_whole(frames.channel), _whole(frames.can_id), _whole(frames.flags), length),
            *(_whole(frames.time_ns), place, *self._lookup),
            *(codes, work.edges, work.shortest, work.unknown, rows, times, work.lists),
        )
        picked = np.empty(most, np.int32)
        total = k.choose(
            *(work.edges, tables.units, tables.unit_edges, tables.steps, tables.step_edges),
            *(tables.values, tables.shape, rows, length, *payloads, work.lists),
            *(picked, work.taken, work.begins, work.own_begins, work.short, work.undefined),
        )
        listed = int(work.own_begins[-1])
        own_rows, own_times = np.empty(listed, np.int64), np.empty(listed, np.int64)
        values = [np.empty(total, kind) for kind in (np.float64, np.int64, np.uint8)]
        k.extract(
            *(work.edges, tables.units, work.lists, work.taken, work.begins, picked),
            *(times, rows, *payloads, tables.shape, tables.scale, tables.absent_codes),
            *(*values, work.own_begins, own_times, own_rows),
        )
        series = self._series(work, (times, rows), (own_times, own_rows), values)
        arrivals = self._arrivals(work, times)
        short, undefined = self._counted(work.short), self._counted(work.undefined)
        return DecodeResult(series, arrivals, short, undefined, work.unknown)

    def _series(
        self,
        work: _Work,
        grouped: tuple[Int64s, Int64s],
        own: tuple[Int64s, Int64s],
        values: Sequence[NDArray[Any]],
    ) -> dict[str, Series]:
        """The signals that have values, by key; those of one unit share their times and rows."""
        edges, lists, taken = work.edges.tolist(), work.lists.tolist(), work.taken.tolist()
        begins, own_begins = work.begins.tolist(), work.own_begins.tolist()
        series: dict[str, Series] = {}
        for unit, count in enumerate(taken):
            if not count:
                continue
            if lists[unit] == k.ALL_FRAMES:
                (times, rows), begin = grouped, edges[self._messages[unit]]
            else:
                (times, rows), begin = own, own_begins[unit]
            time_ns, row = times[begin : begin + count], rows[begin : begin + count]
            # The signals of a unit lie behind one another; a row of a table is the cheapest part.
            first, last = self._ranges[unit]
            begin, size = begins[first], last - first
            value, raw, status = (
                column[begin : begin + size * count].reshape(size, count) for column in values
            )
            for at in range(size):
                spec, key = self._specs[first + at]
                series[key] = Series(spec, time_ns, value[at], raw[at], status[at], row)
        return series

    def _arrivals(self, work: _Work, times: Int64s) -> dict[str, Int64s]:
        """When frames of each message came, of those that did."""
        return {
            key: times[begin:end]
            for key, (begin, end) in zip(self._keys, pairwise(work.edges.tolist()), strict=True)
            if key is not None and begin < end
        }

    def _counted(self, counts: Int64s) -> dict[str, int]:
        """Counts a message by key, where there are any."""
        found = np.flatnonzero(counts).tolist()
        return {key: int(counts[code]) for code in found if (key := self._keys[code]) is not None}


def _whole(column: NDArray[Any]) -> NDArray[Any]:
    """A column as the kernels take it: contiguous and, for numba's types, writeable."""
    column = np.ascontiguousarray(column)
    return column if column.flags.writeable else column.copy()
