"""One message compiled: its wanted signals by multiplexer, and the decoding of its frames."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canscope.decoding.bits import Fields, Payloads, bytes_needed
from canscope.model.definition import MessageSpec, SignalSpec
from canscope.model.signals import NOT_AVAILABLE, OUT_OF_RANGE, Series
from canscope.model.tables import Bools, Floats, Int64s
from canscope.trust.samples.no_value_codes import absent_rows

Path = tuple[tuple[str, tuple[int, ...]], ...]  # as SignalSpec.multiplexer
Statuses = NDArray[np.uint8]
FEW = 16  # so many comparisons are quicker than np.isin; decoding takes 10 % longer without


@dataclass(frozen=True, eq=False)
class DecodeResult:
    """What was decoded of a chunk: series by key; arrivals and counts by message that occurs.

    ``unknown`` counts frames of no message, a place of a channel.
    """

    series: dict[str, Series]
    arrivals: dict[str, Int64s]
    short: dict[str, int]
    undefined: dict[str, int]
    unknown: Int64s


class Block:
    """Signals that appear together: the same selectors with the same values choose them."""

    def __init__(self, path: Path, specs: Collection[SignalSpec]) -> None:
        self.path = path
        self.fields = Fields(tuple(specs))
        self.need = max(bytes_needed(spec) for spec in specs)
        self._low, self._high = np.array([limits(spec) for spec in self.fields.specs]).T[:, :, None]
        self._ranged = bool(np.isfinite(self._low).any() or np.isfinite(self._high).any())

    @cached_property
    def by_need(self) -> tuple[Block, ...]:
        """Smaller blocks, each of signals that need the same number of bytes."""
        needs: dict[int, list[SignalSpec]] = {}
        for spec in self.fields.specs:
            needs.setdefault(bytes_needed(spec), []).append(spec)
        return tuple(Block(self.path, specs) for specs in needs.values())

    def series(self, payloads: Payloads) -> Iterator[tuple[str, Series]]:
        """Every signal of the block by key; all payloads must be long enough."""
        raw = self.fields.raw(payloads)
        value = self.fields.physical(raw)
        status = self._status(raw, value)
        for i, spec in enumerate(self.fields.specs):
            yield (
                self.fields.keys[i],
                Series(spec, payloads.time_ns, value[i], raw[i], status[i], payloads.row),
            )

    def _status(self, raw: Int64s, value: Floats) -> Statuses:
        """The status column; values that are not available become NaN in place."""
        if self._ranged:
            outside = (value < self._low) | (value > self._high)
            status: Statuses = outside.view(np.uint8) * np.uint8(OUT_OF_RANGE)
        else:
            status = np.zeros(value.shape, np.uint8)
        for i, spec in enumerate(self.fields.specs):
            absent = absent_rows(spec, raw[i])
            if spec.is_float:
                status[i, np.isinf(value[i])] = OUT_OF_RANGE
                absent = np.isnan(value[i]) if absent is None else absent | np.isnan(value[i])
            if absent is not None and absent.any():
                status[i, absent] = NOT_AVAILABLE
                value[i, absent] = np.nan
        return status


def limits(spec: SignalSpec) -> tuple[float, float]:
    """The declared range, widened by what arithmetic in floats may be off by."""
    step = 2.0**-20 * abs(spec.factor)  # far below half a raw step
    relative = 2.0**-23 if spec.is_float else 2.0**-50  # a float32 cannot hit 0.1 any closer
    low = -np.inf if spec.minimum is None else spec.minimum
    high = np.inf if spec.maximum is None else spec.maximum
    if spec.is_float:
        step = 0.0
    if np.isfinite(low):
        low -= max(step, relative * abs(low))
    if np.isfinite(high):
        high += max(step, relative * abs(high))
    return low, high


class Compiled:
    """Decodes the frames of one message; ``wanted`` are keys of its signals (None: all)."""

    def __init__(self, message: MessageSpec, wanted: Collection[str] | None = None) -> None:
        self.message = message
        paths: dict[Path, list[SignalSpec]] = {}
        for spec in message.signals:
            if wanted is None or spec.key in wanted:
                paths.setdefault(spec.multiplexer, []).append(spec)
        self.blocks = [Block(path, specs) for path, specs in paths.items()]
        self._need = max((block.need for block in self.blocks), default=0)
        self.selectors = _selectors(message)

    def decode(self, payloads: Payloads) -> tuple[dict[str, Series], int, int]:
        """Series by key; how many frames were too short; how many had an undefined selection."""
        series: dict[str, Series] = {}
        if not self.selectors and payloads.length.min() >= self._need:
            for block in self.blocks:
                series.update(block.series(payloads))
            return series, 0, 0
        chosen = _Chosen(payloads, self.selectors)
        for block in self.blocks:
            part = chosen.part(block.path)
            if len(part):
                self._fill(series, block, part, chosen)
        return series, int(chosen.short.sum()), int(chosen.undefined().sum())

    def _fill(
        self, series: dict[str, Series], block: Block, part: Payloads, chosen: _Chosen
    ) -> None:
        if part.length.min() >= block.need:
            series.update(block.series(part))
            return
        for smaller in block.by_need:
            enough = part.length >= smaller.need
            chosen.mark_short(part.row[~enough])
            if enough.any():
                series.update(smaller.series(part.take(np.flatnonzero(enough))))


def _is_any(raw: Int64s, values: Sequence[int]) -> Bools:
    """Where a raw code is one of the values; most often these are a handful."""
    if len(values) > FEW:
        return np.isin(raw, values)
    rows: Bools = raw == values[0]
    for value in values[1:]:
        rows |= raw == value
    return rows


class _Selector:
    """A multiplexer signal and the values that select something or have a label."""

    def __init__(self, spec: SignalSpec, known: Collection[int]) -> None:
        self.path, self.need, self.fields = spec.multiplexer, bytes_needed(spec), Fields((spec,))
        self.known = tuple(sorted(known))


def _selectors(message: MessageSpec) -> dict[str, _Selector]:
    known: dict[str, set[int]] = {}
    for spec in message.signals:
        if spec.multiplexer:
            name, values = spec.multiplexer[-1]
            known.setdefault(name, set()).update(values)
    selectors = {}
    for name, selecting in known.items():
        selector = message.signal(name)
        assert selector is not None, f"{message.key}: {name} selects but is no signal"
        # A labelled value that selects nothing is defined all the same.
        selectors[name] = _Selector(selector, selecting | set(selector.labels))
    return selectors


class _Chosen:
    """Which frames of one message each multiplexer path selects."""

    def __init__(self, payloads: Payloads, selectors: Mapping[str, _Selector]) -> None:
        self._payloads, self._selectors = payloads, selectors
        self.short = np.zeros(len(payloads), np.bool_)
        self._rows: dict[Path, Bools] = {(): np.ones(len(payloads), np.bool_)}
        self._raw: dict[str, tuple[Bools, Int64s]] = {}

    def part(self, path: Path) -> Payloads:
        """The frames in which all selectors of a path have one of its values."""
        if not path:
            return self._payloads
        return self._payloads.take(np.flatnonzero(self._selected(path)))

    def mark_short(self, row: Int64s) -> None:
        """Count these frames (rows of the chunk) as too short."""
        self.short[np.searchsorted(self._payloads.row, row)] = True

    def undefined(self) -> Bools:
        """Frames in which a selector has a value that the definition does not know."""
        rows = np.zeros(len(self._payloads), np.bool_)
        for name, selector in self._selectors.items():
            present, raw = self._read(name)
            rows |= present & ~_is_any(raw, selector.known)
        return rows

    def _selected(self, path: Path) -> Bools:
        if path not in self._rows:
            name, values = path[-1]
            present, raw = self._read(name)
            self._rows[path] = self._selected(path[:-1]) & present & _is_any(raw, values)
        return self._rows[path]

    def _read(self, name: str) -> tuple[Bools, Int64s]:
        """Where a selector is selected itself and within the frame, and its raw codes there."""
        if name not in self._raw:
            selector, length = self._selectors[name], self._payloads.length
            active = self._selected(selector.path)
            present = active & (length >= selector.need)
            self.short |= active & ~present
            raw = np.zeros(len(self._payloads), np.int64)
            if present.all():
                raw = selector.fields.raw(self._payloads)[0]
            elif present.any():
                rows = np.flatnonzero(present)
                raw[rows] = selector.fields.raw(self._payloads.take(rows))[0]
            self._raw[name] = present, raw
        return self._raw[name]
