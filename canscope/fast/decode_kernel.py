"""Grouping frames by message and cutting signals out of payloads, compiled.

The arithmetic is that of ``lookup.py``, ``bits.py`` and ``message.py``, where it is explained; here
it goes through a column once instead of once a step. Importing this compiles.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from canscope.decoding.lookup import ANY_SOURCE, NO_DATA, STANDARD_IDS, UNDEFINED
from canscope.fast.kernels import inlined, kernel
from canscope.fast.words import as_double, as_single, load
from canscope.fast.words import turned as turned_round
from canscope.model.signals import NOT_AVAILABLE, OK, OUT_OF_RANGE
from canscope.model.tables import Flag

EXTENDED, SILENT = int(Flag.EXTENDED), int(Flag.REMOTE | Flag.ERROR)
EMPTY = -1  # a free place of a hash table; keys are never negative
# Frames at a time; what they need fits the first-level cache of a processor. Decoding takes 10 %
# longer if a chunk is taken at once.
TILE = 512
# Columns of the whole numbers that describe a signal, one row a signal
FIRST, BITS, BIG, SIGNED, KIND, FAR, WHOLE, FACTOR, OFFSET, ABSENT, LARGEST, CODES, CODES_END = (
    range(13)
)
INTEGER, UNSIGNED_64, FLOAT_16, FLOAT_32, FLOAT_64 = range(5)  # of KIND
NEVER_ABSENT, TWO_BITS, TOP_BYTE, EQUAL = range(4)  # of ABSENT
# Of those that describe a unit: signals that all come from the same frames
MESSAGE, PATH, NEED, BEGIN, END, ANY_BIG = range(6)
# Of those that describe a step on the way to which frames these are, and which kinds there are
STEP, OWN, UPON, SELECTOR, LEAST, VALUES, VALUES_END = range(7)
READ, SELECT = range(2)
ALL_FRAMES, UNUSED = -1, -2  # in place of where the frames of a unit are listed
SPREAD = np.uint64(0x9E3779B97F4A7C15)  # 2**64 / golden ratio: Fibonacci hashing, Knuth 6.4

# A whole number of up to 51 bits and its sign, added to these bits of 2**52 + 2**51, is that many
# more as a float64, exactly; vectors have no other way from one to the other before AVX-512.
EXACT_BITS = 51
MIDDLE_BITS, MIDDLE = np.uint64(0x4338000000000000), 6755399441055744.0
HALVES = 2.0 ** np.maximum(np.arange(32) - 25, -24)  # what the last bit of a 16-bit float counts

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
    "int64(uint8[::1],uint32[::1],uint8[::1],uint8[::1],int64[::1],int64[::1],int32[:,::1],"
    "int64[::1],int32[::1],int64[::1],int32[::1],boolean[::1],int64[::1],int64[:,::1],boolean[::1],"
    "int32[::1],int64[::1],int64[::1],int64[::1],int64[::1],int64[::1],int64[::1])"
)
def group(
    channel, can_id, flags, length, time_ns, place, standard,
    whole_keys, whole_codes, group_keys, group_codes, is_wanted, least, units, is_part,
    codes, edges, shortest, undefined, rows, times, lists,
):  # fmt: skip
    """Put the wanted frames of each message together, in their order.

    ``rows`` and ``times`` are theirs; those of each message begin at its entry of ``edges``, and
    ``shortest`` is the least length they have. ``undefined`` counts the frames of no message at
    all, a place of a channel. ``lists`` is where ``choose`` is to list the frames of each unit, or
    why not: they are all those of its message, or ``least`` bytes are there and so another unit is
    used. Returns how many places these lists take.
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
                pgn = (identifier >> 8) & 0x3FFFF
                if pgn & 0xFF00 < 0xF000:
                    pgn &= ~0xFF
                key = high | pgn << 8
                code = _find(key | (identifier & 0xFF), group_keys, group_codes)
                if code < 0:
                    code = _find(key | ANY_SOURCE, group_keys, group_codes)
        elif identifier < STANDARD_IDS:
            code = i64(standard[here, identifier])
        if code == UNDEFINED:
            undefined[here] += 1
        if code >= 0 and is_wanted[code]:
            edges[code + 1] += 1
            shortest[code] = min(shortest[code], i64(length[row]))
        else:
            code = i64(NO_DATA)
        codes[row] = code
    for message in range(len(edges) - 1):
        edges[message + 1] += edges[message]
    begins = edges.copy()
    for row in range(len(codes)):
        if codes[row] >= 0:
            code = u64(codes[row])
            rows[u64(begins[code])] = row
            begins[code] += 1
    for to in range(edges[-1]):
        times[to] = time_ns[u64(rows[to])]
    listed = i64(0)
    for unit in range(len(units)):
        message = units[unit, MESSAGE]
        if is_part[unit] != (shortest[message] < least[message]):
            lists[unit] = UNUSED
        elif units[unit, PATH] == 0 and shortest[message] >= units[unit, NEED]:
            lists[unit] = ALL_FRAMES
        else:
            lists[unit] = listed
            listed += edges[message + 1] - edges[message] + 1
    return listed


@inlined
def _far_field(heap: Any, at: np.int64, signal: Any) -> np.uint64:
    """A field of a long payload in the highest bits of a word, from eight or nine bytes of it."""
    bits, skip = u64(signal[BITS]), u64(signal[FIRST] & 7)
    at += signal[FIRST] >> 3
    word = u64(0)
    if at + 8 <= len(heap):
        word = load(heap, at)
    else:
        for k in range(len(heap) - at):
            word |= u64(heap[at + k]) << u64(8 * k)
    beyond = i64(skip + bits) - 64  # bits in a ninth byte
    if signal[BIG]:
        word = turned_round(word) << skip
        return word if beyond <= 0 else word | u64(heap[at + 8]) >> (u64(8) - skip)
    if beyond > 0:
        return ((word >> skip) | u64(heap[at + 8]) << (u64(64) - skip)) << (u64(64) - bits)
    return word << (u64(64) - skip - bits)


@inlined
def _raw(signal: Any, heap: Any, at: np.int64) -> np.int64:
    """The raw code of a signal beyond the first eight bytes, in one frame."""
    field, right = _far_field(heap, at, signal), 64 - signal[BITS]
    return i64(field) >> right if signal[SIGNED] else i64(field >> u64(right))


@inlined
def _cut(
    signal: Any, words: Any, turned: Any, heap: Any, at: Any, furthest: np.int64, raw: Any
) -> None:
    """The raw codes of one signal: its field into the highest bits of a word, then down again.

    ``furthest`` is the last place in the heap at which one of the payloads begins.
    """
    field = raw.view(np.uint64)
    right = 64 - signal[BITS]
    begin, skip = signal[FIRST] >> 3, signal[FIRST] & 7
    if signal[FAR] and (furthest + begin + 8 > len(heap) or skip + signal[BITS] > 64):
        for i in range(len(raw)):
            field[i] = _far_field(heap, at[i], signal)
    elif signal[FAR] and signal[BIG]:
        left = u64(skip)
        for i in range(len(raw)):
            field[i] = turned_round(load(heap, at[i] + begin)) << left
    elif signal[FAR]:
        left = u64(right - skip)
        for i in range(len(raw)):
            field[i] = load(heap, at[i] + begin) << left
    elif signal[BIG]:
        left = u64(signal[FIRST])
        for i in range(len(raw)):
            field[i] = turned[i] << left
    else:
        left = u64(right - signal[FIRST])
        for i in range(len(raw)):
            field[i] = words[i] << left
    if signal[SIGNED]:
        for i in range(len(raw)):
            raw[i] >>= right
    else:
        for i in range(len(raw)):
            field[i] >>= u64(right)


@inlined
def _scaled(signal: Any, scale: Any, raw: Any, value: Any) -> None:
    """Numbers: a product and a sum, each rounded."""
    field = raw.view(np.uint64)
    factor, offset, kind = scale[0], scale[1], signal[KIND]
    if kind == INTEGER and signal[BITS] <= EXACT_BITS:
        for i in range(len(raw)):
            value[i] = (as_double(field[i] + MIDDLE_BITS) - MIDDLE) * factor + offset
    elif kind == INTEGER and not signal[WHOLE]:
        for i in range(len(raw)):
            value[i] = f64(raw[i]) * factor + offset
    elif signal[WHOLE]:
        for i in range(len(raw)):
            value[i] = f64(raw[i] * signal[FACTOR] + signal[OFFSET])
    elif kind == UNSIGNED_64:
        for i in range(len(raw)):
            value[i] = f64(field[i]) * factor + offset
    elif kind == FLOAT_64:
        for i in range(len(raw)):
            value[i] = as_double(field[i]) * factor + offset
    elif kind == FLOAT_32:
        for i in range(len(raw)):
            value[i] = f64(as_single(field[i])) * factor + offset
    else:
        for i in range(len(raw)):
            value[i] = _half(field[i]) * factor + offset


@inlined
def _half(field: np.uint64) -> float:
    """A 16-bit float (IEEE 754 binary16), which has an exponent of five bits and ten below it."""
    exponent, low = i64((field >> u64(10)) & u64(31)), i64(field & u64(1023))
    if exponent == 31:
        number = np.inf if low == 0 else np.nan
    else:
        number = (low + (1024 if exponent else 0)) * HALVES[exponent]
    return -number if field & u64(0x8000) else number


@inlined
def _marked(signal: Any, scale: Any, absent_codes: Any, raw: Any, value: Any, status: Any) -> None:
    """Statuses, and NaN where there is no value."""
    field = raw.view(np.uint64)
    low, high = scale[2], scale[3]
    if low > -np.inf or high < np.inf:
        for i in range(len(raw)):
            outside = (value[i] < low) | (value[i] > high)
            status[i] = OUT_OF_RANGE * outside
    if signal[KIND] >= FLOAT_16:
        for i in range(len(raw)):
            if np.isinf(value[i]):
                status[i] = OUT_OF_RANGE
            elif np.isnan(value[i]):
                status[i] = NOT_AVAILABLE
                value[i] = np.nan
    rule = signal[ABSENT]
    if rule == TWO_BITS:
        for i in range(len(raw)):
            if raw[i] >= 2:
                status[i], value[i] = NOT_AVAILABLE, np.nan
    elif rule == TOP_BYTE:
        above = u64(signal[BITS] - 8)
        for i in range(len(raw)):
            if field[i] >> above >= u64(0xFE):
                status[i], value[i] = NOT_AVAILABLE, np.nan
    elif rule == EQUAL:
        for i in range(len(raw)):
            if raw[i] == signal[LARGEST]:
                status[i], value[i] = NOT_AVAILABLE, np.nan
    for code in range(signal[CODES], signal[CODES_END]):
        for i in range(len(raw)):
            if raw[i] == absent_codes[code]:
                status[i], value[i] = NOT_AVAILABLE, np.nan


@inlined
def _is_any(raw: Any, values: Any, begin: np.int64, end: np.int64, hit: Any) -> None:
    """Where a raw code is one of some values."""
    hit[:] = False
    for number in range(begin, end):
        value = values[number]
        for i in range(len(raw)):
            hit[i] |= raw[i] == value


@kernel(
    "int64(int64[::1],int64[:,::1],int64[::1],int64[:,::1],int64[::1],int64[::1],int64[:,::1],"
    "int64[::1],uint8[::1],uint64[::1],int32[::1],uint8[::1],int64[::1],"
    "int32[::1],int64[::1],int64[::1],int64[::1],int64[::1],int64[::1])"
)
def choose(
    edges, units, unit_edges, steps, step_edges, values, shape,
    rows, length, data, heap_at, heap, lists,
    picked, taken, begins, own_begins, short, undefined,
):  # fmt: skip
    """How many frames each unit has (``taken``) and where its signals' values ``begin``.

    ``lists`` is where in ``picked`` the frames of a unit are listed, with a place for one more than
    there can be, or a reason why they are not. Those of all units behind one another begin at
    ``own_begins``, whose last entry is their number. Gives how many values there are; ``short``
    and ``undefined`` count frames a message.
    """
    total = i64(0)
    is_on = np.empty((len(steps) + 1, TILE), np.bool_)  # a path of multiplexers, frame by frame
    is_there = np.empty((len(steps) + 1, TILE), np.bool_)  # a selector
    raws = np.empty((len(steps) + 1, TILE), np.int64)
    sizes, places = np.empty(TILE, np.int64), np.empty(TILE, np.int64)
    words, turned = np.empty(TILE, np.uint64), np.empty(TILE, np.uint64)
    is_short, is_odd = np.empty(TILE, np.bool_), np.empty(TILE, np.bool_)
    hits = np.empty(TILE, np.bool_)
    is_on[0] = True
    for message in range(len(edges) - 1):
        first, last = unit_edges[message], unit_edges[message + 1]
        first_step, last_step = step_edges[message], step_edges[message + 1]
        is_listed = last_step > first_step
        for unit in range(first, last):
            if lists[unit] == ALL_FRAMES:
                taken[unit] = edges[message + 1] - edges[message]
            elif lists[unit] != UNUSED:
                is_listed = True
        stop = edges[message + 1] if is_listed else edges[message]
        for begin in range(edges[message], stop, TILE):
            count = min(stop - begin, TILE)
            for i in range(count):
                row = u64(rows[begin + i])
                sizes[i], places[i], words[i] = length[row], heap_at[row], data[row]
                turned[i] = turned_round(words[i])
            is_short[:count] = False
            is_odd[:count] = False
            hit = hits[:count]
            for number in range(first_step, last_step):
                step = steps[number]
                on, upon = is_on[step[OWN]], is_on[step[UPON]]
                if step[STEP] == READ:
                    there, raw = is_there[step[OWN]], raws[step[OWN], :count]
                    least, signal = step[LEAST], shape[step[SELECTOR]]
                    for i in range(count):
                        there[i] = upon[i] & (sizes[i] >= least)
                        is_short[i] |= upon[i] & (sizes[i] < least)
                    if signal[FAR]:
                        for i in range(count):
                            raw[i] = _raw(signal, heap, places[i]) if there[i] else 0
                    else:
                        _cut(signal, words, turned, heap, places, i64(0), raw)
                    _is_any(raw, values, step[VALUES], step[VALUES_END], hit)
                    for i in range(count):
                        is_odd[i] |= there[i] & ~hit[i]
                else:
                    there, raw = is_there[step[SELECTOR]], raws[step[SELECTOR], :count]
                    _is_any(raw, values, step[VALUES], step[VALUES_END], hit)
                    for i in range(count):
                        on[i] = upon[i] & there[i] & hit[i]
            for unit in range(first, last):
                if lists[unit] >= 0:
                    on, least = is_on[units[unit, PATH]], units[unit, NEED]
                    to = lists[unit] + taken[unit]
                    for i in range(count):
                        picked[u64(to)] = begin + i
                        to += on[i] & (sizes[i] >= least)
                        is_short[i] |= on[i] & (sizes[i] < least)
                    taken[unit] = to - lists[unit]
            for i in range(count):
                short[message] += is_short[i]
                undefined[message] += is_odd[i]
        for unit in range(first, last):
            if lists[unit] != UNUSED:
                for signal in range(units[unit, BEGIN], units[unit, END]):
                    begins[signal] = total
                    total += taken[unit]
            own_begins[unit + 1] = own_begins[unit] + (taken[unit] if lists[unit] >= 0 else 0)
    return total


@kernel(
    "void(int64[::1],int64[:,::1],int64[::1],int64[::1],int64[::1],int32[::1],"
    "int64[::1],int64[::1],uint64[::1],int32[::1],uint8[::1],"
    "int64[:,::1],float64[:,::1],int64[::1],"
    "float64[::1],int64[::1],uint8[::1],int64[::1],int64[::1],int64[::1])"
)
def extract(
    edges, units, lists, taken, begins, picked, time_ns, rows, data, heap_at, heap,
    shape, scale, absent_codes, values, raws, statuses, own_begins, own_times, own_rows,
):  # fmt: skip
    """Fill raw codes, values and statuses of every signal.

    ``scale`` has factor, offset, lowest and highest value. A unit whose frames are listed has times
    and rows of its own, from ``own_begins`` on.
    """
    places = np.empty(TILE, np.int64)
    words, turned = np.empty(TILE, np.uint64), np.empty(TILE, np.uint64)
    for unit in range(len(units)):
        first = edges[units[unit, MESSAGE]]
        for begin in range(0, taken[unit], TILE):
            count, furthest = min(taken[unit] - begin, TILE), i64(0)
            for i in range(count):
                at = first + begin + i
                if lists[unit] != ALL_FRAMES:
                    at = i64(picked[lists[unit] + begin + i])
                    own_times[own_begins[unit] + begin + i] = time_ns[at]
                    own_rows[own_begins[unit] + begin + i] = rows[at]
                row = u64(rows[at])
                places[i], words[i] = heap_at[row], data[row]
                furthest = max(furthest, places[i])
            if units[unit, ANY_BIG]:
                for i in range(count):
                    turned[i] = turned_round(words[i])
            for signal in range(units[unit, BEGIN], units[unit, END]):
                low = begins[signal] + begin
                raw, value = raws[low : low + count], values[low : low + count]
                _cut(shape[signal], words, turned, heap, places, furthest, raw)
                _scaled(shape[signal], scale[signal], raw, value)
                status = statuses[low : low + count]
                status[:] = OK
                _marked(shape[signal], scale[signal], absent_codes, raw, value, status)
