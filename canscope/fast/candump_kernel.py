"""Candump text in one compiled pass: every line that ``line.parse`` reads, and no other.

Lines as candump writes them take the short way, eight or sixteen characters at a time; any other
line is read character by character, by the grammar of ``candump/line.py``. Importing this compiles.

Arithmetic on eight decimal digits in a word is after Daniel Lemire ("Quickly parsing eight
digits"), from memory. In the masks below a byte's top bit answers for its character.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from canscope.capture.candump.line import ERROR_BIT, ID_BITS
from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.text import HEXADECIMAL as HEX
from canscope.capture.input.text import NONE as NOT_HEX
from canscope.fast.kernels import inlined, kernel
from canscope.fast.words import hex_bytes, load, store, turned
from canscope.model.tables import FD_LENGTHS, Flag

# Places in ``counts``: how far things are filled, and how many names there may be.
FRAMES, HEAP, REJECTED, NAMES, LINES, FULL, MOST = range(7)
COUNTS, OF_A_CHUNK = 7, 3
LONGEST_NAME = 32
SPARE = 72  # bytes of the heap that one frame may write to
REACH = 256  # bytes behind a line's first one that the short way may look at
EXTENDED, REMOTE, ERROR, FD = map(int, (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD))
BRS, ESI, TRANSMITTED = map(int, (Flag.BRS, Flag.ESI, Flag.TRANSMITTED))

FIRST_BYTES = np.array([(1 << 8 * size) - 1 for size in range(9)], np.uint64)
IS_FD_LENGTH = np.zeros(65, np.bool_)
IS_FD_LENGTH[[*FD_LENGTHS]] = True

u64, i64 = np.uint64, np.int64
TOP = u64(0x8080808080808080)
LOW_SEVEN = u64(0x7F7F7F7F7F7F7F7F)
LOW_FOUR = u64(0x0F0F0F0F0F0F0F0F)
# Added to a byte, these carry into its top bit from "0" and from behind "9"
FROM_0, PAST_9 = u64(0x5050505050505050), u64(0x4646464646464646)
EVERY_2ND, EVERY_4TH = u64(0x00FF00FF00FF00FF), u64(0x0000FFFF0000FFFF)
HALF, BYTE, LAST_FOUR = u64(0xFFFFFFFF), u64(0xFF), u64(0xF)
MIXED = u64(0x9E3779B97F4A7C15)  # 2**64 / golden ratio: Fibonacci hashing, Knuth 6.4
LEFT, RIGHT, DOT, SPACE, TAB, HASH, LF, CR, R, T, UNDERSCORE = b"(). \t#\n\rRT_"
# Of the eight characters from the decimal point on: the point, the bracket behind six digits.
POINT_AND_BRACKET, THEIR_PLACES = u64(0x290000000000002E), u64(0xFF000000000000FF)
ZEROS_THERE = u64(0x3000000000000030)


@inlined
def _digit_mask(word: np.uint64) -> np.uint64:
    """The top bit of each byte that is a decimal digit."""
    low = word & LOW_SEVEN
    return (low + FROM_0) & ~(low + PAST_9) & ~word & TOP


@inlined
def _decimal_value(word: np.uint64) -> np.int64:
    """Eight decimal digits, the first the highest: tens and ones of neighbours, then hundreds."""
    word = word & LOW_FOUR
    word = (word * u64(10) + (word >> u64(8))) & EVERY_2ND
    word = (word * u64(100) + (word >> u64(16))) & EVERY_4TH
    return i64((word * u64(10000) + (word >> u64(32))) & HALF)


@inlined
def _is_blank(character: Any) -> Any:
    return (character == SPACE) | (character == TAB)


@inlined
def _is_decimal(character: Any) -> Any:
    return 48 <= character <= 57


TEXT = "Array(uint8,1,'C',readonly=True)"
NAMES_TABLE = "uint8[:,::1],int64[::1],uint64[::1],uint64[::1]"


@kernel(f"int64({TEXT},int64,int64,{NAMES_TABLE},int64[::1])")
def channel_code(text, begin, end, names, sizes, words, masks, counts):
    """The code of a name, which is added if new; -1 and ``counts[FULL]`` if no code is left.

    Of a name of up to 7 bytes, ``words`` has its letters and the blank behind them, ``masks`` where
    these lie; a longer one has a word that no mask leaves.
    """
    size = end - begin
    for code in range(counts[NAMES]):
        if sizes[code] == size:
            same = True
            for i in range(size):
                if names[code, i] != text[begin + i]:
                    same = False
                    break
            if same:
                return code
    if counts[NAMES] >= counts[MOST]:
        counts[FULL] = 1
        return -1
    code = counts[NAMES]
    for i in range(size):
        names[code, i] = text[begin + i]
    sizes[code] = size
    words[code], masks[code] = u64(1), u64(0)
    if size < 8:
        masks[code] = ~u64(0) >> u64(56 - 8 * size)
        words[code] = u64(SPACE) << u64(8 * size)
        for i in range(size):
            words[code] |= u64(text[begin + i]) << u64(8 * i)
    counts[NAMES] = code + 1
    return code


COLUMNS = (
    "int64[::1],uint8[::1],uint32[::1],uint8[::1],uint8[::1],uint64[::1],int32[::1],uint8[::1],"
    f"{NAMES_TABLE},int64[::1]"
)


@kernel(f"boolean({TEXT},int64,int64,{COLUMNS})")
def frame_of(
    text, at, end, time_ns, channel, can_id, flags, length, data, heap_at, heap,
    names, sizes, words, masks, counts,
):  # fmt: skip
    """Whether ``text[at:end]``, without blanks around it, holds a frame; it is then added.

    The grammar is that of ``line.FRAME``, read from left to right without going back.
    """
    # (seconds.fraction)
    if at >= end or text[at] != LEFT:
        return False
    at += 1
    seconds, digits = i64(0), 0
    while at < end and digits < 10 and _is_decimal(text[at]):
        seconds = seconds * 10 + (text[at] - 48)
        at, digits = at + 1, digits + 1
    if digits == 0 or seconds > LAST_SECOND or at >= end or text[at] != DOT:
        return False
    at += 1
    nanos, digits = i64(0), 0
    while at < end and digits < 9 and _is_decimal(text[at]):
        nanos = nanos * 10 + (text[at] - 48)
        at, digits = at + 1, digits + 1
    if digits == 0 or at >= end or text[at] != RIGHT:
        return False
    for _ in range(9 - digits):
        nanos *= 10
    at += 1
    # channel between blanks
    begin = at
    while at < end and _is_blank(text[at]):
        at += 1
    if at == begin:
        return False
    name = at
    while at < end and text[at] > SPACE and text[at] != 127 and text[at] != HASH:
        if text[at] == LEFT or text[at] == RIGHT:
            return False
        at += 1
    name_end = at
    if name_end == name or name_end - name > LONGEST_NAME:
        return False
    while at < end and _is_blank(text[at]):
        at += 1
    if at == name_end:
        return False
    # identifier and #
    identifier, digits = i64(0), 0
    while at < end and digits < 8 and HEX[text[at]] != NOT_HEX:
        identifier = identifier * 16 + HEX[text[at]]
        at, digits = at + 1, digits + 1
    if (digits != 3 and digits != 8) or at >= end or text[at] != HASH:
        return False
    at += 1
    flag = 0
    if digits == 3 and identifier > 0x7FF:
        return False
    if digits == 8:
        if identifier > ERROR_BIT | ID_BITS:
            return False
        flag = ERROR if identifier & ERROR_BIT else EXTENDED
    # payload: FD, remote or classical
    row, top = counts[FRAMES], counts[HEAP]
    size, most, asked = 0, 8, 0
    is_remote = False
    if at < end and text[at] == HASH:
        at += 1
        if at >= end or HEX[text[at]] == NOT_HEX:
            return False
        flag |= FD
        if HEX[text[at]] & 1:
            flag |= BRS
        if HEX[text[at]] & 2:
            flag |= ESI
        at, most = at + 1, 64
    elif at < end and text[at] | 0x20 == R | 0x20:
        is_remote = True
        flag |= REMOTE
        at += 1
        if at < end and 48 <= text[at] <= 56:
            asked = i64(text[at]) - 48
            at += 1
    word = u64(0)
    while not is_remote and at < end:
        digit = at
        if size and text[digit] == DOT:
            digit += 1
        if digit + 1 >= end or HEX[text[digit]] == NOT_HEX or HEX[text[digit + 1]] == NOT_HEX:
            break
        if size == most:
            return False
        value = HEX[text[digit]] << 4 | HEX[text[digit + 1]]
        if size < 8:
            word |= u64(value) << u64(8 * size)
        heap[top + size] = value
        at, size = digit + 2, size + 1
    if flag & FD and not IS_FD_LENGTH[size]:
        return False
    if flag & ERROR and flag & (REMOTE | FD):
        return False
    # _dlc: a raw one above 8
    count = asked if is_remote else size
    if at < end and text[at] == UNDERSCORE and not flag & FD:
        dlc = HEX[text[at + 1]] if at + 1 < end else NOT_HEX
        if dlc == NOT_HEX or dlc < 9 or count != 8:
            return False
        at += 2
    # R or T behind blanks
    if at < end:
        if end - at < 2 or not _is_blank(text[at]):
            return False
        while at < end and _is_blank(text[at]):
            at += 1
        if end - at != 1 or (text[at] != R and text[at] != T):
            return False
        if text[at] == T:
            flag |= TRANSMITTED
    code = channel_code(text, name, name_end, names, sizes, words, masks, counts)
    if code < 0:
        return False
    time_ns[row] = seconds * 1_000_000_000 + nanos
    channel[row] = code
    can_id[row] = identifier & ID_BITS
    flags[row] = flag
    length[row] = count
    data[row] = word
    heap_at[row] = -1
    if size > 8:
        heap_at[row] = top
        counts[HEAP] = top + size
    counts[FRAMES] = row + 1
    return True


@kernel(f"int64({TEXT},int64,{COLUMNS},int64[:,::1])")
def frames_of(
    text, at, time_ns, channel, can_id, flags, length, data, heap_at, heap,
    names, sizes, words, masks, counts, rejected,
):  # fmt: skip
    """Add the frames of whole lines from ``text[at]`` on; where it stopped: the end, if all fits.

    It stops early where columns, heap or ``rejected`` are full, or no channel code is left.
    ``rejected`` takes the line number (from 0) and both ends of every line that is neither blank
    nor a comment nor a frame. ``counts`` has how far each of them is filled.
    """
    end, line = len(text), counts[LINES]
    row, top = counts[FRAMES], counts[HEAP]
    # Most lines begin as the line before did: parsing takes 30 % longer if each second is read, and
    # about 5 % longer if each channel name is searched for.
    second_a, second_b, second_ns = u64(0), u64(0), i64(-1)
    likely = np.zeros(16, np.uint8)  # the code of a name, by four bits of the hash of its letters
    mask, behind = masks[0], 21 + sizes[0]  # of the name before, and where what follows it begins
    while at < end:
        if row >= len(time_ns) or top + SPARE > len(heap) or counts[REJECTED] >= len(rejected):
            break
        q, size, flag = at, 0, 0
        point = load(text, at + 11) if end - at >= REACH else u64(0)
        decimals = (point & ~THEIR_PLACES) | ZEROS_THERE
        wrong = (point & THEIR_PLACES) ^ POINT_AND_BRACKET | ~_digit_mask(decimals) & TOP
        if wrong == u64(0):
            blank = load(text, at + 19)
            a, b = load(text, at + 1), load(text, at + 3)
            if a != second_a or b != second_b:
                seconds = _decimal_value(a) * 100 + _decimal_value(b) % 100
                wrong = ~(_digit_mask(a) & _digit_mask(b)) & TOP
                if wrong == u64(0) and seconds <= LAST_SECOND:
                    second_a, second_b, second_ns = a, b, seconds * 1_000_000_000
                else:
                    wrong = u64(1)
            # The eight digits are a zero, the six decimals, a zero: tenths of microseconds.
            stamp = second_ns + _decimal_value(decimals) * 100
            wrong |= (load(text, at) ^ u64(LEFT)) & BYTE | (blank ^ u64(SPACE)) & BYTE

            letters = load(text, at + 20) & mask
            code = i64(likely[(letters * MIXED) >> u64(60)])
            if letters != words[u64(code)] or masks[u64(code)] != mask:
                code = 0
                while code < counts[NAMES] and load(text, at + 20) & masks[code] != words[code]:
                    code += 1
                if code == counts[NAMES]:
                    wrong, code = u64(1), 0
                mask, behind = masks[code], 21 + sizes[code]
                likely[(words[code] * MIXED) >> u64(60)] = code
            q = at + behind

            digits_there, digits = hex_bytes(text, q)
            if digits == u64(3):
                identifier = (digits_there & BYTE) << u64(4) | (digits_there >> u64(12)) & LAST_FOUR
                wrong |= identifier & ~u64(0x7FF)
                q += 3
            else:
                identifier = turned(digits_there) >> u64(32)
                wrong |= (digits ^ u64(8)) | identifier & ~u64(ID_BITS)
                flag = EXTENDED
                q += 8
            wrong |= u64(text[u64(q)]) ^ u64(HASH)
            q += 1

            at_heap = -1
            if text[u64(q)] == HASH:
                kind = HEX[text[u64(q + 1)]]
                wrong |= u64(kind) & ~LOW_FOUR
                flag |= FD | (BRS if kind & 1 else 0) | (ESI if kind & 2 else 0)
                q += 2
                word, digits = hex_bytes(text, q)
                while size < 64 and digits == u64(16):
                    store(heap, top + size, word)
                    q, size = q + 16, size + 8
                    word, digits = hex_bytes(text, q)
                if size < 64:
                    store(heap, top + size, word)
                    wrong |= digits & u64(1)
                    q, size = q + i64(digits), size + i64(digits >> u64(1))
                if not IS_FD_LENGTH[u64(size)]:
                    wrong = u64(1)
                word = load(heap, top) & FIRST_BYTES[u64(min(size, 8))]
                if size > 8:
                    at_heap = top
            else:
                word, digits = hex_bytes(text, q)
                size, q = i64(digits >> u64(1)), q + i64(digits)
                if digits != u64(16):
                    wrong |= digits & u64(1)
                    word &= FIRST_BYTES[u64(size)]

            tail = load(text, q)
            if tail & BYTE != u64(LF):
                if tail & BYTE == u64(SPACE) and (text[q + 1] == T or text[q + 1] == R):
                    if text[q + 1] == T:
                        flag |= TRANSMITTED
                    q += 2
                if text[q] == CR:
                    q += 1
                if text[q] != LF:
                    wrong = u64(1)
        if wrong == u64(0):
            place = u64(row)  # an unsigned index is never counted from the end
            time_ns[place] = stamp
            channel[place] = code
            can_id[place] = np.uint32(identifier)
            flags[place] = flag
            length[place] = size
            data[place] = word
            heap_at[place] = at_heap
            if at_heap >= 0:
                top += size
            row += 1
            at = q + 1
        else:
            stop = at
            while text[stop] != LF:
                stop += 1
            left, right = at, stop
            # As bytes.strip does: blank, tab, line feed, vertical tab, form feed, return
            while left < right and (text[left] == SPACE or 9 <= text[left] <= 13):
                left += 1
            while right > left and (text[right - 1] == SPACE or 9 <= text[right - 1] <= 13):
                right -= 1
            if left < right and text[left] != HASH:
                counts[FRAMES], counts[HEAP] = row, top
                if not frame_of(
                    text, left, right, time_ns, channel, can_id, flags, length, data, heap_at, heap,
                    names, sizes, words, masks, counts,
                ):  # fmt: skip
                    if counts[FULL]:
                        break
                    rejected[counts[REJECTED], 0] = line
                    rejected[counts[REJECTED], 1] = left
                    rejected[counts[REJECTED], 2] = right
                    counts[REJECTED] += 1
                row, top = counts[FRAMES], counts[HEAP]
            at = stop + 1
        line += 1
    counts[FRAMES], counts[HEAP], counts[LINES] = row, top, line
    return at
