"""The compiled engine of decoding: what its kernels need, and calling them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canscope.decoding.absent import largest, wrapped
from canscope.decoding.bits import (
    Fields,
    Heap,
    Payloads,
    bytes_needed,
    first_bit,
    is_special,
    whole_numbers,
)
from canscope.decoding.lookup import Codes, Lookup
from canscope.model.definition import SignalSpec
from canscope.model.engine import waking
from canscope.model.tables import Bools, Floats, Frames, Int64s

HALF_FLOAT = 16  # bits; numba has no such number, so these stay with numpy


@cache
def _kernels() -> Any:
    """The module of the kernels; the first time they are loaded, or compiled."""
    with waking():
        from canscope.decoding import _kernel
    return _kernel


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


class Grouper:
    """Finds the frames of each wanted message."""

    def __init__(self, lookup: Lookup, is_wanted: Bools) -> None:
        self._kernel = _kernels()
        self._standard = lookup.standard
        self._whole, self._group = Table(lookup.whole), Table(lookup.group)
        self._is_wanted = is_wanted

    def group(self, frames: Frames, place: Int64s) -> tuple[Int64s, Payloads, Int64s]:
        """Wanted frames by message, in its order (``place`` is that of each channel's code).

        Gives where the frames of each message begin and, last, where all end; the frames; and how
        many frames of no message there are, a place.
        """
        codes: Codes = np.empty(len(frames), np.int32)
        counts = np.zeros(len(self._is_wanted), np.int64)
        undefined = np.zeros(len(self._standard), np.int64)
        self._kernel.find_codes(
            _whole(frames.channel),
            _whole(frames.can_id),
            _whole(frames.flags),
            place,
            self._standard,
            self._whole.keys,
            self._whole.codes,
            self._group.keys,
            self._group.codes,
            self._is_wanted,
            codes,
            counts,
            undefined,
        )
        edges = np.concatenate((np.zeros(1, np.int64), np.cumsum(counts)))
        total = int(edges[-1])
        payloads = Payloads(
            np.empty(total, np.int64),
            np.empty(total, np.int64),
            np.empty(total, np.uint8),
            np.empty(total, np.uint64),
            np.empty(total, np.int32),
            Heap(frames),
            is_compiled=True,
        )
        self._kernel.spread(
            codes,
            edges[:-1].copy(),
            _whole(frames.time_ns),
            _whole(frames.length),
            _whole(frames.data),
            _whole(frames.heap_at),
            payloads.row,
            payloads.time_ns,
            payloads.length,
            payloads.word,
            payloads.heap_at,
        )
        return edges, payloads, undefined


class Extractor:
    """Signals of one message as rows of numbers; ``can`` says whether the kernel knows them all."""

    def __init__(self, fields: Fields, low: Floats, high: Floats) -> None:
        self.can = all(not (s.is_float and s.length_bits == HALF_FLOAT) for s in fields.specs)
        shapes, codes = [], list[int]()
        for spec in fields.specs if self.can else ():
            shapes.append(_shape(spec, len(codes)))
            codes += (wrapped(code) for code in spec.absent.codes)
        self._shape = np.array(shapes, np.int64)
        self._codes = np.array(codes, np.int64)
        factors = [(spec.factor, spec.offset) for spec in fields.specs]
        self._scale = np.hstack((np.array(factors), low, high))

    def __call__(self, payloads: Payloads) -> tuple[Int64s, Floats, NDArray[np.uint8]]:
        """Raw codes, values and statuses, shape (signals, frames)."""
        kernel: Any = _kernels()
        shape = (len(self._shape), len(payloads))
        raw, value = np.empty(shape, np.int64), np.empty(shape)
        status = np.empty(shape, np.uint8)
        kernel.extract(
            _whole(payloads.word),
            _whole(payloads.heap_at),
            _whole(payloads.heap.plain),
            self._shape,
            self._scale,
            self._codes,
            raw,
            value,
            status,
        )
        return raw, value, status


def _whole(column: NDArray[Any]) -> NDArray[Any]:
    """A column as the kernels take it: contiguous, and theirs to read."""
    column = np.ascontiguousarray(column)
    return column if column.flags.writeable else column.copy()


def _shape(spec: SignalSpec, codes: int) -> Sequence[int]:
    """A signal in the order of the kernel's columns; ``codes`` is how many come before its own."""
    k = _kernels()
    row = [0] * (k.CODES_END + 1)
    row[k.FIRST], row[k.BITS], row[k.BIG] = first_bit(spec), spec.length_bits, spec.big_endian
    row[k.SIGNED] = spec.signed and not spec.is_float
    row[k.FAR] = bytes_needed(spec) > 8
    row[k.KIND] = k.INTEGER
    if spec.is_float:
        row[k.KIND] = k.FLOAT_32 if spec.length_bits == 32 else k.FLOAT_64
    elif is_special(spec) and not spec.signed:
        row[k.KIND] = k.UNSIGNED_64
    if is_special(spec) and (whole := whole_numbers(spec)) is not None:
        row[k.WHOLE], row[k.FACTOR], row[k.OFFSET] = 1, int(whole[0]), int(whole[1])
    if spec.absent.kind == "j1939" and not (spec.signed or spec.is_float):
        if spec.length_bits == 2:
            row[k.ABSENT] = k.TWO_BITS
        elif spec.length_bits >= 8:
            row[k.ABSENT] = k.TOP_BYTE
    elif spec.absent.kind == "maximum" and not spec.is_float:
        row[k.ABSENT], row[k.LARGEST] = k.EQUAL, wrapped(largest(spec))
    row[k.CODES], row[k.CODES_END] = codes, codes + len(spec.absent.codes)
    return row
