"""Messages as tables of numbers, in the columns of ``decode_kernel``.

A unit is a set of signals that come from the same frames: those of one multiplexer path. For the
case that a frame is too short for one of them, there is a smaller unit for each number of bytes.
Steps find the frames of a path: read a selector where the frame has it, then select by its value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from canscope.decoding.bits import bytes_needed, first_bit, is_special, whole_numbers
from canscope.decoding.message import Compiled, Path, limits
from canscope.fast import decode_kernel as k
from canscope.model.definition import SignalSpec
from canscope.model.tables import Bools, Floats, Int64s
from canscope.trust.samples.no_value_codes import largest, wrapped

FLOATS = {16: "FLOAT_16", 32: "FLOAT_32", 64: "FLOAT_64"}  # bits, and their name in decode_kernel


@dataclass(frozen=True, eq=False)
class Tables:
    """All messages; the rows of each begin at its ``unit_edges`` and ``step_edges``.

    ``specs`` are the wanted signals, which are the first rows of ``shape``; selectors follow.
    """

    specs: tuple[SignalSpec, ...]
    shape: Int64s
    scale: Floats
    absent_codes: Int64s
    units: Int64s
    unit_edges: Int64s
    is_part: Bools  # of a larger unit, for short frames
    steps: Int64s
    step_edges: Int64s
    values: Int64s


class Builder:
    """Collects rows message by message."""

    def __init__(self) -> None:
        self._specs: list[SignalSpec] = []
        self._selectors: list[SignalSpec] = []
        self._units: list[tuple[int, ...]] = []
        self._is_part: list[bool] = []
        self._steps: list[tuple[int, ...]] = []
        self._values: list[int] = []
        self._unit_edges, self._step_edges = [0], [0]

    def add(self, message: Compiled | None) -> None:
        """The next message; None is one of which nothing is wanted."""
        if message is not None:
            paths = _Paths(self, message)
            for block in message.blocks:
                self._block(paths.number(block.path), block.fields.specs)
        self._unit_edges.append(len(self._units))
        self._step_edges.append(len(self._steps))

    def build(self) -> Tables:
        """The tables of all messages so far."""
        shape, codes = [], list[int]()
        for spec in (*self._specs, *self._selectors):
            shape.append(self._shape(spec, len(codes)))
            codes += (wrapped(code) for code in spec.absent.codes)
        scale = [(spec.factor, spec.offset, *limits(spec)) for spec in self._specs]
        wanted = len(self._specs)
        steps = _rows(self._steps, 7)
        steps[steps[:, k.STEP] == k.READ, k.SELECTOR] += wanted  # whose rows are behind those
        return Tables(
            tuple(self._specs),
            _rows(shape, k.CODES_END + 1),
            np.array(scale, np.float64).reshape(wanted, 4),
            np.array(codes, np.int64),
            _rows(self._units, 6),
            np.array(self._unit_edges),
            np.array(self._is_part, np.bool_),
            steps,
            np.array(self._step_edges),
            np.array(self._values, np.int64),
        )

    def step(
        self, kind: int, own: int, upon: int, selector: int, need: int, values: Sequence[int]
    ) -> None:
        """Add a step; values that no raw code of 64 bits has are left out."""
        begin = len(self._values)
        self._values += (value for value in values if -(2**63) <= value < 2**63)
        self._steps.append((kind, own, upon, selector, need, begin, len(self._values)))

    def selector(self, spec: SignalSpec) -> int:
        """The place of a signal that selects, among those that do."""
        self._selectors.append(spec)
        return len(self._selectors) - 1

    def _block(self, path: int, specs: Sequence[SignalSpec]) -> None:
        ordered = sorted(specs, key=bytes_needed)
        parts = [list(group) for _, group in groupby(ordered, bytes_needed)]
        self._unit(path, len(self._specs), ordered, is_part=False)
        for part in parts:
            self._unit(path, len(self._specs), part, is_part=True)
            self._specs += part

    def _unit(self, path: int, begin: int, specs: Sequence[SignalSpec], *, is_part: bool) -> None:
        message, end = len(self._unit_edges) - 1, begin + len(specs)
        need = max(bytes_needed(spec) for spec in specs)
        is_big = any(spec.big_endian for spec in specs)
        self._units.append((message, path, need, begin, end, is_big))
        self._is_part.append(is_part)

    def _shape(self, spec: SignalSpec, codes: int) -> Sequence[int]:
        """A signal's row; ``codes`` is how many absent codes come before its own."""
        row = [0] * (k.CODES_END + 1)
        row[k.FIRST], row[k.BITS], row[k.BIG] = first_bit(spec), spec.length_bits, spec.big_endian
        row[k.SIGNED] = spec.signed and not spec.is_float
        row[k.FAR] = bytes_needed(spec) > 8
        row[k.KIND] = k.INTEGER
        if spec.is_float:
            row[k.KIND] = getattr(k, FLOATS[spec.length_bits])
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


class _Paths:
    """Numbers the multiplexer paths of one message, 0 being every frame, and adds their steps."""

    def __init__(self, builder: Builder, message: Compiled) -> None:
        self._builder, self._selectors = builder, message.selectors
        self._paths: dict[Path, int] = {(): 0}
        self._read: dict[str, int] = {}
        for name in message.selectors:
            self._number_of_selector(name)

    def number(self, path: Path) -> int:
        """The number of a path, after the steps that it rests on."""
        if path not in self._paths:
            name, values = path[-1]
            selector, upon = self._number_of_selector(name), self.number(path[:-1])
            self._paths[path] = own = len(self._paths)
            self._builder.step(k.SELECT, own, upon, selector, 0, values)
        return self._paths[path]

    def _number_of_selector(self, name: str) -> int:
        if name not in self._read:
            selector = self._selectors[name]
            upon = self.number(selector.path)
            self._read[name] = own = len(self._read)
            place = self._builder.selector(selector.fields.specs[0])
            self._builder.step(k.READ, own, upon, place, selector.need, selector.known)
        return self._read[name]


def _rows(rows: Sequence[Sequence[int]], width: int) -> Int64s:
    """A table of whole numbers, also one without rows."""
    table: NDArray[np.int64] = np.array(rows, np.int64).reshape(len(rows), width)
    return table
