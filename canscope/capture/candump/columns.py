"""The common lines of candump text, a whole block at once: data frames without dots.

Every line that deviates from that by a single character is left to ``line.parse``.

Eight characters make a word, the first one lowest, and the words of all lines a column: arithmetic
on a column takes a fraction of a nanosecond a line, so it is done on all lines, and whether a line
is what it is taken for comes out beside it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canscope.capture.candump.line import CHANNEL, FD_FLAGS
from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.text import DECIMAL, HEXADECIMAL, NONE
from canscope.model.tables import FD_LENGTHS, MOST_CHANNELS, Bools, Flag, Frames, Int64s

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]

LONGEST_NAME = 16  # bytes of a channel name that are compared here; longer ones deviate
MARGIN = 48  # bytes before and behind a block that may be looked at; they are NUL

u64 = np.uint64
TRUE, LOW_FOUR = u64(0x0101010101010101), u64(0x0F0F0F0F0F0F0F0F)
EVERY_2ND, EVERY_4TH, HALF = u64(0x00FF00FF00FF00FF), u64(0x0000FFFF0000FFFF), u64(0xFFFFFFFF)
FIRST_BYTES = np.array([(1 << 8 * size) - 1 for size in range(9)], np.uint64)
FD_KINDS = np.array(FD_FLAGS, np.uint8)[HEXADECIMAL & 3]  # by the character behind both marks
LAST_THREE = ~FIRST_BYTES[5]
LAYOUTS = 4  # of lines: where a sign is looked for before the whole block is searched for it


def columns(buffer: Bytes, starts: Int64s, ends: Int64s, known: set[str]) -> tuple[Int64s, Frames]:
    """Numbers of the lines read, from 0, and their frames.

    ``known`` holds the channel names of the file so far and gains the new ones.
    """
    text = np.zeros(len(buffer) + 2 * MARGIN, np.uint8)
    text[MARGIN:-MARGIN] = buffer
    starts, stops = starts + MARGIN, ends + MARGIN
    stops -= text.take(stops - 1) == ord("\r")
    suffix = np.where(text.take(stops - 2) == ord(" "), text.take(stops - 1), 0)
    sent = suffix == ord("T")
    stops -= 2 * (sent | (suffix == ord("R")))
    dot = _places(text, b".", starts, stops)
    close = _places(text, b")", dot, stops)
    mark = _places(text, b"#", close, stops)

    time_ns, good = _times(text, starts, dot, close)
    good &= (text.take(starts) == ord("(")) & (text.take(close + 1) == ord(" "))
    extended = text.take(mark - 4) != ord(" ")
    can_id, whole = _identifiers(text, mark, extended)
    good &= whole
    length, data, whole = _payloads(text, mark, stops)
    flags = extended * np.uint8(Flag.EXTENDED) | sent * np.uint8(Flag.TRANSMITTED)
    heap_at, heap = np.full(len(good), -1, np.int32), np.zeros(0, np.uint8)
    fd = np.flatnonzero(text.take(mark + 1) == ord("#"))
    if len(fd):
        flags[fd] |= FD_KINDS[text[mark[fd] + 2]]
        length[fd], data[fd], heap_at[fd], heap, whole[fd] = _fd_payloads(text, mark[fd], stops[fd])
    good &= whole
    begin, end = close + 2, mark - np.where(extended, 9, 4)
    channel, names = _channels(text, begin, end, good, known)

    frames = Frames(
        time_ns=time_ns,
        channel=channel,
        can_id=can_id,
        flags=flags,
        length=length,
        data=data,
        heap_at=heap_at,
        heap=heap,
        channels=names,
    )
    rows = np.flatnonzero(good)
    return rows, frames if len(rows) == len(good) else frames.take(rows)


def _windows(text: Bytes, places: Int64s, count: int) -> Words:
    """So many words from each place on, shape n x count."""
    size = 8 * count
    windows = np.ndarray(len(text) - size + 1, f"V{size}", text.data, strides=(1,))
    return windows[places].view("<u8").reshape(-1, count)


def _words(text: Bytes, places: Int64s, count: int) -> Words:
    """So many words from each place on, a word a column: shape count x n."""
    return np.ascontiguousarray(_windows(text, places, count).T)


def _places(text: Bytes, sign: bytes, starts: Int64s, stops: Int64s) -> Int64s:
    """A place of a sign behind each start; behind the stop as well if there is none before it.

    Lines are much alike, so it is looked for where it stands in one of them, then where it stands
    in one of those left: parsing takes 52 % longer if each is searched for. It need not be the
    first: what lies before it must not hold a sign at all.
    """
    places = starts + _offset(text, sign, int(starts[0]))
    for tries in reversed(range(LAYOUTS)):
        odd = np.flatnonzero((text.take(places, mode="clip") != ord(sign)) | (places > stops))
        if not len(odd):
            break
        left = starts[odd]
        if tries:
            places[odd] = left + _offset(text, sign, int(left[0]))
        else:
            places[odd] = _first(text, sign, left)
    return places


def _offset(text: Bytes, sign: bytes, start: int) -> int:
    """How far behind a place a sign stands, -1 if it is nowhere near."""
    return text[start : start + MARGIN].tobytes().find(sign)


def _first(text: Bytes, sign: bytes, starts: Int64s) -> Int64s:
    """The first place of a sign from each start on, in this line or a later one."""
    found = np.append(np.flatnonzero(text == ord(sign)), len(text) - MARGIN)
    return found[np.searchsorted(found[:-1], starts)]


def _times(text: Bytes, starts: Int64s, dot: Int64s, close: Int64s) -> tuple[Int64s, Bools]:
    """The stamps in nanoseconds, from behind a bracket to the next one."""
    before, last, decimals = _words(text, dot - 15, 3)
    count = dot - starts - 1
    # Most lines are of the same second as the one before; parsing takes 83 % longer if each second
    # is read.
    new = np.ones(len(dot), bool)
    new[1:] = (last[1:] != last[:-1]) | (count[1:] != count[:-1])
    new[1:] |= (before[1:] ^ before[:-1]) > FIRST_BYTES[5]  # of ten digits, the first three
    seconds, good = _seconds(text, dot[new], count[new])
    line = np.cumsum(new) - 1

    size = close - dot - 1
    is_there = FIRST_BYTES.take(size, mode="clip")
    letters = decimals.view(np.uint8)
    wrong = (letters - ord("0") > 9).view(u64) & is_there
    nanos = _decimal_value(decimals & is_there) * 10
    fits = (size >= 1) & (size <= 9) & (wrong == 0)
    ninth = np.flatnonzero(size == 9)
    if len(ninth):
        digit = DECIMAL[text[dot[ninth] + 9]]
        nanos[ninth] += digit
        fits[ninth] &= digit != NONE
    return seconds[line] + nanos, good[line] & fits


def _seconds(text: Bytes, dot: Int64s, count: Int64s) -> tuple[Int64s, Bools]:
    """The number of ``count`` digits before each point, as nanoseconds."""
    place = np.arange(10)
    digits = DECIMAL[text[dot[:, None] - 10 + place]]
    digits[place < 10 - count[:, None]] = 0
    seconds = digits @ 10 ** place[::-1]
    good = (count >= 1) & (count <= 10) & (digits != NONE).all(axis=1) & (seconds <= LAST_SECOND)
    return np.where(good, seconds, 0) * 1_000_000_000, good


def _decimal_value(words: Words) -> Int64s:
    """Eight decimal digits, NUL being a zero: neighbours make tens and ones, then hundreds."""
    words = words & LOW_FOUR
    words = (words * 10 + (words >> 8)) & EVERY_2ND
    words = (words * 100 + (words >> 16)) & EVERY_4TH
    return ((words * 10_000 + (words >> 32)) & HALF).view(np.int64)


def _hex_bytes(words: Words) -> tuple[Bytes, Words]:
    """The four bytes that the characters of each word spell, and 1 in place of each wrong one.

    A wrong character spoils no other byte than its own.
    """
    letters = words.view(np.uint8)
    is_letter = (letters | 0x20) - ord("a") < 6
    is_digit = (letters - ord("0") < 10) | is_letter
    nibbles = (letters & 15) + 9 * is_letter.view(np.uint8)
    pairs = nibbles.view("<u2")
    return (pairs << 4 | pairs >> 8).astype(np.uint8), is_digit.view("<u8") ^ TRUE


def _identifiers(text: Bytes, mark: Int64s, extended: Bools) -> tuple[NDArray[np.uint32], Bools]:
    """The 8 hex digits before the mark and behind a space, or the last 3 of them."""
    bytes_, wrong = _hex_bytes(_words(text, mark - 8, 1)[0])
    value = bytes_.view(">u4").astype(np.uint32)
    value &= np.where(extended, np.uint32(0xFFFF_FFFF), np.uint32(0xFFF))
    good = wrong & np.where(extended, ~u64(0), LAST_THREE) == 0
    good &= ~extended | (text.take(mark - 9) == ord(" "))
    good &= value <= np.where(extended, np.uint32(0x1FFF_FFFF), np.uint32(0x7FF))
    return value, good


def _payloads(text: Bytes, mark: Int64s, stops: Int64s) -> tuple[Bytes, Words, Bools]:
    """Length in bytes, the bytes as one little-endian word, and whether they are all there."""
    count = stops - mark - 1
    bytes_, wrong = _hex_bytes(_words(text, mark + 1, 2))
    low, high = bytes_.view("<u4").astype(np.uint64)
    data = (low | high << 32) & FIRST_BYTES.take(count >> 1, mode="clip")
    bad = wrong[0] & FIRST_BYTES.take(count, mode="clip")
    bad |= wrong[1] & FIRST_BYTES.take(count - 8, mode="clip")
    good = (bad == 0) & (count >= 0) & (count <= 16) & (count & 1 == 0)
    return (count >> 1).astype(np.uint8), data, good


def _fd_payloads(
    text: Bytes, mark: Int64s, stops: Int64s
) -> tuple[Bytes, Words, NDArray[np.int32], Bytes, Bools]:
    """As ``_payloads`` behind a second mark and a digit; places in the heap, and the heap, too."""
    count = stops - mark - 3
    good, data = np.zeros(len(mark), bool), np.zeros(len(mark), np.uint64)
    heap_at, heap, top = np.full(len(mark), -1, np.int32), [np.zeros(0, np.uint8)], 0
    is_right = HEXADECIMAL[text[mark + 2]] != NONE
    for size in FD_LENGTHS:
        rows, words = np.flatnonzero(is_right & (count == 2 * size)), max(2, -(-size // 4))
        if not len(rows):
            continue
        bytes_, wrong = _hex_bytes(_windows(text, mark[rows] + 3, words))
        wrong &= FIRST_BYTES.take(2 * size - 8 * np.arange(words), mode="clip")
        is_whole = ~wrong.any(axis=1)
        rows, bytes_ = rows[is_whole], bytes_[is_whole]
        good[rows] = True
        data[rows] = bytes_[:, :8].view("<u8")[:, 0] & FIRST_BYTES[min(size, 8)]
        if size > 8:
            heap_at[rows] = top + size * np.arange(len(rows))
            heap.append(bytes_[:, :size].ravel())
            top += len(heap[-1])
    return (count >> 1).astype(np.uint8), data, heap_at, np.concatenate(heap), good


def _channels(
    text: Bytes, begin: Int64s, end: Int64s, good: Bools, known: set[str]
) -> tuple[Bytes, tuple[str, ...]]:
    """A code for each name and the names; ``good`` loses the lines whose name is not a plain one.

    The loop runs once a name: a capture has a handful, and never more than ``MOST_CHANNELS``.
    """
    size = end - begin  # a name that ends in NUL is not the one without it
    good &= (size > 0) & (size <= LONGEST_NAME)
    first, second = _words(text, begin, 2)
    first &= FIRST_BYTES.take(size, mode="clip")
    second &= FIRST_BYTES.take(size - 8, mode="clip")
    codes, names, left = np.zeros(len(good), np.uint8), list[str](), good.copy()
    while len(names) < MOST_CHANNELS and left.any():
        row = int(left.argmax())
        same = left & (first == first[row]) & (second == second[row]) & (size == size[row])
        left &= ~same
        raw = text[begin[row] : end[row]].tobytes()
        name = raw.decode("utf-8", "backslashreplace")
        if CHANNEL.fullmatch(raw) and (name in known or len(known) < MOST_CHANNELS):
            known.add(name)
            codes += same * np.uint8(len(names))
            names.append(name)
        else:
            good &= ~same
    good &= ~left
    return codes, tuple(names)
