"""A definition held against a capture: what is missing on either side, and what looks wrong.

Memory is bounded: of every signal a few numbers are kept, of every message some intervals.
Thresholds: common practice, no published source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

import numpy as np

from canscope.capture.read import read_capture
from canscope.decoding.columns import Decoder
from canscope.decoding.database import read_definitions
from canscope.decoding.lookup import ANY_SOURCE, group_of
from canscope.model.definition import MessageSpec, Problem, SignalSpec
from canscope.model.signal_counts import SignalCounts
from canscope.model.signals import Series
from canscope.model.tables import Flag, Frames, Int64s
from canscope.plan.codes import raw_range
from canscope.proofreading.by_itself import Line, listed

Id = tuple[int, bool]  # identifier, whether it has 29 bits
FIT = 0.8  # of the best channel's share of known identifiers, to be a bus of the same definition
INTERVALS = 4096  # of a message, for its cycle
FEWEST = 20  # intervals or values from which something is concluded
CYCLE_OFF = 0.2  # of the stated cycle
ROUGHER = 4.0  # times as rough as in the other byte order
AT_END = 0.01  # of the values; the codes of a checksum are each 0.004
CHANGES = 50  # of a signal before its byte order is doubted


@dataclass
class Traffic:
    """How often each identifier came, and with how few bytes, by channel."""

    seen: dict[str, Counter[Id]] = field(default_factory=dict)
    shortest: dict[str, dict[Id, int]] = field(default_factory=dict)

    def take(self, frames: Frames) -> None:
        """Count the data frames of a chunk."""
        data = (frames.flags & (Flag.REMOTE | Flag.ERROR)) == 0
        extended = ((frames.flags & Flag.EXTENDED) != 0).astype(np.int64)
        codes = frames.channel.astype(np.int64) << 33 | extended << 32 | frames.can_id
        found, place, count = np.unique(codes[data], return_inverse=True, return_counts=True)
        least = np.full(len(found), np.iinfo(np.int64).max)
        np.minimum.at(least, place, frames.length[data].astype(np.int64))
        for code, n, size in zip(found.tolist(), count.tolist(), least.tolist(), strict=True):
            channel = frames.channels[code >> 33]
            identifier = code & 0x1FFFFFFF, bool(code >> 32 & 1)
            self.seen.setdefault(channel, Counter())[identifier] += n
            sizes = self.shortest.setdefault(channel, {})
            sizes[identifier] = min(size, sizes.get(identifier, size))

    def channels_of(self, messages: Sequence[MessageSpec]) -> list[str]:
        """The channels that a definition fits best, none if it fits no channel at all."""
        known = {channel: len(_known(messages, seen)) for channel, seen in self.seen.items()}
        best = max(known.values(), default=0)
        return [channel for channel, count in known.items() if count and count >= FIT * best]


def _known(messages: Iterable[MessageSpec], seen: Iterable[Id]) -> set[Id]:
    """The identifiers seen that a message has, J1939 ones by their parameter group."""
    whole, groups = set(), set()
    for message in messages:
        if message.j1939:
            groups.add((int(group_of(message.can_id)), message.can_id & 0xFF))
        else:
            whole.add((message.can_id, message.extended))
    known = set()
    for can_id, extended in seen:
        group = int(group_of(can_id))
        sources = {(group, ANY_SOURCE), (group, can_id & 0xFF)} if extended else set()
        if (can_id, extended) in whole or sources & groups:
            known.add((can_id, extended))
    return known


@dataclass
class _Message:
    count: int = 0
    short: int = 0
    last_ns: int | None = None
    intervals: list[int] = field(default_factory=list)

    def take(self, times: Int64s) -> None:
        self.count += len(times)
        if len(times) and len(self.intervals) < INTERVALS:
            before = [] if self.last_ns is None else [self.last_ns]
            self.intervals += np.diff(np.concatenate([before, times])).astype(np.int64).tolist()
        if len(times):
            self.last_ns = int(times[-1])

    @property
    def cycle_ms(self) -> float | None:
        if len(self.intervals) < FEWEST:
            return None
        return float(median(self.intervals[:INTERVALS])) / 1e6


class _Signal(SignalCounts):
    """The few numbers that are kept of a signal."""

    def __init__(self, spec: SignalSpec) -> None:
        super().__init__(spec)
        self.at_top = self.at_bottom = 0
        self.first: int | None = None
        self.varied = 0  # bits of the raw code that ever changed
        self.value = 0.0
        swaps = not spec.is_float and spec.length_bits in (16, 24, 32) and first_aligned(spec)
        self.courses = (_Course(), _Course()) if swaps else None  # as defined, the other way

    def take(self, series: Series) -> None:
        raw = series.raw
        if not len(raw):
            return
        if self.first is None:
            self.first = int(raw[0])
            self.value = float(series.value[0])
        self.count_in(series)
        self.varied |= int(np.bitwise_or.reduce(raw ^ np.int64(self.first)))
        if not self.spec.is_float:
            low, high = raw_range(self.spec)
            wrapped = high if high < 2**63 else -1
            self.at_top += int((raw == wrapped).sum())
            self.at_bottom += int((raw == low).sum()) if self.spec.signed else 0
        if self.courses:
            self.courses[0].take(raw)
            self.courses[1].take(swapped(raw, self.spec.length_bits, signed=self.spec.signed))


class _Course:
    """How far a signal went up and down in all, beside its range."""

    def __init__(self) -> None:
        self.way = 0.0
        self.low, self.high = np.inf, -np.inf
        self.last: float | None = None

    def take(self, raw: Int64s) -> None:
        values = raw.astype(np.float64)
        self.low, self.high = min(self.low, values.min()), max(self.high, values.max())
        before = values[0] if self.last is None else self.last
        self.way += float(np.abs(np.diff(values, prepend=before)).sum())
        self.last = float(values[-1])

    @property
    def roughness(self) -> float:
        return float(self.way / max(self.high - self.low, 1.0))


def first_aligned(spec: SignalSpec) -> bool:
    """Whether a field of whole bytes begins at a byte: the other order then has the same ones."""
    return spec.start_bit % 8 == (7 if spec.big_endian else 0)


def swapped(raw: Int64s, bits: int, *, signed: bool) -> Int64s:
    """Raw codes with their bytes in the other order."""
    size = bits // 8
    data = raw.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :size][:, ::-1]
    code = np.zeros(len(raw), np.int64)
    for place in range(size):
        code |= data[:, place].astype(np.int64) << (8 * place)
    return np.where(code >> (bits - 1), code - (1 << bits), code) if signed else code


class Comparison:
    """One channel's definitions beside its frames."""

    def __init__(self, channel: str, files: Sequence[str]) -> None:
        self.channel = channel
        self.definitions = read_definitions({channel: files})
        self._decoder = Decoder(self.definitions)
        self._messages = {m.key: _Message() for m in self.definitions.messages}
        self._signals = {key: _Signal(s) for key, s in self.definitions.signals().items()}

    def take(self, frames: Frames) -> None:
        """Look at the next chunk."""
        signals = self._decoder(frames)
        for key, times in signals.arrivals.items():
            if key in self._messages:
                self._messages[key].take(times)
        for key, series in signals.series.items():
            if key in self._signals:
                self._signals[key].take(series)
        for key, count in signals.tally.short_frames.items():
            if key in self._messages:
                self._messages[key].short += count

    def problems(
        self, traffic: Traffic, lines: Mapping[str, Line]
    ) -> Iterator[tuple[str, Problem]]:
        """(file, problem) of everything that does not fit."""
        seen = traffic.seen.get(self.channel, Counter[Id]())
        shortest = traffic.shortest.get(self.channel, {})
        messages = self.definitions.messages
        for message in messages:
            line = lines[message.file]
            for problem in self._of_message(message, seen, shortest, line):
                yield message.file, problem
        yield from self._not_defined(seen)
        not_seen = [m for m in messages if not self._messages[m.key].count]
        for file in self.definitions.files:
            names = [m.name for m in not_seen if m.file == file]
            if names:
                what = f"on {self.channel}, defined and not seen: {listed(names)}"
                yield file, Problem("note", what, "is this its bus, and was it awake?")

    def _not_defined(self, seen: Mapping[Id, int]) -> Iterator[tuple[str, Problem]]:
        defined = self.definitions.messages
        known = _known(defined, seen)
        unknown = {identifier: n for identifier, n in seen.items() if identifier not in known}
        if unknown:
            often = sorted(unknown, key=lambda i: -unknown[i])
            names = listed(f"{_shown(i)} ({unknown[i]} times)" for i in often)
            what = f"on {self.channel}, seen and not defined: {len(unknown)} identifiers: {names}"
            hint = "nothing is known of these frames; is a definition missing?"
            yield self.definitions.files[0], Problem("note", what, hint)

    def _of_message(
        self,
        message: MessageSpec,
        seen: Mapping[Id, int],
        shortest: Mapping[Id, int],
        line: Line,
    ) -> Iterator[Problem]:
        found = self._messages[message.key]
        at, about = line(message.name, ""), f"on {self.channel}, message {message.name}"

        def problem(weight: str, what: str, hint: str) -> Problem:
            return Problem(weight, f"{about} {what}", hint, at, message.name)

        if not found.count:
            yield from (problem("doubt", *why) for why in _why_not_seen(message, seen))
            return
        if found.short:
            what = f"came shorter than defined in {found.short} of {found.count} frames"
            yield problem("doubt", what, f"{message.length} bytes are defined; correct the length")
        elif (size := shortest.get((message.can_id, message.extended), message.length)) < (
            message.length
        ):
            what = f"came with {size} bytes and is defined with {message.length}"
            yield problem("doubt", what, "correct the length; all its signals lie within them")
        measured, stated = found.cycle_ms, (message.cycle_ns or 0) / 1e6
        if measured is not None and stated and abs(measured - stated) > CYCLE_OFF * stated:
            what = f"comes every {measured:.4g} ms; {stated:.4g} ms is stated"
            yield problem("doubt", what, "correct the cycle, or look at its sender")
        elif measured is not None and not stated:
            yield problem("note", f"comes every {measured:.4g} ms; no cycle is stated", "state it")
        constant = []
        for spec in message.signals:
            one = self._signals[spec.key]
            if one.count >= FEWEST and not one.changes:
                constant.append(f"{spec.name} = {one.value:.6g}")
            about_signal = f"on {self.channel}, signal {message.name}.{spec.name}"
            for weight, what, hint in _of_signal(one):
                where = line(message.name, spec.name)
                yield Problem(
                    weight, f"{about_signal} {what}", hint, where, message.name, spec.name
                )
        if constant:
            yield problem("note", f"never changed: {listed(constant)}", "was it exercised?")


def _why_not_seen(message: MessageSpec, seen: Mapping[Id, int]) -> Iterator[tuple[str, str]]:
    """A likely reason why a message was not seen: (what, hint)."""
    if (message.can_id, not message.extended) in seen:
        bits, marked = (11, "is marked") if message.extended else (29, "is not marked")
        what = f"was not seen; its identifier came with {bits} bits, and {marked} as a 29-bit one"
        yield what, "2147483648 added to the number in the BO_ line is that mark"
    elif message.extended and not message.j1939:
        group = group_of(message.can_id)
        others = [i for i in seen if i[1] and group_of(i[0]) == group]
        if others:
            what = f"was not seen; its parameter group came as {_shown(others[0])}"
            hint = 'if it is J1939, say so: BA_ "VFrameFormat" with the format J1939PG'
            yield what, hint


def _of_signal(one: _Signal) -> Iterator[tuple[str, str, str]]:
    """(weight, what, hint) of what a signal's values show."""
    spec = one.spec
    if one.outside:
        what = f"left its declared range in {one.outside} of {one.count} values"
        yield "doubt", what, "correct range, factor, sign or byte order"
    if one.absent:
        what = f"was not available in {one.absent} of {one.count} values"
        yield "note", what, "its codes for no value: value table, or not_available in the plan"
    if one.count >= FEWEST and one.changes and spec.length_bits >= 8 and not spec.is_float:
        top = one.at_top if spec.absent.kind in ("none", "codes") and not one.absent else 0
        if top > AT_END * one.count:
            what = f"was at its highest code in {top} of {one.count} values"
            yield (
                "doubt",
                what,
                'if that means no value, set not_available = "maximum"; else too few bits',
            )
        if one.at_bottom > AT_END * one.count:
            what = f"was at its lowest code in {one.at_bottom} of {one.count} values"
            yield "doubt", what, "too few bits, or a code for no value"
    if one.courses is None or one.changes < CHANGES:
        return
    own, other = (course.roughness for course in one.courses)
    ends = one.varied & 0xFF, one.varied >> (spec.length_bits - 8) & 0xFF
    both_move = all(end.bit_count() >= 3 for end in ends)
    if both_move and own > ROUGHER * other:
        order = "Intel (@1)" if spec.big_endian else "Motorola (@0)"
        what = (
            f"jumps; in the order {order} it would be {own / max(other, 1e-9):.0f} times smoother"
        )
        yield "doubt", what, "correct its byte order (and with it the start bit)"


def _shown(identifier: Id) -> str:
    return f"{identifier[0]:08X}x" if identifier[1] else f"{identifier[0]:03X}"


def compare(
    captures: Sequence[str],
    messages: Mapping[str, Sequence[MessageSpec]],
    channels: Mapping[str, str],
    lines: Mapping[str, Line],
    *,
    format: str | None = None,
    bus: str | Sequence[str] | None = None,
) -> tuple[list[tuple[str, Problem]], dict[str, list[str]]]:
    """Definitions beside a capture: (file, problem) of what does not fit, and files by channel.

    ``messages`` holds the messages of each file; ``channels`` the bus of files for which it is
    known, the others are taken for the buses that they fit best. The capture is read twice.

    Raises:
        CaptureError: the capture cannot be read.
    """
    traffic = Traffic()
    for frames in read_capture(*captures, format=format, channel=bus):
        traffic.take(frames)
    files: dict[str, list[str]] = {}
    found: list[tuple[str, Problem]] = []
    for file, own in messages.items():
        fitting = [channels[file]] if file in channels else traffic.channels_of(own)
        for channel in fitting:
            files.setdefault(channel, []).append(file)
        if not fitting and own:
            seen = ", ".join(sorted(traffic.seen)) or "none"
            what = f"none of its messages was seen on any bus (seen: {seen})"
            found.append((file, Problem("doubt", what, "is it the definition of this vehicle?")))
            found += _of_strangers(file, own, traffic, lines[file])
    comparisons = {channel: Comparison(channel, names) for channel, names in files.items()}
    for frames in read_capture(*captures, format=format, channel=bus):
        for comparison in comparisons.values():
            comparison.take(frames)
    for comparison in comparisons.values():
        found += comparison.problems(traffic, lines)
    return found, files


def why_nothing(traffic: Traffic, messages: Sequence[MessageSpec]) -> Iterator[str]:
    """Why frames of this traffic may have given no value at all, in words, the likeliest first."""
    for channel, seen in traffic.seen.items():
        if _known(messages, seen):
            continue
        names = listed(_shown(identifier) for identifier in sorted(seen))
        yield f"on {channel}, no identifier seen is defined: {names}"
        for message in messages:
            for what, hint in _why_not_seen(message, seen):
                yield f"on {channel}, message {message.name} {what}: {hint}"
                return


def _of_strangers(
    file: str, messages: Iterable[MessageSpec], traffic: Traffic, line: Line
) -> Iterator[tuple[str, Problem]]:
    """Why the messages of a file that fits no bus may not have been found."""
    for message in messages:
        for channel, seen in traffic.seen.items():
            for what, hint in _why_not_seen(message, seen):
                text = f"on {channel}, message {message.name} {what}"
                yield file, Problem("doubt", text, hint, line(message.name, ""), message.name)
