"""Payload bits -> raw codes -> physical values, for many signals and many frames at once.

A field is cut out of a 64-bit window of the payload by one shift left and one right; the window is
the frame's first eight bytes, or eight bytes anywhere in a longer CAN FD payload. Motorola fields
are cut out of the window read the other way round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canscope.model.definition import SignalSpec
from canscope.model.tables import Floats, Frames, Int64s

Words = NDArray[np.uint64]

FLOATS = {16: np.float16, 32: np.float32, 64: np.float64}  # IEEE 754, by length in bits
LONGEST = 64  # bits that a signal may have
EXACT = 2**53  # float64 holds every integer up to here


class Heap:
    """Payloads longer than eight bytes, readable as eight bytes from any place."""

    def __init__(self, frames: Frames) -> None:
        self.plain = frames.heap

    @cached_property
    def bytes(self) -> NDArray[np.uint8]:
        return np.concatenate([self.plain, np.zeros(9, np.uint8)])

    @cached_property
    def windows(self) -> Words:
        """``windows[i]`` is the little-endian word of bytes i to i + 7."""
        count = len(self.bytes) - 8
        return np.ndarray((count,), np.dtype("<u8"), buffer=self.bytes, strides=(1,))


@dataclass(frozen=True, eq=False)
class Payloads:
    """The data frames of one message in one chunk: columns as in ``Frames``, ``row`` its row."""

    row: Int64s
    time_ns: Int64s
    length: NDArray[np.uint8]
    word: Words
    heap_at: NDArray[np.int32]
    heap: Heap

    def __len__(self) -> int:
        return len(self.row)

    def take(self, rows: slice | Int64s) -> Payloads:
        """The rows asked for, in that order."""
        return Payloads(
            self.row[rows],
            self.time_ns[rows],
            self.length[rows],
            self.word[rows],
            self.heap_at[rows],
            self.heap,
        )


def bytes_needed(spec: SignalSpec) -> int:
    """How long a payload must be to hold all bits of a signal."""
    return (first_bit(spec) + spec.length_bits + 7) // 8


def first_bit(spec: SignalSpec) -> int:
    """Bits before the signal, counted in its own bit order (DBC: Motorola starts at the MSB)."""
    return first_bit_of(spec.start_bit, big_endian=spec.big_endian)


def first_bit_of(start_bit: int, *, big_endian: bool) -> int:
    """The same of a start bit."""
    return start_bit // 8 * 8 + 7 - start_bit % 8 if big_endian else start_bit


class Fields:
    """Signals compiled for extraction; rows of its matrices are in the order of ``specs``."""

    def __init__(self, specs: Sequence[SignalSpec]) -> None:
        ordered = sorted(specs, key=_kind)
        self.specs, self.keys = tuple(ordered), tuple(spec.key for spec in ordered)
        kinds = [_kind(spec) for spec in ordered]
        count = len(ordered)
        self._wide = [i for i in range(count) if kinds[i][0]]
        self._far = [(i, *_window(ordered[i])) for i in self._wide]
        near = count - len(self._wide)
        self._intel = slice(0, sum(not kind[1] for kind in kinds[:near]))
        self._motorola = slice(self._intel.stop, near)
        self._runs = _runs([kind[2] for kind in kinds])
        shifts = np.array([_shifts(spec) for spec in ordered], np.uint64).reshape(-1, 2)
        self._left, self._right = shifts[:, :1], shifts[:, 1:]
        self._factor = np.array([[spec.factor] for spec in ordered])
        self._offset = np.array([[spec.offset] for spec in ordered])
        self._special = [i for i in range(count) if is_special(ordered[i])]

    def __len__(self) -> int:
        return len(self.specs)

    def raw(self, payloads: Payloads) -> Int64s:
        """Raw codes, shape (signals, frames), sign-extended; every frame must be long enough."""
        words = np.empty((len(self), len(payloads)), np.uint64)
        if self._intel.stop:
            np.left_shift(payloads.word, self._left[self._intel], out=words[self._intel])
        if self._motorola.stop > self._motorola.start:
            turned = payloads.word.byteswap()
            np.left_shift(turned, self._left[self._motorola], out=words[self._motorola])
        for i, first_byte, skip in self._far:
            far = _far_word(payloads, self.specs[i], first_byte, skip)
            words[i] = far << self._left[i, 0]
        raw = words.view(np.int64)
        for run, signed in self._runs:
            if signed:
                raw[run] >>= self._right[run].view(np.int64)
            else:
                words[run] >>= self._right[run]
        return raw

    def physical(self, raw: Int64s) -> Floats:
        """``raw * factor + offset`` as float64, shape (signals, frames).

        Equal to arithmetic in whole numbers up to 2**53; a wider result is within one unit in the
        last place of each of the two operations.
        """
        value = raw.astype(np.float64)
        with np.errstate(invalid="ignore", over="ignore"):  # floats may hold infinity and NaN
            for i in self._special:
                value[i] = _number(self.specs[i], raw[i])
            value *= self._factor
            value += self._offset
        for i in self._special:
            if (whole := whole_numbers(self.specs[i])) is not None:
                value[i] = raw[i] * whole[0] + whole[1]
        return value


def _kind(spec: SignalSpec) -> tuple[bool, bool, bool]:
    """Order of extraction: within the first eight bytes, byte order, sign."""
    signed = spec.signed and not spec.is_float
    return bytes_needed(spec) > 8, spec.big_endian, signed


def _runs(signed: Sequence[bool]) -> list[tuple[slice, bool]]:
    """Neighbours of one kind: where they are, and which kind."""
    edges = [i for i in range(len(signed)) if i == 0 or signed[i] != signed[i - 1]]
    return [
        (slice(start, stop), signed[start])
        for start, stop in zip(edges, [*edges[1:], len(signed)], strict=False)
    ]


def _shifts(spec: SignalSpec) -> tuple[int, int]:
    """Left shift that drops the bits above the field, right shift that drops those below."""
    right = 64 - spec.length_bits
    if bytes_needed(spec) > 8:
        return right, right  # _far_word has the field in its lowest bits already
    first = first_bit(spec)
    return (first if spec.big_endian else 64 - first - spec.length_bits), right


def _window(spec: SignalSpec) -> tuple[int, int]:
    """First byte of a far field and the bits to skip in it."""
    return divmod(first_bit(spec), 8)


def _far_word(payloads: Payloads, spec: SignalSpec, first_byte: int, skip: int) -> Words:
    """Words with the field in their lowest bits (garbage above), from eight or nine bytes."""
    at = payloads.heap_at.astype(np.int64) + first_byte
    word, bits = payloads.heap.windows[at], spec.length_bits
    beyond = skip + bits - 64  # bits of the field that lie in the ninth byte
    ninth = payloads.heap.bytes[at + 8].astype(np.uint64) if beyond > 0 else None
    if not spec.big_endian:
        low = word >> np.uint64(skip)
        return low if ninth is None else low | ninth << np.uint64(64 - skip)
    word = word.byteswap()
    if ninth is None:
        return word >> np.uint64(-beyond)
    return word << np.uint64(beyond) | ninth >> np.uint64(8 - beyond)


def is_special(spec: SignalSpec) -> bool:
    """Whether the raw codes are no plain integers that float64 holds."""
    return spec.is_float or spec.length_bits > 53


def _number(spec: SignalSpec, raw: Int64s) -> Floats:
    """The raw number as float64, before scaling."""
    if spec.is_float:
        unsigned = np.dtype(f"u{spec.length_bits // 8}")
        return raw.astype(unsigned).view(FLOATS[spec.length_bits]).astype(np.float64)
    return (raw if spec.signed else raw.view(np.uint64)).astype(np.float64)


def whole_numbers(spec: SignalSpec) -> tuple[np.int64, np.int64] | None:
    """Factor and offset of a wide field that can be scaled in whole numbers, else None."""
    scaled = (spec.factor, spec.offset) != (1, 0)
    if spec.is_float or not (scaled and spec.factor.is_integer() and spec.offset.is_integer()):
        return None
    reach = 2 ** (spec.length_bits - spec.signed) * abs(int(spec.factor)) + abs(int(spec.offset))
    return (np.int64(spec.factor), np.int64(spec.offset)) if reach < 2**63 else None
