"""The lines of python-can's CSV, a whole block at once: columns are cut at the commas.

Every line that deviates from what its writer writes is left to ``line.parse``.
"""

from __future__ import annotations

import numpy as np

from canscope.capture import UNNAMED
from canscope.capture.csv.line import COMMAS, LONGEST_DATA
from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.table import Bytes, Words, gathered, payloads, sound
from canscope.capture.input.text import DECIMAL, HEXADECIMAL, NONE
from canscope.model.tables import Bools, Flag, Frames, Int64s

# RFC 4648, table 1
ALPHABET = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
FRACTION = 12  # digits behind the point that are looked at in every line, a multiple of 4
BASE64 = np.full(256, NONE, np.uint8)
BASE64[np.frombuffer(ALPHABET, np.uint8)] = np.arange(64)


def columns(buffer: Bytes, starts: Int64s, ends: Int64s) -> tuple[Int64s, Frames]:
    """Numbers of the lines read, from 0, and their frames."""
    stops = ends - (buffer.take(ends - 1, mode="clip") == ord("\r"))
    rows, cuts = _cut(buffer, starts, stops)
    starts, stops = starts[rows], stops[rows]
    time_ns, good = _time(buffer, starts, cuts[:, 0])
    can_id, whole = _identifier(buffer, cuts[:, 0] + 1, cuts[:, 1])
    good &= whole
    states = [_state(buffer, cuts[:, at], cuts[:, at + 1]) for at in (1, 2, 3)]
    for state in states:
        good &= state <= 1
    length, whole = _number(buffer, cuts[:, 4], cuts[:, 5], 2)
    good &= whole

    extended, remote, error = (state == 1 for state in states)
    flags = np.where(extended & ~error, np.uint8(Flag.EXTENDED), np.uint8(0))
    flags |= np.where(remote, np.uint8(Flag.REMOTE), np.uint8(0))
    flags |= np.where(error, np.uint8(Flag.ERROR), np.uint8(0))
    flags |= np.where(length > 8, np.uint8(Flag.FD), np.uint8(0))
    good &= sound(can_id, flags, length)

    size = np.where(remote, 0, length)
    text = stops - cuts[:, 5] - 1
    good &= text == (size + 2) // 3 * 4
    chosen = np.flatnonzero(good)
    (data, heap_at, heap), whole = _payload(buffer, cuts[chosen, 5] + 1, size[chosen])
    chosen = chosen[whole]
    return rows[chosen], Frames(
        time_ns=time_ns[chosen],
        channel=np.zeros(len(chosen), np.uint8),
        can_id=can_id[chosen].astype(np.uint32),
        flags=flags[chosen],
        length=length[chosen].astype(np.uint8),
        data=data[whole],
        heap_at=heap_at[whole],
        heap=heap,
        channels=(UNNAMED,),
    )


def _cut(buffer: Bytes, starts: Int64s, stops: Int64s) -> tuple[Int64s, Int64s]:
    """The lines with exactly six commas, and where these are, shape n x 6."""
    commas = np.flatnonzero(buffer == ord(","))
    first = np.searchsorted(commas, starts)
    rows = np.flatnonzero(np.searchsorted(commas, stops) - first == COMMAS)
    return rows, commas[first[rows][:, None] + np.arange(COMMAS)]


def _ending(buffer: Bytes, end: Int64s, count: Int64s, width: int) -> Bytes:
    """The ``count`` digits before each place, flush right in ``width`` places behind zeros."""
    digits = gathered(buffer, end - width, width)
    return np.where(np.arange(width) >= width - count[:, None], digits, np.uint8(ord("0")))


def _time(buffer: Bytes, begin: Int64s, end: Int64s) -> tuple[Int64s, Bools]:
    """Seconds with a fraction of any length, rounded half up at the ninth digit."""
    dots = np.append(np.flatnonzero(buffer == ord(".")), len(buffer))
    dot = np.minimum(dots[np.searchsorted(dots[:-1], begin)], end)
    seconds, good = _number(buffer, begin - 1, dot, 10)
    count = end - dot - 1
    digits = DECIMAL.take(gathered(buffer, dot + 1, FRACTION))
    digits = np.where(np.arange(FRACTION) < count[:, None], digits, 0)
    good &= (count >= 1) & (digits != NONE).all(axis=1)
    if int(count.max(initial=0)) > FRACTION:
        odd = np.cumsum(DECIMAL.take(buffer) == NONE)  # signs up to here that are no digit
        good &= odd.take(end - 1, mode="clip") == odd[dot.clip(max=len(odd) - 1)]
    nanos = digits[:, :9] @ (10 ** np.arange(9)[::-1]) + (digits[:, 9] >= 5)
    good &= seconds <= LAST_SECOND
    return np.where(good, seconds, 0) * 1_000_000_000 + nanos, good


def _number(buffer: Bytes, before: Int64s, behind: Int64s, most: int) -> tuple[Int64s, Bools]:
    """The decimal number between two signs, of at most so many digits."""
    count, width = behind - before - 1, -(-most // 4) * 4
    digits = DECIMAL.take(_ending(buffer, behind, count, width))
    good = (count >= 1) & (count <= most) & (digits != NONE).all(axis=1)
    return digits @ (10 ** np.arange(width)[::-1]), good


def _identifier(buffer: Bytes, begin: Int64s, end: Int64s) -> tuple[Int64s, Bools]:
    """``0x`` and up to 8 hex digits."""
    count = end - begin - 2
    digits = HEXADECIMAL.take(_ending(buffer, end, count, 8))
    good = (count >= 1) & (count <= 8) & (digits != NONE).all(axis=1)
    good &= (buffer[begin] == ord("0")) & (buffer.take(begin + 1, mode="clip") == ord("x"))
    return digits @ (16 ** np.arange(8)[::-1]), good


def _state(buffer: Bytes, before: Int64s, behind: Int64s) -> Bytes:
    """The one digit between two commas; ``NONE`` where there is not exactly one."""
    return np.where(behind - before == 2, DECIMAL.take(buffer[before + 1]), np.uint8(NONE))


def _payload(
    buffer: Bytes, begin: Int64s, size: Int64s
) -> tuple[tuple[Words, np.ndarray[tuple[int], np.dtype[np.int32]], Bytes], Bools]:
    """Payloads of ``size`` bytes written in base64, and which of them are."""
    whole, decoded, at = np.ones(len(size), np.bool_), [np.zeros(8, np.uint8)], np.zeros_like(size)
    used = 8
    for bytes_ in np.unique(size).tolist():  # a handful: there are 16 lengths of frames
        if not 0 < bytes_ <= LONGEST_DATA:
            continue
        rows = np.flatnonzero(size == bytes_)
        letters, padding = -(-bytes_ // 3) * 4, -bytes_ % 3
        text = gathered(buffer, begin[rows], letters)
        value = BASE64.take(text)
        if padding:
            whole[rows] &= (text[:, -padding:] == ord("=")).all(axis=1)
            value[:, -padding:] = 0
        whole[rows] &= (value != NONE).all(axis=1)
        sextets = value.reshape(len(rows), -1, 4).astype(np.uint32)
        four = sextets[:, :, 0] << 18 | sextets[:, :, 1] << 12 | sextets[:, :, 2] << 6
        three = (four | sextets[:, :, 3])[:, :, None] >> np.array([16, 8, 0], np.uint32)
        block = np.ascontiguousarray(three.astype(np.uint8).reshape(len(rows), -1)[:, :bytes_])
        at[rows] = used + np.arange(len(rows)) * bytes_
        decoded.append(block.ravel())
        used += block.size
    return payloads(np.concatenate(decoded), at, size), whole
