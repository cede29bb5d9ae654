"""Grouping frames by message and cutting signals out of payloads, compiled.

The arithmetic is that of ``lookup.py``, ``bits.py`` and ``message.py``, where it is explained; here
it goes through a column once instead of once a step. Importing this compiles.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from canscope.decoding.lookup import ANY_SOURCE, NO_DATA, STANDARD_IDS, UNDEFINED
from canscope.model.engine import inlined, kernel
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE
from canscope.model.tables import Flag

EXTENDED, SILENT = int(Flag.EXTENDED), int(Flag.REMOTE | Flag.ERROR)
EMPTY = -1  # a free place of a hash table; keys are never negative
# Columns of the whole numbers that describe a signal, one row a signal
FIRST, BITS, BIG, SIGNED, KIND, FAR, WHOLE, FACTOR, OFFSET, ABSENT, LARGEST, CODES, CODES_END = (
    range(13)
)
INTEGER, UNSIGNED_64, FLOAT_32, FLOAT_64 = range(4)  # of KIND
NEVER_ABSENT, TWO_BITS, TOP_BYTE, EQUAL = range(4)  # of ABSENT
SPREAD = np.uint64(0x9E3779B97F4A7C15)  # 2**64 / golden ratio: Fibonacci hashing, Knuth 6.4

u64, i64, f64 = np.uint64, np.int64, np.float64


@inlined
def _find(key: np.int64, keys: Any, codes: Any) -> np.int64:
    """The code of a key in a table of 2**n places, UNDEFINED if it is not there."""
    last = u64(len(keys) - 1)
    place = ((u64(key) * SPREAD) >> u64(32)) & last
    while keys[place] != EMPTY:
        if keys[place] == key:
            return i64(codes[place])
        place = (place + u64(1)) & last
    return i64(UNDEFINED)


@kernel(
    "void(uint8[::1],uint32[::1],uint8[::1],int64[::1],int32[:,::1],int64[::1],int32[::1],"
    "int64[::1],int32[::1],boolean[::1],int32[::1],int64[::1],int64[::1])"
)
def find_codes(
    channel, can_id, flags, place, standard, whole_keys, whole_codes, group_keys, group_codes,
    is_wanted, codes, counts, undefined,
):  # fmt: skip
    """Fill ``codes`` a frame, ``counts`` a message and ``undefined`` a place of a channel.

    A frame that is of no wanted message has a negative code, and is not counted.
    """
    for row in range(len(can_id)):
        flag, here = flags[row], place[channel[row]]
        identifier = i64(can_id[row])
        code = i64(UNDEFINED)
        if flag & SILENT:
            code = i64(NO_DATA)
        elif flag & EXTENDED:
            high = here << 32
            code = _find(high | identifier, whole_keys, whole_codes)
            if code < 0 and len(group_keys) > 1:
                group = (identifier >> 8) & 0x3FFFF
                if group & 0xFF00 < 0xF000:
                    group &= ~0xFF
                key = high | group << 8
                code = _find(key | (identifier & 0xFF), group_keys, group_codes)
                if code < 0:
                    code = _find(key | ANY_SOURCE, group_keys, group_codes)
        elif identifier < STANDARD_IDS:
            code = i64(standard[here, identifier])
        if code == UNDEFINED:
            undefined[here] += 1
        if code >= 0 and is_wanted[code]:
            counts[code] += 1
        else:
            code = i64(NO_DATA)
        codes[row] = code


@kernel(
    "void(int32[::1],int64[::1],int64[::1],uint8[::1],uint64[::1],int32[::1],"
    "int64[::1],int64[::1],uint8[::1],uint64[::1],int32[::1])"
)
def spread(
    codes, begins, time_ns, length, data, heap_at, to_row, to_time, to_length, to_data, to_heap
):
    """Copy the columns of wanted frames, those of one message together and in their order.

    ``begins`` is where each message's begin; afterwards, where they end.
    """
    for row in range(len(codes)):
        code = codes[row]
        if code >= 0:
            to = u64(begins[code])
            begins[code] += 1
            to_row[to] = row
            to_time[to] = time_ns[row]
            to_length[to] = length[row]
            to_data[to] = data[row]
            to_heap[to] = heap_at[row]


@inlined
def _turned(word: np.uint64) -> np.uint64:
    """The bytes the other way round."""
    word = ((word & u64(0x00FF00FF00FF00FF)) << u64(8)) | (
        (word >> u64(8)) & u64(0x00FF00FF00FF00FF)
    )
    word = ((word & u64(0x0000FFFF0000FFFF)) << u64(16)) | (
        (word >> u64(16)) & u64(0x0000FFFF0000FFFF)
    )
    return (word << u64(32)) | (word >> u64(32))


@kernel(
    "void(uint64[::1],int32[::1],uint8[::1],int64[:,::1],float64[:,::1],int64[::1],"
    "int64[:,::1],float64[:,::1],uint8[:,::1])"
)
def extract(words, heap_at, heap, shape, scale, absent_codes, raws, values, statuses):
    """Fill raw codes, values and statuses, one row a signal, one column a frame.

    Every payload must hold all of them. ``scale`` has factor, offset, lowest and highest value.
    """
    count = len(words)
    turned = np.empty(0, np.uint64)
    single = np.empty(0, np.uint32)
    for signal in range(len(shape)):
        first, bits, kind = shape[signal, FIRST], shape[signal, BITS], shape[signal, KIND]
        raw, value, status = raws[signal], values[signal], statuses[signal]
        word = raw.view(np.uint64)
        # The field in the highest bits of a word
        if shape[signal, FAR]:
            begin, skip = first >> 3, first & 7
            size = (skip + bits + 7) >> 3
            beyond = skip + bits - 64  # bits in a ninth byte
            for i in range(count):
                at = heap_at[i] + begin
                field = u64(0)
                if shape[signal, BIG]:
                    for k in range(min(size, 8)):
                        field = (field << u64(8)) | u64(heap[at + k])
                    if beyond > 0:
                        field = field << u64(beyond) | u64(heap[at + 8]) >> u64(8 - beyond)
                    else:
                        field >>= u64(8 * size - skip - bits)
                else:
                    for k in range(min(size, 8)):
                        field |= u64(heap[at + k]) << u64(8 * k)
                    field >>= u64(skip)
                    if beyond > 0:
                        field |= u64(heap[at + 8]) << u64(64 - skip)
                word[i] = field << u64(64 - bits)
        elif shape[signal, BIG]:
            if len(turned) < count:
                turned = np.empty(count, np.uint64)
                for i in range(count):
                    turned[i] = _turned(words[i])
            left = u64(first)
            for i in range(count):
                word[i] = turned[i] << left
        else:
            left = u64(64 - first - bits)
            for i in range(count):
                word[i] = words[i] << left
        # and from there into the lowest, with its sign or without
        right = 64 - bits
        if shape[signal, SIGNED]:
            for i in range(count):
                raw[i] >>= right
        else:
            for i in range(count):
                word[i] >>= u64(right)
        # numbers: a product and a sum, each rounded
        factor, offset = scale[signal, 0], scale[signal, 1]
        if shape[signal, WHOLE]:
            for i in range(count):
                value[i] = f64(raw[i] * shape[signal, FACTOR] + shape[signal, OFFSET])
        elif kind == INTEGER:
            for i in range(count):
                value[i] = f64(raw[i]) * factor + offset
        elif kind == UNSIGNED_64:
            for i in range(count):
                value[i] = f64(word[i]) * factor + offset
        elif kind == FLOAT_64:
            double = raw.view(np.float64)
            for i in range(count):
                value[i] = double[i] * factor + offset
        else:
            if len(single) < count:
                single = np.empty(count, np.uint32)
            for i in range(count):
                single[i] = np.uint32(word[i])
            float_ = single.view(np.float32)
            for i in range(count):
                value[i] = f64(float_[i]) * factor + offset
        # statuses
        low, high = scale[signal, 2], scale[signal, 3]
        for i in range(count):
            outside = (value[i] < low) | (value[i] > high)
            status[i] = OUT_OF_RANGE * outside
        if kind >= FLOAT_32:
            for i in range(count):
                if np.isinf(value[i]):
                    status[i] = OUT_OF_RANGE
                elif np.isnan(value[i]):
                    status[i] = NOT_AVAILABLE
                    value[i] = np.nan
        rule, largest = shape[signal, ABSENT], shape[signal, LARGEST]
        if rule == TWO_BITS:
            for i in range(count):
                if raw[i] >= 2:
                    status[i], value[i] = NOT_AVAILABLE, np.nan
        elif rule == TOP_BYTE:
            for i in range(count):
                if word[i] >> u64(bits - 8) >= u64(0xFE):
                    status[i], value[i] = NOT_AVAILABLE, np.nan
        elif rule == EQUAL:
            for i in range(count):
                if raw[i] == largest:
                    status[i], value[i] = NOT_AVAILABLE, np.nan
        for code in range(shape[signal, CODES], shape[signal, CODES_END]):
            for i in range(count):
                if raw[i] == absent_codes[code]:
                    status[i], value[i] = NOT_AVAILABLE, np.nan
